/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Binding: a campaign says which roles it needs, a bench says which channels make up each role,
 * the adapters say what their channels can do. Binding puts the three together, or says everything
 * that is in the way, all at once.
 *
 *	struct evl_need needs[] = {
 *		{.role = "trib", .rate = EVL_RATE_E1, .count = 63, .play = true, .capture = true},
 *	};
 *	struct evl_fit fit = {0};
 *	struct evl_binding *binding;
 *	if (evl_bind(&binding, &fit, bench, needs, 1, ports, n_ports, &err) < 0) {
 *		for (size_t i = 0; i < fit.problem_count; i++) {
 *			puts(fit.problems[i].text);
 *		}
 *	}
 *	evl_fit_finish(&fit);
 *	evl_binding_destroy(binding);
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/rate.h"
#include "core/bench/bench.h"
#include "core/frame/sdh_map.h"

/* What a channel can do: the same values as EVL_CH_x of the driver ABI. */
enum {
	EVL_ABLE_PLAY = 1u << 0,
	EVL_ABLE_CAPTURE = 1u << 1,
	EVL_ABLE_ALARMS = 1u << 2,
	EVL_ABLE_INJECT = 1u << 3,
	EVL_ABLE_CLOCK = 1u << 4, /* takes a clock offset when playing */
	EVL_ABLE_SETUP = 1u << 5, /* can be set up by a campaign */
};

/* What a campaign needs of one role. Pointers are the caller's, for the time of the call. */
struct evl_need {
	const char *role;
	enum evl_rate rate; /* EVL_RATE_NONE: any, but all channels of the role alike */
	uint32_t count;     /* at least so many channels; 0 means 1 */
	bool play;
	bool capture;
	bool alarms;
	bool inject;
	bool clock; /* played with a clock of its own */
	bool setup;
	const char *where; /* "campaign.lua:12" for messages, or NULL */
};

/* One channel that an open adapter instance offers (evl_instance_ports makes the list). */
struct evl_bound_port {
	uint32_t adapter; /* index into evl_bench.adapters */
	uint32_t channel; /* index in the adapter's own list */
	const char *name; /* the caller's, for the time of the call */
	enum evl_rate rate;
	uint32_t abilities; /* EVL_ABLE_x */
};

struct evl_bound_channel {
	const char *role;
	uint32_t index;  /* within the role, from 0 */
	uint32_t number; /* shown to people */
	/* Where the number has a place in the line; NULL, BY_RATE and zero where it has none. */
	const struct evl_numbering *numbering;
	enum evl_numbering_unit unit;
	struct evl_numbering_place place;
	uint32_t line_number; /* the number on its line; `number` unless a role has several */
	/* The line that it rides on, in the adapter's own list: as the bench says, or the only one
	 * that the adapter has; UINT32_MAX: not known. */
	uint32_t line_channel;
	const struct evl_sdh_map *map; /* what a line carries by the bench; NULL for others */
	const char *name;  /* of the adapter's channel */
	const char *label; /* "trib 17 (2-6-1)", "trib 17", or "line" for a lone channel */
	uint32_t adapter;  /* index into evl_bench.adapters */
	uint32_t channel;  /* index in the adapter's own list */
	enum evl_rate rate;
	uint32_t abilities; /* EVL_ABLE_x */
};

struct evl_bound_role {
	const char *name;
	const struct evl_bound_channel *channels; /* all that the bench gives, in its order */
	size_t channel_count;
	enum evl_rate rate;
};

/* Owns all its text; needs neither bench nor ports afterwards. Roles are in the order of needs. */
struct evl_binding {
	const struct evl_bound_role *roles;
	size_t role_count;
	size_t channel_count; /* over all roles */
};

/* One line of the answer "can this bench run it?", one for each need and in that order. */
struct evl_fit_role {
	const char *role;
	const char *adapter; /* instance name; "" when the bench has no such role */
	const char *driver;
	enum evl_rate rate; /* as wanted */
	uint32_t abilities; /* as wanted, EVL_ABLE_x */
	uint32_t wanted;    /* channels */
	uint32_t listed;    /* channels that the bench gives to the role */
	uint32_t found;     /* of these, usable as wanted */
	uint32_t missing;   /* wanted but not found */
	uint32_t problems;  /* how many of evl_fit.problems are about this role */
	bool fits;
	uint32_t line;    /* of the role in the bench file; 0 when it is not there */
	const char *note; /* one line: "63 of 63 E1 channels" or the first problem in short */
};

struct evl_fit_problem {
	const char *role;
	const char *channel; /* as the bench names it; "" when it is about the whole role */
	uint32_t line;       /* in the bench file */
	const char *text;    /* whole message, "FILE:LINE: role trib: ..." */
};

struct evl_fit {
	struct evl_fit_role *roles;
	size_t role_count;
	struct evl_fit_problem *problems; /* in the order of needs, then of lines */
	size_t problem_count;
	const char **unused; /* roles of the bench that no need names, in file order */
	size_t unused_count;
	bool fits;
};

/* Binds all needs or none. `fit` (may be NULL) is always filled in, also on success; the caller
 * finishes it. `out` may be NULL to ask only. On failure *out is NULL, the status is EVL_E_INVALID
 * and err holds the first problem and how many more there are. */
enum evl_status evl_bind(struct evl_binding **out, struct evl_fit *fit,
			 const struct evl_bench *bench, const struct evl_need *needs,
			 size_t need_count, const struct evl_bound_port *ports, size_t port_count,
			 struct evl_err *err);

void evl_binding_destroy(struct evl_binding *binding); /* takes NULL */
void evl_fit_finish(struct evl_fit *fit);              /* takes a zeroed object */

/* Which client of a line with this map (evl_sdh_map_clients) a channel is. Where the numbering
 * leaves the unit to the rate, a T1 is sought in TU-11 and in TU-12. VC-3: number 3 (A - 1) + K,
 * VC-4: A. False when the line carries no such client at that place. */
bool evl_bound_client(
	uint32_t *client, const struct evl_sdh_map *map, const struct evl_bound_channel *channel);

/* NULL when there is no such role. */
const struct evl_bound_role *evl_binding_role(const struct evl_binding *binding, const char *name);

/* Writes "play, capture, alarms, inject" of the bits that are set; "nothing" when none is. */
void evl_abilities_print(struct evl_text *out, uint32_t abilities);

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The live view: a read-only web page that shows a run while it goes on, served to the own machine
 * by GNU libmicrohttpd in threads of its own. Nothing that a browser sends reaches the run.
 *
 *	struct evl_live *live;
 *	evl_live_start(&live, "127.0.0.1", 0, &err);		// 0: any free port
 *	fprintf(stderr, "live view: %s\n", evl_live_url(live));
 *	if (evl_live_due(live)) {
 *		evl_live_publish(live, &state);			// at most twice a second
 *	}
 *	evl_live_stop(live, &last);				// browsers get the last state
 *
 * Pages: / (HTML), /events (server-sent events, one JSON object each), /state (the same JSON once).
 * Only GET and HEAD; only requests whose Host names this machine, so that no foreign page can read
 * along by a name that it points here.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"

#define EVL_LIVE_CLIENTS_MAX 16u
#define EVL_LIVE_PERIOD_MS   500u

enum evl_live_sync { /* of a channel */
	EVL_LIVE_IDLE = 0,
	EVL_LIVE_RUNNING, /* nothing is expected */
	EVL_LIVE_NO_SYNC,
	EVL_LIVE_IN_SYNC,
};

struct evl_live_channel {
	const char *label;  /* "trib 17 (2-6-1)" */
	const char *rate;   /* "E1" */
	const char *alarms; /* "LOS, AIS", or "" */
	enum evl_live_sync sync;
	uint64_t bits;
	uint64_t errors;
};

struct evl_live_case {
	const char *name;
	const char *verdict; /* "" while it runs */
};

/* All text is UTF-8, borrowed during the call. */
struct evl_live_state {
	bool ended;
	int64_t run;
	const char *campaign, *title, *bench, *build, *clock; /* "virtual" or "real" */
	const char *verdict;                                  /* worst so far */
	const char *message;                                  /* "" or what went wrong */
	uint32_t case_number, case_count;
	const char *case_name, *case_title;
	const char *take_name;                 /* "" between takes */
	uint64_t done_ns, all_ns;              /* of the take, bench time */
	int64_t left_ms;                       /* of the take at the present speed; -1: not known */
	uint64_t errors;                       /* of the take */
	uint32_t passed, failed, inconclusive; /* checks of the run */
	const struct evl_live_case *cases;     /* begun so far */
	size_t case_list_count;
	const struct evl_live_channel *channels;
	size_t channel_count;
};

struct evl_live;

/* EVL_E_INVALID: `address` is no IP address of version 4 or 6; EVL_E_IO: it cannot be listened on.
 */
enum evl_status evl_live_start(
	struct evl_live **out, const char *address, uint16_t port, struct evl_err *err);

/* "http://127.0.0.1:38123/"; valid until stop. */
const char *evl_live_url(const struct evl_live *live);

/* Is it worth making a state now? Somebody looks, and half a second has passed; or none was made.
 */
bool evl_live_due(struct evl_live *live);
void evl_live_publish(struct evl_live *live, const struct evl_live_state *state);

/* Publishes the last state (may be NULL), gives browsers up to half a second to take it, and ends
 * the server. Takes NULL. */
void evl_live_stop(struct evl_live *live, const struct evl_live_state *last);

/* SPDX-License-Identifier: Apache-2.0 */
/* A take under construction: shared by the files that read the yielded plan. */
#pragma once

#include <jansson.h>

#include "core/script/internal.h"

/* What the channels of a role, or one number of it, play through. */
struct plan_network {
	const struct evl_bound_role *role;
	int64_t number; /* 0: all */
	struct evl_network_plan plan;
	struct evl_network_event *events; /* owned */
};

/* plan_record.c: what the take records; the whole, or `most` times what a trigger caught. */
struct record_plan {
	uint32_t count; /* recordings at most; 0: none */
	char **names;   /* "caught", "caught 2" ...; owned, as the others */
	char **paths;   /* as stored: relative to the store's folder */
	char **files;   /* as opened */
	char **metas;
	int *numbers; /* in the store, or -1 */
	struct evl_take_condition when[EVL_TAKE_CONDITIONS], mark[EVL_TAKE_CONDITIONS];
	char *texts[2 * EVL_TAKE_CONDITIONS]; /* owned */
	uint32_t text_count;
};

struct build {
	struct run_state *r;
	struct case_run *c;
	lua_State *L;
	int table; /* stack index of the yielded plan */
	struct evl_take_plan plan;
	struct evl_take_inside *inside;             /* owned, with their `follow`; likewise: */
	struct evl_take_expectation **expectations; /* by part */
	struct plan_network *networks;              /* owned */
	size_t network_count;
	struct record_plan record;
	struct evl_user_pattern **users; /* owned, for the time of the take */
	const char **user_bytes;         /* Lua strings they were made of */
	size_t user_count;
	struct evl_pattern *known; /* owned */
	struct evl_take_sink sink;
	char holder[96];
	char name[80];
};

/* Phases of the channels of a role. */
struct phases {
	uint64_t *phase; /* owned; by channel of the role */
	enum evl_pattern_identity identity;
	uint32_t set;
};

/* Fields of the table at stack index `at`; NULL, 0 or false when they are not there. */
const char *evl_plan_text(lua_State *L, int at, const char *name);
int64_t evl_plan_integer(lua_State *L, int at, const char *name);
bool evl_plan_bool(lua_State *L, int at, const char *name);
double evl_plan_number(lua_State *L, int at, const char *name);

/* The part of a channel, made when it is not there yet. */
struct evl_take_part *evl_plan_part(struct build *b, uint32_t channel);
uint32_t evl_plan_first_channel(const struct build *b, const struct evl_bound_role *role);
/* `each` for the parts of all channels of the roles that the list in `field` of the table at stack
 * index `at` names. */
void evl_plan_roles(
	struct build *b, int at, const char *field, void (*each)(struct evl_take_part *p));
/* The channels of a role that `number` means: 0 all of them, else the one that has it. Without one
 * EVL_E_INVALID, which names the field of the plan. */
enum evl_status evl_plan_numbered(const struct build *b, const struct evl_bound_role *role,
	int64_t number, const char *field, uint32_t *first, uint32_t *count, struct evl_err *err);
enum evl_status evl_plan_pattern(
	struct build *b, int at, struct evl_pattern *out, struct evl_err *err);
enum evl_status evl_plan_phases(const struct build *b, const struct evl_bound_role *role,
	const struct evl_pattern *pattern, struct phases *out, struct evl_err *err);

/* plan_replay.c: channel `index` of the role plays, or is expected to return, what the replay at
 * stack index `at` says. */
enum evl_status evl_plan_recorded(struct build *b, int at, const struct evl_bound_role *role,
	size_t index, bool play, struct evl_take_content *out, struct evl_err *err);

/* plan_line.c: lines, what rides on them, and what is injected. */
/* The fields framing and timeslots of a source; both are zero when it has no frames. */
enum evl_status evl_plan_framed(struct build *b, int at, const struct evl_bound_role *role,
	struct evl_framing *framing, struct evl_timeslots *slots, struct evl_err *err);
enum evl_status evl_plan_inside(struct build *b, struct evl_err *err);
void evl_plan_watch(struct build *b);
enum evl_status evl_plan_inject(struct build *b, struct evl_err *err);
/* By the present setup, when all parts are there. */
enum evl_status evl_plan_expectations(struct build *b, struct evl_err *err);
void evl_plan_lines_finish(struct build *b);

/* plan_network.c, when all is there that plays and says so. */
enum evl_status evl_plan_networks(struct build *b, struct evl_err *err);
void evl_plan_networks_meta(const struct build *b, json_t *meta); /* of a recording */
void evl_plan_networks_finish(struct build *b);

/* plan_record.c */
enum evl_status evl_plan_record(struct build *b, struct evl_err *err);
/* The rows of the store: a recording of the whole take begins before it, one by a trigger as it
 * happens, by way of the sink; all end after it. Then those that are whole can be replayed. */
void evl_plan_record_begin(struct build *b);
void evl_plan_record_sink(struct evl_take_sink *sink);
enum evl_status evl_plan_record_end(struct build *b, const struct evl_take_result *result,
	struct take_seen *seen, struct evl_err *err);
void evl_plan_record_finish(struct build *b);

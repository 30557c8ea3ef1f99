/* SPDX-License-Identifier: Apache-2.0 */
/* Insides of the script room: a campaign in a sandbox, and the state of one run. */
#pragma once

#include <lauxlib.h>
#include <lua.h>

#include "core/bench/bench.h"
#include "core/bench/bind.h"
#include "core/engine/engine.h"
#include "core/measure/limits.h"
#include "core/measure/verdict.h"
#include "core/recording/reader.h"
#include "core/script/at_once.h"
#include "core/script/runner.h"
#include "core/script/sandbox.h"
#include "core/signal/user_pattern.h"
#include "core/store/store_read.h"
#include "core/store/store_write.h"
#include "core/store/take_over.h"

struct campaign_need {
	char *role;
	enum evl_rate rate;
	uint32_t count;
	bool play, capture, alarms, inject, clock, setup;
};

struct campaign_case {
	char *name;
	char *title;
	char *purpose;
	char *method;
	uint64_t estimate_ns;
	uint64_t time_limit_ns;
	char **uses; /* roles; NULL: all */
	size_t use_count;
	size_t *after; /* indices of earlier cases */
	size_t after_count;
	bool wanted; /* chosen by --case, or all */
};

#define CAMPAIGN_FILES_MAX 16

/* What it read besides itself. */
struct campaign_file {
	char *name; /* below the campaign's folder */
	size_t bytes;
	char sha256[EVL_SHA256_HEX];
	const char *purpose;              /* "pattern", "limits", "recording" */
	uint64_t bits;                    /* of these, the pattern */
	struct evl_user_pattern *pattern; /* or NULL */
	struct evl_limits_table *limits;  /* or NULL */
	struct open_recording *recording; /* or NULL */
};

/* A campaign file, loaded and run once to learn what it defines. */
struct campaign {
	char *path;
	char *source;
	size_t source_bytes;
	char sha256[EVL_SHA256_HEX];
	char library_sha256[EVL_SHA256_HEX];
	char *name;
	char *title;
	char *version;
	char *notice;
	struct campaign_need *needs;
	size_t need_count;
	struct campaign_case *cases;
	size_t case_count;
	struct campaign_file files[CAMPAIGN_FILES_MAX];
	size_t file_count;
	bool loaded; /* the file was run: cases and files are known */
	struct evl_sandbox *sandbox;
	int entry_ref; /* the table that prelude.lua returned */
};

/* Everything that a run needs of the laboratory. */
struct lab {
	struct evl_bench *bench;
	struct evl_loaded **loaded; /* by adapter of the bench */
	struct evl_identity *identities;
	struct evl_instance **instances;
	struct evl_binding *binding;
	bool is_virtual;
	bool simulated;
	int lock_fd; /* holds the bench; -1: not held. Valid while `bench` is not NULL */
};

struct open_recording {
	char *name;
	struct evl_rec *reader;
	/* By evl_recording_measure: */
	uint64_t frames;   /* of the shortest channel, from bit 0 */
	uint64_t begin_ns; /* from bit 0 to where all channels are recorded, on the grid of takes */
	uint64_t end_ns;   /* as frames, or where what was sent by no clock of its own ends */
	bool whole;        /* it is finished */
};

struct setup;

struct run_state {
	const struct evl_run_args *args;
	struct evl_run_outcome *outcome;
	struct campaign *campaign;
	struct lab lab;
	struct evl_engine *engine;
	struct evl_store *store;
	int64_t run;
	int64_t reference_run;
	struct evl_run_progress progress;
	struct case_run *now;   /* whose coroutine runs; NULL: none */
	struct case_run *cases; /* that are wanted, in the order of the file */
	size_t case_count;
	struct evl_at_once order;
	/* The round that runs: cases whose takes began together. */
	struct case_run **round;
	size_t round_count;
	uint64_t round_done_ns;
	bool fresh;                   /* a pause was made, or nothing has moved yet */
	const struct case_run *alone; /* it was the only open case in the last round */
	bool may;                     /* more cases may begin */
	/* Recordings opened in this run; Lua knows them by index. */
	struct open_recording *recordings;
	size_t recording_count;
	/* First trouble with the store: ends the run. */
	enum evl_status store_status;
	struct evl_err store_err;
};

enum case_state {
	CASE_WAITS,
	CASE_OPEN, /* it waits with a take */
	CASE_ENDED,
};

struct build;

/* One case of a run. */
struct case_run {
	struct run_state *r;
	uint32_t index;  /* in the campaign */
	uint32_t number; /* of those that are wanted, from 1 */
	enum case_state state;
	bool *holds; /* by engine channel: nobody else has these while it is open */
	bool *hears; /* likewise; NULL: all */
	lua_State *co;
	int anchor;
	struct setup *setup;   /* setup.c; NULL while it set nothing up */
	struct build *waiting; /* plan.c; the take that it waits with */
	int case_no;
	bool open; /* in the store */
	int take_no;
	uint32_t takes;
	uint64_t started_ns;
	uint64_t take_start_ns; /* of the latest take, for checks that are located in time */
	uint64_t used_ns;       /* by its takes */
	uint64_t waited_ns;     /* while takes of others went on */
	enum evl_verdict verdict;
	uint32_t passed, failed, inconclusive;
	uint64_t done_ns, errors; /* of the take that runs */
	/* It was taken over from another run: the times of its takes. On the virtual clock those
	 * take their place beside the takes of others, so that these begin when they did. */
	bool taken_over;
	struct evl_done_takes kept;
	size_t kept_at;
};

/* cases.c: the wanted cases of the campaign, on the binding of the lab. */
void evl_cases_make(struct run_state *r);
enum evl_status evl_cases_run(struct run_state *r, struct evl_err *err);
void evl_cases_finish(struct run_state *r); /* before the campaign goes */
/* Channels of the binding that a case holds; free it. A line brings what rides on it. */
bool *evl_case_holds(const struct evl_binding *binding, const struct campaign_case *c);
/* Bench time as the campaign states it. */
uint64_t evl_case_lasts_ns(const struct campaign_case *c);
void evl_cases_order(struct evl_at_once *out, const struct campaign *c, bool *const *holds,
	size_t channel_count, bool one_by_one);
void evl_cases_tell_take(struct run_state *r); /* progress of the round */

/* continue.c: cases of runs that were broken off. Checks that they can be continued, and takes over
 * which recordings they replay; then case by case. */
enum evl_status evl_continue_begin(struct run_state *r, struct evl_err *err);
enum evl_status evl_continue_case(struct case_run *c, bool *taken, struct evl_err *err);
/* Puts what was taken over in front of the message of the run. */
void evl_continue_tell(struct run_state *r);

/* campaign.c */
enum evl_status evl_campaign_load(struct campaign **out, const char *path,
	const volatile sig_atomic_t *stop, struct run_state *state, struct evl_err *err);
void evl_campaign_destroy(struct campaign *c); /* takes NULL */

/* bind_core.c, bind_case.c: fill the table on top of the stack. */
void evl_bind_core(lua_State *L);
void evl_bind_case(lua_State *L);
/* pattern_file.c: puts core.pattern_file into the table on top of the stack. */
void evl_bind_pattern_file(lua_State *L, struct campaign *c);
void evl_campaign_files_finish(struct campaign *c);
/* Argument 1: the name of a file that the campaign reads at its top, while there is room for one
 * more; raises otherwise, with `what` in front. */
const char *evl_campaign_file_name(lua_State *L, const struct campaign *c, const char *what);
/* The path of a file that is not read yet; raises when it is not below the campaign's folder or
 * there is no room for one more. Free it. */
char *evl_campaign_file_path(
	lua_State *L, const struct campaign *c, const char *what, const char *name);
void evl_campaign_file_keep(struct campaign_file *out, const char *name, const char *purpose,
	const void *data, size_t len);
/* recordings.c: core.recording_file. */
void evl_bind_recording_file(lua_State *L, struct campaign *c);
/* Instants become bits by clocks that are known to the rounding of slabs; less than 1 ms at any
 * rate. */
#define EVL_RECORDING_SLACK_BITS 512u
/* Fills what follows from the reader. */
void evl_recording_measure(struct open_recording *rec);
void evl_recording_close(struct open_recording *rec); /* what is in it; takes NULL */
/* Bits, a multiple of 8, in which a channel of the recording passes `ns` from bit 0. */
uint64_t evl_recording_bits(
	const struct open_recording *rec, const struct evl_rec_info *channel, uint64_t ns);
/* Pushes what a campaign sees of it; `number` is put into `field`. */
void evl_recording_push(
	lua_State *L, const struct open_recording *rec, const char *field, lua_Integer number);
/* The one that the fields recording or recording_file of the table at `at` name; NULL: none. */
struct open_recording *evl_recording_of(const struct run_state *r, lua_State *L, int at);
/* returned.c: core.compare_returned. */
int evl_script_compare_returned(lua_State *L);
/* limits_file.c: core.limits_file and core.judge_limits. */
void evl_bind_limits_file(lua_State *L, struct campaign *c);
/* Raises "file:line: message" at the campaign's line. */
int evl_script_fail(lua_State *L, const char *fmt, ...) __attribute__((format(printf, 2, 3)));

/* lab.c */
enum evl_status evl_lab_open(struct lab *lab, const struct evl_run_args *args,
	const struct campaign *c, struct evl_fit *fit, struct evl_err *err);
void evl_lab_close(struct lab *lab);

/* plan.c: the table that a case yielded, on its stack -> c->waiting. */
enum evl_status evl_plan_make(struct case_run *c, struct evl_err *err);
void evl_plan_drop(struct case_run *c); /* when it is there */

/* take.c: what belongs to c->waiting before it runs: fills `order`. In no tick of the store. */
enum evl_status evl_take_begin(
	struct case_run *c, struct evl_take_order *order, uint64_t begin_ns, struct evl_err *err);
/* When it has run and evl_keep_result has kept it: the result table on the case's stack. */
enum evl_status evl_take_end(
	struct case_run *c, const struct evl_take_order *order, struct evl_err *err);

/* plan_seen.c: pushes what the case gets back; argument 1 is a struct take_seen as light userdata.
 * Runs under evl_sandbox_call, as it may run out of Lua memory. */
struct take_seen {
	struct run_state *r;
	const struct evl_take_plan *plan;
	const struct evl_take_result *result;
	const char *name;
	int *ids;           /* owned; by recording of the result: in r->recordings, or -1 */
	char *const *names; /* borrowed, likewise */
	bool triggered;     /* the take waited for triggers */
	uint64_t start_ns;  /* of the take, on the clock of the run */
};
int evl_script_push_seen(lua_State *L);

/* plan_check.c: raises what is wrong with the yielded table, argument 2; 1 is the run as a light
 * userdata. */
int evl_script_check_plan(lua_State *L);
/* plan_network.c: enum evl_network_kind by the word of a plan; 0: not known. */
int evl_plan_network_kind(const char *word);
bool evl_script_is_text(const char *text, size_t len); /* UTF-8 without NUL */
bool evl_campaign_uses(const struct campaign_case *c, const char *role);

/* in_service.c */
void evl_keep_performances(struct case_run *c, const struct evl_take_result *result);
void evl_script_push_performances(
	lua_State *L, struct run_state *r, const struct evl_take_result *res); /* a list */

/* keep.c: results into the store. */
void evl_keep_status(struct run_state *r, enum evl_status st, const struct evl_err *err);
enum evl_status evl_keep_run_begin(struct run_state *r, struct evl_err *err);
void evl_keep_take_sink(struct case_run *c, struct evl_take_sink *sink);
void evl_keep_result(
	struct case_run *c, const struct evl_take_plan *plan, const struct evl_take_result *result);
#define EVL_EVENT_PLACE 72
/* Where an event was besides its channel: "path 2", "in line", "client 7"; or NULL. */
const char *evl_keep_event_place(
	char place[EVL_EVENT_PLACE], const struct run_state *r, const struct evl_take_event *e);
void evl_utc_now(char out[32]);
/* Opens a recording that the store knows; the index in r->recordings, or -1. */
int evl_keep_open_recording(
	struct run_state *r, const char *name, int64_t run, struct evl_err *err);

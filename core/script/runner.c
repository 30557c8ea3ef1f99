/* SPDX-License-Identifier: Apache-2.0 */
#include "core/script/runner.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/script/internal.h"
#include "core/script/watchdog.h"
#include "core/script/setup.h"

static enum evl_status check_args(const struct evl_run_args *args, struct evl_err *err)
{
	if (args->build == NULL || args->build[0] == '\0') {
		return evl_err_set(err, EVL_E_INVALID,
				   "the build has no label; say which version is under test with "
				   "--build LABEL");
	}
	if (!evl_script_is_text(args->build, strlen(args->build))) {
		return evl_err_set(err, EVL_E_INVALID, "--build: the label is no UTF-8 text");
	}
	if (strlen(args->build) > 100) {
		return evl_err_set(err, EVL_E_INVALID,
				   "--build: the label has %zu bytes; at most 100 are kept",
				   strlen(args->build));
	}
	return EVL_OK;
}

static enum evl_status choose_cases(struct campaign *c, const struct evl_run_args *args,
				    uint32_t *count, struct evl_err *err)
{
	*count = 0;
	for (size_t i = 0; i < args->case_count; i++) {
		bool found = false;
		for (size_t k = 0; k < c->case_count; k++) {
			if (strcmp(c->cases[k].name, args->cases[i]) == 0) {
				found = true;
				c->cases[k].wanted = true;
			}
		}
		if (!found) {
			char known[400] = "";
			for (size_t k = 0; k < c->case_count; k++) {
				size_t n = strlen(known);
				snprintf(known + n, sizeof known - n, "%s%s", k > 0 ? ", " : "",
					 c->cases[k].name);
			}
			return evl_err_set(err, EVL_E_NOTFOUND, "%s has no case %s; there are: %s",
					   c->path, args->cases[i], known);
		}
	}
	for (size_t k = 0; k < c->case_count; k++) {
		c->cases[k].wanted = c->cases[k].wanted || args->case_count == 0;
		*count += c->cases[k].wanted;
	}
	return EVL_OK;
}

/* Without --reference: the newest passed run of the same campaign that recorded something. */
static enum evl_status find_reference(struct run_state *r, struct evl_err *err)
{
	struct evl_run_list list = {0};
	enum evl_status st = evl_store_list_runs(&list, r->store, err);
	if (st < 0) {
		return st;
	}
	int64_t wanted = r->args->reference_run;
	bool found = wanted <= 0;
	for (size_t i = 0; i < list.count; i++) {
		const struct evl_row_run *row = &list.runs[i].run;
		if (wanted > 0) {
			found = found || row->run == wanted;
		} else if (list.runs[i].recordings > 0 &&
			   strcmp(row->campaign_name, r->campaign->name) == 0 &&
			   strcmp(row->state, EVL_STATE_FINISHED) == 0 &&
			   strcmp(row->verdict, evl_verdict_name(EVL_VERDICT_PASS)) == 0) {
			r->reference_run = row->run;
		}
	}
	if (wanted > 0) {
		r->reference_run = wanted;
	}
	evl_run_list_finish(&list);
	if (!found) {
		return evl_err_set(err, EVL_E_NOTFOUND,
				   "--reference: %s has no run %" PRId64
				   "; `evenlode runs` lists them",
				   r->args->store, wanted);
	}
	return EVL_OK;
}

static int push_begin(lua_State *L)
{
	const struct campaign *c = lua_touserdata(L, 1);
	const char *name = lua_touserdata(L, 2);
	lua_State *co = lua_newthread(L);
	lua_rawgeti(L, LUA_REGISTRYINDEX, c->entry_ref);
	lua_getfield(L, -1, "begin");
	lua_pushstring(L, name);
	lua_xmove(L, co, 2);
	lua_pop(L, 1);
	return 1; /* the thread */
}

static enum evl_status check_plan(struct run_state *r, lua_State *co, struct evl_err *err)
{
	struct evl_sandbox *s = r->campaign->sandbox;
	lua_State *L = evl_sandbox_state(s);
	if (lua_gettop(co) == 0 || !lua_checkstack(co, 8) || !lua_checkstack(L, 8)) {
		return evl_err_set(err, EVL_E_SCRIPT, "a case waits only in test:take");
	}
	lua_pushcfunction(L, evl_script_check_plan);
	lua_pushlightuserdata(L, r);
	lua_pushvalue(co, -1);
	lua_xmove(co, L, 1);
	return evl_sandbox_call(s, 2, 0, err);
}

/* Steps the coroutine of one case to its end. */
static enum evl_status drive(struct case_run *c, struct evl_err *err)
{
	struct run_state *r = c->r;
	struct evl_sandbox *s = r->campaign->sandbox;
	lua_State *L = evl_sandbox_state(s);
	evl_sandbox_budget(s, 0); /* the case before may have used its own up */
	lua_pushcfunction(L, push_begin);
	lua_pushlightuserdata(L, r->campaign);
	lua_pushlightuserdata(L, r->campaign->cases[c->index].name);
	enum evl_status st = evl_sandbox_call(s, 2, 1, err);
	if (st < 0) {
		return st;
	}
	lua_State *co = lua_tothread(L, -1);
	int anchor = luaL_ref(L, LUA_REGISTRYINDEX);
	c->co = co;
	int nargs = 1;
	for (;;) {
		bool yielded = false;
		int nresults = 0;
		evl_sandbox_budget(s, 0);
		st = evl_sandbox_resume(s, co, nargs, &yielded, &nresults, err);
		if (st < 0 || !yielded) {
			break;
		}
		lua_settop(co, lua_gettop(co) - nresults + 1);
		st = check_plan(r, co, err);
		st = st == EVL_OK ? evl_script_take(c, err) : st;
		if (st < 0) {
			char where[300] = "";
			evl_sandbox_where(co);
			snprintf(where, sizeof where, "%s", lua_tostring(co, -1));
			lua_pop(co, 1);
			size_t n = strlen(where);
			while (n > 0 && (where[n - 1] == ' ' || where[n - 1] == ':')) {
				where[--n] = '\0';
			}
			if (n > 0) {
				evl_err_prefix(err, "%s", where);
			}
			break;
		}
		nargs = 1;
	}
	c->co = NULL;
	luaL_unref(L, LUA_REGISTRYINDEX, anchor);
	return st;
}

static bool stop_asked(const struct run_state *r)
{
	return r->args->stop != NULL && *r->args->stop != 0;
}

static void report_progress(struct run_state *r)
{
	if (r->args->progress != NULL) {
		r->args->progress(r->args->progress_ctx, &r->progress);
	}
}

static void remember(struct run_state *r, const char *text)
{
	if (r->outcome->message == NULL && text[0] != '\0') {
		r->outcome->message = evl_xstrdup(text);
	}
}

static enum evl_status run_case(struct run_state *r, uint32_t index, struct evl_err *err)
{
	const struct campaign_case *c = &r->campaign->cases[index];
	struct case_run run = {.r = r, .index = index, .verdict = EVL_VERDICT_NONE};
	if (r->progress.case_number > 0) {
		/* A pause on the virtual clock, after which a simulated unit begins afresh: what a
		 * case measures must not hang on which cases ran before it in this process. */
		evl_engine_pass(r->engine, evl_engine_now(r->engine) +
						   (uint64_t)EVL_TAKE_SLAB_FRAMES * EVL_FRAME_NS);
	}
	run.started_ns = run.take_start_ns = evl_engine_now(r->engine);
	r->progress.case_name = c->name;
	r->progress.case_title = c->title;
	r->progress.case_number++;
	r->progress.take_name = "";
	r->progress.take_done_ns = r->progress.take_all_ns = r->progress.errors = 0;
	r->progress.passed = r->progress.failed = r->progress.inconclusive = 0;
	r->progress.case_ended = false;
	r->progress.case_message = "";
	report_progress(r);
	struct evl_row_case row = {.name = c->name,
				   .title = c->title,
				   .purpose = c->purpose,
				   .method = c->method,
				   .started_ns = (int64_t)run.started_ns,
				   .ended_ns = -1};
	enum evl_status st = evl_store_case_begin(r->store, &run.case_no, &row, err);
	if (st < 0) {
		return st;
	}
	struct evl_err why = {0};
	run.open = true;
	r->now = &run;
	enum evl_status ran = drive(&run, &why);
	/* What this case set up is no business of the next one. */
	struct evl_err unset = {0};
	if (r->store_status == EVL_OK && evl_setup_clear(&run, &unset) < 0 && ran == EVL_OK) {
		ran = EVL_E_ADAPTER;
		why = unset;
	}
	r->now = NULL;
	evl_setup_destroy(run.setup);
	if (r->store_status < 0) {
		*err = r->store_err;
		return r->store_status;
	}
	bool interrupted = stop_asked(r);
	if (ran == EVL_E_INTERRUPTED || (ran < 0 && interrupted)) {
		run.verdict = evl_verdict_worse(run.verdict, EVL_VERDICT_INCONCLUSIVE);
		evl_err_set(&why, EVL_E_INTERRUPTED, "stopped early by the user");
	} else if (ran < 0) {
		run.verdict = EVL_VERDICT_ERROR;
		remember(r, why.text);
	} else if (interrupted) {
		run.verdict = evl_verdict_worse(run.verdict, EVL_VERDICT_INCONCLUSIVE);
		evl_err_set(&why, EVL_E_INTERRUPTED, "stopped early by the user");
	} else if (run.verdict == EVL_VERDICT_NONE) {
		/* A case that asserts nothing has proved nothing (ETSI ES 201 873-1 clause 24). */
		evl_err_set(&why, EVL_OK, "the case made no check");
	}
	st = evl_store_case_end(
		r->store, run.case_no, interrupted ? EVL_STATE_INTERRUPTED : EVL_STATE_FINISHED,
		evl_verdict_name(run.verdict), why.text[0] != '\0' ? why.text : NULL,
		(int64_t)evl_engine_now(r->engine), err);
	r->outcome->cases_run++;
	r->outcome->cases_in_error += run.verdict == EVL_VERDICT_ERROR;
	r->outcome->verdict = evl_verdict_worse(r->outcome->verdict, run.verdict);
	r->progress.case_ended = true;
	r->progress.case_verdict = run.verdict;
	r->progress.case_message = why.text;
	report_progress(r);
	r->progress.case_message = "";
	return st;
}

static enum evl_status run_cases(struct run_state *r, struct evl_err *err)
{
	const struct evl_run_args *args = r->args;
	bool may = true;
	enum evl_status st = evl_keep_run_begin(r, err);
	r->progress.run = r->run;
	r->progress.campaign_name = r->campaign->name;
	r->progress.campaign_title = r->campaign->title;
	r->progress.bench_name = r->lab.bench->name;
	r->progress.is_virtual = r->lab.is_virtual;
	r->progress.engine = r->engine;
	for (uint32_t i = 0; st == EVL_OK && may && i < r->campaign->case_count && !stop_asked(r);
		i++) {
		bool taken = false;
		if (!r->campaign->cases[i].wanted) {
			continue;
		}
		st = evl_continue_case(r, i, &taken, err);
		may = taken || args->may_begin == NULL || args->may_begin(args->may_begin_ctx);
		if (st == EVL_OK && !taken && may) {
			st = run_case(r, i, err);
		}
	}
	if (st < 0) {
		return st;
	}
	r->outcome->interrupted = stop_asked(r) || !may;
	if (r->outcome->interrupted) {
		r->outcome->verdict =
			evl_verdict_worse(r->outcome->verdict, EVL_VERDICT_INCONCLUSIVE);
		remember(r, stop_asked(r) ? "stopped early by the user; what was measured is kept"
					  : args->why_not);
	}
	evl_continue_tell(r);
	char now[32];
	evl_utc_now(now);
	st = evl_store_run_end(
		r->store, r->outcome->interrupted ? EVL_STATE_INTERRUPTED : EVL_STATE_FINISHED,
		evl_verdict_name(r->outcome->verdict), r->outcome->message, now, err);
	return st < 0 ? st
		      : evl_store_results_digest(r->store, r->run, r->outcome->results_digest, err);
}

enum evl_status evl_runner_run(struct evl_run_outcome *out, const struct evl_run_args *args,
			       struct evl_err *err)
{
	*out = (struct evl_run_outcome){0};
	struct run_state r = {.args = args, .outcome = out};
	struct evl_fit fit = {0};
	r.progress.case_name = r.progress.case_title = r.progress.take_name = "";
	r.progress.case_message = "";
	struct evl_watchdog *watchdog = evl_watchdog_start(&r);
	enum evl_status st = check_args(args, err);
	if (st == EVL_OK) {
		st = evl_campaign_load(&r.campaign, args->campaign, args->stop, &r, err);
	}
	if (st == EVL_OK) {
		st = choose_cases(r.campaign, args, &r.progress.case_count, err);
	}
	if (st == EVL_OK) {
		st = evl_lab_open(&r.lab, args, r.campaign, &fit, err);
	}
	evl_fit_finish(&fit);
	if (st == EVL_OK) {
		struct evl_engine_args e = {.instances = r.lab.instances,
					    .instance_count = (uint32_t)r.lab.bench->adapter_count,
					    .binding = r.lab.binding,
					    .is_virtual = r.lab.is_virtual,
					    .stop = args->stop};
		st = evl_engine_create(&r.engine, &e, err);
	}
	if (st == EVL_OK) {
		st = evl_store_open(&r.store, args->store, EVL_STORE_WRITE, err);
	}
	if (st == EVL_OK) {
		st = args->take_over_count > 0 ? evl_continue_begin(&r, err)
					       : find_reference(&r, err);
	}
	if (st == EVL_OK) {
		st = run_cases(&r, err);
	}
	for (size_t i = 0; i < r.recording_count; i++) {
		evl_recording_close(&r.recordings[i]);
	}
	free(r.recordings);
	evl_store_close(r.store);
	r.store = NULL; /* the watchdog must not touch it from here on */
	evl_engine_destroy(r.engine);
	evl_campaign_destroy(r.campaign);
	evl_lab_close(&r.lab);
	evl_watchdog_stop(watchdog);
	return st;
}

void evl_run_outcome_finish(struct evl_run_outcome *out)
{
	free(out->message);
	*out = (struct evl_run_outcome){0};
}

enum evl_status evl_runner_fit(struct evl_runner_fit *out, const struct evl_run_args *args,
			       struct evl_err *err)
{
	*out = (struct evl_runner_fit){0};
	struct campaign *c = NULL;
	struct lab lab = {0};
	uint32_t count = 0;
	enum evl_status st = evl_campaign_load(&c, args->campaign, args->stop, NULL, err);
	if (st == EVL_OK) {
		st = choose_cases(c, args, &count, err);
	}
	if (st == EVL_OK) {
		st = evl_lab_open(&lab, args, c, &out->fit, err);
		if (st == EVL_E_INVALID && out->fit.role_count > 0 && !out->fit.fits) {
			st = EVL_OK; /* the answer is no; out->fit says why */
		}
	}
	if (st == EVL_OK) {
		out->campaign_name = evl_xstrdup(c->name);
		out->campaign_title = evl_xstrdup(c->title);
		out->bench_name = evl_xstrdup(lab.bench->name);
		out->is_virtual = lab.is_virtual;
		out->cases = evl_xcalloc(count, sizeof *out->cases);
		for (size_t i = 0; i < c->case_count; i++) {
			if (!c->cases[i].wanted) {
				continue;
			}
			struct evl_runner_fit_case *f = &out->cases[out->case_count++];
			f->name = evl_xstrdup(c->cases[i].name);
			f->title = evl_xstrdup(c->cases[i].title);
			f->estimate_ns = c->cases[i].estimate_ns;
			f->time_limit_ns = c->cases[i].time_limit_ns;
			out->estimate_ns += f->estimate_ns;
		}
		out->binding = lab.binding;
		lab.binding = NULL;
	}
	evl_campaign_destroy(c);
	evl_lab_close(&lab);
	return st;
}

void evl_runner_fit_finish(struct evl_runner_fit *out)
{
	evl_fit_finish(&out->fit);
	evl_binding_destroy(out->binding);
	for (size_t i = 0; i < out->case_count; i++) {
		free(out->cases[i].name);
		free(out->cases[i].title);
	}
	free(out->cases);
	free(out->campaign_name);
	free(out->campaign_title);
	free(out->bench_name);
	*out = (struct evl_runner_fit){0};
}

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The cases of a run, side by side: each is a coroutine that waits in test:take. Cases that hold
 * none of one another's channels are open at once; takes that they wait with run together as a
 * round, and then the cases go on in the order of the file.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/personal.h"
#include "core/script/internal.h"
#include "core/script/plan.h"
#include "core/script/setup.h"

#define LEAD_NS ((uint64_t)EVL_TAKE_LEAD_IN * EVL_FRAME_NS)

static bool stop_asked(const struct run_state *r)
{
	return r->args->stop != NULL && *r->args->stop != 0;
}

static const struct campaign_case *campaign_of(const struct case_run *c)
{
	return &c->r->campaign->cases[c->index];
}

/* ---- progress ---- */

static void tell(struct run_state *r, const struct case_run *c, const char *message)
{
	struct evl_run_progress *p = &r->progress;
	p->case_name = campaign_of(c)->name;
	p->case_title = campaign_of(c)->title;
	p->case_number = c->number;
	p->passed = c->passed;
	p->failed = c->failed;
	p->inconclusive = c->inconclusive;
	p->all_passed = r->outcome->checks - r->outcome->failed - r->outcome->inconclusive;
	p->all_failed = r->outcome->failed;
	p->all_inconclusive = r->outcome->inconclusive;
	p->case_ended = c->state == CASE_ENDED;
	p->case_verdict = c->verdict;
	char *shown = evl_personal_hidden(message);
	p->case_message = shown;
	p->open_count = 0;
	for (size_t i = 0; i < r->case_count; i++) {
		p->open_count += r->cases[i].state == CASE_OPEN && !r->cases[i].taken_over;
	}
	if (r->args->progress != NULL) {
		r->args->progress(r->args->progress_ctx, p);
	}
	p->case_message = "";
	free(shown);
}

void evl_cases_tell_take(struct run_state *r)
{
	const struct case_run *longest = r->round[0];
	r->progress.errors = 0;
	for (size_t i = 0; i < r->round_count; i++) {
		const struct case_run *c = r->round[i];
		longest = c->waiting->plan.frames > longest->waiting->plan.frames ? c : longest;
		r->progress.errors += c->errors;
	}
	r->progress.take_name = longest->waiting->name;
	r->progress.take_done_ns = r->round_done_ns;
	r->progress.take_all_ns = (longest->waiting->plan.frames + EVL_TAKE_SLAB_FRAMES - 1) /
				  EVL_TAKE_SLAB_FRAMES * EVL_TAKE_SLAB_NS;
	tell(r, longest, "");
}

/* ---- one case ---- */

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

static enum evl_status check_plan(struct case_run *c, struct evl_err *err)
{
	struct evl_sandbox *s = c->r->campaign->sandbox;
	lua_State *L = evl_sandbox_state(s);
	if (lua_gettop(c->co) == 0 || !lua_checkstack(c->co, 8) || !lua_checkstack(L, 8)) {
		return evl_err_set(err, EVL_E_SCRIPT, "a case waits only in test:take");
	}
	lua_pushcfunction(L, evl_script_check_plan);
	lua_pushlightuserdata(L, c->r);
	lua_pushvalue(c->co, -1);
	lua_xmove(c->co, L, 1);
	return evl_sandbox_call(s, 2, 0, err);
}

/* What went wrong with a take did so at the line that asked for it. */
static void say_where(struct case_run *c, struct evl_err *err)
{
	char where[300] = "";
	evl_sandbox_where(c->co);
	snprintf(where, sizeof where, "%s", lua_tostring(c->co, -1));
	lua_pop(c->co, 1);
	size_t n = strlen(where);
	while (n > 0 && (where[n - 1] == ' ' || where[n - 1] == ':')) {
		where[--n] = '\0';
	}
	if (n > 0) {
		evl_err_prefix(err, "%s", where);
	}
}

/* Runs the coroutine to its next take, or its end. */
static enum evl_status go_on(struct case_run *c, bool *ended, struct evl_err *err)
{
	struct run_state *r = c->r;
	bool yielded = false;
	int nresults = 0;
	r->now = c;
	evl_sandbox_budget(r->campaign->sandbox, 0);
	enum evl_status st =
		evl_sandbox_resume(r->campaign->sandbox, c->co, 1, &yielded, &nresults, err);
	*ended = st < 0 || !yielded;
	if (!*ended) {
		lua_settop(c->co, lua_gettop(c->co) - nresults + 1);
		st = check_plan(c, err);
		st = st == EVL_OK ? evl_plan_make(c, err) : st;
		if (st < 0) {
			say_where(c, err);
			*ended = true;
		}
	}
	r->now = NULL;
	return st;
}

static void remember(struct run_state *r, const char *text)
{
	if (r->outcome->message == NULL && text[0] != '\0') {
		r->outcome->message = evl_personal_hidden(text);
	}
}

static void let_go(struct case_run *c)
{
	evl_plan_drop(c);
	evl_setup_destroy(c->setup);
	c->setup = NULL;
	if (c->co != NULL) {
		luaL_unref(
			evl_sandbox_state(c->r->campaign->sandbox), LUA_REGISTRYINDEX, c->anchor);
		c->co = NULL;
	}
}

/* The case is over, for `ran` and what `why` says. */
static enum evl_status end_case(
	struct case_run *c, enum evl_status ran, struct evl_err *why, struct evl_err *err)
{
	struct run_state *r = c->r;
	/* What this case set up is no business of another one. */
	struct evl_err unset = {0};
	r->now = c;
	if (r->store_status == EVL_OK && evl_setup_clear(c, &unset) < 0 && ran == EVL_OK) {
		ran = EVL_E_ADAPTER;
		*why = unset;
	}
	r->now = NULL;
	let_go(c);
	c->state = CASE_ENDED;
	if (r->store_status < 0) {
		*err = r->store_err;
		return r->store_status;
	}
	bool interrupted = stop_asked(r);
	if (ran == EVL_E_INTERRUPTED || interrupted) {
		c->verdict = evl_verdict_worse(c->verdict, EVL_VERDICT_INCONCLUSIVE);
		evl_err_set(why, EVL_E_INTERRUPTED, "stopped early by the user");
	} else if (ran < 0) {
		c->verdict = EVL_VERDICT_ERROR;
		remember(r, why->text);
	} else if (c->verdict == EVL_VERDICT_NONE) {
		/* A case that asserts nothing has proved nothing (ETSI ES 201 873-1 clause 24). */
		evl_err_set(why, EVL_OK, "the case made no check");
	}
	enum evl_status st = evl_store_case_end(r->store, c->case_no,
		interrupted ? EVL_STATE_INTERRUPTED : EVL_STATE_FINISHED,
		evl_verdict_name(c->verdict), why->text[0] != '\0' ? why->text : NULL,
		(int64_t)evl_engine_now(r->engine), err);
	c->open = false;
	r->outcome->cases_run++;
	r->outcome->cases_in_error += c->verdict == EVL_VERDICT_ERROR;
	r->outcome->verdict = evl_verdict_worse(r->outcome->verdict, c->verdict);
	tell(r, c, why->text);
	return st;
}

static enum evl_status step(struct case_run *c, struct evl_err *err)
{
	struct evl_err why = {0};
	bool ended = false;
	enum evl_status ran = go_on(c, &ended, &why);
	if (c->r->store_status < 0) {
		*err = c->r->store_err;
		return c->r->store_status;
	}
	return ended ? end_case(c, ran, &why, err) : EVL_OK;
}

/* ---- which cases are open ---- */

/* A pause on the virtual clock, after which a simulated unit begins afresh: what a case measures
 * must not hang on which cases ran before it in this process. */
static void pause_once(struct run_state *r)
{
	if (!r->fresh) {
		evl_engine_pass(r->engine, evl_engine_now(r->engine) + EVL_TAKE_SLAB_NS);
		r->fresh = true;
	}
}

static enum evl_status begin_case(struct case_run *c, struct evl_err *err)
{
	struct run_state *r = c->r;
	struct evl_sandbox *s = r->campaign->sandbox;
	lua_State *L = evl_sandbox_state(s);
	const struct campaign_case *from = campaign_of(c);
	c->started_ns = c->take_start_ns = evl_engine_now(r->engine);
	c->state = CASE_OPEN;
	r->progress.take_name = "";
	r->progress.take_done_ns = r->progress.take_all_ns = r->progress.errors = 0;
	tell(r, c, "");
	struct evl_row_case row = {.name = from->name,
		.title = from->title,
		.purpose = from->purpose,
		.method = from->method,
		.started_ns = (int64_t)c->started_ns,
		.ended_ns = -1};
	enum evl_status st = evl_store_case_begin(r->store, &c->case_no, &row, err);
	if (st < 0) {
		return st;
	}
	c->open = true;
	evl_sandbox_budget(s, 0); /* the case before may have used its own up */
	lua_pushcfunction(L, push_begin);
	lua_pushlightuserdata(L, r->campaign);
	lua_pushlightuserdata(L, from->name);
	struct evl_err why = {0};
	st = evl_sandbox_call(s, 2, 1, &why);
	if (st < 0) {
		return end_case(c, st, &why, err);
	}
	c->co = lua_tothread(L, -1);
	c->anchor = luaL_ref(L, LUA_REGISTRYINDEX);
	return step(c, err);
}

static void end_if_over(struct case_run *c)
{
	if (c->kept_at == c->kept.count) {
		c->state = CASE_ENDED;
	}
}

/* Begins a case, or takes it over from an earlier run. Not when no more may begin. */
static enum evl_status open_case(struct case_run *c, struct evl_err *err)
{
	struct run_state *r = c->r;
	bool taken = false;
	enum evl_status st = evl_continue_case(c, &taken, err);
	if (st < 0) {
		return st;
	}
	r->may = taken || r->args->may_begin == NULL || r->args->may_begin(r->args->may_begin_ctx);
	if (!r->may) {
		return EVL_OK;
	}
	pause_once(r);
	if (!taken) {
		return begin_case(c, err);
	}
	c->state = CASE_OPEN;
	end_if_over(c);
	return EVL_OK;
}

static bool is_free(const struct case_run *c)
{
	const struct run_state *r = c->r;
	const size_t me = (size_t)(c - r->cases);
	for (size_t k = 0; k < me; k++) {
		if (r->cases[k].state != CASE_ENDED && evl_at_once_waits(&r->order, me, k)) {
			return false;
		}
	}
	return true;
}

/* All that may begin now, in the order of the file; one that ends at once may free others. */
static enum evl_status open_cases(struct run_state *r, struct evl_err *err)
{
	for (size_t i = 0; i < r->case_count; i++) {
		struct case_run *c = &r->cases[i];
		if (!r->may || stop_asked(r)) {
			return EVL_OK;
		}
		if (c->state != CASE_WAITS || !is_free(c)) {
			continue;
		}
		enum evl_status st = open_case(c, err);
		if (st < 0) {
			return st;
		}
		if (c->state == CASE_ENDED) {
			i = SIZE_MAX; /* from the first again */
		}
	}
	return EVL_OK;
}

/* ---- rounds ---- */

static uint64_t needs_ns(const struct case_run *c)
{
	uint64_t ns = c->taken_over ? c->kept.takes[c->kept_at].planned_ns
				    : c->waiting->plan.frames * EVL_FRAME_NS + LEAD_NS;
	return (ns + EVL_TAKE_SLAB_NS - 1) / EVL_TAKE_SLAB_NS * EVL_TAKE_SLAB_NS;
}

/* Those that are open, and of these the ones whose takes begin now; room for all cases. */
static size_t choose(struct run_state *r, struct case_run **open, bool *together)
{
	struct evl_at_once_take *takes = evl_xcalloc(r->case_count, sizeof *takes);
	size_t n = 0;
	for (size_t i = 0; i < r->case_count; i++) {
		struct case_run *c = &r->cases[i];
		if (c->state != CASE_OPEN) {
			continue;
		}
		uint64_t lasts = evl_case_lasts_ns(campaign_of(c));
		takes[n] = (struct evl_at_once_take){.needs_ns = needs_ns(c),
			.left_ns = lasts > c->used_ns ? lasts - c->used_ns : 0,
			.tail_ns = r->order.tail_ns[i]};
		open[n++] = c;
	}
	if (n > 0) {
		evl_at_once_choose(takes, n, together);
	}
	free(takes);
	return n;
}

/* Runs the takes of r->round together. */
static enum evl_status run_takes(
	struct run_state *r, struct evl_take_order *orders, uint64_t begin_ns, struct evl_err *err)
{
	for (size_t i = 0; i < r->round_count; i++) {
		enum evl_status st = evl_take_begin(r->round[i], &orders[i], begin_ns, err);
		if (st < 0) {
			return st;
		}
	}
	evl_keep_status(r, evl_store_tick_begin(r->store, err), err);
	if (r->store_status < 0) {
		return r->store_status;
	}
	r->round_done_ns = 0;
	r->progress.errors = 0;
	evl_engine_group(r->engine, orders, (uint32_t)r->round_count);
	r->progress.take_name = "";
	r->progress.take_all_ns = 0;
	for (size_t i = 0; i < r->round_count; i++) {
		if (orders[i].result != NULL) {
			evl_keep_result(r->round[i], &r->round[i]->waiting->plan, orders[i].result);
		}
	}
	struct evl_err later = {0};
	evl_keep_status(r, evl_store_tick_commit(r->store, &later), &later);
	return EVL_OK;
}

/* The takes have run: each case gets its own, and goes on. */
static enum evl_status give_back(
	struct run_state *r, const struct evl_take_order *orders, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	for (size_t i = 0; i < r->round_count && st == EVL_OK; i++) {
		struct case_run *c = r->round[i];
		struct evl_err why = {0};
		r->now = c;
		enum evl_status ran = evl_take_end(c, &orders[i], &why);
		if (ran < 0) {
			say_where(c, &why);
		}
		r->now = NULL;
		if (r->store_status < 0) {
			*err = r->store_err;
			st = r->store_status;
		} else {
			st = ran < 0 ? end_case(c, ran, &why, err) : step(c, err);
		}
	}
	return st;
}

/* Takes of cases that were taken over, whose times these are. */
static uint64_t pass_over(struct case_run *c, uint64_t begin_ns)
{
	uint64_t ns = c->kept.takes[c->kept_at++].lasted_ns;
	evl_engine_pass(c->r->engine, begin_ns + ns);
	end_if_over(c);
	return ns;
}

static enum evl_status run_round(struct run_state *r, struct case_run **open, size_t n,
	const bool *together, struct evl_err *err)
{
	const uint64_t before_ns = evl_engine_now(r->engine);
	if (n > 1 || r->alone != open[0]) {
		pause_once(r);
	}
	r->fresh = false;
	r->alone = n == 1 ? open[0] : NULL;
	const uint64_t begin_ns = evl_engine_next_begin(r->engine);
	struct evl_take_order *orders = evl_xcalloc(n, sizeof *orders);
	uint64_t *lasted_ns = evl_xcalloc(n, sizeof *lasted_ns);
	enum evl_status st = EVL_OK;
	r->round_count = 0;
	for (size_t i = 0; i < n; i++) {
		if (together[i] && !open[i]->taken_over) {
			r->round[r->round_count++] = open[i];
		}
	}
	if (r->round_count > 0) {
		st = run_takes(r, orders, begin_ns, err);
	}
	for (size_t i = 0, k = 0; i < n && st == EVL_OK; i++) {
		if (together[i] && open[i]->taken_over) {
			lasted_ns[i] = pass_over(open[i], begin_ns);
		} else if (together[i]) {
			const struct evl_take_result *result = orders[k++].result;
			lasted_ns[i] = result != NULL ? LEAD_NS + result->frames * EVL_FRAME_NS : 0;
		}
	}
	const uint64_t end_ns = evl_engine_now(r->engine);
	for (size_t i = 0; i < n; i++) {
		uint64_t own_ns = together[i] ? begin_ns - before_ns + lasted_ns[i] : 0;
		open[i]->used_ns += own_ns;
		if (n > 1 && end_ns - before_ns > own_ns) {
			open[i]->waited_ns += end_ns - before_ns - own_ns;
		}
	}
	st = st == EVL_OK ? give_back(r, orders, err) : st;
	for (size_t i = 0; i < r->round_count; i++) {
		evl_take_result_destroy(orders[i].result);
	}
	r->round_count = 0;
	free(lasted_ns);
	free(orders);
	return st;
}

/* Nobody waits any more: what is open ends as it is. */
static enum evl_status stop_all(struct run_state *r, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	for (size_t i = 0; i < r->case_count && st == EVL_OK; i++) {
		struct case_run *c = &r->cases[i];
		struct evl_err why = {0};
		if (c->state == CASE_OPEN && c->taken_over) {
			c->state = CASE_ENDED;
		} else if (c->state == CASE_OPEN) {
			st = end_case(c, EVL_E_INTERRUPTED, &why, err);
		}
	}
	return st;
}

enum evl_status evl_cases_run(struct run_state *r, struct evl_err *err)
{
	struct case_run **open = evl_xcalloc(r->case_count, sizeof(struct case_run *));
	bool *together = evl_xcalloc(r->case_count, sizeof *together);
	enum evl_status st = EVL_OK;
	r->round = evl_xcalloc(r->case_count, sizeof(struct case_run *));
	r->fresh = r->may = true;
	while (st == EVL_OK) {
		st = open_cases(r, err);
		if (st < 0 || stop_asked(r)) {
			break;
		}
		size_t n = choose(r, open, together);
		if (n == 0) {
			break;
		}
		st = run_round(r, open, n, together, err);
	}
	st = st == EVL_OK ? stop_all(r, err) : st;
	free(together);
	free(open);
	return st;
}

/* ---- what they hold ---- */

uint64_t evl_case_lasts_ns(const struct campaign_case *c)
{
	return c->estimate_ns > 0 ? c->estimate_ns : c->time_limit_ns;
}

static bool rides_on(const struct evl_bound_channel *c, const struct evl_bound_channel *line)
{
	return evl_rate_is_line(line->rate) && !evl_rate_is_line(c->rate) &&
	       (c->line_channel == UINT32_MAX ||
		       (c->adapter == line->adapter && c->line_channel == line->channel));
}

/* The channels of a case's roles and what rides on its lines; `lines`: also the lines that these
 * ride on. */
static bool *channels_of(
	const struct evl_binding *binding, const struct campaign_case *c, bool lines)
{
	const size_t n = binding->channel_count;
	const struct evl_bound_channel **all = evl_xcalloc(n, sizeof(struct evl_bound_channel *));
	bool *out = evl_xcalloc(n, sizeof *out);
	for (size_t role = 0, i = 0; role < binding->role_count; role++) {
		for (size_t k = 0; k < binding->roles[role].channel_count; k++, i++) {
			all[i] = &binding->roles[role].channels[k];
			out[i] = evl_campaign_uses(c, binding->roles[role].name);
		}
	}
	for (size_t line = 0; line < n; line++) {
		if (!evl_rate_is_line(all[line]->rate)) {
			continue;
		}
		const bool used = evl_campaign_uses(c, all[line]->role);
		for (size_t k = 0; k < n; k++) {
			bool rides = rides_on(all[k], all[line]);
			out[k] = out[k] || (used && rides);
			out[line] =
				out[line] || (lines && rides && evl_campaign_uses(c, all[k]->role));
		}
	}
	free(all);
	return out;
}

bool *evl_case_holds(const struct evl_binding *binding, const struct campaign_case *c)
{
	return channels_of(binding, c, false);
}

void evl_cases_order(struct evl_at_once *out, const struct campaign *c, bool *const *holds,
	size_t channel_count, bool one_by_one)
{
	size_t n = 0;
	struct evl_at_once_case *cases = evl_xcalloc(c->case_count, sizeof *cases);
	size_t **after = evl_xcalloc(c->case_count, sizeof(size_t *));
	size_t *place = evl_xcalloc(c->case_count, sizeof *place); /* among the wanted */
	for (size_t i = 0; i < c->case_count; i++) {
		const struct campaign_case *from = &c->cases[i];
		if (!from->wanted) {
			continue;
		}
		after[n] = evl_xcalloc(from->after_count, sizeof **after);
		cases[n] = (struct evl_at_once_case){.holds = holds[n],
			.channel_count = channel_count,
			.after = after[n],
			.lasts_ns = evl_case_lasts_ns(from)};
		for (size_t k = 0; k < from->after_count; k++) {
			if (c->cases[from->after[k]].wanted) {
				after[n][cases[n].after_count++] = place[from->after[k]];
			}
		}
		place[i] = n++;
	}
	evl_at_once_order(out, cases, n, one_by_one);
	for (size_t i = 0; i < n; i++) {
		free(after[i]);
	}
	free(after);
	free(place);
	free(cases);
}

void evl_cases_make(struct run_state *r)
{
	const struct campaign *c = r->campaign;
	bool **holds = evl_xcalloc(c->case_count, sizeof(bool *));
	r->cases = evl_xcalloc(c->case_count, sizeof *r->cases);
	for (uint32_t i = 0; i < c->case_count; i++) {
		if (!c->cases[i].wanted) {
			continue;
		}
		struct case_run *k = &r->cases[r->case_count];
		*k = (struct case_run){.r = r,
			.index = i,
			.number = (uint32_t)r->case_count + 1,
			.holds = evl_case_holds(r->lab.binding, &c->cases[i]),
			.verdict = EVL_VERDICT_NONE};
		if (c->cases[i].use_count > 0) {
			k->hears = channels_of(r->lab.binding, &c->cases[i], true);
		}
		holds[r->case_count++] = k->holds;
	}
	evl_cases_order(&r->order, c, holds, r->lab.binding->channel_count, r->args->one_at_a_time);
	free(holds);
}

void evl_cases_finish(struct run_state *r)
{
	for (size_t i = 0; i < r->case_count; i++) {
		struct case_run *c = &r->cases[i];
		let_go(c);
		evl_done_takes_finish(&c->kept);
		free(c->holds);
		free(c->hears);
	}
	evl_at_once_finish(&r->order);
	free(r->cases);
	free(r->round);
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "core/night/first_bad.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/digest.h"
#include "core/base/text.h"
#include "core/night/load_build.h"
#include "core/store/store_read.h"

struct search {
	const struct evl_first_bad_args *args;
	struct evl_first_bad *out;
	struct evl_bisect *bisect;
	char campaign[EVL_SHA256_HEX], bench[EVL_SHA256_HEX];
	size_t case_count; /* that a run of this search has */
	uint32_t made;
	size_t loaded; /* build in the unit; build_count: not known */
};

static void tell(const struct search *s, const char *line)
{
	if (s->args->tell != NULL) {
		s->args->tell(s->args->tell_ctx, line);
	}
}

/* ---- what must be right before the first run ---- */

static enum evl_status digest_of(char out[EVL_SHA256_HEX], const char *path, struct evl_err *err)
{
	uint8_t raw[EVL_SHA256_BYTES];
	enum evl_status st = evl_sha256_of_file(path, raw, err);
	if (st == EVL_OK) {
		evl_hex(raw, sizeof raw, out);
	}
	return st;
}

static enum evl_status check_args(const struct evl_first_bad_args *a, struct evl_err *err)
{
	if (!(a->confidence >= 0.5 && a->confidence < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"the confidence is %g; it must be 0.5 or more and below 1", a->confidence);
	}
	for (size_t i = 0; i < a->build_count; i++) {
		if (a->builds[i][0] == '\0') {
			return evl_err_set(err, EVL_E_INVALID,
				"build %zu of the list has an empty label", i + 1);
		}
		for (size_t j = 0; j < i; j++) {
			if (strcmp(a->builds[i], a->builds[j]) == 0) {
				return evl_err_set(err, EVL_E_INVALID,
					"build %s is in the list twice, at places %zu and %zu",
					a->builds[i], j + 1, i + 1);
			}
		}
	}
	return EVL_OK;
}

static void run_args_of(struct evl_run_args *run, const struct search *s, size_t build)
{
	*run = s->args->run;
	run->build = s->args->builds[build];
	run->take_over_count = 0;
	if (s->args->case_name != NULL) {
		run->cases = &s->args->case_name;
		run->case_count = 1;
	}
}

/* Does the campaign fit the bench? A simulated unit tells of each build beforehand whether it knows
 * it; one behind a real adapter has one build in it at a time. */
static enum evl_status check_fit(struct search *s, struct evl_err *err)
{
	for (size_t i = 0; i < s->args->build_count; i++) {
		struct evl_run_args run;
		struct evl_runner_fit fit = {0};
		run_args_of(&run, s, i);
		enum evl_status st = evl_runner_fit(&fit, &run, err);
		if (st == EVL_OK && !fit.fit.fits) {
			st = evl_err_set(err, EVL_E_INVALID, "%s",
				fit.fit.problem_count > 0 ? fit.fit.problems[0].text
							  : "the bench cannot run this campaign");
		}
		bool more = fit.is_virtual && s->args->load == NULL;
		s->case_count = fit.case_count;
		evl_runner_fit_finish(&fit);
		if (st < 0) {
			return evl_err_prefix(err, "build %s", run.build);
		}
		if (!more) {
			break;
		}
	}
	return EVL_OK;
}

/* ---- what a run says ---- */

static enum evl_status no_such_check(
	const struct search *s, const struct evl_run *run, struct evl_err *err)
{
	struct evl_text list = {0};
	const char *last = "";
	for (size_t i = 0; i < run->check_count && list.len < 400; i++) {
		const struct evl_row_case *c = evl_run_case(run, run->checks[i].case_no);
		if (strcmp(run->checks[i].title, last) != 0 &&
			(s->args->case_name == NULL || strcmp(c->name, s->args->case_name) == 0)) {
			last = run->checks[i].title;
			evl_text_addf(&list, "%s\"%s\"", list.len > 0 ? ", " : "", last);
		}
	}
	evl_err_set(err, EVL_E_NOTFOUND, "run %" PRId64 " has no check \"%s\"; it has: %s",
		run->run.run, s->args->check_title, list.len > 0 ? evl_text_str(&list) : "none");
	evl_text_finish(&list);
	return EVL_E_NOTFOUND;
}

/* The verdict of what is looked for; *found is false when the run does not have the case. */
static enum evl_status verdict_of(struct evl_first_bad_run *r, bool *found, const struct search *s,
	const struct evl_run *run, struct evl_err *err)
{
	const struct evl_first_bad_args *a = s->args;
	const char *verdict = run->run.verdict;
	const struct evl_row_case *wanted = NULL;
	*found = a->case_name != NULL || run->case_count == s->case_count;
	if (a->case_name != NULL) {
		for (size_t i = 0; i < run->case_count; i++) {
			if (strcmp(run->cases[i].name, a->case_name) == 0) {
				wanted = &run->cases[i];
			}
		}
		*found = wanted != NULL && strcmp(wanted->state, EVL_STATE_FINISHED) == 0;
		verdict = *found ? wanted->verdict : "none";
	}
	if (!*found) {
		return EVL_OK;
	}
	if (a->check_title == NULL || strcmp(verdict, "error") == 0) {
		r->failed = strcmp(verdict, "fail") == 0;
		r->judged = r->failed || strcmp(verdict, "pass") == 0;
		return EVL_OK;
	}
	size_t seen = 0, passed = 0;
	for (size_t i = 0; i < run->check_count; i++) {
		const struct evl_row_check *c = &run->checks[i];
		if (strcmp(c->title, a->check_title) != 0 ||
			(wanted != NULL && c->case_no != wanted->ordinal)) {
			continue;
		}
		seen++;
		r->failed = r->failed || strcmp(c->verdict, "fail") == 0;
		passed += strcmp(c->verdict, "pass") == 0;
	}
	r->judged = r->failed || (seen > 0 && passed == seen);
	return seen > 0 ? EVL_OK : no_such_check(s, run, err);
}

static enum evl_status count(
	struct search *s, const struct evl_first_bad_run *r, struct evl_err *err)
{
	struct evl_first_bad *out = s->out;
	struct evl_first_bad_build *b = &out->builds[r->build];
	out->runs = evl_xrealloc(out->runs, (out->run_count + 1) * sizeof *out->runs);
	out->runs[out->run_count++] = *r;
	if (!r->judged) {
		b->fruitless++;
		return EVL_OK;
	}
	b->passed += !r->failed;
	b->failed += r->failed;
	enum evl_status st = evl_bisect_add(s->bisect, r->build, r->failed, err);
	return st < 0 ? evl_err_prefix(err, "run %" PRId64, r->run) : st;
}

/* Same bits again: only on the virtual clock. */
static bool is_repeat(const struct search *s, const struct evl_run *run, size_t build)
{
	if (strcmp(run->run.clock, "virtual") != 0) {
		return false;
	}
	for (size_t i = 0; i < s->out->run_count; i++) {
		const struct evl_first_bad_run *r = &s->out->runs[i];
		if (r->build == build && r->seed == run->run.seed) {
			return true;
		}
	}
	return false;
}

static bool is_ours(const struct search *s, const struct evl_row_run *r, size_t *build)
{
	for (*build = 0; *build < s->args->build_count; ++*build) {
		if (strcmp(r->build, s->args->builds[*build]) == 0) {
			break;
		}
	}
	return *build < s->args->build_count && strcmp(r->state, EVL_STATE_FINISHED) == 0 &&
	       r->campaign_sha256 != NULL && strcmp(r->campaign_sha256, s->campaign) == 0 &&
	       r->bench_sha256 != NULL && strcmp(r->bench_sha256, s->bench) == 0;
}

static enum evl_status look_at_run(struct search *s, struct evl_store *store, int64_t number,
	size_t build, bool earlier, struct evl_err *err)
{
	struct evl_run *run = NULL;
	enum evl_status st = evl_store_load_run(&run, store, number, err);
	if (st < 0) {
		return st;
	}
	struct evl_first_bad_run r = {
		.run = number, .build = build, .seed = run->run.seed, .earlier = earlier};
	bool found = false;
	if (!earlier || !is_repeat(s, run, build)) {
		st = verdict_of(&r, &found, s, run, err);
	}
	if (st == EVL_OK && found) {
		st = count(s, &r, err);
	}
	evl_run_destroy(run);
	return st;
}

static enum evl_status look_back(struct search *s, struct evl_err *err)
{
	struct evl_store *store = NULL;
	struct evl_run_list list = {0};
	enum evl_status st = evl_store_open(&store, s->args->run.store, EVL_STORE_READ, err);
	if (st == EVL_E_NOTFOUND) {
		*err = (struct evl_err){0};
		return EVL_OK; /* the first run makes it */
	}
	if (st == EVL_OK) {
		st = evl_store_list_runs(&list, store, err);
	}
	for (size_t i = 0; st == EVL_OK && i < list.count; i++) {
		size_t build;
		if (is_ours(s, &list.runs[i].run, &build)) {
			st = look_at_run(s, store, list.runs[i].run.run, build, true, err);
		}
	}
	evl_run_list_finish(&list);
	evl_store_close(store);
	return st;
}

/* ---- one run ---- */

/* One that no counted run has: what is random must not mislead two builds alike. */
static uint64_t next_seed(const struct search *s)
{
	uint64_t seed = s->args->run.seed;
	for (size_t i = 0; i < s->out->run_count; i++) {
		if (s->out->runs[i].seed == seed) {
			seed++;
			i = SIZE_MAX; /* from the first again: seeds come in any order */
		}
	}
	return seed;
}

static enum evl_status make_run(struct search *s, size_t build, struct evl_err *err)
{
	struct evl_run_args run;
	struct evl_run_outcome got = {0};
	struct evl_store *store = NULL;
	run_args_of(&run, s, build);
	run.seed = next_seed(s);
	enum evl_status st = evl_runner_run(&got, &run, err);
	int64_t number = got.run;
	bool interrupted = got.interrupted;
	evl_run_outcome_finish(&got);
	if (st < 0) {
		return st;
	}
	s->made++;
	size_t before = s->out->run_count;
	if (interrupted) {
		return evl_err_set(err, EVL_E_INTERRUPTED, "stopped by the user");
	}
	st = evl_store_open(&store, run.store, EVL_STORE_READ, err);
	if (st == EVL_OK) {
		st = look_at_run(s, store, number, build, false, err);
	}
	evl_store_close(store);
	if (st == EVL_OK && s->out->run_count == before) {
		s->out->builds[build].fruitless++; /* the case did not come to its end */
	} else if (st == EVL_OK) {
		const struct evl_first_bad_run *r = &s->out->runs[s->out->run_count - 1];
		struct evl_text line = {0};
		struct evl_bisect_answer a = evl_bisect_best(s->bisect);
		evl_text_addf(&line, "run %" PRId64 ", build %s: %s; likeliest first bad: %s, %.4g",
			number, run.build,
			!r->judged  ? "says nothing of the unit"
			: r->failed ? "fail"
				    : "pass",
			a.first_bad < s->args->build_count ? s->args->builds[a.first_bad] : "none",
			a.probability);
		tell(s, evl_text_str(&line));
		evl_text_finish(&line);
	}
	return st;
}

/* EVL_E_ADAPTER: could not be loaded. */
static enum evl_status load(struct search *s, size_t build, struct evl_err *err)
{
	const struct evl_first_bad_args *a = s->args;
	if (a->load == NULL || s->loaded == build) {
		return EVL_OK;
	}
	s->loaded = a->build_count;
	enum evl_status st =
		evl_load_build(a->load, a->builds[build], a->load_limit_s, a->run.stop, err);
	if (st == EVL_OK) {
		s->loaded = build;
	}
	return st;
}

static enum evl_status step(struct search *s, size_t build, struct evl_err *err)
{
	struct evl_first_bad_build *b = &s->out->builds[build];
	enum evl_status st = load(s, build, err);
	if (st == EVL_E_ADAPTER) {
		tell(s, err->text);
		b->fruitless++;
		return EVL_OK;
	}
	return st == EVL_OK ? make_run(s, build, err) : st;
}

static void leave_out(struct search *s)
{
	for (size_t i = 0; i < s->out->build_count; i++) {
		struct evl_first_bad_build *b = &s->out->builds[i];
		if (!b->left_out && b->fruitless >= EVL_FIRST_BAD_TRIES &&
			b->fruitless > b->passed + b->failed) {
			struct evl_text line = {0};
			b->left_out = true;
			evl_bisect_close(s->bisect, i);
			evl_text_addf(&line,
				"build %s is left out: it could not be judged %u times", b->label,
				b->fruitless);
			tell(s, evl_text_str(&line));
			evl_text_finish(&line);
		}
	}
}

static enum evl_status search(struct search *s, struct evl_err *err)
{
	const struct evl_first_bad_args *a = s->args;
	enum evl_status st = EVL_OK;
	for (;;) {
		size_t build;
		leave_out(s);
		if (evl_bisect_best(s->bisect).probability >= a->confidence) {
			s->out->end = EVL_FIRST_BAD_FOUND;
			break;
		}
		if (!evl_bisect_next(s->bisect, &build)) {
			s->out->end = EVL_FIRST_BAD_UNDECIDED;
			break;
		}
		if (s->made >= a->most_runs) {
			s->out->end = EVL_FIRST_BAD_MOST_RUNS;
			break;
		}
		st = a->run.stop != NULL && *a->run.stop != 0 ? EVL_E_INTERRUPTED
							      : step(s, build, err);
		if (st == EVL_E_INTERRUPTED) {
			s->out->end = EVL_FIRST_BAD_STOPPED;
			st = EVL_OK;
			break;
		}
		if (st < 0) {
			break;
		}
	}
	return st;
}

static void conclude(struct search *s)
{
	struct evl_first_bad *out = s->out;
	for (size_t i = 0; i < out->build_count; i++) {
		out->builds[i].probability = evl_bisect_probability(s->bisect, i);
	}
	out->none = evl_bisect_probability(s->bisect, out->build_count);
	out->answer = evl_bisect_best(s->bisect);
	evl_bisect_range(s->bisect, s->args->confidence, &out->first, &out->last);
}

enum evl_status evl_first_bad_find(
	struct evl_first_bad *out, const struct evl_first_bad_args *args, struct evl_err *err)
{
	struct search s = {.args = args, .out = out, .loaded = args->build_count};
	*out = (struct evl_first_bad){0};
	enum evl_status st = check_args(args, err);
	if (st == EVL_OK) {
		st = evl_bisect_create(&s.bisect, args->build_count, &args->noise, err);
	}
	if (st == EVL_OK) {
		st = digest_of(s.campaign, args->run.campaign, err);
	}
	if (st == EVL_OK) {
		st = digest_of(s.bench, args->run.bench, err);
	}
	if (st == EVL_OK) {
		st = check_fit(&s, err);
	}
	if (st == EVL_OK) {
		out->build_count = args->build_count;
		out->builds = evl_xcalloc(args->build_count, sizeof *out->builds);
		for (size_t i = 0; i < args->build_count; i++) {
			out->builds[i].label = args->builds[i];
		}
		st = look_back(&s, err);
	}
	if (st == EVL_OK) {
		st = search(&s, err);
	}
	if (st == EVL_OK) {
		conclude(&s);
	}
	evl_bisect_destroy(s.bisect);
	return st;
}

void evl_first_bad_finish(struct evl_first_bad *f)
{
	free(f->runs);
	free(f->builds);
	*f = (struct evl_first_bad){0};
}

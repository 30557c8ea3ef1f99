/* SPDX-License-Identifier: Apache-2.0 */
/* The statistics of a history: changes of cases, trends of error ratios, Holm's correction. */
#include <stdlib.h>

#include "core/measure/compare_counts.h"
#include "core/store/history.h"
#include "core/store/internal.h"

/* Arrays for one case or series at a time, and for the p values of all. */
struct room {
	bool *failed;
	uint32_t *build;
	uint64_t *errors, *bits;
	double *first, *second; /* p values of those that are tested */
};

static enum evl_status history_of(struct evl_past *past, struct evl_past_case *c, double alpha,
	struct room *room, struct evl_err *err)
{
	size_t n = 0;
	c->failing_since = NULL;
	for (size_t i = 0; i < c->entry_count; i++) {
		const struct evl_past_entry *e = &c->entries[i];
		if (e->counted) {
			room->failed[n] = e->failed;
			room->build[n++] = past->runs[e->run].build_no;
			if (e->failed) {
				c->first_failure = c->first_failure != NULL ? c->first_failure : e;
				c->failing_since = c->failing_since != NULL ? c->failing_since : e;
				c->last_failure = e;
			} else {
				c->failing_since = NULL;
			}
		}
	}
	return evl_history_of(
		&c->history, room->failed, room->build, n, past->confidence, alpha, err);
}

static const struct evl_past_entry *counted_entry(const struct evl_past_case *c, size_t place)
{
	for (size_t i = 0; i < c->entry_count; i++) {
		if (c->entries[i].counted && place-- == 0) {
			return &c->entries[i];
		}
	}
	return NULL;
}

/* It passed until the first failure and never after. */
static bool failures_come_last(const struct evl_past_case *c)
{
	for (const struct evl_past_entry *e = c->first_failure; e < c->entries + c->entry_count;
		e++) {
		if (e->counted && !e->failed) {
			return false;
		}
	}
	return true;
}

static bool mixed(const struct evl_past_case *c)
{
	return c->history.failures > 0 && c->history.failures < c->history.runs;
}

static enum evl_status find_out(
	struct evl_past *past, struct evl_past_case *c, struct room *room, struct evl_err *err)
{
	enum evl_history_kind kind = c->history.kind;
	bool worse = kind == EVL_HISTORY_REGRESSED;
	bool better = kind == EVL_HISTORY_RECOVERED;
	double corrected = worse ? c->p_worse : c->p_better;
	if ((worse || better) && corrected > past->alpha) {
		/* A change alone, but not among so many cases: without it, what is it? */
		double p = worse ? c->history.p_worse : c->history.p_better;
		enum evl_status st = history_of(past, c, p / 2, room, err);
		if (st != EVL_OK) {
			return st;
		}
		kind = c->history.kind;
	}
	switch (kind) {
	case EVL_HISTORY_NONE:
		c->finding = EVL_PAST_NOTHING;
		break;
	case EVL_HISTORY_STEADY:
		c->finding = EVL_PAST_STEADY;
		break;
	case EVL_HISTORY_BROKEN:
		c->finding = EVL_PAST_BROKEN;
		break;
	case EVL_HISTORY_REGRESSED:
	case EVL_HISTORY_RECOVERED:
		c->finding =
			kind == EVL_HISTORY_REGRESSED ? EVL_PAST_NEWLY_FAILING : EVL_PAST_REPAIRED;
		c->proved = true;
		c->change = counted_entry(c, c->history.change);
		break;
	case EVL_HISTORY_FLAKY:
	case EVL_HISTORY_UNCLEAR:
		c->finding = EVL_PAST_FLAKY;
		if (failures_come_last(c)) {
			c->finding = EVL_PAST_NEWLY_FAILING;
			c->change = c->first_failure;
		}
		break;
	}
	past->worse = past->worse || (c->title == NULL && c->finding == EVL_PAST_NEWLY_FAILING);
	return EVL_OK;
}

static enum evl_status holm(struct room *room, size_t n, struct evl_err *err)
{
	enum evl_status st = evl_holm_adjust(room->first, room->first, n, err);
	return st == EVL_OK ? evl_holm_adjust(room->second, room->second, n, err) : st;
}

/* How often it failed on the build of the newest run, and before on others. */
static void count_builds(const struct evl_past *past, struct evl_past_case *c)
{
	for (size_t i = 0; i < c->entry_count; i++) {
		const struct evl_past_entry *e = &c->entries[i];
		bool newest =
			past->runs[e->run].build_no == past->runs[past->run_count - 1].build_no;
		*(newest ? &c->build_runs : &c->other_runs) += e->counted;
		*(newest ? &c->build_failures : &c->other_failures) += e->counted && e->failed;
	}
	c->build_interval = c->build_runs > 0 ? evl_binomial_interval(c->build_failures,
							c->build_runs, past->confidence)
					      : (struct evl_interval){0, 1};
}

/* Cases, or checks; `tested` is how many of them are in the correction. */
static enum evl_status judge_list(struct evl_past *past, struct evl_past_case *list, size_t count,
	size_t *tested, struct room *room, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	for (size_t i = 0; i < count && st == EVL_OK; i++) {
		struct evl_past_case *c = &list[i];
		count_builds(past, c);
		st = history_of(past, c, past->alpha, room, err);
		if (st == EVL_OK && mixed(c)) {
			room->first[*tested] = c->history.p_worse;
			room->second[(*tested)++] = c->history.p_better;
		}
	}
	if (st == EVL_OK) {
		st = holm(room, *tested, err);
	}
	size_t k = 0;
	for (size_t i = 0; i < count && st == EVL_OK; i++) {
		struct evl_past_case *c = &list[i];
		if (mixed(c)) {
			c->p_worse = room->first[k];
			c->p_better = room->second[k++];
		}
		st = find_out(past, c, room, err);
	}
	return st;
}

static enum evl_status judge_series(struct evl_past *past, struct room *room, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	for (size_t i = 0; i < past->series_count && st == EVL_OK; i++) {
		struct evl_past_series *s = &past->series[i];
		s->tested = s->point_count >= 2 && s->errors > 0;
		if (!s->tested) {
			continue;
		}
		for (size_t k = 0; k < s->point_count; k++) {
			room->errors[k] = s->points[k].errors;
			room->bits[k] = s->points[k].bits;
		}
		st = evl_trend_of_counts(&s->trend, room->errors, room->bits, s->point_count, err);
		room->first[past->series_tested] = s->trend.p_rising;
		room->second[past->series_tested++] = s->trend.p_falling;
	}
	if (st == EVL_OK) {
		st = holm(room, past->series_tested, err);
	}
	size_t k = 0;
	for (size_t i = 0; i < past->series_count && st == EVL_OK; i++) {
		struct evl_past_series *s = &past->series[i];
		if (s->tested) {
			s->p_rising = room->first[k];
			s->p_falling = room->second[k++];
			s->finding = s->p_rising <= past->alpha    ? EVL_PAST_RISING
				     : s->p_falling <= past->alpha ? EVL_PAST_FALLING
								   : EVL_PAST_NO_TREND;
		}
		past->worse = past->worse || s->finding == EVL_PAST_RISING;
	}
	return st;
}

enum evl_status store_past_judge(struct evl_past *past, struct evl_err *err)
{
	size_t runs = past->run_count + 1;
	size_t tests = past->case_count + past->series_count + past->check_count + 1;
	struct room room = {.failed = calloc(runs, sizeof *room.failed),
		.build = calloc(runs, sizeof *room.build),
		.errors = calloc(runs, sizeof *room.errors),
		.bits = calloc(runs, sizeof *room.bits),
		.first = calloc(tests, sizeof *room.first),
		.second = calloc(tests, sizeof *room.second)};
	enum evl_status st = EVL_OK;
	if (room.failed == NULL || room.build == NULL || room.errors == NULL || room.bits == NULL ||
		room.first == NULL || room.second == NULL) {
		st = evl_err_set(err, EVL_E_NOMEM, "history: out of memory");
	}
	if (st == EVL_OK) {
		st = judge_list(
			past, past->cases, past->case_count, &past->cases_tested, &room, err);
	}
	if (st == EVL_OK) {
		st = judge_list(
			past, past->checks, past->check_count, &past->checks_tested, &room, err);
	}
	if (st == EVL_OK) {
		st = judge_series(past, &room, err);
	}
	free(room.failed);
	free(room.build);
	free(room.errors);
	free(room.bits);
	free(room.first);
	free(room.second);
	return st;
}

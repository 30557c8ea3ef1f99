/* SPDX-License-Identifier: Apache-2.0 */
#include "core/store/compare.h"

#include <stdlib.h>
#include <string.h>

const char *evl_change_name(enum evl_change change)
{
	static const char *const names[EVL_CHANGE_COUNT] = {"same", "newly failing", "repaired",
		"still failing", "worse", "no longer proved", "undecided", "proved", "only before",
		"only after"};
	return change >= 0 && change < EVL_CHANGE_COUNT ? names[change] : "unknown";
}

static bool same_text(const char *a, const char *b)
{
	return a != NULL && b != NULL && strcmp(a, b) == 0; /* unknown is not the same */
}

static bool failing(const char *verdict)
{
	return strcmp(verdict, "fail") == 0 || strcmp(verdict, "error") == 0;
}

enum evl_change evl_change_by_verdicts(const char *before, const char *after)
{
	bool failed = failing(before);
	bool passed = strcmp(before, "pass") == 0;
	if (failing(after)) {
		return failed ? EVL_CHANGE_STILL_FAILING : EVL_CHANGE_NEWLY_FAILING;
	}
	if (strcmp(after, "pass") == 0) {
		return failed ? EVL_CHANGE_REPAIRED : passed ? EVL_CHANGE_SAME : EVL_CHANGE_PROVED;
	}
	return failed ? EVL_CHANGE_UNDECIDED : passed ? EVL_CHANGE_NOT_PROVED : EVL_CHANGE_SAME;
}

/* The rows of one case are together: rows[first] .. rows[first + count - 1]. */
struct span {
	size_t first;
	size_t count;
};

struct side {
	const struct evl_run *run;
	struct span *checks; /* by case */
	struct span *streams;
	bool *used_case;
	bool *used_check;
	bool *used_stream;
};

static bool side_init(struct side *s, const struct evl_run *run)
{
	s->run = run;
	s->checks = calloc(run->case_count + 1, sizeof *s->checks);
	s->streams = calloc(run->case_count + 1, sizeof *s->streams);
	s->used_case = calloc(run->case_count + 1, sizeof *s->used_case);
	s->used_check = calloc(run->check_count + 1, sizeof *s->used_check);
	s->used_stream = calloc(run->stream_count + 1, sizeof *s->used_stream);
	if (s->checks == NULL || s->streams == NULL || s->used_case == NULL ||
		s->used_check == NULL || s->used_stream == NULL) {
		return false;
	}
	for (size_t i = run->check_count; i-- > 0;) {
		int c = run->checks[i].case_no;
		if (evl_run_case(run, c) != NULL) {
			s->checks[c].first = i;
			s->checks[c].count++;
		}
	}
	for (size_t i = run->stream_count; i-- > 0;) {
		int c = run->streams[i].case_no;
		if (evl_run_case(run, c) != NULL) {
			s->streams[c].first = i;
			s->streams[c].count++;
		}
	}
	return true;
}

static void side_finish(struct side *s)
{
	free(s->checks);
	free(s->streams);
	free(s->used_case);
	free(s->used_check);
	free(s->used_stream);
}

static bool same_channel(const struct evl_run *a, int a_no, const struct evl_run *b, int b_no)
{
	const struct evl_row_channel *ca = evl_run_channel(a, a_no);
	const struct evl_row_channel *cb = evl_run_channel(b, b_no);
	if (ca == NULL || cb == NULL) {
		return ca == cb;
	}
	return ca->number == cb->number && strcmp(ca->role, cb->role) == 0;
}

/* ---- checks ---- */

/* Looks from `hint` on and around, because both runs mostly have the same order. */
static const struct evl_row_check *find_check(struct side *after, int case_no,
	const struct evl_run *before, const struct evl_row_check *check, size_t hint)
{
	struct span span = after->checks[case_no];
	for (size_t k = 0; k < span.count; k++) {
		size_t i = span.first + (hint + k) % span.count;
		const struct evl_row_check *c = &after->run->checks[i];
		if (!after->used_check[i] && strcmp(c->title, check->title) == 0 &&
			same_channel(before, check->channel_no, after->run, c->channel_no)) {
			after->used_check[i] = true;
			return c;
		}
	}
	return NULL;
}

static struct evl_compare_item *add_item(struct evl_compare *out, const char *case_name,
	const struct evl_run *run, const struct evl_row_check *check)
{
	struct evl_compare_item *item = &out->items[out->item_count++];
	const struct evl_row_channel *channel = evl_run_channel(run, check->channel_no);
	item->case_name = case_name;
	item->title = check->title;
	item->role = channel != NULL ? channel->role : NULL;
	item->number = channel != NULL ? channel->number : 0;
	item->p = 1;
	item->p_adjusted = 1;
	item->p_look = 1;
	return item;
}

static enum evl_status test_item(struct evl_compare *out, struct evl_compare_item *item,
	struct evl_count_test *tests, struct evl_err *err)
{
	const struct evl_row_check *b = item->before;
	const struct evl_row_check *a = item->after;
	if (b->errors < 0 || a->errors < 0 || b->bits <= 0 || a->bits <= 0) {
		return EVL_OK;
	}
	struct evl_count_test *test = &tests[out->tested];
	enum evl_status st = evl_compare_counts(test, (uint64_t)b->errors, (uint64_t)b->bits,
		(uint64_t)a->errors, (uint64_t)a->bits, 0.95, err);
	if (st == EVL_OK) {
		item->tested = true;
		item->p = test->p_worse;
		out->tested++;
	}
	return st;
}

/* `b` and `a` are case ordinals, -1 for a case that the run does not have. */
static enum evl_status compare_checks(struct evl_compare *out, struct side *before, int b,
	struct side *after, int a, const char *name, struct evl_count_test *tests,
	struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	struct span span = b >= 0 ? before->checks[b] : (struct span){0};
	for (size_t k = 0; k < span.count && st == EVL_OK; k++) {
		const struct evl_row_check *check = &before->run->checks[span.first + k];
		struct evl_compare_item *item = add_item(out, name, before->run, check);
		item->before = check;
		item->after = a >= 0 ? find_check(after, a, before->run, check, k) : NULL;
		item->change = item->after != NULL ? evl_change_by_verdicts(
							     check->verdict, item->after->verdict)
						   : EVL_CHANGE_ONLY_BEFORE;
		if (item->after != NULL) {
			st = test_item(out, item, tests, err);
		}
	}
	span = a >= 0 ? after->checks[a] : (struct span){0};
	for (size_t k = 0; k < span.count && st == EVL_OK; k++) {
		if (!after->used_check[span.first + k]) {
			const struct evl_row_check *check = &after->run->checks[span.first + k];
			struct evl_compare_item *item = add_item(out, name, after->run, check);
			item->after = check;
			item->change = EVL_CHANGE_ONLY_AFTER;
		}
	}
	return st;
}

/* ---- streams ---- */

static const char *take_name(const struct evl_run *run, int case_no, int take_no)
{
	const struct evl_row_take *take = evl_run_take(run, case_no, take_no);
	return take != NULL && take->name != NULL ? take->name : "";
}

/* How many earlier takes of the case have the same name. */
static int take_place(const struct evl_run *run, int case_no, int take_no)
{
	int n = 0;
	const char *name = take_name(run, case_no, take_no);
	for (size_t i = 0; i < run->take_count; i++) {
		const struct evl_row_take *t = &run->takes[i];
		n += t->case_no == case_no && t->ordinal < take_no &&
		     strcmp(t->name != NULL ? t->name : "", name) == 0;
	}
	return n;
}

static const struct evl_row_stream *find_stream(struct side *after, int case_no,
	const struct evl_run *before, const struct evl_row_stream *stream, size_t hint)
{
	struct span span = after->streams[case_no];
	const char *name = take_name(before, stream->case_no, stream->take_no);
	int place = take_place(before, stream->case_no, stream->take_no);
	for (size_t k = 0; k < span.count; k++) {
		size_t i = span.first + (hint + k) % span.count;
		const struct evl_row_stream *s = &after->run->streams[i];
		if (!after->used_stream[i] && strcmp(s->direction, stream->direction) == 0 &&
			same_channel(before, stream->channel_no, after->run, s->channel_no) &&
			strcmp(take_name(after->run, case_no, s->take_no), name) == 0 &&
			take_place(after->run, case_no, s->take_no) == place) {
			after->used_stream[i] = true;
			return s;
		}
	}
	return NULL;
}

static struct evl_compare_stream *add_stream(struct evl_compare *out, const char *case_name,
	const struct evl_run *run, const struct evl_row_stream *stream)
{
	struct evl_compare_stream *s = &out->streams[out->stream_count++];
	const struct evl_row_channel *channel = evl_run_channel(run, stream->channel_no);
	s->case_name = case_name;
	s->take_name = take_name(run, stream->case_no, stream->take_no);
	s->role = channel != NULL ? channel->role : NULL;
	s->number = channel != NULL ? channel->number : 0;
	s->direction = stream->direction;
	return s;
}

static void compare_streams(struct evl_compare *out, struct side *before, int b, struct side *after,
	int a, const char *name)
{
	struct span span = b >= 0 ? before->streams[b] : (struct span){0};
	for (size_t k = 0; k < span.count; k++) {
		const struct evl_row_stream *one = &before->run->streams[span.first + k];
		struct evl_compare_stream *s = add_stream(out, name, before->run, one);
		s->before = one;
		s->after = a >= 0 ? find_stream(after, a, before->run, one, k) : NULL;
		if (s->after == NULL) {
			s->change = EVL_STREAM_ONLY_BEFORE;
		} else if (one->digest == NULL || s->after->digest == NULL) {
			s->change = EVL_STREAM_UNKNOWN;
		} else {
			s->change = one->bits == s->after->bits &&
						    strcmp(one->digest, s->after->digest) == 0
					    ? EVL_STREAM_EQUAL
					    : EVL_STREAM_DIFFERENT;
		}
		out->stream_counts[s->change]++;
	}
	span = a >= 0 ? after->streams[a] : (struct span){0};
	for (size_t k = 0; k < span.count; k++) {
		if (!after->used_stream[span.first + k]) {
			const struct evl_row_stream *one = &after->run->streams[span.first + k];
			struct evl_compare_stream *s = add_stream(out, name, after->run, one);
			s->after = one;
			s->change = EVL_STREAM_ONLY_AFTER;
			out->stream_counts[s->change]++;
		}
	}
}

/* ---- the whole ---- */

static int find_case(struct side *after, const char *name)
{
	for (size_t i = 0; i < after->run->case_count; i++) {
		if (!after->used_case[i] && strcmp(after->run->cases[i].name, name) == 0) {
			after->used_case[i] = true;
			return (int)i;
		}
	}
	return -1;
}

static enum evl_status compare_cases(struct evl_compare *out, struct side *before,
	struct side *after, struct evl_count_test *tests, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	for (size_t i = 0; i < before->run->case_count && st == EVL_OK; i++) {
		const struct evl_row_case *row = &before->run->cases[i];
		struct evl_compare_case *c = &out->cases[out->case_count++];
		int a = find_case(after, row->name);
		c->name = row->name;
		c->before = row;
		c->after = evl_run_case(after->run, a);
		c->change = c->after != NULL
				    ? evl_change_by_verdicts(row->verdict, c->after->verdict)
				    : EVL_CHANGE_ONLY_BEFORE;
		st = compare_checks(out, before, (int)i, after, a, row->name, tests, err);
		compare_streams(out, before, (int)i, after, a, row->name);
	}
	for (size_t i = 0; i < after->run->case_count && st == EVL_OK; i++) {
		if (!after->used_case[i]) {
			const struct evl_row_case *row = &after->run->cases[i];
			struct evl_compare_case *c = &out->cases[out->case_count++];
			c->name = row->name;
			c->after = row;
			c->change = EVL_CHANGE_ONLY_AFTER;
			st = compare_checks(out, before, -1, after, (int)i, row->name, tests, err);
			compare_streams(out, before, -1, after, (int)i, row->name);
		}
	}
	return st;
}

/* `worse` and the like for those that pass both times. */
static enum evl_status classify(
	struct evl_compare *out, const struct evl_count_test *tests, struct evl_err *err)
{
	struct evl_count_class *class = calloc(out->tested + 1, sizeof *class);
	if (class == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "compare: out of memory");
	}
	enum evl_status st = evl_classify_changes(class, tests, out->tested, out->alpha, err);
	size_t k = 0;
	for (size_t i = 0; i < out->item_count && st == EVL_OK; i++) {
		struct evl_compare_item *item = &out->items[i];
		if (!item->tested) {
			continue;
		}
		const struct evl_count_class *c = &class[k++];
		item->p_look = c->p_look;
		item->p_adjusted = c->p_worse;
		if (item->change != EVL_CHANGE_SAME || strcmp(item->after->verdict, "pass") != 0) {
			continue;
		}
		if (c->change == EVL_COUNT_WORSE) {
			item->change = EVL_CHANGE_WORSE;
			continue;
		}
		item->counts = c->change;
		out->look_here += c->change == EVL_COUNT_LOOK;
		out->better += c->change == EVL_COUNT_BETTER;
	}
	free(class);
	return st;
}

static void summarise(struct evl_compare *out)
{
	size_t i = 0;
	for (size_t k = 0; k < out->case_count; k++) {
		/* Items are in the order of the cases; a name may come twice, a row only once. */
		struct evl_compare_case *c = &out->cases[k];
		for (; i < out->item_count; i++) {
			const struct evl_compare_item *item = &out->items[i];
			bool mine = item->before != NULL
					    ? c->before != NULL &&
						      item->before->case_no == c->before->ordinal
					    : c->after != NULL &&
						      item->after->case_no == c->after->ordinal;
			if (!mine) {
				break;
			}
			c->count[item->change]++;
			out->count[item->change]++;
		}
		if (c->change == EVL_CHANGE_SAME && c->count[EVL_CHANGE_WORSE] > 0) {
			c->change = EVL_CHANGE_WORSE;
		}
		out->worse = out->worse || c->change == EVL_CHANGE_NEWLY_FAILING ||
			     c->change == EVL_CHANGE_NOT_PROVED ||
			     c->change == EVL_CHANGE_ONLY_BEFORE;
	}
	out->worse = out->worse || out->count[EVL_CHANGE_NEWLY_FAILING] > 0 ||
		     out->count[EVL_CHANGE_WORSE] > 0 || out->count[EVL_CHANGE_NOT_PROVED] > 0 ||
		     out->count[EVL_CHANGE_ONLY_BEFORE] > 0;
}

enum evl_status evl_compare_runs(struct evl_compare *out, const struct evl_run *before,
	const struct evl_run *after, double alpha, struct evl_err *err)
{
	*out = (struct evl_compare){.alpha = alpha};
	if (!(alpha > 0 && alpha < 1)) {
		return evl_err_set(err, EVL_E_INVALID,
			"compare: alpha is %g, it must be between 0 and 1", alpha);
	}
	out->cases = calloc(before->case_count + after->case_count + 1, sizeof *out->cases);
	out->items = calloc(before->check_count + after->check_count + 1, sizeof *out->items);
	out->streams = calloc(before->stream_count + after->stream_count + 1, sizeof *out->streams);
	/* A check of the earlier run has one partner at most. */
	struct evl_count_test *tests = calloc(before->check_count + 1, sizeof *tests);
	struct side b = {0};
	struct side a = {0};
	enum evl_status st = EVL_OK;
	if (!side_init(&b, before) || !side_init(&a, after) || out->cases == NULL ||
		out->items == NULL || out->streams == NULL || tests == NULL) {
		st = evl_err_set(err, EVL_E_NOMEM, "compare: out of memory");
		goto out;
	}
	out->same_campaign = same_text(before->run.campaign_sha256, after->run.campaign_sha256);
	out->same_bench = same_text(before->run.bench_sha256, after->run.bench_sha256);
	out->same_seed = before->run.seed == after->run.seed;
	st = compare_cases(out, &b, &a, tests, err);
	if (st == EVL_OK) {
		st = classify(out, tests, err);
	}
	if (st == EVL_OK) {
		summarise(out);
	}
out:
	free(tests);
	side_finish(&b);
	side_finish(&a);
	if (st != EVL_OK) {
		evl_compare_finish(out);
	}
	return st;
}

void evl_compare_finish(struct evl_compare *cmp)
{
	free(cmp->cases);
	free(cmp->items);
	free(cmp->streams);
	*cmp = (struct evl_compare){0};
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "core/cli/print_compare.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "core/cli/cli.h"

static const char *const stream_change_names[] = {[EVL_STREAM_EQUAL] = "equal",
	[EVL_STREAM_DIFFERENT] = "different",
	[EVL_STREAM_UNKNOWN] = "unknown",
	[EVL_STREAM_ONLY_BEFORE] = "only before",
	[EVL_STREAM_ONLY_AFTER] = "only after"};

static const char *text(const char *s)
{
	return s != NULL ? s : "";
}

static const char *value_of(const struct evl_row_check *c)
{
	return c == NULL ? "" : c->value != NULL ? c->value : text(c->verdict);
}

static const char *word_of(const struct evl_compare_item *item)
{
	return item->counts != EVL_COUNT_NOISE ? evl_count_change_name(item->counts)
					       : evl_change_name(item->change);
}

static void print_item(const struct evl_compare_item *item)
{
	char where[64] = "";
	if (item->role != NULL) {
		snprintf(where, sizeof(where), ", %.40s %d", item->role, item->number);
	}
	cli_out("    %-16s %s%s: %s -> %s", word_of(item), text(item->title), where,
		item->before != NULL ? value_of(item->before) : "nothing",
		item->after != NULL ? value_of(item->after) : "nothing");
	if (item->after != NULL && item->after->reason != NULL) {
		cli_out("; %s", item->after->reason);
	}
	if (item->tested) {
		cli_out(" (p %.3g, corrected %.3g, for a look %.3g)", item->p, item->p_adjusted,
			item->p_look);
	}
	cli_out("\n");
}

void print_compare(
	const struct evl_compare *cmp, const struct evl_run *before, const struct evl_run *after)
{
	cli_out("before    run %" PRId64 ", build %s, verdict %s\n", before->run.run,
		text(before->run.build), text(before->run.verdict));
	cli_out("after     run %" PRId64 ", build %s, verdict %s\n", after->run.run,
		text(after->run.build), text(after->run.verdict));
	cli_out("%s%s%s\n", cmp->same_campaign ? "" : "The campaign is not the same. ",
		cmp->same_bench ? "" : "The bench is not the same. ",
		cmp->same_seed ? "" : "The seed is not the same. ");
	for (size_t i = 0; i < cmp->case_count; i++) {
		const struct evl_compare_case *c = &cmp->cases[i];
		const char *sep = "";
		cli_out("%s: %s -> %s, %s (", text(c->name),
			c->before != NULL ? text(c->before->verdict) : "not run",
			c->after != NULL ? text(c->after->verdict) : "not run",
			evl_change_name(c->change));
		for (int k = 0; k < EVL_CHANGE_COUNT; k++) {
			if (c->count[k] > 0) {
				cli_out("%s%d %s", sep, c->count[k],
					evl_change_name((enum evl_change)k));
				sep = ", ";
			}
		}
		cli_out("%s)\n", *sep != '\0' ? "" : "no checks");
		for (size_t k = 0; k < cmp->item_count; k++) {
			if ((cmp->items[k].change != EVL_CHANGE_SAME ||
				    cmp->items[k].counts != EVL_COUNT_NOISE) &&
				strcmp(text(cmp->items[k].case_name), text(c->name)) == 0) {
				print_item(&cmp->items[k]);
			}
		}
	}
	cli_out("\nstreams: ");
	for (int k = 0; k < EVL_STREAM_CHANGE_COUNT; k++) {
		cli_out("%s%d %s", k > 0 ? ", " : "", cmp->stream_counts[k],
			stream_change_names[k]);
	}
	cli_out("\nerror ratios tested: %zu, false alarm in one comparison of %.6g\n", cmp->tested,
		1 / cmp->alpha);
	if (cmp->look_here > 0) {
		cli_out("worth a look, no verdict (Benjamini and Hochberg): %zu\n", cmp->look_here);
	}
	if (cmp->better > 0) {
		cli_out("fewer errors than chance explains: %zu\n", cmp->better);
	}
	cli_out("%s\n", cmp->worse ? "The later run is worse." : "The later run is not worse.");
}

static json_t *counts_json(const int *count)
{
	json_t *o = json_object();
	for (int k = 0; k < EVL_CHANGE_COUNT; k++) {
		json_object_set_new(o, evl_change_name((enum evl_change)k), json_integer(count[k]));
	}
	return o;
}

static json_t *side_json(const struct evl_row_check *c)
{
	if (c == NULL) {
		return json_null();
	}
	return json_pack("{s:o, s:o, s:o}", "verdict", cli_json_text(c->verdict), "value",
		cli_json_text(c->value), "reason", cli_json_text(c->reason));
}

static json_t *run_json(const struct evl_run *run)
{
	return json_pack("{s:I, s:o, s:o}", "run", (json_int_t)run->run.run, "build",
		cli_json_text(run->run.build), "verdict", cli_json_text(run->run.verdict));
}

json_t *print_compare_json(
	const struct evl_compare *cmp, const struct evl_run *before, const struct evl_run *after)
{
	json_t *cases = json_array(), *items = json_array(), *streams = json_array();

	for (size_t i = 0; i < cmp->case_count; i++) {
		const struct evl_compare_case *c = &cmp->cases[i];
		json_array_append_new(cases,
			json_pack("{s:o, s:s, s:o, s:o, s:o}", "name", cli_json_text(c->name),
				"change", evl_change_name(c->change), "before",
				cli_json_text(c->before != NULL ? c->before->verdict : NULL),
				"after", cli_json_text(c->after != NULL ? c->after->verdict : NULL),
				"checks", counts_json(c->count)));
	}
	for (size_t i = 0; i < cmp->item_count; i++) {
		const struct evl_compare_item *c = &cmp->items[i];
		json_array_append_new(items,
			json_pack("{s:o, s:o, s:o, s:o, s:s, s:o, s:o, s:o, s:o, s:o, s:b, s:b}",
				"case", cli_json_text(c->case_name), "title",
				cli_json_text(c->title), "role", cli_json_text(c->role), "number",
				c->role != NULL ? json_integer(c->number) : json_null(), "change",
				evl_change_name(c->change), "before", side_json(c->before), "after",
				side_json(c->after), "p", c->tested ? json_real(c->p) : json_null(),
				"p_corrected", c->tested ? json_real(c->p_adjusted) : json_null(),
				"p_look", c->tested ? json_real(c->p_look) : json_null(),
				"look_here", c->counts == EVL_COUNT_LOOK, "better",
				c->counts == EVL_COUNT_BETTER));
	}
	for (size_t i = 0; i < cmp->stream_count; i++) {
		const struct evl_compare_stream *s = &cmp->streams[i];
		json_array_append_new(streams,
			json_pack("{s:o, s:o, s:o, s:i, s:o, s:s}", "case",
				cli_json_text(s->case_name), "take", cli_json_text(s->take_name),
				"role", cli_json_text(s->role), "number", s->number, "direction",
				cli_json_text(s->direction), "change",
				stream_change_names[s->change]));
	}
	return json_pack("{s:b, s:o, s:o, s:b, s:b, s:b, s:f, s:I, s:I, s:I, s:o, s:o, s:o, s:o}",
		"worse", cmp->worse, "before", run_json(before), "after", run_json(after),
		"same_campaign", cmp->same_campaign, "same_bench", cmp->same_bench, "same_seed",
		cmp->same_seed, "alpha", cmp->alpha, "tested", (json_int_t)cmp->tested, "look_here",
		(json_int_t)cmp->look_here, "better", (json_int_t)cmp->better, "counts",
		counts_json(cmp->count), "cases", cases, "checks", items, "streams", streams);
}

/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/text.h"
#include "core/cli/recording.h"
#include "core/recording/align.h"
#include "core/recording/diff.h"

static const struct cli_verb verb_diff = {"recording diff", "", cli_recording_help, NULL};

struct diff_context {
	json_t *list; /* NULL: plain text */
	bool equal;
};

static void diff_plain(const struct evl_rec_difference *d)
{
	cli_out("%-12s %s", evl_rec_relation_name(d->relation),
		d->a_name != NULL ? d->a_name : d->b_name);
	if (d->a_name != NULL && d->b_name != NULL && strcmp(d->a_name, d->b_name) != 0) {
		cli_out(" and %s", d->b_name);
	}
	if (d->different_bits > 0) {
		cli_out(": %s of %s differ, first in frame %" PRIu64 ", byte %" PRIu32
			", bit %" PRIu32 " (bit %" PRIu64 " of the channel)",
			cli_count(d->different_bits).s, cli_number_of(d->compared_bits, "bit").s,
			d->first_frame, d->first_byte, d->first_bit_no, d->first_bit);
	}
	if (d->only_a_bits > 0) {
		cli_out("; %s only in the first", cli_number_of(d->only_a_bits, "bit").s);
	}
	if (d->only_b_bits > 0) {
		cli_out("; %s only in the second", cli_number_of(d->only_b_bits, "bit").s);
	}
	if (d->crossing == EVL_REC_CROSSED_BY_DIGEST) {
		cli_out("; its bits are in %s", d->crossed_name);
	} else if (d->crossing == EVL_REC_CROSSED_BY_CONTENT) {
		cli_out("; its bits are in %s but for %s of a sample of %s", d->crossed_name,
			cli_count(d->sample_different).s, cli_count(d->sample_bits).s);
	}
	cli_out("\n");
}

static void on_difference(void *context, const struct evl_rec_difference *d)
{
	struct diff_context *c = context;
	c->equal = c->equal && d->relation == EVL_REC_EQUAL;
	if (c->list == NULL) {
		diff_plain(d);
		return;
	}
	json_t *o = json_pack("{s:s, s:o, s:o, s:I, s:I, s:I, s:I, s:o}", "relation",
		evl_rec_relation_name(d->relation), "a", cli_json_text(d->a_name), "b",
		cli_json_text(d->b_name), "compared_bits", (json_int_t)d->compared_bits,
		"different_bits", (json_int_t)d->different_bits, "only_a_bits",
		(json_int_t)d->only_a_bits, "only_b_bits", (json_int_t)d->only_b_bits,
		"crossed_with", cli_json_text(d->crossed_name));
	if (d->different_bits > 0) {
		json_object_set_new(o, "first",
			json_pack("{s:I, s:I, s:I, s:I}", "bit_offset", (json_int_t)d->first_bit,
				"frame", (json_int_t)d->first_frame, "byte",
				(json_int_t)d->first_byte, "bit", (json_int_t)d->first_bit_no));
	}
	json_array_append_new(c->list, o);
}

/* ---- across a delay ---- */

enum { SLIPS_SHOWN = 10 }; /* of a channel, in plain text; --json has SLIPS_LISTED */
enum { SLIPS_LISTED = 10000 };

struct align_context {
	json_t *list, *slips; /* NULL: plain text */
	bool equal;
	uint32_t shown;        /* slips of the channel at hand */
	struct evl_text lines; /* about them */
};

static json_t *place_json(uint64_t bit, uint64_t frame, uint32_t byte, uint32_t bit_no)
{
	return json_pack("{s:I, s:I, s:I, s:I}", "bit_offset", (json_int_t)bit, "frame",
		(json_int_t)frame, "byte", (json_int_t)byte, "bit", (json_int_t)bit_no);
}

static void on_slip(void *context, const struct evl_rec_aligned *d, const struct evl_rec_slip *s)
{
	struct align_context *c = context;
	(void)d;
	c->shown++;
	if (c->list != NULL) {
		if (c->shown > SLIPS_LISTED) {
			return;
		}
		c->slips = c->slips != NULL ? c->slips : json_array();
		json_array_append_new(
			c->slips, json_pack("{s:s, s:I, s:I, s:o, s:I, s:I}", "kind",
					  evl_rec_slip_name(s->kind), "bits", (json_int_t)s->bits,
					  "frames", (json_int_t)s->frames, "at",
					  place_json(s->bit, s->frame, s->byte, s->bit_no),
					  "earliest_bit_offset", (json_int_t)s->least_bit,
					  "delay_bits", (json_int_t)s->delay_bits));
		return;
	}
	if (c->shown > SLIPS_SHOWN) {
		return;
	}
	evl_text_addf(&c->lines, "    %s %s", cli_number_of(s->bits, "bit").s,
		evl_rec_slip_name(s->kind));
	if (s->frames > 0) {
		evl_text_addf(&c->lines, " (%s)", cli_number_of(s->frames, "frame").s);
	}
	evl_text_addf(&c->lines,
		" at frame %" PRIu64 ", byte %" PRIu32 ", bit %" PRIu32 " (bit %" PRIu64
		" of the channel%s); the delay is %" PRId64 " bits from there on\n",
		s->frame, s->byte, s->bit_no, s->bit, s->least_bit != s->bit ? ", or earlier" : "",
		s->delay_bits);
}

static json_t *aligned_json(const struct evl_rec_aligned *d, json_t *slips)
{
	json_t *o = json_pack(
		"{s:s, s:o, s:o, s:b, s:I, s:I, s:I, s:I, s:I, s:I, s:I, s:I, s:o, s:o}",
		"relation", evl_rec_relation_name(d->relation), "a", cli_json_text(d->a_name), "b",
		cli_json_text(d->b_name), "delay_found", d->found, "compared_bits",
		(json_int_t)d->compared_bits, "changed_bits", (json_int_t)d->changed_bits, "slips",
		(json_int_t)d->slips, "lost_bits", (json_int_t)d->lost_bits, "repeated_bits",
		(json_int_t)d->repeated_bits, "inserted_bits", (json_int_t)d->inserted_bits,
		"only_a_bits", (json_int_t)d->only_a_bits, "only_b_bits",
		(json_int_t)d->only_b_bits, "slip_list", slips != NULL ? slips : json_array(),
		"crossed_with", cli_json_text(d->crossed_name));
	if (d->found) {
		json_object_set_new(o, "delay_bits", json_integer((json_int_t)d->delay_bits));
		json_object_set_new(o, "other_delay_bits",
			d->repeats ? json_integer((json_int_t)d->other_delay_bits) : json_null());
	}
	if (d->changed_bits > 0) {
		json_object_set_new(o, "first",
			place_json(d->first_bit, d->first_frame, d->first_byte, d->first_bit_no));
	}
	return o;
}

static void aligned_plain(const struct evl_rec_aligned *d)
{
	cli_out("%-12s %s", evl_rec_relation_name(d->relation),
		d->a_name != NULL ? d->a_name : d->b_name);
	if (d->a_name != NULL && d->b_name != NULL && strcmp(d->a_name, d->b_name) != 0) {
		cli_out(" and %s", d->b_name);
	}
	if (d->found) {
		cli_out(": delay %" PRId64 " bits", d->delay_bits);
		if (d->repeats) {
			cli_out(" (%" PRId64 " fits as well: the content repeats)",
				d->other_delay_bits);
		}
		cli_out("; %s of %s changed", cli_count(d->changed_bits).s,
			cli_number_of(d->compared_bits, "bit").s);
	} else if (d->relation == EVL_REC_DIFFERENT) {
		cli_out(": no delay within the range at which they agree");
	}
	if (d->changed_bits > 0) {
		cli_out(", first in frame %" PRIu64 ", byte %" PRIu32 ", bit %" PRIu32
			" (bit %" PRIu64 " of the channel)",
			d->first_frame, d->first_byte, d->first_bit_no, d->first_bit);
	}
	if (d->slips > 0) {
		cli_out("; %s", cli_number_of(d->slips, "slip").s);
	}
	if (d->relation <= EVL_REC_LENGTH && d->only_a_bits > 0) {
		cli_out("; %s only in the first", cli_number_of(d->only_a_bits, "bit").s);
	}
	if (d->relation <= EVL_REC_LENGTH && d->only_b_bits > 0) {
		cli_out("; %s only in the second", cli_number_of(d->only_b_bits, "bit").s);
	}
	if (d->crossed_name != NULL) {
		cli_out("; its bits are in %s, delay %" PRId64 " bits", d->crossed_name,
			d->crossed_delay_bits);
	}
	cli_out("\n");
}

static void on_aligned(void *context, const struct evl_rec_aligned *d)
{
	struct align_context *c = context;
	c->equal = c->equal && d->relation == EVL_REC_EQUAL;
	if (c->list != NULL) {
		json_array_append_new(c->list, aligned_json(d, c->slips));
		c->slips = NULL;
	} else {
		aligned_plain(d);
		cli_out("%s", evl_text_str(&c->lines));
		if (c->shown > SLIPS_SHOWN) {
			cli_out("    and %s more\n",
				cli_number_of(c->shown - SLIPS_SHOWN, "slip").s);
		}
		evl_text_finish(&c->lines);
		c->lines = (struct evl_text){0};
	}
	c->shown = 0;
}

static int align(struct evl_rec **r, const struct evl_rec_pair *pairs, uint32_t pair_count,
	uint64_t range_ms, bool json)
{
	struct align_context c = {.list = json ? json_array() : NULL, .equal = true};
	struct evl_rec_align_plan plan = {.map = pairs,
		.map_count = pair_count,
		.range_ns = range_ms * 1000000,
		.slip = on_slip,
		.channel = on_aligned,
		.context = &c};
	struct evl_rec_align_summary sum;
	struct evl_err err = {0};
	enum evl_status st = evl_rec_align(r[0], r[1], &plan, &sum, &err);
	evl_text_finish(&c.lines);
	if (st != EVL_OK) {
		json_decref(c.list);
		json_decref(c.slips);
		return cli_error(&err);
	}
	if (json) {
		cli_json_print(json_pack("{s:b, s:I, s:I, s:I, s:I, s:I, s:I, s:I, s:o}", "equal",
			c.equal, "pairs", (json_int_t)sum.pairs, "equal_pairs",
			(json_int_t)sum.equal, "delays_found", (json_int_t)sum.found, "crossed",
			(json_int_t)sum.crossed, "compared_bits", (json_int_t)sum.compared_bits,
			"changed_bits", (json_int_t)sum.changed_bits, "slips",
			(json_int_t)sum.slips, "channels", c.list));
	} else {
		cli_out("%s compared, %" PRIu32 " equal, %" PRIu32 " crossed; %s of %s changed, "
			"%s\n",
			cli_number_of(sum.pairs, "pair").s, sum.equal, sum.crossed,
			cli_count(sum.changed_bits).s, cli_number_of(sum.compared_bits, "bit").s,
			cli_number_of(sum.slips, "slip").s);
	}
	return c.equal ? CLI_GOOD : CLI_NO;
}

enum { DIFF_PAIR, DIFF_JSON, DIFF_ALIGN, DIFF_RANGE };
static const struct cli_option diff_options[] = {[DIFF_PAIR] = {"pair", CLI_MANY},
	[DIFF_JSON] = {"json", false},
	[DIFF_ALIGN] = {"align", false},
	[DIFF_RANGE] = {"range", true},
	{NULL, false}};

int cli_recording_diff(int argc, char **argv)
{
	struct cli_args a = {.verb = &verb_diff,
		.options = diff_options,
		.argc = argc,
		.argv = argv,
		.operands_min = 2,
		.operands_max = 2};
	struct evl_rec *r[2] = {NULL, NULL};
	struct evl_rec_diff_summary sum = {0};
	struct diff_context context = {.equal = true};
	struct evl_err err = {0};
	struct evl_rec_pair *pairs = evl_xcalloc((unsigned long)argc, sizeof(*pairs));
	char **copies = evl_xcalloc((unsigned long)argc, sizeof(*copies));
	uint32_t pair_count = 0;
	bool json = false, aligned = false;
	uint64_t range_ms = 0;
	int status;

	while (cli_next(&a)) {
		if (a.index == DIFF_JSON || a.index == DIFF_ALIGN) {
			*(a.index == DIFF_JSON ? &json : &aligned) = true;
			continue;
		}
		if (a.index == DIFF_RANGE) {
			if (!cli_parse_u64(&range_ms, a.value) || range_ms < 1 || range_ms > 2000) {
				a.exit = cli_usage(a.verb,
					"--range \"%s\" is not a whole number of ms from 1 to 2000",
					a.value);
			}
			continue;
		}
		char *copy = evl_xstrdup(a.value);
		char *equals = strchr(copy, '=');
		copies[pair_count] = copy;
		if (equals == NULL || equals == copy || equals[1] == '\0') {
			a.exit = cli_usage(a.verb, "--pair \"%s\" is not of the form A=B", a.value);
			pair_count++;
			continue;
		}
		*equals = '\0';
		pairs[pair_count++] = (struct evl_rec_pair){copy, equals + 1};
	}
	status = a.exit;
	if (status < 0 && range_ms > 0 && !aligned) {
		status = cli_usage(a.verb, "--range is for --align");
	}
	if (status >= 0) {
		goto out;
	}
	for (int i = 0; i < 2; i++) {
		if (evl_rec_open(&r[i], a.operands[i], &err) != EVL_OK) {
			status = cli_error(&err);
			goto out;
		}
	}
	if (aligned) {
		status = align(r, pairs, pair_count, range_ms, json);
		goto out;
	}
	context.list = json ? json_array() : NULL;
	if (evl_rec_diff(r[0], r[1], pairs, pair_count, on_difference, &context, &sum, &err) !=
		EVL_OK) {
		json_decref(context.list);
		status = cli_error(&err);
		goto out;
	}
	if (json) {
		cli_json_print(json_pack("{s:b, s:I, s:I, s:I, s:I, s:I, s:o}", "equal",
			context.equal, "pairs", (json_int_t)sum.pairs, "equal_pairs",
			(json_int_t)sum.equal, "crossed", (json_int_t)sum.crossed, "compared_bits",
			(json_int_t)sum.compared_bits, "different_bits",
			(json_int_t)sum.different_bits, "channels", context.list));
	} else {
		cli_out("%s compared, %" PRIu32 " equal, %" PRIu32 " crossed; %s of %s differ\n",
			cli_number_of(sum.pairs, "pair").s, sum.equal, sum.crossed,
			cli_count(sum.different_bits).s, cli_number_of(sum.compared_bits, "bit").s);
	}
	status = context.equal ? CLI_GOOD : CLI_NO;
out:
	evl_rec_close(r[0]);
	evl_rec_close(r[1]);
	for (uint32_t i = 0; i < pair_count; i++) {
		free(copies[i]);
	}
	free(copies);
	free(pairs);
	return status;
}

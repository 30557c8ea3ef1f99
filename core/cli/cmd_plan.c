/* SPDX-License-Identifier: Apache-2.0 */
/* How long must it run? Before a test is made; the arithmetic is in core/measure. */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/rate.h"
#include "core/bench/limits_file.h"
#include "core/cli/cli.h"
#include "core/measure/performance.h"
#include "core/measure/plan.h"

static const char help[] =
	"usage: evenlode plan --ratio LIMIT --rate RATE [OPTIONS]\n"
	"       evenlode plan --limits FILE --path PATH --allocation SHARE --seconds N [--json]\n"
	"\n"
	"The first form: how long a test must run to prove an error ratio below a limit, and the\n"
	"chance that channels of a given true ratio pass it. The second form: the limits S1 and "
	"S2\n"
	"for bringing a path into service, from a file of objectives.\n"
	"\n"
	"  --ratio LIMIT        limit of the error ratio, such as 1e-9\n"
	"  --rate RATE          E1, T1, STM-1, or a number of bits per second\n"
	"  --confidence C       between 0 and 1; 0.95 when not given\n"
	"  --channels N         channels that must all pass, at the same time; 1 when not given\n"
	"  --together           the confidence is for all channels together, not for each\n"
	"  --errors N           errors allowed on a channel; 0 to 5 when not given\n"
	"  --true-ratio R       of the unit, for the chance of passing; LIMIT / 10 when not given\n"
	"  --at-most N          seconds after which a test that stops early gives up\n"
	"  --limits FILE        objectives (YAML), such as campaigns/limits-m2100.yaml\n"
	"  --path PATH          E1, VC-12 ...: a row of that file\n"
	"  --allocation SHARE   part of the objective that this path may use, such as 0.01\n"
	"  --seconds N          length of the test\n"
	"  --json               machine-readable\n"
	"  --help               this text\n"
	"\n"
	"Exit status: 0 done, 3 error, 64 usage\n";

enum {
	OPT_RATIO,
	OPT_RATE,
	OPT_CONFIDENCE,
	OPT_CHANNELS,
	OPT_TOGETHER,
	OPT_ERRORS,
	OPT_TRUE,
	OPT_MOST,
	OPT_LIMITS,
	OPT_PATH,
	OPT_ALLOCATION,
	OPT_SECONDS,
	OPT_JSON,
	OPT_COUNT
};
static const struct cli_option options[] = {[OPT_RATIO] = {"ratio", true},
	[OPT_RATE] = {"rate", true},
	[OPT_CONFIDENCE] = {"confidence", true},
	[OPT_CHANNELS] = {"channels", true},
	[OPT_TOGETHER] = {"together", false},
	[OPT_ERRORS] = {"errors", true},
	[OPT_TRUE] = {"true-ratio", true},
	[OPT_MOST] = {"at-most", true},
	[OPT_LIMITS] = {"limits", true},
	[OPT_PATH] = {"path", true},
	[OPT_ALLOCATION] = {"allocation", true},
	[OPT_SECONDS] = {"seconds", true},
	[OPT_JSON] = {"json", false},
	{NULL, false}};

#define ROWS_MAX 6 /* 0 to 5 errors allowed */

struct question {
	struct evl_plan_request q;
	const char *rate;
	uint64_t first_errors, rows;
	double most_seconds; /* 0: not given */
};

static bool parse_number(double *out, const char *text)
{
	char *end;
	if (text[0] == '\0' || text[strspn(text, "0123456789.eE+-")] != '\0') {
		return false;
	}
	errno = 0;
	*out = strtod(text, &end);
	return *end == '\0' && isfinite(*out);
}

static struct cli_word seconds_word(double s)
{
	return cli_duration(s < 1e10 ? (uint64_t)(s * 1e9) : UINT64_MAX);
}

static void print_fixed(const struct question *x, const struct evl_plan_fixed *rows)
{
	cli_out("A test of fixed length: passes when no channel has more errors than allowed.\n");
	cli_out("  %6s  %24s  %16s  %12s  %12s\n", "errors", "bits per channel", "time",
		"one passes", "all pass");
	for (uint64_t i = 0; i < x->rows; i++) {
		const struct evl_plan_fixed *f = &rows[i];
		cli_out("  %6llu  %24s  %16s  %12.4g  %12.4g\n",
			(unsigned long long)f->allowed_errors, cli_count(f->bits).s,
			seconds_word(f->seconds).s, f->power, f->power_of_all);
	}
}

static void print_plain(const struct question *x, const struct evl_plan_fixed *rows,
	const struct evl_plan_early *early)
{
	const struct evl_plan_request *q = &x->q;
	cli_out("claim    error ratio below %g with %.8g %% confidence%s\n", q->limit,
		q->confidence * 100,
		q->channels == 1 ? ""
		: q->all_at_once ? " for all channels together"
				 : " for each channel");
	cli_out("rate     %s, %s bit/s, %u channel%s at the same time\n", x->rate,
		cli_count(q->bits_per_second).s, q->channels, q->channels == 1 ? "" : "s");
	cli_out("chances  of channels whose true error ratio is %g\n\n", q->true_ratio);
	print_fixed(x, rows);
	cli_out("\nA test that stops as soon as each channel is proved either way, after %s at the "
		"latest:\n",
		seconds_word(x->most_seconds).s);
	cli_out("  error-free channels pass after %s\n", seconds_word(early->clean_seconds).s);
	cli_out("  one channel: passes %.4g, fails %.4g, open at the end %.4g; decided after %s on "
		"average\n",
		early->one.pass, early->one.fail, early->one.open,
		seconds_word(early->mean_seconds).s);
	cli_out("  all pass: %.4g\n", early->power_of_all);
}

static json_t *to_json(const struct question *x, const struct evl_plan_fixed *rows,
	const struct evl_plan_early *early)
{
	const struct evl_plan_request *q = &x->q;
	json_t *list = json_array();
	for (uint64_t i = 0; i < x->rows; i++) {
		const struct evl_plan_fixed *f = &rows[i];
		json_array_append_new(
			list, json_pack("{s:I, s:f, s:I, s:f, s:f, s:f}", "allowed_errors",
				      (json_int_t)f->allowed_errors, "mean_at_limit", f->mean,
				      "bits", (json_int_t)f->bits, "seconds", f->seconds,
				      "one_passes", f->power, "all_pass", f->power_of_all));
	}
	json_t *stops = json_pack("{s:f, s:f, s:f, s:f, s:f, s:f, s:f}", "most_seconds",
		x->most_seconds, "clean_seconds", early->clean_seconds, "mean_seconds",
		early->mean_seconds, "passes", early->one.pass, "fails", early->one.fail, "open",
		early->one.open, "all_pass", early->power_of_all);
	return json_pack("{s:f, s:f, s:f, s:o, s:I, s:I, s:b, s:f, s:o, s:o}", "limit", q->limit,
		"confidence", q->confidence, "channel_confidence", evl_plan_channel_confidence(q),
		"rate", cli_json_text(x->rate), "bits_per_second", (json_int_t)q->bits_per_second,
		"channels", (json_int_t)q->channels, "together", q->all_at_once, "true_ratio",
		q->true_ratio, "fixed", list, "early", stops);
}

static int answer(struct question *x, bool json)
{
	struct evl_plan_fixed rows[ROWS_MAX];
	struct evl_plan_early early;
	struct evl_err err = {0};
	for (uint64_t i = 0; i < x->rows; i++) {
		if (evl_plan_fixed(&rows[i], &x->q, x->first_errors + i, &err) < 0) {
			return cli_error(&err);
		}
	}
	if (x->most_seconds == 0) {
		/* Three times what error-free channels need, as they still may have errors. */
		struct evl_sequential s;
		double confidence = evl_plan_channel_confidence(&x->q);
		if (evl_sequential_init(&s, x->q.limit, confidence, &err) < 0) {
			return cli_error(&err);
		}
		x->most_seconds =
			3 * (double)evl_sequential_clean_bits(&s) / (double)x->q.bits_per_second;
	}
	if (evl_plan_early(&early, &x->q, x->most_seconds, &err) < 0) {
		return cli_error(&err);
	}
	if (json) {
		cli_json_print(to_json(x, rows, &early));
	} else {
		print_plain(x, rows, &early);
	}
	return CLI_GOOD;
}

static int plan_ratio(const struct cli_args *a, const char *const *value, bool json)
{
	struct question x = {.q = {.confidence = 0.95, .channels = 1},
		.rate = value[OPT_RATE],
		.rows = ROWS_MAX};
	uint64_t n;
	if (value[OPT_RATIO] == NULL || value[OPT_RATE] == NULL) {
		return cli_usage(a->verb, "--ratio and --rate are both needed");
	}
	const struct {
		int option;
		double *out;
	} numbers[] = {{OPT_RATIO, &x.q.limit}, {OPT_CONFIDENCE, &x.q.confidence},
		{OPT_TRUE, &x.q.true_ratio}};
	for (size_t i = 0; i < 3; i++) {
		const char *text = value[numbers[i].option];
		if (text != NULL && !parse_number(numbers[i].out, text)) {
			return cli_usage(a->verb, "--%s %s is not a number",
				options[numbers[i].option].name, text);
		}
	}
	if (value[OPT_TRUE] == NULL) {
		x.q.true_ratio = x.q.limit / 10;
	}
	enum evl_rate rate = evl_rate_by_name(x.rate);
	if (rate != EVL_RATE_NONE) {
		x.q.bits_per_second = (uint64_t)evl_rate_frame_bits(rate) * EVL_FRAMES_PER_S;
	} else if (!cli_parse_u64(&x.q.bits_per_second, x.rate) ||
		   x.q.bits_per_second > UINT64_C(1000000000000)) {
		return cli_usage(a->verb,
			"--rate %s is neither E1, T1, STM-1 nor a number of bits per "
			"second",
			x.rate);
	}
	if (value[OPT_CHANNELS] != NULL) {
		if (!cli_parse_u64(&n, value[OPT_CHANNELS]) || n == 0 || n > 1000000) {
			return cli_usage(a->verb, "--channels %s is not a number from 1 to 1000000",
				value[OPT_CHANNELS]);
		}
		x.q.channels = (uint32_t)n;
	}
	if (value[OPT_ERRORS] != NULL) {
		if (!cli_parse_u64(&x.first_errors, value[OPT_ERRORS]) ||
			x.first_errors > 1000000) {
			return cli_usage(a->verb, "--errors %s is not a number from 0 to 1000000",
				value[OPT_ERRORS]);
		}
		x.rows = 1;
	}
	if (value[OPT_MOST] != NULL &&
		(!parse_number(&x.most_seconds, value[OPT_MOST]) || x.most_seconds <= 0)) {
		return cli_usage(
			a->verb, "--at-most %s is not a number of seconds", value[OPT_MOST]);
	}
	x.q.all_at_once = value[OPT_TOGETHER] != NULL;
	return answer(&x, json);
}

static json_t *limits_json(const struct evl_limits_row *row, const struct evl_bis_limits *l)
{
	return json_pack("{s:s, s:f, s:f, s:f, s:f, s:f, s:f}", "event",
		evl_bis_event_name(row->event), "objective", row->objective, "apo", l->apo, "bispo",
		l->bispo, "d", l->d, "s1", l->s1, "s2", l->s2);
}

static int plan_limits(const struct cli_args *a, const char *const *value, bool json)
{
	static struct evl_limits_table t;
	struct evl_err err = {0};
	double allocation;
	uint64_t seconds;
	if (value[OPT_PATH] == NULL || value[OPT_ALLOCATION] == NULL ||
		value[OPT_SECONDS] == NULL) {
		return cli_usage(a->verb, "--limits needs --path, --allocation and --seconds");
	}
	if (!parse_number(&allocation, value[OPT_ALLOCATION])) {
		return cli_usage(a->verb, "--allocation %s is not a number", value[OPT_ALLOCATION]);
	}
	if (!cli_parse_u64(&seconds, value[OPT_SECONDS]) || seconds == 0) {
		return cli_usage(
			a->verb, "--seconds %s is not a number of seconds", value[OPT_SECONDS]);
	}
	if (evl_limits_load(&t, value[OPT_LIMITS], &err) < 0) {
		return cli_error(&err);
	}
	const struct evl_performance_path *path = evl_performance_path(value[OPT_PATH]);
	const struct evl_limits_row *rows[EVL_BIS_EVENTS];
	struct evl_bis_limits l[EVL_BIS_EVENTS];
	int n = 0;
	for (int e = 0; e < EVL_BIS_EVENTS; e++) {
		rows[n] = evl_limits_find(&t, value[OPT_PATH], (enum evl_bis_event)e);
		/* BBE are counted in blocks; of a path that is not known nobody can say how many.
		 */
		if (rows[n] == NULL || (e == EVL_BIS_BBE && path == NULL)) {
			continue;
		}
		double exposure =
			(double)seconds * (e == EVL_BIS_BBE ? path->blocks_per_second : 1);
		if (evl_bis_limits(&l[n], rows[n]->objective, allocation, exposure, t.ageing_factor,
			    t.width, &err) < 0) {
			return cli_error(&err);
		}
		n++;
	}
	if (n == 0) {
		evl_err_set(&err, EVL_E_NOTFOUND, "%s: no row for path %s", value[OPT_LIMITS],
			value[OPT_PATH]);
		return cli_error(&err);
	}
	json_t *list = json_array();
	if (!json) {
		cli_out("limits   %s: %s\n", t.name, t.source);
		cli_out("path     %s, allocation %g, %s\n\n", value[OPT_PATH], allocation,
			seconds_word((double)seconds).s);
		cli_out("%-5s %10s %12s %12s %10s %12s %12s\n", "event", "objective", "APO",
			"BISPO", "D", "S1", "S2");
	}
	for (int i = 0; i < n; i++) {
		json_array_append_new(list, limits_json(rows[i], &l[i]));
		if (!json) {
			cli_out("%-5s %10g %12.2f %12.2f %10.2f %12.2f %12.2f%s\n",
				evl_bis_event_name(rows[i]->event), rows[i]->objective, l[i].apo,
				l[i].bispo, l[i].d, l[i].s1, l[i].s2,
				l[i].s1 < 0 ? "  too short to accept" : "");
		}
	}
	if (json) {
		cli_json_print(json_pack("{s:o, s:o, s:f, s:I, s:o}", "limits",
			cli_json_text(t.name), "path", cli_json_text(value[OPT_PATH]), "allocation",
			allocation, "seconds", (json_int_t)seconds, "rows", list));
	} else {
		json_decref(list);
		cli_out("\nAccept at S1 or below, reject above S2, else test longer.\n");
	}
	return CLI_GOOD;
}

static int plan(int argc, char **argv)
{
	struct cli_args a = {
		.verb = &cli_verb_plan, .options = options, .argc = argc, .argv = argv};
	const char *value[OPT_COUNT] = {NULL};
	while (cli_next(&a)) {
		value[a.index] = a.value != NULL ? a.value : "";
	}
	if (a.exit >= 0) {
		return a.exit;
	}
	bool limits = value[OPT_LIMITS] != NULL;
	for (int i = 0; i < OPT_JSON; i++) {
		if (value[i] != NULL && (i >= OPT_LIMITS) != limits) {
			return cli_usage(a.verb, "--%s does not go with %s", options[i].name,
				limits ? "--limits" : "a plan without --limits");
		}
	}
	return limits ? plan_limits(&a, value, value[OPT_JSON] != NULL)
		      : plan_ratio(&a, value, value[OPT_JSON] != NULL);
}

const struct cli_verb cli_verb_plan = {"plan", "how long must a test run?", help, plan};

/* SPDX-License-Identifier: Apache-2.0 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/text.h"
#include "core/cli/cli.h"
#include "core/night/timetable.h"
#include "core/script/runner.h"

static const char help[] =
	"usage: evenlode fit CAMPAIGN --bench BENCH [OPTIONS]\n"
	"\n"
	"Tells whether the bench can run the campaign: the channels of each role, what is "
	"missing,\n"
	"which cases run at once, and how long the campaign says that it takes. Opens the "
	"adapters\n"
	"but moves no bit.\n"
	"\n"
	"  --bench FILE         the bench file (YAML)\n"
	"  --build LABEL        build of the unit under test, for adapters that need one\n"
	"  --adapter-path DIRS  folders with adapters, with a colon between; looked at first\n"
	"  --json               machine-readable\n"
	"  --help               this text\n"
	"\n"
	"Exit status: 0 it fits, 1 it does not fit, 3 error, 64 usage\n";

enum { OPT_BENCH, OPT_BUILD, OPT_PATH, OPT_JSON };
static const struct cli_option options[] = {[OPT_BENCH] = {"bench", true},
	[OPT_BUILD] = {"build", true},
	[OPT_PATH] = {"adapter-path", true},
	[OPT_JSON] = {"json", false},
	{NULL, false}};

/* No order of these cases can end earlier; 0: not known. `best_ns`: the best that was found. */
static uint64_t bound_of(const struct evl_runner_fit *f, uint64_t *best_ns)
{
	struct evl_timetable_test *tests = evl_xcalloc(f->case_count, sizeof *tests);
	struct evl_timetable t = {0};
	struct evl_timetable_args args = {.tests = tests,
		.test_count = f->case_count,
		.resource_count = f->binding->channel_count};
	struct evl_err err = {0};
	for (size_t i = 0; i < f->case_count; i++) {
		const struct evl_runner_fit_case *c = &f->cases[i];
		tests[i] = (struct evl_timetable_test){.duration_ns = c->end_ns - c->start_ns,
			.needs = c->channels,
			.need_count = c->channel_count,
			.after = c->after,
			.after_count = c->after_count};
	}
	bool made = evl_timetable_make(&t, &args, &err) == EVL_OK;
	uint64_t bound_ns = made ? t.bound_ns : 0;
	*best_ns = made ? t.end_ns : 0;
	evl_timetable_finish(&t);
	free(tests);
	return bound_ns;
}

/* Which cases run at once. */
static void print_times(const struct evl_runner_fit *f)
{
	if (f->at_once_ns == f->one_at_a_time_ns) {
		return;
	}
	uint64_t best_ns, bound_ns = bound_of(f, &best_ns);
	cli_out("\ntimetable, by estimates (limits where none is stated):\n");
	for (size_t i = 0; i < f->case_count; i++) {
		const struct evl_runner_fit_case *c = &f->cases[i];
		cli_out("    %10s to %10s  %s\n", cli_duration(c->start_ns).s,
			cli_duration(c->end_ns).s, c->name);
	}
	cli_out("bench time at once %s, one case at a time %s", cli_duration(f->at_once_ns).s,
		cli_duration(f->one_at_a_time_ns).s);
	if (bound_ns > 0) {
		cli_out(", at least %s in any order", cli_duration(bound_ns).s);
	}
	if (bound_ns > 0 && best_ns < f->at_once_ns) {
		cli_out("; another order of the file needs %s", cli_duration(best_ns).s);
	}
	cli_out("\n");
}

static void print_plain(const struct evl_runner_fit *f)
{
	cli_out("campaign  %s: %s\n", f->campaign_name, f->campaign_title);
	cli_out("bench     %s, %s time\n\n", f->bench_name, f->is_virtual ? "virtual" : "real");
	for (size_t i = 0; i < f->fit.role_count; i++) {
		const struct evl_fit_role *r = &f->fit.roles[i];
		struct evl_text able = {0};
		evl_abilities_print(&able, r->abilities);
		cli_out("role %s: %s; %s\n", r->role, r->note, evl_text_str(&able));
		evl_text_finish(&able);
		if (r->adapter[0] != '\0') {
			cli_out("    adapter %s (%s)\n", r->adapter, r->driver);
		}
		const struct evl_bound_role *bound =
			f->binding != NULL ? evl_binding_role(f->binding, r->role) : NULL;
		for (size_t k = 0; bound != NULL && k < bound->channel_count; k++) {
			cli_out("    %-20s %s\n", bound->channels[k].label,
				bound->channels[k].name);
		}
	}
	for (size_t i = 0; i < f->fit.unused_count; i++) {
		cli_out("role %s of the bench is not used\n", f->fit.unused[i]);
	}
	cli_out("\n");
	for (size_t i = 0; i < f->case_count; i++) {
		const struct evl_runner_fit_case *c = &f->cases[i];
		cli_out("case %s: %s\n", c->name, c->title);
		cli_out("    estimate %s, limit %s\n",
			c->estimate_ns != 0 ? cli_duration(c->estimate_ns).s : "not stated",
			cli_duration(c->time_limit_ns).s);
		if (c->uses[0] != '\0') {
			cli_out("    uses %s\n", c->uses);
		}
	}
	if (f->binding != NULL) {
		print_times(f);
	}
	cli_out("\nestimated bench time: %s\n",
		f->estimate_ns != 0 ? cli_duration(f->estimate_ns).s : "not stated");
	for (size_t i = 0; i < f->fit.problem_count; i++) {
		cli_out("%s\n", f->fit.problems[i].text);
	}
	cli_out("%s\n", f->fit.fits ? "The bench can run the campaign."
				    : "The bench cannot run the campaign.");
}

static json_t *channels_json(const struct evl_runner_fit *f, const char *role)
{
	json_t *list = json_array();
	const struct evl_bound_role *bound =
		f->binding != NULL ? evl_binding_role(f->binding, role) : NULL;
	for (size_t k = 0; bound != NULL && k < bound->channel_count; k++) {
		const struct evl_bound_channel *c = &bound->channels[k];
		json_array_append_new(list,
			json_pack("{s:o, s:o, s:I}", "label", cli_json_text(c->label), "channel",
				cli_json_text(c->name), "number", (json_int_t)c->number));
	}
	return list;
}

static json_t *time_json(const struct evl_runner_fit *f, uint64_t ns)
{
	return f->binding != NULL ? json_integer((json_int_t)ns) : json_null();
}

static json_t *to_json(const struct evl_runner_fit *f)
{
	json_t *roles = json_array(), *cases = json_array(), *problems = json_array();
	json_t *unused = json_array();

	for (size_t i = 0; i < f->fit.role_count; i++) {
		const struct evl_fit_role *r = &f->fit.roles[i];
		json_array_append_new(roles,
			json_pack("{s:o, s:b, s:o, s:o, s:s, s:I, s:I, s:o, s:o}", "role",
				cli_json_text(r->role), "fits", r->fits, "adapter",
				cli_json_text(r->adapter), "driver", cli_json_text(r->driver),
				"rate", evl_rate_name(r->rate), "wanted", (json_int_t)r->wanted,
				"found", (json_int_t)r->found, "note", cli_json_text(r->note),
				"channels", channels_json(f, r->role)));
	}
	for (size_t i = 0; i < f->case_count; i++) {
		const struct evl_runner_fit_case *c = &f->cases[i];
		json_array_append_new(cases,
			json_pack("{s:o, s:o, s:o, s:I, s:o, s:o, s:o}", "name",
				cli_json_text(c->name), "title", cli_json_text(c->title),
				"estimate_ns",
				c->estimate_ns != 0 ? json_integer((json_int_t)c->estimate_ns)
						    : json_null(),
				"time_limit_ns", (json_int_t)c->time_limit_ns, "uses",
				c->uses[0] != '\0' ? cli_json_text(c->uses) : json_null(),
				"start_ns", time_json(f, c->start_ns), "end_ns",
				time_json(f, c->end_ns)));
	}
	for (size_t i = 0; i < f->fit.problem_count; i++) {
		json_array_append_new(problems, cli_json_text(f->fit.problems[i].text));
	}
	for (size_t i = 0; i < f->fit.unused_count; i++) {
		json_array_append_new(unused, cli_json_text(f->fit.unused[i]));
	}
	uint64_t best_ns = 0, bound_ns = f->binding != NULL ? bound_of(f, &best_ns) : 0;
	return json_pack("{s:b, s:o, s:o, s:o, s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}",
		"fits", f->fit.fits, "campaign", cli_json_text(f->campaign_name), "title",
		cli_json_text(f->campaign_title), "bench", cli_json_text(f->bench_name), "clock",
		f->is_virtual ? "virtual" : "real", "roles", roles, "cases", cases, "problems",
		problems, "unused_roles", unused, "estimate_ns",
		f->estimate_ns != 0 ? json_integer((json_int_t)f->estimate_ns) : json_null(),
		"at_once_ns", time_json(f, f->at_once_ns), "one_at_a_time_ns",
		time_json(f, f->one_at_a_time_ns), "bound_ns", time_json(f, bound_ns));
}

static int fit(int argc, char **argv)
{
	struct evl_run_args args = {.build = ""};
	struct cli_args a = {.verb = &cli_verb_fit,
		.options = options,
		.argc = argc,
		.argv = argv,
		.operands_min = 1,
		.operands_max = 1};
	struct evl_runner_fit result = {0};
	struct evl_err err = {0};
	struct cli_places places;
	const char *path = NULL;
	bool json = false;

	while (cli_next(&a)) {
		switch (a.index) {
		case OPT_BENCH:
			args.bench = a.value;
			break;
		case OPT_BUILD:
			args.build = a.value;
			break;
		case OPT_PATH:
			path = a.value;
			break;
		case OPT_JSON:
			json = true;
			break;
		}
	}
	if (a.exit >= 0) {
		return a.exit;
	}
	if (args.bench == NULL) {
		return cli_usage(a.verb, "--bench is missing");
	}
	args.campaign = a.operands[0];
	cli_places_find(&places, path);
	args.adapter_dirs = (const char *const *)places.dirs;
	args.adapter_dir_count = places.count;
	int status;
	if (evl_runner_fit(&result, &args, &err) != EVL_OK) {
		status = cli_error(&err);
	} else {
		if (json) {
			cli_json_print(to_json(&result));
		} else {
			print_plain(&result);
		}
		status = result.fit.fits ? CLI_GOOD : CLI_NO;
	}
	evl_runner_fit_finish(&result);
	cli_places_finish(&places);
	return status;
}

const struct cli_verb cli_verb_fit = {"fit", "can this bench run the campaign?", help, fit};

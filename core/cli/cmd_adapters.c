/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/adapter/adapter.h"
#include "core/adapter/conform.h"
#include "core/adapter/loader.h"
#include "core/base/text.h"
#include "core/cli/cli.h"

static const char help[] =
	"usage: evenlode adapters [--adapter-path DIRS] [--json]\n"
	"       evenlode adapters --check NAME [--option PATH=VALUE]... [--build LABEL]\n"
	"                [--seed N] [--adapter-path DIRS] [--json]\n"
	"\n"
	"Lists the adapters that are found: version, driver ABI, what they can do, and why one "
	"does\n"
	"not load. With --check it drives one adapter through its contract, rule by rule; random\n"
	"bits are played on every channel, so take no equipment that carries traffic.\n"
	"\n"
	"  --adapter-path DIRS  folders with adapters, with a colon between; looked at first\n"
	"  --check NAME         the conformance kit on this adapter\n"
	"  --option PATH=VALUE  an option as in the bench file, such as line=looped or\n"
	"                       builds.A.faults[0].kind=swap; may be given several times\n"
	"  --build LABEL        build of the unit under test\n"
	"  --seed N             seed of all that is random; 1 when not given\n"
	"  --json               machine-readable\n"
	"  --help               this text\n"
	"\n"
	"Adapters are looked for in the folders of --adapter-path, of the variable\n"
	"EVENLODE_ADAPTER_PATH, then beside the program: PROGRAM/adapters,\n"
	"PROGRAM/../lib/*/evenlode/adapters, PROGRAM/../lib/evenlode/adapters.\n"
	"\n"
	"Exit status: 0 done, or the adapter keeps its contract; 1 no adapter loads, or it breaks\n"
	"the contract; 3 error; 64 usage\n";

enum { OPT_PATH, OPT_CHECK, OPT_OPTION, OPT_BUILD, OPT_SEED, OPT_JSON };
static const struct cli_option options[] = {[OPT_PATH] = {"adapter-path", true},
	[OPT_CHECK] = {"check", true},
	[OPT_OPTION] = {"option", CLI_MANY},
	[OPT_BUILD] = {"build", true},
	[OPT_SEED] = {"seed", true},
	[OPT_JSON] = {"json", false},
	{NULL, false}};

static const struct {
	uint32_t bit;
	const char *word;
} capabilities[] = {{EVL_CAP_VIRTUAL_TIME, "virtual-time"},
	{EVL_CAP_HW_TIMESTAMPS, "hardware-time-stamps"}, {EVL_CAP_SIMULATED, "simulated"}};

static void print_plain(const struct evl_listing *listing)
{
	cli_out("driver ABI of this program: %d.%d\n", EVL_ABI_MAJOR, EVL_ABI_MINOR);
	for (size_t i = 0; i < listing->count; i++) {
		const struct evl_listed *l = &listing->items[i];
		cli_out("\n%s", l->name);
		if (l->problem[0] != '\0') {
			cli_out(": does not load: %s\n", l->problem);
		} else {
			cli_out(" %s (ABI %" PRIu32 ".%" PRIu32 "): %s\n", l->version, l->abi_major,
				l->abi_minor, l->description);
			cli_out("    can do:");
			for (size_t k = 0; k < sizeof(capabilities) / sizeof(capabilities[0]);
				k++) {
				if (l->capabilities & capabilities[k].bit) {
					cli_out(" %s", capabilities[k].word);
				}
			}
			cli_out("\n");
		}
		cli_out("    %s\n", l->path);
		if (l->shadowed_by[0] != '\0') {
			cli_out("    not used: %s comes first\n", l->shadowed_by);
		}
	}
}

static json_t *to_json(const struct evl_listing *listing, const struct cli_places *places)
{
	json_t *adapters = json_array(), *folders = json_array();

	for (size_t i = 0; i < listing->count; i++) {
		const struct evl_listed *l = &listing->items[i];
		bool loads = l->problem[0] == '\0';
		json_t *able = json_array();
		for (size_t k = 0; k < sizeof(capabilities) / sizeof(capabilities[0]); k++) {
			if (l->capabilities & capabilities[k].bit) {
				json_array_append_new(able, json_string(capabilities[k].word));
			}
		}
		json_array_append_new(adapters,
			json_pack("{s:o, s:o, s:b, s:o, s:o, s:o, s:o, s:o, s:o}", "name",
				cli_json_text(l->name), "path", cli_json_text(l->path), "loads",
				loads, "problem", cli_json_text(loads ? NULL : l->problem),
				"version", cli_json_text(loads ? l->version : NULL), "description",
				cli_json_text(loads ? l->description : NULL), "abi",
				loads ? json_sprintf(
						"%" PRIu32 ".%" PRIu32, l->abi_major, l->abi_minor)
				      : json_null(),
				"capabilities", able, "shadowed_by",
				cli_json_text(l->shadowed_by[0] != '\0' ? l->shadowed_by : NULL)));
	}
	for (size_t i = 0; i < places->count; i++) {
		json_array_append_new(folders, cli_json_text(places->dirs[i]));
	}
	return json_pack("{s:o, s:o, s:o}", "abi",
		json_sprintf("%d.%d", EVL_ABI_MAJOR, EVL_ABI_MINOR), "folders", folders, "adapters",
		adapters);
}

static int list(const struct cli_places *places, bool json)
{
	struct evl_listing *listing = NULL;
	struct evl_err err = {0};
	int status = CLI_NO;

	if (evl_loader_list(&listing, (const char *const *)places->dirs, places->count, &err) !=
		EVL_OK) {
		return cli_error(&err);
	}
	for (size_t i = 0; i < listing->count; i++) {
		if (listing->items[i].problem[0] == '\0') {
			status = CLI_GOOD;
		}
	}
	if (json) {
		cli_json_print(to_json(listing, places));
	} else {
		print_plain(listing);
		if (listing->count == 0) {
			cli_out("\nno adapters in:\n");
			for (size_t i = 0; i < places->count; i++) {
				cli_out("    %s\n", places->dirs[i]);
			}
		}
	}
	evl_listing_destroy(listing);
	return status;
}

static void print_conformance(const struct evl_conform_report *r, const char *name)
{
	for (size_t i = 0; i < r->count; i++) {
		const struct evl_conform_item *item = &r->items[i];
		cli_out("%-5s %s: %s\n", evl_conform_result_name(item->result), item->name,
			item->text[0] != '\0' ? item->text : item->rule);
	}
	cli_out("%s: %zu of %zu rules kept, %zu broken, %zu skipped\n", name,
		r->count - r->failed - r->skipped, r->count, r->failed, r->skipped);
}

static json_t *conformance_json(const struct evl_conform_report *r, const char *name)
{
	static const char *const words[] = {[EVL_CONFORM_PASS] = "pass",
		[EVL_CONFORM_FAIL] = "fail",
		[EVL_CONFORM_SKIP] = "skip"};
	json_t *items = json_array();
	for (size_t i = 0; i < r->count; i++) {
		const struct evl_conform_item *item = &r->items[i];
		json_array_append_new(items,
			json_pack("{s:s, s:o, s:o, s:o}", "result", words[item->result], "name",
				cli_json_text(item->name), "rule", cli_json_text(item->rule),
				"text", cli_json_text(item->text)));
	}
	return json_pack("{s:o, s:b, s:I, s:I, s:o}", "adapter", cli_json_text(name), "conforms",
		r->failed == 0, "failed", (json_int_t)r->failed, "skipped", (json_int_t)r->skipped,
		"rules", items);
}

static int check(const struct cli_places *places, const char *name,
	const struct evl_conform_args *args, bool json)
{
	struct evl_loaded *loaded = NULL;
	struct evl_err err = {0};

	if (evl_loader_load(&loaded, (const char *const *)places->dirs, places->count, name,
		    &err) != EVL_OK) {
		return cli_error(&err);
	}
	struct evl_conform_report *r = evl_conform_run(evl_loaded_adapter(loaded), name, args);
	if (json) {
		cli_json_print(conformance_json(r, name));
	} else {
		cli_out("%s\n", evl_loaded_path(loaded));
		print_conformance(r, name);
	}
	int status = r->failed == 0 ? CLI_GOOD : CLI_NO;
	evl_conform_destroy(r);
	evl_loader_unload(loaded);
	return status;
}

static int adapters(int argc, char **argv)
{
	struct cli_args a = {
		.verb = &cli_verb_adapters, .options = options, .argc = argc, .argv = argv};
	struct evl_conform_args args = {.build = "", .seed = 1};
	struct evl_bench_option *given = evl_xcalloc((unsigned long)argc, sizeof(*given));
	char **copies = evl_xcalloc((unsigned long)argc, sizeof(*copies));
	struct cli_places places = {0};
	const char *path = NULL, *name = NULL, *only_check = NULL;
	bool json = false;
	int status;

	args.options = given;
	while (cli_next(&a)) {
		switch (a.index) {
		case OPT_PATH:
			path = a.value;
			break;
		case OPT_CHECK:
			name = a.value;
			break;
		case OPT_OPTION: {
			char *copy = evl_xstrdup(a.value);
			char *equals = strchr(copy, '=');
			only_check = "--option";
			copies[args.option_count] = copy;
			if (equals == NULL || equals == copy) {
				a.exit = cli_usage(a.verb,
					"--option \"%s\" is not of the form PATH=VALUE", a.value);
				equals = copy + strlen(copy);
			} else {
				*equals++ = '\0';
			}
			given[args.option_count++] = (struct evl_bench_option){copy, equals, 0};
			break;
		}
		case OPT_BUILD:
			only_check = "--build";
			args.build = a.value;
			break;
		case OPT_SEED:
			only_check = "--seed";
			if (!cli_parse_u64(&args.seed, a.value)) {
				a.exit = cli_usage(a.verb,
					"--seed \"%s\" is no whole number from 0 to 2^64 - 1",
					a.value);
			}
			break;
		case OPT_JSON:
			json = true;
			break;
		}
	}
	status = a.exit;
	if (status < 0 && name == NULL && only_check != NULL) {
		status = cli_usage(a.verb, "%s goes with --check", only_check);
	}
	if (status < 0) {
		cli_places_find(&places, path);
		status = name != NULL ? check(&places, name, &args, json) : list(&places, json);
	}
	cli_places_finish(&places);
	for (size_t i = 0; i < args.option_count; i++) {
		free(copies[i]);
	}
	free(copies);
	free(given);
	return status;
}

const struct cli_verb cli_verb_adapters = {
	"adapters", "list the adapters that are installed; check one", help, adapters};

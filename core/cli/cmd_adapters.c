/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "core/adapter/adapter.h"
#include "core/adapter/loader.h"
#include "core/base/text.h"
#include "core/cli/cli.h"

static const char help[] =
	"usage: evenlode adapters [--adapter-path DIRS] [--json]\n"
	"\n"
	"Lists the adapters that are found: version, driver ABI, what they can do, and why one "
	"does\n"
	"not load.\n"
	"\n"
	"  --adapter-path DIRS  folders with adapters, with a colon between; looked at first\n"
	"  --json               machine-readable\n"
	"  --help               this text\n"
	"\n"
	"Adapters are looked for in the folders of --adapter-path, of the variable\n"
	"EVENLODE_ADAPTER_PATH, then beside the program: PROGRAM/adapters,\n"
	"PROGRAM/../lib/*/evenlode/adapters, PROGRAM/../lib/evenlode/adapters.\n"
	"\n"
	"Exit status: 0 done, 1 none was found that loads, 3 error, 64 usage\n";

enum { OPT_PATH, OPT_JSON };
static const struct cli_option options[] = {
	[OPT_PATH] = {"adapter-path", true}, [OPT_JSON] = {"json", false}, {NULL, false}};

static const struct {
	uint32_t bit;
	const char *word;
} capabilities[] = {{EVL_CAP_VIRTUAL_TIME, "virtual-time"},
		    {EVL_CAP_HW_TIMESTAMPS, "hardware-time-stamps"},
		    {EVL_CAP_SIMULATED, "simulated"}};

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
		json_array_append_new(
			adapters,
			json_pack(
				"{s:o, s:o, s:b, s:o, s:o, s:o, s:o, s:o, s:o}", "name",
				cli_json_text(l->name), "path", cli_json_text(l->path), "loads",
				loads, "problem", cli_json_text(loads ? NULL : l->problem),
				"version", cli_json_text(loads ? l->version : NULL), "description",
				cli_json_text(loads ? l->description : NULL), "abi",
				loads ? json_sprintf("%" PRIu32 ".%" PRIu32, l->abi_major,
						     l->abi_minor)
				      : json_null(),
				"capabilities", able, "shadowed_by",
				cli_json_text(l->shadowed_by[0] != '\0' ? l->shadowed_by : NULL)));
	}
	for (size_t i = 0; i < places->count; i++) {
		json_array_append_new(folders, cli_json_text(places->dirs[i]));
	}
	return json_pack("{s:o, s:o, s:o}", "abi",
			 json_sprintf("%d.%d", EVL_ABI_MAJOR, EVL_ABI_MINOR), "folders", folders,
			 "adapters", adapters);
}

static int adapters(int argc, char **argv)
{
	struct cli_args a = {
		.verb = &cli_verb_adapters, .options = options, .argc = argc, .argv = argv};
	struct evl_listing *listing = NULL;
	struct cli_places places = {0};
	struct evl_err err = {0};
	const char *path = NULL;
	bool json = false;
	int status = CLI_NO;

	while (cli_next(&a)) {
		switch (a.index) {
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
	cli_places_find(&places, path);
	if (evl_loader_list(&listing, (const char *const *)places.dirs, places.count, &err) !=
	    EVL_OK) {
		status = cli_error(&err);
		goto out;
	}
	for (size_t i = 0; i < listing->count; i++) {
		if (listing->items[i].problem[0] == '\0') {
			status = CLI_GOOD;
		}
	}
	if (json) {
		cli_json_print(to_json(listing, &places));
	} else {
		print_plain(listing);
		if (listing->count == 0) {
			cli_out("\nno adapters in:\n");
			for (size_t i = 0; i < places.count; i++) {
				cli_out("    %s\n", places.dirs[i]);
			}
		}
	}
out:
	evl_listing_destroy(listing);
	cli_places_finish(&places);
	return status;
}

const struct cli_verb cli_verb_adapters = {"adapters", "list the adapters that are installed", help,
					   adapters};

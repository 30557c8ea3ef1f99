/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <string.h>

#include "core/base/text.h"
#include "core/bench/bench.h"
#include "core/cli/cli.h"

static const char help[] =
	"usage: evenlode numbering --bench BENCH [--role ROLE] [--unit UNIT] [--json]\n"
	"\n"
	"Prints which place in the line each tributary number of a bench means: number, K-L-M, "
	"the\n"
	"columns that it fills, the number by either order of ITU-T G.707, the channel of the\n"
	"adapter and what reports call it. Reads the bench file only; opens no adapter.\n"
	"\n"
	"  --bench FILE         the bench file (YAML)\n"
	"  --role NAME          only this role; all that have places when not given\n"
	"  --unit UNIT          TU-12 or TU-11, where the bench leaves it to the rate of the\n"
	"                       channels; TU-12 (E1) when not given, TU-11 is for T1\n"
	"  --json               machine-readable\n"
	"  --help               this text\n"
	"\n"
	"Columns count from 1: of the VC-4's 261, or of the AU-3's 87 with its fixed stuff in 30\n"
	"and 59.\n"
	"\n"
	"SONET: OC-3 = STM-1, OC-12 = STM-4, STS-1 = AU-3, VT group = TUG-2, VT1.5 = TU-11,\n"
	"VT2 = TU-12. T1 in order of STS-1, VT group and VT1.5, 28 to an STS-1, are\n"
	"\n"
	"  numbering: {order: klm-order, unit: TU-11, route: AU-3}\n"
	"\n"
	"in the bench file; K is then the STS-1, L the VT group, M the VT1.5.\n"
	"\n"
	"Exit status: 0 printed, 1 no number has a place, 3 error, 64 usage\n";

enum { OPT_BENCH, OPT_ROLE, OPT_UNIT, OPT_JSON };
static const struct cli_option options[] = {[OPT_BENCH] = {"bench", true},
	[OPT_ROLE] = {"role", true},
	[OPT_UNIT] = {"unit", true},
	[OPT_JSON] = {"json", false},
	{NULL, false}};

static enum evl_numbering_unit unit_of(
	const struct evl_numbering *map, enum evl_numbering_unit asked)
{
	if (map->unit != EVL_NUMBERING_BY_RATE) {
		return map->unit;
	}
	return asked != EVL_NUMBERING_BY_RATE ? asked : EVL_NUMBERING_TU12;
}

/* ---- for people ---- */

static void print_row(const struct evl_bench_role *role, const struct evl_bench_channel *c,
	enum evl_numbering_unit unit)
{
	const struct evl_numbering *map = role->numbering;
	struct evl_numbering_place place;
	struct evl_text label = {0}, columns = {0};
	char text[EVL_NUMBERING_TEXT];

	evl_bench_label(&label, &place, role, c, unit);
	if (place.m == 0) {
		cli_out("%6" PRIu32 "  %-8s  %-18s  %6s  %6s  %-12s  %s\n", c->number, "-", "-",
			"-", "-", c->name, evl_text_str(&label));
	} else {
		uint16_t list[4];
		uint32_t count = evl_numbering_columns(list, map, unit, place);
		for (uint32_t x = 0; x < count; x++) {
			evl_text_addf(&columns, "%s%3u", x ? ", " : "", (unsigned)list[x]);
		}
		cli_out("%6" PRIu32 "  %-8s  %-18s  %6" PRIu32 "  %6" PRIu32 "  %-12s  %s\n",
			c->number, evl_numbering_format(map, place, text), evl_text_str(&columns),
			evl_numbering_formula(EVL_NUMBERING_COLUMN, unit, place),
			evl_numbering_formula(EVL_NUMBERING_KLM, unit, place), c->name,
			evl_text_str(&label));
	}
	evl_text_finish(&columns);
	evl_text_finish(&label);
}

static void print_role(
	const struct evl_bench *b, const struct evl_bench_role *role, enum evl_numbering_unit unit)
{
	const struct evl_numbering *map = role->numbering;
	const struct evl_bench_adapter *a = &b->adapters[role->adapter];
	bool au3 = map->route == EVL_NUMBERING_AU3;

	cli_out("\nrole %s: adapter %s (%s), %s in %s by way of %s, %s%s\n", role->name, a->name,
		a->driver, evl_numbering_unit_name(unit), evl_numbering_line_name(map),
		evl_numbering_route_name(map->route), evl_numbering_name(map->kind),
		map->unit == EVL_NUMBERING_BY_RATE ? " (unit by rate)" : "");
	if (au3) {
		cli_out("K is the number of the AU-3.\n");
	}
	cli_out("\n%6s  %-8s  %-18s  %6s  %6s  %-12s  %s\n", "number",
		map->augs > 1 ? "A-K-L-M" : "K-L-M", au3 ? "AU-3 columns" : "VC-4 columns",
		"column", "K-L-M", "channel", "label");
	cli_out("%6s  %-8s  %-18s  %6s  %6s\n", "", "", "", "order", "order");
	for (size_t i = 0; i < role->channel_count; i++) {
		print_row(role, &role->channels[i], unit);
	}
}

/* ---- for machines ---- */

static json_t *channel_json(const struct evl_bench_role *role, const struct evl_bench_channel *c,
	enum evl_numbering_unit unit)
{
	const struct evl_numbering *map = role->numbering;
	struct evl_numbering_place place;
	struct evl_text label = {0};
	json_t *o = json_object();

	evl_bench_label(&label, &place, role, c, unit);
	const struct evl_bench_ride *ride = evl_bench_ride_of(role, c);
	json_object_set_new(o, "number", json_integer((json_int_t)c->number));
	json_object_set_new(
		o, "line", ride != NULL ? cli_json_text(ride->line_channel) : json_null());
	json_object_set_new(o, "channel", cli_json_text(c->name));
	json_object_set_new(o, "label", cli_json_text(evl_text_str(&label)));
	if (place.m == 0) {
		json_object_set_new(o, "place", json_null());
	} else {
		char text[EVL_NUMBERING_TEXT];
		uint16_t list[4];
		uint32_t count = evl_numbering_columns(list, map, unit, place);
		json_t *columns = json_array();
		for (uint32_t x = 0; x < count; x++) {
			json_array_append_new(columns, json_integer(list[x]));
		}
		json_object_set_new(
			o, "place", json_string(evl_numbering_format(map, place, text)));
		json_object_set_new(o, "columns", columns);
		json_object_set_new(o, "column_order",
			json_integer(evl_numbering_formula(EVL_NUMBERING_COLUMN, unit, place)));
		json_object_set_new(o, "klm_order",
			json_integer(evl_numbering_formula(EVL_NUMBERING_KLM, unit, place)));
	}
	evl_text_finish(&label);
	return o;
}

static json_t *role_json(
	const struct evl_bench *b, const struct evl_bench_role *role, enum evl_numbering_unit unit)
{
	const struct evl_numbering *map = role->numbering;
	json_t *list = json_array();

	for (size_t i = 0; i < role->channel_count; i++) {
		json_array_append_new(list, channel_json(role, &role->channels[i], unit));
	}
	return json_pack("{s:o, s:o, s:o, s:s, s:s, s:b, s:s, s:s, s:o}", "role",
		cli_json_text(role->name), "adapter",
		cli_json_text(b->adapters[role->adapter].name), "driver",
		cli_json_text(b->adapters[role->adapter].driver), "order",
		evl_numbering_name(map->kind), "unit", evl_numbering_unit_name(unit),
		"unit_by_rate", map->unit == EVL_NUMBERING_BY_RATE, "route",
		evl_numbering_route_name(map->route), "line", evl_numbering_line_name(map),
		"channels", list);
}

/* ---- lines ---- */

static void print_lines(const struct evl_bench *b)
{
	for (size_t i = 0; i < b->role_count; i++) {
		const struct evl_bench_role *role = &b->roles[i];
		for (size_t k = 0; role->mapping[0] && k < role->channel_count; k++) {
			cli_out("line %s of %s (role %s): mapping %s\n", role->channels[k].name,
				b->adapters[role->adapter].name, role->name, role->mapping);
		}
	}
}

static json_t *lines_json(const struct evl_bench *b)
{
	json_t *list = json_array();
	for (size_t i = 0; i < b->role_count; i++) {
		const struct evl_bench_role *role = &b->roles[i];
		for (size_t k = 0; role->mapping[0] && k < role->channel_count; k++) {
			json_array_append_new(list,
				json_pack("{s:o, s:o, s:o, s:o}", "role", cli_json_text(role->name),
					"adapter", cli_json_text(b->adapters[role->adapter].name),
					"channel", cli_json_text(role->channels[k].name), "mapping",
					cli_json_text(role->mapping)));
		}
	}
	return list;
}

/* ---- the verb ---- */

static int print_all(
	const struct evl_bench *b, const char *only, enum evl_numbering_unit asked, bool json)
{
	json_t *roles = json_array();
	size_t shown = 0;

	for (size_t i = 0; i < b->role_count; i++) {
		const struct evl_bench_role *role = &b->roles[i];
		if (role->numbering == NULL || (only && strcmp(only, role->name) != 0)) {
			continue;
		}
		if (!json && shown == 0) {
			cli_out("bench %s%s%s\n", b->name, b->title[0] ? ": " : "", b->title);
			print_lines(b);
		}
		shown++;
		if (json) {
			json_array_append_new(
				roles, role_json(b, role, unit_of(role->numbering, asked)));
		} else {
			print_role(b, role, unit_of(role->numbering, asked));
		}
	}
	if (json) {
		cli_json_print(json_pack("{s:o, s:o, s:o, s:o}", "bench", cli_json_text(b->name),
			"title", cli_json_text(b->title), "lines", lines_json(b), "roles",
			json_incref(roles)));
	} else if (shown == 0) {
		cli_out("bench %s: %s%s%s\n", b->name, only ? "role " : "no role", only ? only : "",
			only ? " has no numbers with places; write numbering and numbers in the "
			       "bench file"
			     : " has numbers with places; write numbering in the bench file");
	}
	json_decref(roles);
	return shown > 0 ? CLI_GOOD : CLI_NO;
}

static int numbering(int argc, char **argv)
{
	struct cli_args a = {
		.verb = &cli_verb_numbering, .options = options, .argc = argc, .argv = argv};
	enum evl_numbering_unit unit = EVL_NUMBERING_BY_RATE;
	const char *path = NULL, *role = NULL;
	struct evl_bench *bench = NULL;
	struct evl_err err = {0};
	bool json = false;

	while (cli_next(&a)) {
		switch (a.index) {
		case OPT_BENCH:
			path = a.value;
			break;
		case OPT_ROLE:
			role = a.value;
			break;
		case OPT_UNIT:
			if (strcmp(a.value, "TU-12") == 0) {
				unit = EVL_NUMBERING_TU12;
			} else if (strcmp(a.value, "TU-11") == 0) {
				unit = EVL_NUMBERING_TU11;
			} else {
				a.exit = cli_usage(
					a.verb, "--unit \"%s\" is not TU-12 or TU-11", a.value);
			}
			break;
		case OPT_JSON:
			json = true;
			break;
		}
	}
	if (a.exit >= 0) {
		return a.exit;
	}
	if (path == NULL) {
		return cli_usage(a.verb, "--bench is missing");
	}
	if (evl_bench_load(&bench, path, &err) != EVL_OK) {
		return cli_error(&err);
	}
	int status;
	if (role != NULL && evl_bench_role(bench, role) == NULL) {
		evl_err_set(&err, EVL_E_NOTFOUND,
			"%s:%u: there is no role \"%s\"; the first one is \"%s\"", path,
			(unsigned)bench->roles_line, role, bench->roles[0].name);
		status = cli_error(&err);
	} else {
		status = print_all(bench, role, unit, json);
	}
	evl_bench_destroy(bench);
	return status;
}

const struct cli_verb cli_verb_numbering = {
	"numbering", "which place each tributary number means", help, numbering};

/* SPDX-License-Identifier: Apache-2.0 */
/* Which line a tributary rides on and as which client: places by the formulas of ITU-T G.707 7.3
 * (column order K + 3 (L-1) + 21 (M-1)); clients in the order of their columns (sdh_map.h). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "core/bench/bind.h"
#include "core/frame/sdh_map_text.h"

#define ALL  (EVL_ABLE_PLAY | EVL_ABLE_CAPTURE | EVL_ABLE_ALARMS | EVL_ABLE_INJECT)
#define HEAD "bench: b\nnumbering: column-order\nadapters: {mux: {driver: simmux}}\nroles:\n"

struct lab {
	struct evl_bench *bench;
	struct evl_bound_port ports[300];
	char names[300][16];
	size_t count;
	struct evl_binding *binding;
	struct evl_fit fit;
	struct evl_err err;
};

static void add(struct lab *l, const char *base, uint32_t n, enum evl_rate rate)
{
	for (uint32_t i = 1; i <= n; i++) {
		snprintf(l->names[l->count], sizeof l->names[0], "%s-%u", base, (unsigned)i);
		l->ports[l->count] = (struct evl_bound_port){.channel = (uint32_t)l->count,
			.name = l->names[l->count],
			.rate = rate,
			.abilities = ALL};
		l->count++;
	}
}

static enum evl_status up(struct lab *l, const char *roles, const struct evl_need *needs, size_t n)
{
	char yaml[2048];
	snprintf(yaml, sizeof yaml, HEAD "%s", roles);
	enum evl_status st = evl_bench_parse(&l->bench, "b.yaml", yaml, strlen(yaml), &l->err);
	return st < 0 ? st
		      : evl_bind(&l->binding, &l->fit, l->bench, needs, n, l->ports, l->count,
				&l->err);
}

static void down(struct lab *l)
{
	evl_binding_destroy(l->binding);
	evl_fit_finish(&l->fit);
	evl_bench_destroy(l->bench);
}

static uint32_t client_of(const struct evl_binding *b, size_t channel)
{
	uint32_t client = UINT32_MAX;
	const struct evl_bound_channel *c = &b->roles[0].channels[channel];
	const struct evl_bound_role *lines = &b->roles[1];
	for (size_t i = 0; i < lines->channel_count; i++) {
		if (lines->channels[i].channel == c->line_channel) {
			assert_true(evl_bound_client(&client, lines->channels[i].map, c));
		}
	}
	return client;
}

static void two_lines(void **state)
{
	(void)state;
	struct lab l = {0};
	const struct evl_need needs[] = {{.role = "trib", .rate = EVL_RATE_E1, .count = 126},
		{.role = "line", .rate = EVL_RATE_STM1, .count = 2}};
	add(&l, "trib", 126, EVL_RATE_E1);
	add(&l, "line", 2, EVL_RATE_STM1);
	assert_int_equal(up(&l,
				 "  trib: {adapter: mux, channels: 'trib-{1..126}',\n"
				 "    line: {1..63: line-1, 64..126: line-2}}\n"
				 "  line: {adapter: mux, channels: 'line-{1..2}'}\n",
				 needs, 2),
		EVL_OK);
	const struct evl_bound_channel *c = l.binding->roles[0].channels;
	assert_string_equal(c[16].label, "trib 17 (line-1 2-6-1)");
	assert_string_equal(c[63].label, "trib 64 (line-2 1-1-1)");
	assert_int_equal(c[63].line_number, 1);
	assert_int_equal(c[16].line_channel, 126);
	assert_int_equal(c[63].line_channel, 127);
	/* 63 E1 in column order are the clients in order. */
	assert_int_equal(client_of(l.binding, 16), 16);
	assert_int_equal(client_of(l.binding, 63), 0);
	assert_int_equal(client_of(l.binding, 125), 62);
	down(&l);
}

/* Two lines and nothing said: neither is taken. */
static void unsaid_line(void **state)
{
	(void)state;
	struct lab l = {0};
	const struct evl_need needs[] = {{.role = "trib", .rate = EVL_RATE_E1, .count = 63}};
	add(&l, "trib", 63, EVL_RATE_E1);
	add(&l, "line", 2, EVL_RATE_STM1);
	assert_int_equal(
		up(&l, "  trib: {adapter: mux, channels: 'trib-{1..63}'}\n", needs, 1), EVL_OK);
	assert_int_equal(l.binding->roles[0].channels[0].line_channel, UINT32_MAX);
	down(&l);
}

static void defaults_follow_what_is_there(void **state)
{
	(void)state;
	static const struct {
		enum evl_rate tributary, line;
		const char *numbering;
		const char *map;
	} rows[] = {
		{EVL_RATE_E1, EVL_RATE_STM1, "column-order", "AU-4/TU-12/E1"},
		{EVL_RATE_T1, EVL_RATE_STM1, "column-order", "AU-4/TU-11/T1"},
		{EVL_RATE_T1, EVL_RATE_STM1, "{order: klm-order, route: AU-3}", "AU-3/TU-11/T1"},
		{EVL_RATE_T1, EVL_RATE_STM1, "{order: klm-order, unit: TU-12}", "AU-4/TU-12/T1"},
		{EVL_RATE_E1, EVL_RATE_STM4, "{order: klm-order, line: STM-4}", "AU-4/TU-12/E1"},
		{EVL_RATE_VC3, EVL_RATE_STM1, "column-order", "AU-4/TU-3/VC-3"},
		{EVL_RATE_VC4, EVL_RATE_STM1, "column-order", "AU-4/VC-4"},
		{EVL_RATE_VC4_4C, EVL_RATE_STM4, "column-order", "AU-4-4c/VC-4-4c"},
	};
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct lab l = {0};
		char roles[512], text[EVL_SDH_MAP_TEXT];
		const struct evl_need needs[] = {{.role = "trib", .rate = rows[i].tributary},
			{.role = "line", .rate = rows[i].line}};
		add(&l, "trib", 1, rows[i].tributary);
		add(&l, "line", 1, rows[i].line);
		snprintf(roles, sizeof roles,
			"  trib: {adapter: mux, channels: [trib-1], numbers: [1]}\n"
			"  line: {adapter: mux, channels: [line-1], numbers: [1], numbering: %s}\n",
			rows[i].numbering);
		assert_int_equal(up(&l, roles, needs, 2), EVL_OK);
		const struct evl_sdh_map *map = l.binding->roles[1].channels[0].map;
		assert_int_equal(map->stm, rows[i].line == EVL_RATE_STM4 ? 4 : 1);
		assert_string_equal(evl_sdh_map_text(map, text), rows[i].map);
		assert_int_equal(client_of(l.binding, 0), 0);
		down(&l);
	}
}

/* T1 22 is 1-1-2 by column order: TU-12 number 22 of 63, client 21 in a line of TU-12, and the same
 * K-L-M in TU-11. VC-3 number 3 is the third TUG-3. */
static void places_follow_the_map(void **state)
{
	(void)state;
	struct lab l = {0};
	const struct evl_need needs[] = {{.role = "trib", .rate = EVL_RATE_T1, .count = 2},
		{.role = "line", .rate = EVL_RATE_STM1}};
	struct evl_sdh_map map;
	uint32_t client = 0;
	add(&l, "trib", 2, EVL_RATE_T1);
	add(&l, "line", 1, EVL_RATE_STM1);
	assert_int_equal(
		up(&l,
			"  trib: {adapter: mux, channels: 'trib-{1..2}', numbers: [22, 84]}\n"
			"  line: {adapter: mux, channels: [line-1], mapping: AU-3/TU-11/T1}\n",
			needs, 2),
		EVL_OK);
	const struct evl_bound_channel *c = l.binding->roles[0].channels;
	assert_int_equal(client_of(l.binding, 0), 21);
	assert_int_equal(client_of(l.binding, 1), 83);
	assert_int_equal(evl_sdh_map_parse(&map, 1, "AU-4/TU-12/T1", NULL), EVL_OK);
	assert_true(evl_bound_client(&client, &map, &c[0]));
	assert_int_equal(client, 21);
	assert_false(evl_bound_client(&client, &map, &c[1])); /* there is no TU-12 number 84 */
	const struct evl_bound_channel vc3 = {.rate = EVL_RATE_VC3, .line_number = 3};
	assert_int_equal(
		evl_sdh_map_parse(&map, 1, "AU-4/TU-12/E1, AU-4/TU-12/E1, AU-4/TU-3/VC-3", NULL),
		EVL_OK);
	struct evl_sdh_client list[EVL_SDH_MOST_CLIENTS];
	assert_int_equal(evl_sdh_map_clients(&map, list), 43);
	assert_true(evl_bound_client(&client, &map, &vc3));
	assert_int_equal(list[client].kind, EVL_SDH_VC3);
	down(&l);
}

static void refusals(void **state)
{
	(void)state;
	static const struct {
		const char *roles, *says;
	} rows[] = {
		{"  trib: {adapter: mux, channels: [trib-1]}\n"
		 "  line: {adapter: mux, channels: [line-1], mapping: AU-4/TU-12/E3}\n",
			"b.yaml:6: role \"line\": mapping: entry 1"},
		{"  trib: {adapter: mux, channels: 'trib-{1..2}', line: {1..3: line-1}}\n"
		 "  line: {adapter: mux, channels: [line-1]}\n",
			"b.yaml:5: role \"trib\": line: \"1..3\" is no range of this role's "
			"numbers"},
		{"  trib: {adapter: mux, channels: 'trib-{1..2}', line: {1..2: line-1, 2: "
		 "line-1}}\n"
		 "  line: {adapter: mux, channels: [line-1]}\n",
			"b.yaml:5: role \"trib\": line: the numbers 2 are in line 5 too"},
		{"  trib: {adapter: mux, channels: 'trib-{1..2}', line: [line-1]}\n"
		 "  line: {adapter: mux, channels: [line-1]}\n",
			"b.yaml:5: role \"trib\": write line: line-2"},
		{"  trib: {adapter: mux, channels: 'trib-{1..2}', line: line-9}\n"
		 "  line: {adapter: mux, channels: [line-1]}\n",
			"b.yaml:5: role \"trib\", channel trib-1: rides on line-9 (line 5)"},
		{"  trib: {adapter: mux, channels: 'trib-{1..2}', numbers: [1, 63]}\n"
		 "  line: {adapter: mux, channels: [line-1],\n"
		 "    mapping: 'AU-4/TU-12/E1, AU-4/TU-12/E1, AU-4/TU-3/VC-3'}\n",
			"b.yaml:5: role \"trib\", channel trib-2: E1 63 is in TU-12 3-7-3 by its"},
		{"  trib: {adapter: mux, channels: 'trib-{1..2}'}\n"
		 "  line: {adapter: mux, channels: [line-1], mapping: AU-4-4c/VC-4-4c}\n",
			"b.yaml:6: role \"line\", channel line-1: aug 1: AU-4-4c needs stm 4"},
		{"  trib: {adapter: mux, channels: 'trib-{1..2}'}\n"
		 "  line: {adapter: mux, channels: [line-1], line: line-1}\n",
			"b.yaml:6: role \"line\", channel line-1: it is a line itself"},
	};
	const struct evl_need needs[] = {
		{.role = "trib", .rate = EVL_RATE_E1}, {.role = "line", .rate = EVL_RATE_STM1}};
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct lab l = {0};
		add(&l, "trib", 63, EVL_RATE_E1);
		add(&l, "line", 1, EVL_RATE_STM1);
		assert_true(up(&l, rows[i].roles, needs, 2) < 0);
		if (strstr(l.err.text, rows[i].says) == NULL) {
			fail_msg("row %zu: %s", i, l.err.text);
		}
		down(&l);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(two_lines),
		cmocka_unit_test(unsaid_line),
		cmocka_unit_test(defaults_follow_what_is_there),
		cmocka_unit_test(places_follow_the_map),
		cmocka_unit_test(refusals),
	};
	return cmocka_run_group_tests_name("bench.ride", tests, NULL, NULL);
}

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Bench files, good and bad. The expectations are the reference docs/bench.md and the YAML 1.1
 * rules that it names; the digest of a file is compared with that of sha256sum (coreutils).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <cmocka.h>

#include "core/bench/bench.h"

#define HEAD  "bench: b\n"
#define ADAP  "adapters: {mux: {driver: simmux}}\n"
#define ROLES "roles: {line: {adapter: mux, channels: [line]}}\n"
#define ROLE  "roles:\n  trib:\n    adapter: mux\n"

static const char full[] = "bench: lab-1\n"
			   "title: A bench\n"
			   "notice: Invented scenario; all names are made up.\n"
			   "unit:\n"
			   "  description: STM-1 multiplexer\n"
			   "  type: XM-63\n"
			   "  serial: 0017\n"
			   "  owner: nobody\n"
			   "  condition: sealed\n"
			   "  received: 2026-11-20\n"
			   "laboratory: {name: Lab of nobody, address: Nowhere 1, place: Hall 2}\n"
			   "customer: {name: Nobody Ltd, contact: N. N.}\n"
			   "numbering: column-order\n"
			   "adapters:\n"
			   "  mux:\n"
			   "    driver: simmux\n"
			   "    options:\n"
			   "      faults:\n"
			   "        - kind: swap\n"
			   "          pair: [3, 5]\n"
			   "        - kind: errors\n"
			   "      builds: {B-1.2: {delay: 4}}\n"
			   "      empty: {}\n"
			   "      note: \"\"\n"
			   "  spare:\n"
			   "    driver: loopback\n"
			   "    calibration: {certificate: C-7, by: Nobody, date: 2026-01-02,\n"
			   "      due: 2027-01-02, uncertainty: 0.1 ppm, note: invented}\n"
			   "roles:\n"
			   "  trib:\n"
			   "    adapter: mux\n"
			   "    channels: trib-{1..63}\n"
			   "    numbers: 1..63\n"
			   "  line:\n"
			   "    adapter: mux\n"
			   "    channels: [line]\n"
			   "  some:\n"
			   "    adapter: spare\n"
			   "    channels: ['e1-{08..11}', x/1.a]\n"
			   "    numbers: [5..7, 30, 20]\n"
			   "    numbering: none\n"
			   "cautions:\n"
			   "  - Laser class 1M at port 7.\n";

static struct evl_bench *good(const char *text)
{
	struct evl_bench *b;
	struct evl_err err = {0};
	if (evl_bench_parse(&b, "t.yaml", text, strlen(text), &err) < 0) {
		fail_msg("%s", err.text);
	}
	return b;
}

static void test_full(void **state)
{
	(void)state;
	struct evl_bench *b = good(full);
	assert_string_equal(b->path, "t.yaml");
	assert_string_equal(b->name, "lab-1");
	assert_string_equal(b->title, "A bench");
	assert_string_equal(b->notice, "Invented scenario; all names are made up.");
	assert_string_equal(b->unit.serial, "0017");
	assert_string_equal(b->unit.owner, "nobody");
	assert_string_equal(b->laboratory.address, "Nowhere 1");
	assert_string_equal(b->laboratory.contact, "");
	assert_string_equal(b->unit.condition, "sealed");
	assert_string_equal(b->unit.received, "2026-11-20");
	assert_string_equal(b->laboratory.place, "Hall 2");
	assert_string_equal(b->customer.contact, "N. N.");
	assert_int_equal(b->numbering.kind, EVL_NUMBERING_COLUMN);
	assert_int_equal(b->caution_count, 1);
	assert_string_equal(b->cautions[0], "Laser class 1M at port 7.");
	assert_int_equal(b->source_bytes, strlen(full));
	assert_memory_equal(b->source, full, strlen(full));

	assert_int_equal(b->adapter_count, 2);
	const struct evl_bench_adapter *mux = evl_bench_adapter(b, "mux");
	assert_string_equal(mux->driver, "simmux");
	assert_int_equal(mux->line, 15);
	static const struct {
		const char *path, *value;
		uint32_t line;
	} options[] = {{"faults[0].kind", "swap", 19},  {"faults[0].pair[0]", "3", 20},
		       {"faults[0].pair[1]", "5", 20},  {"faults[1].kind", "errors", 21},
		       {"builds.B-1.2.delay", "4", 22}, {"note", "", 24}};
	assert_int_equal(mux->option_count, 6);
	for (size_t i = 0; i < 6; i++) {
		assert_string_equal(mux->options[i].path, options[i].path);
		assert_string_equal(mux->options[i].value, options[i].value);
		assert_int_equal(mux->options[i].line, options[i].line);
	}
	assert_int_equal(evl_bench_adapter(b, "spare")->option_count, 0);
	assert_null(evl_bench_adapter(b, "mu"));

	assert_int_equal(b->role_count, 3);
	assert_int_equal(b->roles_line, 29);
	const struct evl_bench_role *trib = evl_bench_role(b, "trib");
	assert_int_equal(trib->channel_count, 63);
	assert_int_equal(trib->adapter, 0);
	assert_ptr_equal(trib->numbering, &b->numbering);
	assert_string_equal(trib->channels[0].name, "trib-1");
	assert_string_equal(trib->channels[62].name, "trib-63");
	assert_int_equal(trib->channels[62].number, 63);
	assert_int_equal(trib->channels[62].line, 32);
	const struct evl_bench_role *line = evl_bench_role(b, "line");
	assert_false(line->numbered);
	assert_int_equal(line->channels[0].number, 1);
	const struct evl_bench_role *some = evl_bench_role(b, "some");
	static const char *const names[] = {"e1-08", "e1-09", "e1-10", "e1-11", "x/1.a"};
	static const uint32_t numbers[] = {5, 6, 7, 30, 20};
	assert_int_equal(some->channel_count, 5);
	assert_int_equal(some->adapter, 1);
	assert_null(some->numbering);
	for (size_t i = 0; i < 5; i++) {
		assert_string_equal(some->channels[i].name, names[i]);
		assert_int_equal(some->channels[i].number, numbers[i]);
	}
	assert_null(evl_bench_role(b, "tribs"));
	evl_bench_destroy(b);
	evl_bench_destroy(NULL);
}

static void test_table(void **state)
{
	(void)state;
	/* K-L-M order written out, as the note of G.707 7.3.13 counts. */
	char text[4096];
	size_t n = (size_t)snprintf(text, sizeof text, HEAD ADAP ROLES "numbering:\n  table:\n");
	for (int i = 1; i <= 63; i++) {
		n += (size_t)snprintf(text + n, sizeof text - n, "    %d: %d-%d-%d\n", i,
				      (i - 1) / 21 + 1, (i - 1) % 21 / 3 + 1, (i - 1) % 3 + 1);
	}
	struct evl_bench *b = good(text);
	assert_int_equal(b->numbering.kind, EVL_NUMBERING_TABLE);
	struct evl_numbering_place p;
	assert_true(evl_numbering_place(&p, &b->numbering, EVL_NUMBERING_TU12, 22));
	assert_int_equal(p.k * 100 + p.l * 10 + p.m, 211);
	evl_bench_destroy(b);

	struct evl_err err = {0};
	struct evl_bench *none;
	char *last = strstr(text, "    63: ");
	memcpy(last, "    63: 3-7-2\n", 14);
	assert_int_equal(evl_bench_parse(&none, "t.yaml", text, strlen(text), &err), EVL_E_INVALID);
	assert_string_equal(err.text, "t.yaml:68: table: place 3-7-2 of number 63 has number 62 "
				      "already (line 67); each place comes once");
	assert_null(none);
	*last = '\0';
	assert_int_equal(evl_bench_parse(&none, "t.yaml", text, strlen(text), &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "t.yaml:5: table: number 63 is missing"));
}

static void test_numbering_forms(void **state)
{
	(void)state;
	struct evl_bench *b = good(HEAD ADAP
		"numbering: {order: klm-order, unit: TU-11, route: AU-3, line: STM-4}\n"
		"roles:\n"
		"  trib: {adapter: mux, channels: 't-{1..336}'}\n"
		"  other: {adapter: mux, channels: 'o-{1..2}', numbering: column-order}\n"
		"  none: {adapter: mux, channels: 'p-{1..2}', numbering: none}\n");
	const struct evl_numbering *map = evl_bench_role(b, "trib")->numbering;
	struct evl_numbering_place p;
	assert_ptr_equal(map, &b->numbering);
	assert_int_equal(map->unit, EVL_NUMBERING_TU11);
	assert_int_equal(map->route, EVL_NUMBERING_AU3);
	assert_int_equal(map->augs, 4);
	assert_true(evl_numbering_place(&p, map, EVL_NUMBERING_TU11, 336));
	assert_int_equal(p.aug * 1000 + p.k * 100 + p.l * 10 + p.m, 4374);
	map = evl_bench_role(b, "other")->numbering;
	assert_int_equal(map->kind, EVL_NUMBERING_COLUMN);
	assert_int_equal(map->augs, 1);
	assert_null(evl_bench_role(b, "none")->numbering);
	evl_bench_destroy(b);

	/* 84 entries can only be TU-11. */
	char text[4096];
	size_t n = (size_t)snprintf(text, sizeof text, HEAD ADAP ROLES "numbering:\n  table:\n");
	for (int i = 1; i <= 84; i++) {
		n += (size_t)snprintf(text + n, sizeof text - n, "    %d: %d-%d-%d\n", i,
			(i - 1) / 28 + 1, (i - 1) % 28 / 4 + 1, (i - 1) % 4 + 1);
	}
	b = good(text);
	assert_int_equal(b->numbering.unit, EVL_NUMBERING_TU11);
	assert_true(evl_numbering_place(&p, &b->numbering, EVL_NUMBERING_TU11, 29));
	assert_int_equal(p.k * 100 + p.l * 10 + p.m, 211);
	assert_int_equal(evl_numbering_number(&b->numbering, EVL_NUMBERING_TU11, p), 29);
	assert_false(evl_numbering_place(&p, &b->numbering, EVL_NUMBERING_TU12, 29));
	evl_bench_destroy(b);
}

static void test_bad(void **state)
{
	(void)state;
	static const struct {
		const char *text;
		const char *says[3];
	} rows[] = {
		{"", {"t.yaml:1: the file is empty"}},
		{"# only a comment\n", {"t.yaml:1: the file is empty"}},
		{"- a\n", {"t.yaml:1: not a bench file"}},
		{"just words\n", {"t.yaml:1: not a bench file"}},
		{HEAD "adapters: [\n", {"t.yaml:3: not valid YAML: "}},
		{HEAD "\tadapters: 1\n", {"t.yaml:2: not valid YAML: ", "tab"}},
		{HEAD "title: @x\n", {"t.yaml:2: not valid YAML: ", "need quotes"}},
		{HEAD ADAP, {"t.yaml:1: there is no \"roles\""}},
		{HEAD ROLES, {"t.yaml:1: there is no \"adapters\""}},
		{ADAP ROLES, {"t.yaml:1: there is no \"bench\""}},
		{HEAD ADAP ROLES "titel: x\n",
		 {"t.yaml:4: unknown key \"titel\"", "did you mean \"title\"?",
		  "known keys here: bench"}},
		{HEAD ADAP ROLES "xyzzy: x\n",
		 {"t.yaml:4: unknown key \"xyzzy\"; known keys here"}},
		{HEAD ADAP ROLES "bench: c\n",
		 {"t.yaml:4: key \"bench\" comes twice, first in line 1"}},
		{HEAD ADAP ROLES "unit: {serial: 1, serial: 2}\n",
		 {"t.yaml:4: key \"serial\" comes twice"}},
		{HEAD ADAP ROLES "unit: {seriel: 1}\n",
		 {"t.yaml:4: unknown key \"seriel\" in \"unit\"", "did you mean \"serial\"?"}},
		{HEAD ADAP ROLES "unit: text\n", {"t.yaml:4: unit must be a mapping"}},
		{HEAD ADAP ROLES "unit:\n  serial: [1]\n",
		 {"t.yaml:5: serial must be a text, not a list"}},
		{HEAD ADAP ROLES "title: {a: b}\n",
		 {"t.yaml:4: title must be a text, not a mapping"}},
		{HEAD ADAP ROLES "cautions: text\n", {"t.yaml:4: cautions must be a list"}},
		{HEAD ADAP ROLES "cautions: ['']\n", {"t.yaml:4: a caution is empty"}},
		{HEAD ADAP ROLES "notice: \"a\\x07b\"\n", {"t.yaml:4: control character 0x07"}},
		{HEAD ADAP ROLES "title: \"a\\0b\"\n", {"t.yaml:4: control character 0x00"}},
		{HEAD ADAP ROLES "title: &a x\n", {"t.yaml:4: anchor &a: anchors are not allowed"}},
		{HEAD ADAP ROLES "title: *a\n", {"t.yaml:4: alias *a: aliases are not allowed"}},
		{HEAD ADAP ROLES "title: !!str x\n",
		 {"t.yaml:4: tag tag:yaml.org,2002:str: tags are not"}},
		{HEAD ADAP ROLES "[a, b]: x\n", {"t.yaml:4: a key must be a plain word"}},
		{HEAD ADAP ROLES "'': x\n", {"t.yaml:4: a key is empty"}},
		{HEAD ADAP ROLES "---\nbench: b\n", {"t.yaml:4: a second document begins"}},
		{"bench: a b\n" ADAP ROLES, {"t.yaml:1: bench \"a b\" is no name"}},
		{"bench:\n" ADAP ROLES, {"t.yaml:1: bench \"\" is no name"}},
		{"bench: a/../b\n" ADAP ROLES, {"t.yaml:1: bench \"a/../b\" is no name"}},
		{HEAD ADAP ROLES "numbering: colum-order\n",
		 {"t.yaml:4: numbering \"colum-order\" is not known"}},
		{HEAD ADAP ROLES "numbering: [1]\n", {"t.yaml:4: numbering is not known"}},
		{HEAD ADAP ROLES "numbering: {tabel: {}}\n",
		 {"t.yaml:4: unknown key \"tabel\"", "\"table\"?"}},
		{HEAD ADAP ROLES "numbering: {table: {64: 1-1-1}}\n",
		 {"\"64\" is no tributary number 1..63"}},
		{HEAD ADAP ROLES "numbering: {table: {1: 1-8-1}}\n",
		 {"\"1-8-1\" of number 1 is no place"}},
		{HEAD ADAP ROLES "numbering: {table: {1: [1]}}\n", {"of number 1 is no place"}},
		{HEAD ADAP ROLES "numbering: {table: {1: 1-1-1, 01: 1-1-2}}\n",
		 {"number 1 comes twice"}},
		{HEAD "adapters: {}\n" ROLES,
		 {"t.yaml:2: adapters must be a mapping with entries"}},
		{HEAD "adapters: {mux: simmux}\n" ROLES, {"t.yaml:2: mux must be a mapping"}},
		{HEAD "adapters: {mux: {options: {}}}\n" ROLES,
		 {"t.yaml:2: adapter \"mux\" has no driver"}},
		{HEAD "adapters: {mux: {driver: a, calibration: no}}\n" ROLES,
		 {"t.yaml:2: calibration must be a mapping"}},
		{HEAD "adapters: {mux: {driver: a, calibration: {valid: yes}}}\n" ROLES,
		 {"t.yaml:2:", "valid"}},
		{HEAD "adapters: {mux: {driver: ../evil}}\n" ROLES,
		 {"t.yaml:2: driver \"../evil\" is no name"}},
		{HEAD "adapters: {'m x': {driver: a}}\n" ROLES, {"t.yaml:2: \"m x\" is no name"}},
		{HEAD "adapters: {mux: {driverr: a}}\n" ROLES,
		 {"unknown key \"driverr\" in \"mux\"", "\"driver\"?"}},
		{HEAD "adapters: {mux: {driver: a, options: [1]}}\n" ROLES,
		 {"t.yaml:2: options must be a mapping"}},
		{HEAD "adapters: {mux: {driver: a, options: {'a[0]': 1}}}\n" ROLES,
		 {"option \"a[0]\": brackets"}},
		{HEAD "adapters:\n  mux:\n    driver: a\n    options:\n      a: {b: 1}\n      a.b: "
		      "2\n" ROLES,
		 {"t.yaml:7: option a.b comes twice, first in line 6"}},
		{HEAD ADAP "roles: []\n", {"t.yaml:3: roles must be a mapping"}},
		{HEAD ADAP "roles: {line: {channels: [line]}}\n",
		 {"t.yaml:3: role \"line\" has no adapter"}},
		{HEAD ADAP "roles: {line: {adapter: mux}}\n",
		 {"t.yaml:3: role \"line\" has no channels"}},
		{HEAD ADAP ROLE "    channels: []\n",
		 {"t.yaml:6: channels must be one range or a list"}},
		{HEAD ADAP ROLE "    channels: {a: b}\n",
		 {"t.yaml:6: channels must be one range or a list"}},
		{HEAD ADAP ROLE "    channels: [[a]]\n",
		 {"t.yaml:6: channels: an entry of the list is no text"}},
		{HEAD ADAP ROLE "    channels: [a, b, a]\n",
		 {"t.yaml:6: channel a is in this role twice"}},
		{HEAD ADAP ROLE "    channels: [a-1, 'a-{1..3}']\n",
		 {"t.yaml:6: channel a-1 is in this role twice"}},
		{HEAD ADAP ROLE "    channels: a-{3..1}\n", {"t.yaml:6: ", "runs downwards"}},
		{HEAD ADAP ROLE "    channels: a-{1-3}\n", {"a range is written {FIRST..LAST}"}},
		{HEAD ADAP ROLE "    channels: a-{1..3\n", {"a range is written {FIRST..LAST}"}},
		{HEAD ADAP ROLE "    channels: a}\n", {"a range is written {FIRST..LAST}"}},
		{HEAD ADAP ROLE "    channels: a-{1..3}-{1..2}\n", {"only one range in braces"}},
		{HEAD ADAP ROLE "    channels: a-{01..163}\n", {"same number of digits"}},
		{HEAD ADAP ROLE "    channels: a-{1..999999999}\n",
		 {"t.yaml:6: more than 4096 channels"}},
		{HEAD ADAP ROLE "    channels: a-{1..9999999999}\n",
		 {"a range is written {FIRST..LAST}"}},
		{HEAD ADAP ROLE "    channels: [a b]\n",
		 {"\"a b\": no channel can have such a name"}},
		{HEAD ADAP ROLE
		 "    channels: aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa{9..10}\n",
		 {"no channel can have such a name"}},
		{HEAD ADAP ROLE "    channels: a-{1..3}\n    numbers: 1..4\n",
		 {"t.yaml:7: role \"trib\" has 3 channels but 4 numbers"}},
		{HEAD ADAP ROLE "    channels: a-{1..3}\n    numbers: 1..99999\n",
		 {"3 channels but 99999 numbers"}},
		{HEAD ADAP ROLE "    channels: a-{1..3}\n    numbers: [1, 2, 1]\n",
		 {"t.yaml:7: numbers: 1 comes twice"}},
		{HEAD ADAP ROLE "    channels: a-{1..3}\n    numbers: 0..2\n",
		 {"t.yaml:7: ", "numbers are 1..99999"}},
		{HEAD ADAP ROLE "    channels: a-{1..3}\n    numbers: x\n",
		 {"t.yaml:7: numbers \"x\": write a number"}},
		{HEAD ADAP ROLE "    channels: a-{1..3}\n    numbers: 3..1\n", {"runs downwards"}},
		{HEAD ADAP ROLE "    channels: a\n    numbering: klm-order\n",
		 {"t.yaml:7: role \"trib\" has no numbers; write numbers:"}},
		{HEAD ADAP ROLE "    channels: a-{1..3}\n    numbering: colum-order\n",
		 {"t.yaml:7: numbering \"colum-order\" is not known", "or a mapping such as"}},
		{HEAD ADAP ROLES "numbering: {unit: TU-11}\n",
		 {"t.yaml:4: numbering: write order: column-order, order: klm-order or table:"}},
		{HEAD ADAP ROLES "numbering:\n  order: klm-order\n  table: {1: 1-1-1}\n",
		 {"t.yaml:6: numbering: write either order: or table:, not both"}},
		{HEAD ADAP ROLES "numbering: {order: klm}\n",
		 {"t.yaml:4: numbering: order \"klm\" is not known; write column-order or"}},
		{HEAD ADAP ROLES "numbering:\n  order: klm-order\n  unit: VC-12\n",
		 {"t.yaml:6: numbering: unit \"VC-12\" is not known; write TU-12 or TU-11"}},
		{HEAD ADAP ROLES "numbering:\n  order: klm-order\n  route: [AU-3]\n",
		 {"t.yaml:6: route must be a text"}},
		{HEAD ADAP ROLES "numbering:\n  order: klm-order\n  route: AU3\n",
		 {"t.yaml:6: numbering: route \"AU3\" is not known; write AU-4 or AU-3"}},
		{HEAD ADAP ROLES "numbering:\n  order: klm-order\n  line: STM-16\n",
		 {"t.yaml:6: numbering: line \"STM-16\" is not known; write STM-1 or STM-4"}},
		{HEAD ADAP ROLES "numbering: {order: klm-order, augs: 4}\n",
		 {"t.yaml:4: unknown key \"augs\""}},
		{HEAD ADAP ROLES "numbering:\n  unit: TU-11\n  table: {1: 1-1-5}\n",
		 {"t.yaml:6: table: \"1-1-5\" of number 1 is no place K-L-M; K is 1..3, L 1..7, M "
		  "1..4"}},
		{HEAD ADAP ROLES "numbering:\n  unit: TU-11\n  table: {85: 1-1-1}\n",
		 {"t.yaml:6: table: \"85\" is no tributary number 1..84 (TU-11 of an STM-1)"}},
		{HEAD ADAP ROLES "numbering:\n  line: STM-4\n  table: {1: 1-1-1}\n",
		 {"t.yaml:6: table: \"1-1-1\" of number 1 is no place A-K-L-M; A (AUG-1) is 1..4"}},
		{HEAD ADAP ROLES "numbering:\n  line: STM-4\n  table: {253: 1-1-1-1}\n",
		 {"t.yaml:6: table: \"253\" is no tributary number 1..252"}},
		{HEAD ADAP "roles: {line: {adapter: mx, channels: [line]}}\n",
		 {"t.yaml:3: role \"line\": there is no adapter \"mx\"", "did you mean \"mux\"?"}},
		{HEAD ADAP "roles: {line: {adapter: other, channels: [line]}}\n",
		 {"the first one is \"mux\""}},
	};
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct evl_bench *b = (struct evl_bench *)1;
		struct evl_err err = {0};
		enum evl_status st =
			evl_bench_parse(&b, "t.yaml", rows[i].text, strlen(rows[i].text), &err);
		if (st == EVL_OK || b != NULL) {
			fail_msg("row %zu was taken: %s", i, rows[i].text);
		}
		assert_int_equal(err.status, st);
		for (size_t k = 0; k < 3 && rows[i].says[k]; k++) {
			if (strstr(err.text, rows[i].says[k]) == NULL) {
				fail_msg("row %zu: wanted \"%s\" in: %s", i, rows[i].says[k],
					 err.text);
			}
		}
	}
}

static void test_caps(void **state)
{
	(void)state;
	struct evl_bench *b;
	struct evl_err err = {0};
	size_t n = EVL_BENCH_BYTES_MAX + 1;
	char *big = malloc(n);
	assert_non_null(big);

	memset(big, '#', n);
	assert_int_equal(evl_bench_parse(&b, "t.yaml", big, n, &err), EVL_E_LIMIT);
	/* Deep: a megabyte of opening brackets must stop at level 17, not run out of memory. */
	memset(big, '[', n);
	assert_int_equal(evl_bench_parse(&b, "t.yaml", big, n - 1, &err), EVL_E_LIMIT);
	assert_string_equal(err.text, "t.yaml:1: nested deeper than 16 levels");
	/* Many: a list of 20001 entries. */
	size_t len = 0;
	for (size_t i = 0; i <= EVL_BENCH_NODES_MAX; i++) {
		len += (size_t)snprintf(big + len, n - len, "- a\n");
	}
	assert_int_equal(evl_bench_parse(&b, "t.yaml", big, len, &err), EVL_E_LIMIT);
	assert_non_null(strstr(err.text, "t.yaml:20000: more than 20000 entries"));
	/* Binary: zeros, random bytes, UTF-16, a lone continuation byte. */
	memset(big, 0, n);
	assert_int_equal(evl_bench_parse(&b, "t.yaml", big, n - 1, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "t.yaml:1: not a text file (byte 0x00 at offset 0"));
	static const char *const binary[] = {"a: b\n\x80",
					     "\x7f"
					     "ELF\x02\xff",
					     "\xff\xfe"
					     "b",
					     "a\xc3"};
	for (size_t i = 0; i < sizeof binary / sizeof binary[0]; i++) {
		assert_int_equal(evl_bench_parse(&b, "t.yaml", binary[i], strlen(binary[i]), &err),
				 EVL_E_INVALID);
		assert_non_null(strstr(err.text, "not a text file"));
	}
	/* Channels of all roles together. */
	assert_int_equal(
		evl_bench_parse(&b, "t.yaml",
				HEAD ADAP "roles:\n  a: {adapter: mux, channels: 'a-{1..4000}'}\n"
					  "  b: {adapter: mux, channels: 'b-{1..97}'}\n",
				strlen(HEAD ADAP
				       "roles:\n  a: {adapter: mux, channels: 'a-{1..4000}'}\n"
				       "  b: {adapter: mux, channels: 'b-{1..97}'}\n"),
				&err),
		EVL_E_LIMIT);
	/* An option whose path would grow without end. */
	len = (size_t)snprintf(big, n, HEAD ROLES "adapters: {mux: {driver: a, options: {");
	memset(big + len, 'k', 300);
	len += 300;
	len += (size_t)snprintf(big + len, n - len, ": 1}}}\n");
	assert_int_equal(evl_bench_parse(&b, "t.yaml", big, len, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "path of this option is longer than 255"));
	free(big);
}

static void test_files(void **state)
{
	(void)state;
	struct evl_bench *b;
	struct evl_err err = {0};
	assert_int_equal(evl_bench_load(&b, "/no/such/file.yaml", &err), EVL_E_NOTFOUND);
	assert_non_null(strstr(err.text, "/no/such/file.yaml"));
	assert_int_equal(evl_bench_load(&b, "/tmp", &err), EVL_E_INVALID);

	char path[] = "/tmp/evl-bench-XXXXXX";
	int fd = mkstemp(path);
	assert_true(fd >= 0);
	assert_int_equal(write(fd, full, strlen(full)), (ssize_t)strlen(full));
	assert_int_equal(evl_bench_load(&b, path, &err), EVL_OK);
	/* Outside: the digest as sha256sum prints it. */
	char command[128], hex[65] = "";
	snprintf(command, sizeof command, "sha256sum %s", path);
	FILE *p = popen(command, "r");
	assert_non_null(p);
	assert_int_equal(fread(hex, 1, 64, p), 64);
	pclose(p);
	assert_string_equal(b->sha256, hex);
	evl_bench_destroy(b);
	/* 100 MB, as in the issue; sparse, so no disk is needed. */
	assert_int_equal(ftruncate(fd, 100000000), 0);
	assert_int_equal(evl_bench_load(&b, path, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "100000000 bytes"));
	assert_int_equal(ftruncate(fd, 0), 0);
	assert_int_equal(evl_bench_load(&b, path, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "the file is empty"));
	close(fd);
	unlink(path);
}

/* Every prefix of a good file, and every file with one byte gone wrong, gives an answer. */
static void test_damaged(void **state)
{
	(void)state;
	size_t n = strlen(full);
	char *copy = malloc(n);
	assert_non_null(copy);
	for (size_t i = 0; i <= n; i++) {
		struct evl_bench *b;
		struct evl_err err = {0};
		enum evl_status st = evl_bench_parse(&b, "t.yaml", full, i, &err);
		assert_true(st == EVL_OK ? b != NULL
					 : b == NULL && strncmp(err.text, "t.yaml:", 7) == 0);
		evl_bench_destroy(b);
		static const char bytes[] = {'\0', '{', ':', '\t', '\xff', '"', '\n'};
		for (size_t k = 0; k < sizeof bytes && i < n; k++) {
			memcpy(copy, full, n);
			copy[i] = bytes[k];
			st = evl_bench_parse(&b, "t.yaml", copy, n, &err);
			assert_true(st == EVL_OK
					    ? b != NULL
					    : b == NULL && strncmp(err.text, "t.yaml:", 7) == 0);
			evl_bench_destroy(b);
		}
	}
	free(copy);
}

/* The example of docs/bench.md is a bench that loads. */
static void test_reference(void **state)
{
	(void)state;
	const char *root = getenv("EVL_SOURCE_ROOT");
	assert_non_null(root);
	char path[1024];
	snprintf(path, sizeof path, "%s/docs/bench.md", root);
	FILE *f = fopen(path, "r");
	assert_non_null(f);
	char text[32768];
	size_t n = fread(text, 1, sizeof text - 1, f);
	fclose(f);
	text[n] = '\0';
	char *begin = strstr(text, "```yaml\nbench:");
	assert_non_null(begin);
	begin += 8;
	char *end = strstr(begin, "```");
	assert_non_null(end);
	*end = '\0';
	struct evl_bench *b = good(begin);
	assert_int_equal(evl_bench_role(b, "trib")->channel_count, 63);
	evl_bench_destroy(b);
}

/* So is the bench of the demo. */
static void test_demo(void **state)
{
	(void)state;
	const char *root = getenv("EVL_SOURCE_ROOT");
	assert_non_null(root);
	char path[1024];
	snprintf(path, sizeof path, "%s/campaigns/bench-simmux.yaml", root);
	struct evl_bench *b;
	struct evl_err err = {0};
	if (evl_bench_load(&b, path, &err) < 0) {
		fail_msg("%s", err.text);
	}
	assert_int_equal(evl_bench_role(b, "trib")->channel_count, 63);
	assert_non_null(strstr(b->notice, "Invented"));
	evl_bench_destroy(b);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_full),      cmocka_unit_test(test_table),
		cmocka_unit_test(test_numbering_forms),
		cmocka_unit_test(test_bad),       cmocka_unit_test(test_caps),
		cmocka_unit_test(test_files),     cmocka_unit_test(test_damaged),
		cmocka_unit_test(test_reference), cmocka_unit_test(test_demo),
	};
	return cmocka_run_group_tests_name("bench.bench", tests, NULL, NULL);
}

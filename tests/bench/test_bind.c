/* SPDX-License-Identifier: Apache-2.0 */
/* Binding: what core/bench/bind.h and docs/bench.md promise. K-L-M by ITU-T G.707 7.3. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "core/bench/bind.h"

static const char text[] = "bench: b\n"
			   "numbering: column-order\n"
			   "adapters:\n"
			   "  mux: {driver: simmux}\n"
			   "  other: {driver: loopback}\n"
			   "roles:\n"
			   "  trib:\n" /* 7 */
			   "    adapter: mux\n"
			   "    channels: trib-{1..63}\n"
			   "  line:\n" /* 10 */
			   "    adapter: mux\n"
			   "    channels: [line]\n"
			   "  few:\n" /* 13 */
			   "    adapter: mux\n"
			   "    channels: ['trib-{3..5}']\n"
			   "    numbers: [3..5]\n"
			   "  wrong:\n" /* 17 */
			   "    adapter: mux\n"
			   "    channels:\n"
			   "      - trib-64\n" /* 20 */
			   "      - trib-1\n"
			   "      - line\n"
			   "      - mute\n"
			   "  clock:\n"
			   "    adapter: other\n"
			   "    channels: [e1-1]\n"
			   "    numbers: [1]\n"
			   "    numbering: none\n"
			   "  high:\n"
			   "    adapter: mux\n"
			   "    channels: [trib-1, trib-2]\n"
			   "    numbers: [63, 64]\n"
			   "  t1:\n"
			   "    adapter: other\n"
			   "    channels: [t1-1, t1-2]\n"
			   "    numbers: [84, 85]\n"
			   "  t1-aug:\n"
			   "    adapter: other\n"
			   "    channels: [t1-1, t1-2]\n"
			   "    numbers: [84, 85]\n"
			   "    numbering: {order: klm-order, line: STM-4, route: AU-3}\n"
			   "  same-name:\n"
			   "    adapter: other\n"
			   "    channels: [line]\n";

#define ALL (EVL_ABLE_PLAY | EVL_ABLE_CAPTURE | EVL_ABLE_ALARMS | EVL_ABLE_INJECT)

struct lab {
	struct evl_bench *bench;
	struct evl_bound_port ports[69];
	char names[69][16];
	size_t count;
};

static void add(struct lab *l, uint32_t adapter, uint32_t channel, const char *name,
		enum evl_rate rate, uint32_t abilities)
{
	snprintf(l->names[l->count], sizeof l->names[0], "%s", name);
	l->ports[l->count] = (struct evl_bound_port){.adapter = adapter,
						     .channel = channel,
						     .name = l->names[l->count],
						     .rate = rate,
						     .abilities = abilities};
	l->count++;
}

static int setup(void **state)
{
	struct lab *l = calloc(1, sizeof *l);
	struct evl_err err = {0};
	if (l == NULL || evl_bench_parse(&l->bench, "lab.yaml", text, strlen(text), &err) < 0) {
		print_error("%s\n", err.text);
		return -1;
	}
	/* The line comes first, so that the index of a channel is not its number. */
	add(l, 0, 0, "line", EVL_RATE_STM1, ALL);
	for (uint32_t i = 1; i <= 63; i++) {
		char name[16];
		snprintf(name, sizeof name, "trib-%u", (unsigned)i);
		add(l, 0, i, name, EVL_RATE_E1, ALL);
	}
	add(l, 0, 64, "mute", EVL_RATE_E1, EVL_ABLE_CAPTURE);
	add(l, 1, 0, "e1-1", EVL_RATE_E1, ALL);
	add(l, 1, 1, "line", EVL_RATE_STM1, ALL);
	add(l, 1, 2, "t1-1", EVL_RATE_T1, ALL);
	add(l, 1, 3, "t1-2", EVL_RATE_T1, ALL);
	*state = l;
	return 0;
}

static int teardown(void **state)
{
	struct lab *l = *state;
	evl_bench_destroy(l->bench);
	free(l);
	return 0;
}

/* T1 channels ride in TU-11: 84 places, by the numbering of the bench or of the role. */
static void test_t1(void **state)
{
	struct lab *l = *state;
	struct evl_need needs[] = {{.role = "t1", .rate = EVL_RATE_T1, .count = 2}};
	struct evl_binding *b;
	struct evl_err err = {0};
	assert_int_equal(evl_bind(&b, NULL, l->bench, needs, 1, l->ports, l->count, &err), EVL_OK);
	const struct evl_bound_channel *c = b->roles[0].channels;
	assert_string_equal(c[0].label, "t1 84 (3-7-4)");
	assert_string_equal(c[1].label, "t1 85");
	assert_int_equal(c[0].unit, EVL_NUMBERING_TU11);
	assert_int_equal(c[0].place.m, 4);
	assert_null(c[1].numbering);
	evl_binding_destroy(b);
	needs[0].role = "t1-aug";
	assert_int_equal(evl_bind(&b, NULL, l->bench, needs, 1, l->ports, l->count, &err), EVL_OK);
	c = b->roles[0].channels;
	assert_string_equal(c[0].label, "t1-aug 84 (1-3-7-4)");
	assert_string_equal(c[1].label, "t1-aug 85 (2-1-1-1)");
	assert_int_equal(c[1].numbering->route, EVL_NUMBERING_AU3);
	evl_binding_destroy(b);
}

static void test_good(void **state)
{
	struct lab *l = *state;
	struct evl_need needs[] = {
		{.role = "line", .rate = EVL_RATE_STM1, .capture = true, .alarms = true},
		{.role = "trib", .rate = EVL_RATE_E1, .count = 63, .play = true, .capture = true},
		{.role = "clock", .play = true},
	};
	struct evl_binding *b;
	struct evl_fit fit;
	struct evl_err err = {0};
	assert_int_equal(evl_bind(&b, &fit, l->bench, needs, 3, l->ports, l->count, &err), EVL_OK);
	assert_true(fit.fits);
	assert_int_equal(fit.problem_count, 0);
	assert_int_equal(fit.role_count, 3);
	assert_string_equal(fit.roles[1].role, "trib");
	assert_string_equal(fit.roles[1].adapter, "mux");
	assert_string_equal(fit.roles[1].driver, "simmux");
	assert_int_equal(fit.roles[1].wanted, 63);
	assert_int_equal(fit.roles[1].found, 63);
	assert_int_equal(fit.roles[1].missing, 0);
	assert_int_equal(fit.roles[1].line, 7);
	assert_string_equal(fit.roles[1].note, "63 E1 channels (play, capture)");
	assert_string_equal(fit.roles[0].note, "1 STM-1 channel (capture, alarms)");
	static const char *const unused[] = {"few", "wrong", "high", "t1", "t1-aug", "same-name"};
	assert_int_equal(fit.unused_count, 6);
	for (size_t i = 0; i < 6; i++) {
		assert_string_equal(fit.unused[i], unused[i]);
	}
	assert_int_equal(b->role_count, 3);
	assert_int_equal(b->channel_count, 65);
	const struct evl_bound_role *trib = evl_binding_role(b, "trib");
	assert_ptr_equal(trib, &b->roles[1]);
	assert_int_equal(trib->rate, EVL_RATE_E1);
	const struct evl_bound_channel *c = &trib->channels[16];
	assert_int_equal(c->index, 16);
	assert_int_equal(c->number, 17);
	assert_int_equal(c->channel, 17);
	assert_int_equal(c->adapter, 0);
	/* 17 = K + 3(L-1) + 21(M-1): K 2, L 6, M 1. */
	assert_int_equal(c->place.k * 100 + c->place.l * 10 + c->place.m, 261);
	assert_string_equal(c->label, "trib 17 (2-6-1)");
	assert_string_equal(c->name, "trib-17");
	assert_string_equal(c->role, "trib");
	assert_int_equal(c->abilities, ALL);
	c = &evl_binding_role(b, "line")->channels[0];
	assert_string_equal(c->label, "line");
	assert_int_equal(c->place.m, 0);
	assert_int_equal(c->channel, 0);
	c = &evl_binding_role(b, "clock")->channels[0];
	assert_string_equal(c->label, "clock 1");
	assert_int_equal(c->place.m, 0);
	assert_int_equal(c->adapter, 1);
	assert_null(evl_binding_role(b, "few"));
	evl_binding_destroy(b);
	evl_fit_finish(&fit);
	evl_binding_destroy(NULL);
}

static void test_labels(void **state)
{
	struct lab *l = *state;
	struct evl_need need = {.role = "high", .count = 1};
	struct evl_binding *b;
	struct evl_err err = {0};
	assert_int_equal(evl_bind(&b, NULL, l->bench, &need, 1, l->ports, l->count, &err), EVL_OK);
	assert_string_equal(b->roles[0].channels[0].label, "high 63 (3-7-3)");
	/* There is no 64th place in a VC-4. */
	assert_string_equal(b->roles[0].channels[1].label, "high 64");
	evl_binding_destroy(b);
	need.role = "few";
	assert_int_equal(evl_bind(&b, NULL, l->bench, &need, 1, l->ports, l->count, &err), EVL_OK);
	assert_string_equal(b->roles[0].channels[0].label, "few 3 (3-1-1)");
	assert_int_equal(b->roles[0].channel_count, 3);
	evl_binding_destroy(b);
	/* The same name on two adapters is not the same channel. */
	struct evl_need two[] = {{.role = "line"}, {.role = "same-name"}};
	assert_int_equal(evl_bind(&b, NULL, l->bench, two, 2, l->ports, l->count, &err), EVL_OK);
	evl_binding_destroy(b);
	/* Nothing wanted, nothing wrong; asking only. */
	assert_int_equal(evl_bind(&b, NULL, l->bench, NULL, 0, l->ports, l->count, &err), EVL_OK);
	assert_int_equal(b->role_count, 0);
	evl_binding_destroy(b);
	assert_int_equal(evl_bind(NULL, NULL, l->bench, two, 2, l->ports, l->count, NULL), EVL_OK);
}

static void has(const struct evl_fit *fit, const char *role, const char *channel, uint32_t line,
		const char *says)
{
	for (size_t i = 0; i < fit->problem_count; i++) {
		const struct evl_fit_problem *p = &fit->problems[i];
		if (strcmp(p->role, role) == 0 && strcmp(p->channel, channel) == 0 &&
		    p->line == line && strstr(p->text, says)) {
			char where[32];
			snprintf(where, sizeof where, "lab.yaml:%u: ", (unsigned)line);
			assert_memory_equal(p->text, where, strlen(where));
			assert_non_null(strstr(p->text, role));
			assert_non_null(strstr(p->text, channel));
			return;
		}
	}
	for (size_t i = 0; i < fit->problem_count; i++) {
		print_error("%s\n", fit->problems[i].text);
	}
	fail_msg("no problem about %s %s line %u with \"%s\"", role, channel, (unsigned)line, says);
}

static void test_all_at_once(void **state)
{
	struct lab *l = *state;
	struct evl_need needs[] = {
		{.role = "tribs",
		 .rate = EVL_RATE_E1,
		 .count = 63,
		 .play = true,
		 .where = "c.lua:4"},
		{.role = "wrong",
		 .rate = EVL_RATE_E1,
		 .count = 6,
		 .play = true,
		 .where = "c.lua:5"},
		{.role = "line", .rate = EVL_RATE_STM1},
		{.role = "few", .count = 3},
		{.role = "few", .count = 3},
		{.role = "xyzzy"},
	};
	struct evl_binding *b = (struct evl_binding *)1;
	struct evl_fit fit;
	struct evl_err err = {0};
	assert_int_equal(evl_bind(&b, &fit, l->bench, needs, 6, l->ports, l->count, &err),
			 EVL_E_INVALID);
	assert_null(b);
	assert_false(fit.fits);
	has(&fit, "tribs", "", 6, "the campaign needs 63 E1 channels (play)");
	has(&fit, "tribs", "", 6, "did you mean \"trib\"? roles here: trib, line, few");
	has(&fit, "tribs", "", 6, "(wanted at c.lua:4)");
	has(&fit, "wrong", "trib-64", 20,
	    "adapter mux (simmux) has no such channel; it has 65, from "
	    "line to mute; did you mean \"trib-");
	has(&fit, "wrong", "line", 22, "its rate is STM-1, wanted is E1");
	has(&fit, "wrong", "mute", 23, "wants play, which it cannot do; it can do: capture");
	has(&fit, "wrong", "", 17, "has 4 of the 6 E1 channels (play)");
	has(&fit, "line", "line", 12, "role \"wrong\" (line 22) has this channel too");
	has(&fit, "few", "", 13, "names this role twice");
	has(&fit, "xyzzy", "", 6, "roles here:");
	assert_int_equal(fit.problem_count, 8);
	const struct evl_fit_role *wrong = &fit.roles[1];
	assert_int_equal(wrong->listed, 4);
	assert_int_equal(wrong->found, 1);
	assert_int_equal(wrong->missing, 5);
	assert_int_equal(wrong->problems, 4);
	assert_non_null(strstr(wrong->note, "(and 3 more)"));
	assert_int_equal(fit.roles[2].found, 0);
	assert_true(fit.roles[3].fits);
	assert_false(fit.roles[4].fits);
	assert_int_equal(fit.roles[0].line, 0);
	assert_string_equal(fit.roles[0].adapter, "");
	assert_non_null(strstr(err.text, "role \"tribs\""));
	assert_non_null(strstr(err.text, "and 7 more"));
	evl_fit_finish(&fit);
	evl_fit_finish(&fit);
}

static void test_mixed_and_absent(void **state)
{
	struct lab *l = *state;
	/* No rate wanted: all must be like the first that is there. */
	struct evl_need need = {.role = "wrong"};
	struct evl_fit fit;
	struct evl_err err = {0};
	assert_int_equal(evl_bind(NULL, &fit, l->bench, &need, 1, l->ports, l->count, &err),
			 EVL_E_INVALID);
	has(&fit, "wrong", "line", 22, "its rate is STM-1, the first channel of the role is E1");
	evl_fit_finish(&fit);
	/* An adapter that is not open offers nothing. */
	need = (struct evl_need){.role = "clock"};
	assert_int_equal(evl_bind(NULL, &fit, l->bench, &need, 1, l->ports, 65, &err),
			 EVL_E_INVALID);
	has(&fit, "clock", "e1-1", 26, "adapter other (loopback) offers no channels");
	assert_string_equal(err.text, fit.problems[0].text);
	evl_fit_finish(&fit);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(test_good, setup, teardown),
		cmocka_unit_test_setup_teardown(test_t1, setup, teardown),
		cmocka_unit_test_setup_teardown(test_labels, setup, teardown),
		cmocka_unit_test_setup_teardown(test_all_at_once, setup, teardown),
		cmocka_unit_test_setup_teardown(test_mixed_and_absent, setup, teardown),
	};
	return cmocka_run_group_tests_name("bench.bind", tests, NULL, NULL);
}

/* SPDX-License-Identifier: Apache-2.0 */
/* The software multiplexer, rule by rule, by the conformance kit (core/adapter/conform.h). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "core/adapter/conform.h"
#include "core/adapter/loader.h"

static struct evl_loaded *loaded;

static int load(void **state)
{
	const char *root = getenv("EVL_BUILD_ROOT");
	struct evl_err err = {0};
	char dir[1024];
	const char *dirs[] = {dir};

	(void)state;
	snprintf(dir, sizeof(dir), "%s/adapters", root != NULL ? root : ".");
	if (evl_loader_load(&loaded, dirs, 1, "simmux", &err) < 0) {
		print_error("%s\n", err.text);
		return -1;
	}
	return 0;
}

static int unload(void **state)
{
	(void)state;
	evl_loader_unload(loaded);
	return 0;
}

static void conforms(const struct evl_bench_option *options, size_t count)
{
	const struct evl_conform_args args = {
		.options = options, .option_count = count, .build = "B", .seed = 20};
	struct evl_conform_report *r = evl_conform_run(evl_loaded_adapter(loaded), "simmux", &args);
	size_t failed = r->failed, other_skips = 0;

	for (size_t i = 0; i < r->count; i++) {
		const struct evl_conform_item *item = &r->items[i];

		if (item->result != EVL_CONFORM_PASS) {
			print_message("# %s %s (%s): %s\n", evl_conform_result_name(item->result),
				item->name, item->rule, item->text);
		}
	}
	assert_true(r->count > 10);
	evl_conform_destroy(r);
	assert_int_equal(failed, 0);
	assert_int_equal(other_skips, 0);
}

static void without_options(void **state)
{
	(void)state;
	conforms(NULL, 0);
}

static void with_every_fault(void **state)
{
	static const struct evl_bench_option options[] = {
		{"line", "open", 1},
		{"numbering", "klm-order", 2},
		{"builds.B.faults[0].kind", "swap", 3},
		{"builds.B.faults[0].first", "1", 3},
		{"builds.B.faults[0].second", "63", 3},
		{"builds.B.faults[1].kind", "errors", 4},
		{"builds.B.faults[1].tributary", "5", 4},
		{"builds.B.faults[1].ratio", "1e-3", 4},
		{"builds.B.faults[2].kind", "delay", 5},
		{"builds.B.faults[2].tributary", "6", 5},
		{"builds.B.faults[2].bits", "777", 5},
		{"builds.B.faults[3].kind", "line-errors", 6},
		{"builds.B.faults[3].ratio", "1e-5", 6},
		{"builds.B.faults[4].kind", "line-delay", 7},
		{"builds.B.faults[4].bits", "12345", 7},
		{"builds.B.faults[5].kind", "line-loss", 8},
		{"builds.B.faults[5].at", "5 ms", 8},
		{"builds.B.faults[5].for", "5 ms", 8},
	};

	(void)state;
	conforms(options, sizeof(options) / sizeof(options[0]));
}

/* Two lines, T1, framing that is watched, a clock of its own, and an STM-4 of mixed payload. */
static void other_units(void **state)
{
	static const struct evl_bench_option t1[] = {
		{"lines", "2", 1},
		{"mapping", "AU-3/TU-11/T1", 2},
		{"framing.trib-1", "ESF", 3},
		{"expected.J1", "evenlode", 4},
		{"clock.line_ppm", "-20", 5},
		{"builds.B.faults[0].kind", "slip", 6},
		{"builds.B.faults[0].tributary", "90", 6},
		{"builds.B.faults[0].bits", "5", 6},
		{"builds.B.faults[0].at", "0 s", 6},
		{"builds.B.faults[0].every", "3 ms", 6},
	};
	static const struct evl_bench_option bulk[] = {
		{"rate", "STM-4", 1},
		{"mapping", "AU-4/TU-3/VC-3, AU-4/VC-4, AU-4/VC-4, AU-4/empty", 2},
		{"clock.vc4_ppm", "50", 3},
		{"slip_room", "64", 4},
	};

	(void)state;
	conforms(t1, sizeof(t1) / sizeof(t1[0]));
	conforms(bulk, sizeof(bulk) / sizeof(bulk[0]));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(without_options),
		cmocka_unit_test(with_every_fault),
		cmocka_unit_test(other_units),
	};

	return cmocka_run_group_tests(tests, load, unload);
}

/* SPDX-License-Identifier: Apache-2.0 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>
#include <string.h>

#include "core/engine/clock.h"
#include "core/engine/lease.h"

static void one_holder_at_a_time(void **state)
{
	(void)state;
	struct evl_leases *l = evl_leases_create(3);
	struct evl_err err = {0};
	assert_int_equal(evl_lease_take(l, 1, "case a", "trib 2", &err), EVL_OK);
	assert_int_equal(evl_lease_take(l, 1, "case b", "trib 2", &err), EVL_E_CONFLICT);
	assert_non_null(strstr(err.text, "trib 2"));
	assert_non_null(strstr(err.text, "case a"));
	/* The same holder twice means one channel in two roles of a take. */
	assert_int_equal(evl_lease_take(l, 1, "case a", "trib 2", &err), EVL_E_CONFLICT);
	assert_int_equal(evl_lease_take(l, 2, "case b", "trib 3", &err), EVL_OK);
	evl_lease_release(l, "case a");
	assert_null(evl_lease_holder(l, 1));
	assert_string_equal(evl_lease_holder(l, 2), "case b");
	assert_int_equal(evl_lease_take(l, 1, "case b", "trib 2", &err), EVL_OK);
	evl_leases_destroy(l);
	evl_leases_destroy(NULL);
}

static void long_names_are_told_apart_or_cut_alike(void **state)
{
	(void)state;
	char name[200];
	memset(name, 'x', sizeof name - 1);
	name[sizeof name - 1] = '\0';
	struct evl_leases *l = evl_leases_create(1);
	struct evl_err err = {0};
	assert_int_equal(evl_lease_take(l, 0, name, "line", &err), EVL_OK);
	evl_lease_release(l, name);
	assert_null(evl_lease_holder(l, 0));
	evl_leases_destroy(l);
}

static void virtual_clock_moves_only_when_told(void **state)
{
	(void)state;
	struct evl_clock c;
	evl_clock_init(&c, true);
	assert_true(evl_clock_now(&c) == 0);
	assert_false(evl_clock_reach(&c, 125000));
	assert_true(evl_clock_now(&c) == 125000);
	assert_true(evl_clock_reach(&c, 1)); /* past: stays */
	assert_true(evl_clock_now(&c) == 125000);
}

static void real_clock_goes_on(void **state)
{
	(void)state;
	struct evl_clock c;
	evl_clock_init(&c, false);
	uint64_t before = evl_clock_now(&c);
	assert_false(evl_clock_reach(&c, before + 2000000));
	assert_true(evl_clock_now(&c) >= before + 2000000);
	assert_true(evl_clock_reach(&c, before));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(one_holder_at_a_time),
		cmocka_unit_test(long_names_are_told_apart_or_cut_alike),
		cmocka_unit_test(virtual_clock_moves_only_when_told),
		cmocka_unit_test(real_clock_goes_on),
	};
	return cmocka_run_group_tests_name("engine.lease", tests, NULL, NULL);
}

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Conformance kit: drives any adapter through its contract (core/adapter/adapter.h), directly and
 * not through instance.h, and says rule by rule whether it keeps it. For the tests of adapters and
 * for `evenlode adapters --check NAME`.
 *
 *	struct evl_conform_report *r = evl_conform_run(adapter, "simmux", &args);
 *	for (size_t i = 0; i < r->count; i++) {
 *		printf("%s %s: %s\n", evl_conform_result_name(r->items[i].result),
 *			r->items[i].name, r->items[i].text);
 *	}
 *	evl_conform_destroy(r);
 *
 * The adapter must be the only user of its equipment meanwhile: the kit plays random bits on every
 * channel. An adapter that crashes or hangs takes the caller with it.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/adapter/adapter.h"
#include "core/bench/bench.h"

enum evl_conform_result {
	EVL_CONFORM_PASS,
	EVL_CONFORM_FAIL,
	EVL_CONFORM_SKIP, /* the adapter does not claim the ability, or an earlier item failed */
};

struct evl_conform_item {
	const char *name; /* "order.start-before-arm"; the same for every adapter */
	const char *rule; /* one sentence: what the contract asks */
	enum evl_conform_result result;
	char text[512]; /* what was seen when it failed, why it was skipped; else "" */
};

struct evl_conform_report {
	struct evl_conform_item *items; /* in the order of the checks */
	size_t count;
	size_t failed;
	size_t skipped;
};

struct evl_conform_args {
	const struct evl_bench_option *options; /* that make the adapter open */
	size_t option_count;
	const char *build; /* "" when there is no label */
	uint64_t seed;
};

/* Never NULL; the caller destroys it. `name` is what the adapter's file is called. */
struct evl_conform_report *evl_conform_run(const struct evl_adapter *adapter, const char *name,
					   const struct evl_conform_args *args);
void evl_conform_destroy(struct evl_conform_report *report); /* takes NULL */

const char *evl_conform_result_name(enum evl_conform_result result); /* "pass", "FAIL", "skip" */

/* The item of that name, or NULL. */
const struct evl_conform_item *evl_conform_find(const struct evl_conform_report *report,
						const char *name);

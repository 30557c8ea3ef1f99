/* SPDX-License-Identifier: Apache-2.0 */
/* Two runs, one before and one after, check by check. */
#pragma once

#include <jansson.h>

#include "core/store/compare.h"

void print_compare(
	const struct evl_compare *cmp, const struct evl_run *before, const struct evl_run *after);
json_t *print_compare_json(
	const struct evl_compare *cmp, const struct evl_run *before, const struct evl_run *after);

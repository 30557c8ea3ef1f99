/* SPDX-License-Identifier: Apache-2.0 */
/* Between the two files that read a night file; used by them alone. */
#pragma once

#include "core/bench/internal.h"
#include "core/bench/night_file.h"

enum evl_status evl_night_take_name(
	const char **out, const struct evl_reader *r, const struct evl_node *n, const char *what);
/* Whole decimal number from `least` to `most`. */
enum evl_status evl_night_take_number(uint64_t *out, const struct evl_reader *r,
	const struct evl_node *n, const char *what, uint64_t least, uint64_t most);
/* Joined to the folder of the night file. */
enum evl_status evl_night_take_path(
	const char **out, const struct evl_reader *r, const struct evl_node *n, const char *what);
enum evl_status evl_night_take_retry(
	uint32_t *out, const struct evl_reader *r, const struct evl_node *n);

/* night_entry.c; benches and builds are there already. `retries` where an entry says nothing. */
enum evl_status evl_night_take_entries(struct evl_night_file *night, const struct evl_reader *r,
	const struct evl_node *n, uint32_t retries);

/* SPDX-License-Identifier: Apache-2.0 */
/* Numbers and times as people read them; the same on any machine and in any locale. */
#pragma once

#include <stdint.h>

struct evl_num {
	char s[160];
};

struct evl_num evl_num_seed(uint64_t seed);  /* plain digits, to be typed again */
struct evl_num evl_num_count(int64_t n);     /* "2 047" with narrow no-break spaces */
struct evl_num evl_num_bits(int64_t bits);   /* "30.0 million bits", "1.23e10 bits", "1 bit" */
struct evl_num evl_num_bytes(int64_t bytes); /* "1 234 bytes" */
struct evl_num evl_num_ratio(int64_t errors, int64_t bits); /* "9.8e-8", "0"; "none" of no bits */
/* "16.1 s", "500.125 ms", "100 us" (with the micro sign), "2 min 5 s", "1 h 2 min 5 s". */
struct evl_num evl_num_time(int64_t ns);
/* "1 check", "63 checks"; `word` is the singular. */
struct evl_num evl_num_of(int64_t n, const char *word);

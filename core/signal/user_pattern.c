/* SPDX-License-Identifier: Apache-2.0 */
#include "core/signal/user_pattern.h"

#include <inttypes.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/signal/bits.h"

#define WINDOWS     32768u
#define SLOTS       65536u
#define TABLE_LEAST 8192u /* bytes: short patterns are repeated, so that stretches are long */

struct evl_user_pattern {
	char name[64];
	uint64_t bits;
	uint8_t *table; /* whole periods, a whole number of bytes, and one byte more */
	uint64_t table_bytes;
	uint32_t step;
	uint32_t windows;
	uint64_t window[WINDOWS];
	bool twice[WINDOWS];  /* occurs again: says nothing */
	uint16_t slot[SLOTS]; /* window number + 1 */
};

static uint32_t slot_of(uint64_t window)
{
	return (uint32_t)(window * 0x9e3779b97f4a7c15u >> 48);
}

/* The number of the window, or -1. */
static int64_t number_of(const struct evl_user_pattern *u, uint64_t window)
{
	for (uint32_t s = slot_of(window); u->slot[s] != 0; s = (s + 1) % SLOTS) {
		uint32_t i = u->slot[s] - 1u;
		if (u->window[i] == window) {
			return i;
		}
	}
	return -1;
}

static void keep_window(struct evl_user_pattern *u, uint64_t window)
{
	uint32_t i = u->windows++;
	u->window[i] = window;
	int64_t before = number_of(u, window);
	if (before >= 0) {
		u->twice[before] = u->twice[i] = true;
		return;
	}
	uint32_t s = slot_of(window);
	while (u->slot[s] != 0) {
		s = (s + 1) % SLOTS;
	}
	u->slot[s] = (uint16_t)(i + 1);
}

/* Keeps windows on a grid, then looks at every place for a second occurrence. */
static bool index_windows(struct evl_user_pattern *u)
{
	for (int pass = 0; pass < 2; pass++) {
		uint64_t w = 0;
		for (uint64_t bit = 0; bit < u->bits + 63; bit++) {
			w = w << 1 | evl_bits_get(u->table, bit % u->bits);
			if (bit < 63) {
				continue;
			}
			uint64_t at = bit - 63;
			if (pass == 0 && at % u->step == 0) {
				keep_window(u, w);
			} else if (pass == 1) {
				int64_t i = number_of(u, w);
				if (i >= 0 && (uint64_t)i * u->step != at) {
					u->twice[i] = true;
				}
				/* Where the inverse occurs, it is taken for the inverted sense. */
				i = number_of(u, ~w);
				if (i >= 0) {
					u->twice[i] = true;
				}
			}
		}
	}
	for (uint32_t i = 0; i < u->windows; i++) {
		if (!u->twice[i]) {
			return true;
		}
	}
	return false;
}

enum evl_status evl_user_pattern_create(struct evl_user_pattern **out, const char *name,
	const uint8_t *data, uint64_t bits, struct evl_err *err)
{
	*out = NULL;
	if (bits < EVL_USER_PATTERN_BITS_MIN || bits > EVL_USER_PATTERN_BITS_MAX) {
		return evl_err_set(err, EVL_E_INVALID,
			"pattern %.60s has %" PRIu64 " bits; give %d to %" PRIu64
			" (up to 64 bits are a word)",
			name, bits, EVL_USER_PATTERN_BITS_MIN, EVL_USER_PATTERN_BITS_MAX);
	}
	/* The least number of periods that fills whole bytes. */
	uint64_t turns = 1;
	while (bits * turns % 8 != 0) {
		turns *= 2;
	}
	uint64_t unit = bits * turns / 8;
	uint64_t units = unit < TABLE_LEAST ? (TABLE_LEAST + unit - 1) / unit : 1;
	struct evl_user_pattern *u = calloc(1, sizeof(*u));
	uint8_t *table = calloc(1, (size_t)(unit * units + 1));
	if (u == NULL || table == NULL) {
		free(u);
		free(table);
		return evl_err_set(err, EVL_E_NOMEM, "out of memory for the pattern %.60s", name);
	}
	snprintf(u->name, sizeof(u->name), "%.60s", name);
	u->bits = bits;
	u->table = table;
	u->table_bytes = unit * units;
	u->step = (uint32_t)((bits + WINDOWS - 1) / WINDOWS);
	for (uint64_t t = 0; t < turns * units; t++) {
		evl_bits_copy(table, t * bits, data, 0, bits);
	}
	table[u->table_bytes] = table[0];
	if (!index_windows(u)) {
		evl_user_pattern_destroy(u);
		return evl_err_set(err, EVL_E_INVALID,
			"pattern %.60s: no 64 bits of it occur only once, inverted or not, so a "
			"receiver "
			"cannot find its place; if it repeats itself, give one period",
			name);
	}
	*out = u;
	return EVL_OK;
}

void evl_user_pattern_destroy(struct evl_user_pattern *u)
{
	if (u != NULL) {
		free(u->table);
		free(u);
	}
}

uint64_t evl_user_pattern_bits(const struct evl_user_pattern *u)
{
	return u->bits;
}

const char *evl_user_pattern_name(const struct evl_user_pattern *u)
{
	return u->name;
}

uint32_t evl_user_pattern_step(const struct evl_user_pattern *u)
{
	return u->step;
}

void evl_user_pattern_fill(
	const struct evl_user_pattern *u, uint64_t phase, uint8_t *out, size_t bytes)
{
	evl_require(phase < u->bits);
	uint64_t at = phase / 8;
	while (bytes > 0) {
		uint64_t left = u->table_bytes - at;
		size_t part = bytes < left ? bytes : (size_t)left;
		evl_bits_shift(out, u->table + at, part, (unsigned)(phase % 8));
		out += part;
		bytes -= part;
		at = 0;
	}
}

uint64_t evl_user_pattern_find(const struct evl_user_pattern *u, uint64_t window)
{
	int64_t i = number_of(u, window);
	return i >= 0 && !u->twice[i] ? (uint64_t)i * u->step : EVL_USER_PATTERN_NONE;
}

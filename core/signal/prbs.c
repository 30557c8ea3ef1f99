/* SPDX-License-Identifier: Apache-2.0 */
#include "core/signal/prbs.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"
#include "core/signal/kernels.h"

/* The short patterns come from tables. Eight periods are 2^n-1 bytes, so such a table holds the
 * pattern at every bit alignment: as 8 * 2^(n-3) = 2^n = 1 modulo 2^n-1, the bit phase p begins at
 * byte p * 2^(n-3) modulo 2^n-1. It is repeated, so that long stretches lie in one piece. */
#define TURNS9  16u
#define TURNS11 4u

/* For the others, squaring the recurrence doubles its lags (the field has characteristic 2): three
 * times gives whole bytes, n and k; seven or eight times lags that are long enough for wide loads
 * of stores that are finished, 16 n and 16 k or 32 n and 32 k bytes. */
static const struct kind {
	const char *name;
	unsigned n, k;
	bool inverted;
	size_t lag; /* bytes for each stage of k and n; 0: from a table */
} kinds[EVL_PRBS_KINDS] = {
	[EVL_PRBS9] = {"2^9-1", 9, 5, false, 0},
	[EVL_PRBS11] = {"2^11-1", 11, 9, false, 0},
	[EVL_PRBS15] = {"2^15-1", 15, 14, true, 0},
	[EVL_PRBS20] = {"2^20-1", 20, 3, false, 32},
	[EVL_QRSS] = {"QRSS", 20, 17, false, 16},
	[EVL_PRBS23] = {"2^23-1", 23, 18, true, 16},
	[EVL_PRBS29] = {"2^29-1", 29, 27, true, 16},
	[EVL_PRBS31] = {"2^31-1", 31, 28, true, 16},
};

_Static_assert(EVL_PRBS_HISTORY_BYTES >= 20 * 32 && EVL_PRBS_HISTORY_BYTES >= 31 * 16,
	"history holds the longest lag");
_Static_assert(EVL_PRBS_RECENT_BYTES >= 31, "recent holds n bytes");

/* For each short pattern: register sense, then inverted. */
static uint8_t table9[2][511u * TURNS9];
static uint8_t table11[2][2047u * TURNS11];
static uint8_t table15[2][32767u];

/* Phases of the 31 bits of a period that zero suppression makes ones, rising. */
#define FORCED 31
static uint32_t forced[FORCED];

/* Known windows, one each `step` bits, found by hashing. */
#define ANCHORS 32768u
#define SLOTS   65536u
static struct known {
	uint32_t window[ANCHORS];
	uint16_t slot[SLOTS]; /* anchor number + 1 */
} known[EVL_PRBS_KINDS];

static pthread_mutex_t making = PTHREAD_MUTEX_INITIALIZER;
static atomic_bool tables_ready[EVL_PRBS_KINDS];
static atomic_bool known_ready[EVL_PRBS_KINDS];

const char *evl_prbs_name(enum evl_prbs_kind kind)
{
	evl_require(kind < EVL_PRBS_KINDS);
	return kinds[kind].name;
}

bool evl_prbs_by_name(enum evl_prbs_kind *kind, const char *name)
{
	for (int i = 0; i < EVL_PRBS_KINDS; i++) {
		if (strcmp(name, kinds[i].name) == 0) {
			*kind = (enum evl_prbs_kind)i;
			return true;
		}
	}
	return false;
}

uint32_t evl_prbs_period(enum evl_prbs_kind kind)
{
	evl_require(kind < EVL_PRBS_KINDS);
	return (1u << kinds[kind].n) - 1;
}

unsigned evl_prbs_order(enum evl_prbs_kind kind)
{
	evl_require(kind < EVL_PRBS_KINDS);
	return kinds[kind].n;
}

unsigned evl_prbs_tap(enum evl_prbs_kind kind)
{
	evl_require(kind < EVL_PRBS_KINDS);
	return kinds[kind].k;
}

bool evl_prbs_inverts(enum evl_prbs_kind kind)
{
	evl_require(kind < EVL_PRBS_KINDS);
	return kinds[kind].inverted;
}

static uint32_t window_next(const struct kind *t, uint32_t w)
{
	uint32_t bit = (w >> (t->n - 1) ^ w >> (t->k - 1)) & 1;
	return (w << 1 | bit) & ((1u << t->n) - 1);
}

/* a * b modulo x^n + x^(n-k) + 1, which is the recurrence read as a polynomial in the shift x. */
static uint32_t poly_mul(const struct kind *t, uint32_t a, uint32_t b)
{
	uint32_t poly = 1u << t->n | 1u << (t->n - t->k) | 1u;
	uint32_t r = 0;
	for (unsigned i = t->n; i-- > 0;) {
		r <<= 1;
		r ^= (r >> t->n & 1) ? poly : 0;
		r ^= (b >> i & 1) ? a : 0;
	}
	return r;
}

/* x^bits */
static uint32_t poly_shift(const struct kind *t, uint32_t bits)
{
	uint32_t shift = 1;
	for (unsigned i = 32; i-- > 0;) {
		shift = poly_mul(t, shift, shift);
		if (bits >> i & 1) {
			shift = poly_mul(t, shift, 2);
		}
	}
	return shift;
}

/* The window that lies `shift` after w: s[p + j] is the sum of s[m + j] over the terms x^m. */
static uint32_t window_shifted(const struct kind *t, uint32_t w, uint32_t shift)
{
	uint32_t sum = 0;
	for (unsigned m = 0; m < t->n; m++) {
		sum ^= (shift >> m & 1) ? w : 0;
		w = window_next(t, w);
	}
	return sum;
}

uint32_t evl_prbs_window(enum evl_prbs_kind kind, uint64_t phase)
{
	uint32_t period = evl_prbs_period(kind);
	const struct kind *t = &kinds[kind];
	return window_shifted(t, period, poly_shift(t, (uint32_t)(phase % period)));
}

/* Bytes of the register from the window on, bit by bit: only for the first few. */
static void fill_serial(const struct kind *t, uint32_t w, uint8_t *out, size_t bytes)
{
	for (size_t b = 0; b < bytes; b++) {
		unsigned v = 0;
		for (unsigned i = 0; i < 8; i++) {
			v = v << 1 | (w >> (t->n - 1) & 1);
			w = window_next(t, w);
		}
		out[b] = (uint8_t)v;
	}
}

/* The register from the window on: n bytes bit by bit, then by the byte-wise recurrence. */
static void fill_register(const struct kind *t, uint32_t w, uint8_t *out, size_t bytes)
{
	fill_serial(t, w, out, t->n < bytes ? t->n : bytes);
	for (size_t b = t->n; b < bytes; b++) {
		out[b] = (uint8_t)(out[b - t->k] ^ out[b - t->n]);
	}
}

static uint8_t *table_of(enum evl_prbs_kind kind, bool inverted, size_t *bytes)
{
	switch (kind) {
	case EVL_PRBS9:
		*bytes = sizeof(table9[0]);
		return table9[inverted];
	case EVL_PRBS11:
		*bytes = sizeof(table11[0]);
		return table11[inverted];
	default:
		*bytes = sizeof(table15[0]);
		return table15[inverted];
	}
}

static int by_value(const void *x, const void *y)
{
	uint32_t a = *(const uint32_t *)x, b = *(const uint32_t *)y;
	return a < b ? -1 : a > b;
}

static uint32_t slot_of(uint32_t window)
{
	return (uint32_t)(window * 2654435769u) >> 16; /* Fibonacci hashing to 16 bits */
}

static uint32_t step_of(const struct kind *t)
{
	return t->n > 15 ? 1u << (t->n - 15) : 1;
}

static void make_known(enum evl_prbs_kind kind)
{
	const struct kind *t = &kinds[kind];
	struct known *to = &known[kind];
	uint32_t period = (1u << t->n) - 1;
	uint32_t step = step_of(t);
	uint32_t shift = poly_shift(t, step);
	/* Going on by one step is linear in the window: what becomes of each of its bits. */
	uint32_t image[32];
	for (unsigned j = 0; j < t->n; j++) {
		image[j] = window_shifted(t, 1u << j, shift);
	}
	uint32_t w = period;
	for (uint32_t a = 0; (uint64_t)a * step < period; a++) {
		uint32_t s = slot_of(w);
		to->window[a] = w;
		while (to->slot[s] != 0) {
			s = (s + 1) % SLOTS;
		}
		to->slot[s] = (uint16_t)(a + 1);
		uint32_t next = 0;
		for (unsigned j = 0; j < t->n; j++) {
			next ^= (w >> j & 1) ? image[j] : 0;
		}
		w = next;
	}
}

/* -1: not known */
static int64_t known_window(const struct known *in, uint32_t window)
{
	for (uint32_t s = slot_of(window); in->slot[s] != 0; s = (s + 1) % SLOTS) {
		uint32_t a = in->slot[s] - 1u;
		if (in->window[a] == window) {
			return a;
		}
	}
	return -1;
}

static void need_known(enum evl_prbs_kind kind)
{
	if (!atomic_load_explicit(&known_ready[kind], memory_order_acquire)) {
		int failed = pthread_mutex_lock(&making);
		evl_require(failed == 0);
		if (!atomic_load_explicit(&known_ready[kind], memory_order_relaxed)) {
			make_known(kind);
			atomic_store_explicit(&known_ready[kind], true, memory_order_release);
		}
		pthread_mutex_unlock(&making);
	}
}

uint32_t evl_prbs_index_of(enum evl_prbs_kind kind, uint32_t window)
{
	uint32_t period = evl_prbs_period(kind);
	if (window == 0 || window > period) {
		return UINT32_MAX;
	}
	need_known(kind);
	const struct kind *t = &kinds[kind];
	uint32_t step = step_of(t);
	for (uint32_t back = 0; back < step; back++) {
		int64_t a = known_window(&known[kind], window);
		if (a >= 0) {
			return (uint32_t)(((uint64_t)a * step + period - back) % period);
		}
		window = window_next(t, window);
	}
	evl_require(!"every window lies within one step of a known one");
	return UINT32_MAX;
}

static void make_tables(enum evl_prbs_kind kind)
{
	const struct kind *t = &kinds[kind];
	if (kind == EVL_QRSS) {
		/* A zero and 14 more, then any of the other five bits: they cannot all be zero. */
		for (uint32_t v = 1; v <= FORCED; v++) {
			forced[v - 1] = evl_prbs_index_of(kind, v);
		}
		qsort(forced, FORCED, sizeof(*forced), by_value);
		return;
	}
	size_t bytes;
	uint8_t *plain = table_of(kind, false, &bytes);
	uint8_t *inverted = table_of(kind, true, &bytes);
	fill_register(t, (1u << t->n) - 1, plain, bytes);
	for (size_t i = 0; i < bytes; i++) {
		inverted[i] = (uint8_t)~plain[i];
	}
}

static void need_tables(enum evl_prbs_kind kind)
{
	if (kinds[kind].lag != 0 && kind != EVL_QRSS) {
		return;
	}
	if (kind == EVL_QRSS) {
		need_known(kind);
	}
	if (!atomic_load_explicit(&tables_ready[kind], memory_order_acquire)) {
		int failed = pthread_mutex_lock(&making);
		evl_require(failed == 0);
		if (!atomic_load_explicit(&tables_ready[kind], memory_order_relaxed)) {
			make_tables(kind);
			atomic_store_explicit(&tables_ready[kind], true, memory_order_release);
		}
		pthread_mutex_unlock(&making);
	}
}

/* What O.150 or its opposite puts on the line is the register inverted. */
static bool line_inverted(const struct evl_prbs *p)
{
	return kinds[p->kind].inverted != p->turned;
}

/* Zero suppression of bytes that begin at p->phase. */
static void force(const struct evl_prbs *p, uint8_t *out, size_t bytes)
{
	uint64_t end = p->phase + (uint64_t)bytes * 8;
	uint32_t period = (1u << 20) - 1;
	for (uint64_t turn = 0; turn < end; turn += period) {
		for (int i = 0; i < FORCED && turn + forced[i] < end; i++) {
			if (turn + forced[i] >= p->phase) {
				uint64_t bit = turn + forced[i] - p->phase;
				uint8_t mask = (uint8_t)(0x80u >> bit % 8);
				out[bit / 8] = (uint8_t)(p->turned ? out[bit / 8] & ~mask
								   : out[bit / 8] | mask);
			}
		}
	}
}

/* The whole history from its last n bytes, by the byte-wise recurrence read backwards. */
static void fatten(struct evl_prbs *p)
{
	const struct kind *t = &kinds[p->kind];
	const size_t n = t->n, lag_n = t->n * t->lag;
	const uint8_t flip = line_inverted(p) ? 0xff : 0;
	uint8_t *h = p->history;
	memcpy(h + lag_n - n, p->recent, n);
	for (size_t b = lag_n - n; b-- > 0;) {
		h[b] = (uint8_t)(h[b + n] ^ h[b + n - t->k] ^ flip);
	}
	p->lean = false;
}

bool evl_prbs_follow(struct evl_prbs *p, const uint8_t *got, size_t bytes)
{
	const struct kind *t = &kinds[p->kind];
	const size_t n = t->n;
	if (t->lag == 0 || p->kind == EVL_QRSS) {
		return false;
	}
	const uint8_t flip = line_inverted(p) ? 0xff : 0;
	uint8_t edge[EVL_PRBS_RECENT_BYTES + 64];
	size_t head = bytes < 64 ? bytes : 64;
	memcpy(edge, p->lean ? p->recent : p->history + n * t->lag - n, n);
	memcpy(edge + n, got, head);
	if (!evl_kernel_obeys(edge + n, head, t->k, n, flip) ||
		!evl_kernel_obeys(got + head, bytes - head, t->k, n, flip)) {
		return false;
	}
	if (bytes >= n) {
		memcpy(p->recent, got + bytes - n, n);
	} else {
		memcpy(p->recent, edge + bytes, n);
	}
	p->lean = true;
	p->phase = (uint32_t)((p->phase + (uint64_t)bytes * 8) % ((1u << t->n) - 1));
	return true;
}

static void fill_by_lags(struct evl_prbs *p, uint8_t *out, size_t bytes)
{
	const struct kind *t = &kinds[p->kind];
	size_t lag_k = t->k * t->lag, lag_n = t->n * t->lag;
	uint8_t flip = line_inverted(p) ? 0xff : 0;
	if (p->lean) {
		fatten(p);
	}
	const uint8_t *h = p->history;
	size_t done = bytes < lag_k ? bytes : lag_k;
	evl_kernel_xor(out, h + (lag_n - lag_k), h, flip, done);
	if (bytes > lag_k) {
		size_t part = bytes < lag_n ? bytes - lag_k : lag_n - lag_k;
		evl_kernel_xor(out + lag_k, out, h + lag_k, flip, part);
	}
	if (bytes > lag_n) {
		evl_kernel_xor(out + lag_n, out + (lag_n - lag_k), out, flip, bytes - lag_n);
	}
	if (bytes >= lag_n) {
		memcpy(p->history, out + bytes - lag_n, lag_n);
	} else {
		memmove(p->history, p->history + bytes, lag_n - bytes);
		memcpy(p->history + lag_n - bytes, out, bytes);
	}
	if (p->kind == EVL_QRSS) {
		force(p, out, bytes);
	}
}

void evl_prbs_init_sense(struct evl_prbs *p, enum evl_prbs_kind kind, bool turned, uint64_t phase)
{
	uint32_t period = evl_prbs_period(kind);
	const struct kind *t = &kinds[kind];
	p->kind = kind;
	p->turned = turned;
	p->phase = (uint32_t)(phase % period);
	p->lean = false;
	need_tables(kind);
	if (t->lag == 0) {
		return;
	}
	size_t lag_n = t->n * t->lag;
	uint64_t before = (uint64_t)p->phase + period - lag_n * 8 % period;
	fill_register(t, evl_prbs_window(kind, before), p->history, lag_n);
	if (line_inverted(p)) {
		for (size_t i = 0; i < lag_n; i++) {
			p->history[i] = (uint8_t)~p->history[i];
		}
	}
}

void evl_prbs_init(struct evl_prbs *p, enum evl_prbs_kind kind, uint64_t phase)
{
	evl_prbs_init_sense(p, kind, false, phase);
}

const uint8_t *evl_prbs_lend(struct evl_prbs *p, uint8_t *scratch, size_t *bytes)
{
	evl_require(*bytes > 0);
	const struct kind *t = &kinds[p->kind];
	uint32_t period = (1u << t->n) - 1;
	const uint8_t *at = scratch;
	if (t->lag == 0) {
		size_t whole;
		const uint8_t *table = table_of(p->kind, line_inverted(p), &whole);
		size_t from = (size_t)p->phase * ((size_t)1 << (t->n - 3)) % period;
		if (*bytes > whole - from) {
			*bytes = whole - from;
		}
		at = table + from;
	} else {
		fill_by_lags(p, scratch, *bytes);
	}
	p->phase = (uint32_t)((p->phase + (uint64_t)*bytes * 8) % period);
	return at;
}

void evl_prbs_fill(struct evl_prbs *p, uint8_t *out, size_t bytes)
{
	while (bytes > 0) {
		size_t part = bytes;
		const uint8_t *from = evl_prbs_lend(p, out, &part);
		if (from != out) {
			memcpy(out, from, part);
		}
		out += part;
		bytes -= part;
	}
}

void evl_prbs_skip(struct evl_prbs *p, uint64_t bits)
{
	uint32_t period = evl_prbs_period(p->kind);
	evl_prbs_init_sense(p, p->kind, p->turned, p->phase + bits % period);
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/phase.h"

#include <inttypes.h>
#include <stdlib.h>

#include "core/signal/rng.h"

#define CHANNELS_MAX ((size_t)EVL_PHASE_CHANNELS_MAX)
#define DRAWS        64

static int by_value(const void *x, const void *y)
{
	uint32_t a = *(const uint32_t *)x, b = *(const uint32_t *)y;
	return a < b ? -1 : a > b;
}

static uint32_t minus(uint32_t a, uint32_t b, uint32_t period)
{
	return a >= b ? a - b : a + period - b;
}

static uint32_t distance(uint32_t a, uint32_t b, uint32_t period)
{
	uint32_t d = minus(a, b, period);
	return d < period - d ? d : period - d;
}

/* The most channels that one wrong delay can explain: equal differences (within twice the
 * tolerance) between pairs of phases. `work` holds n * n values. */
static size_t worst_coincidence(const uint32_t *phase, size_t n, uint32_t period, uint32_t *work)
{
	size_t count = 0;
	for (size_t i = 0; i < n; i++) {
		for (size_t j = 0; j < n; j++) {
			if (i != j) {
				work[count++] = minus(phase[i], phase[j], period);
			}
		}
	}
	/* None is near 0, where the circle is cut: the phases are far apart. */
	qsort(work, count, sizeof(*work), by_value);
	size_t worst = 0;
	for (size_t lo = 0, hi = 0; lo < count; lo++) {
		while (hi < count && work[hi] - work[lo] <= 2 * EVL_PHASE_TOLERANCE_BITS) {
			hi++;
		}
		worst = hi - lo > worst ? hi - lo : worst;
	}
	return worst;
}

/* n phases in no order, at least `apart` from each other. */
static void draw(uint32_t *out, size_t n, uint32_t period, uint32_t apart, struct evl_rng *rng)
{
	uint32_t slack = period - (uint32_t)n * apart;
	for (size_t i = 0; i < n; i++) {
		out[i] = (uint32_t)evl_rng_below(rng, (uint64_t)slack + 1);
	}
	qsort(out, n, sizeof(*out), by_value);
	uint32_t turn = (uint32_t)evl_rng_below(rng, period);
	for (size_t i = 0; i < n; i++) {
		out[i] = (uint32_t)(((uint64_t)out[i] + (uint64_t)i * apart + turn) % period);
	}
	for (size_t i = n; i > 1; i--) {
		size_t j = (size_t)evl_rng_below(rng, i);
		uint32_t swap = out[i - 1];
		out[i - 1] = out[j];
		out[j] = swap;
	}
}

enum evl_status evl_phase_assign(uint32_t *out, size_t n, const struct evl_pattern *pattern,
	uint64_t seed, struct evl_err *err)
{
	char name[EVL_PATTERN_NAME_MAX];
	if (pattern->kind == EVL_PATTERN_COUNTER) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s needs no phases: its blocks carry the channel",
			evl_pattern_name(name, pattern));
	}
	uint32_t period = (uint32_t)evl_pattern_period(pattern);
	size_t most = period / EVL_PATTERN_BITS_PER_CHANNEL < CHANNELS_MAX
			      ? period / EVL_PATTERN_BITS_PER_CHANNEL
			      : CHANNELS_MAX;
	if (n == 0 || n > most) {
		return evl_err_set(err, EVL_E_INVALID,
			"%zu channels cannot be told apart by the phases of %s: give 1 to %zu, or "
			"use a longer pattern",
			n, evl_pattern_name(name, pattern), most);
	}
	uint32_t *work = calloc(2 * n * n, sizeof(*work));
	if (work == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "out of memory for %zu phases", n);
	}
	uint32_t *trial = work + n * n;
	uint32_t apart = period / (2 * (uint32_t)n);
	size_t good_enough = n < 8 ? 1 : n / 3;
	size_t best = SIZE_MAX;
	struct evl_rng rng;
	evl_rng_init(&rng, seed, n);
	for (int i = 0; i < DRAWS && best > good_enough; i++) {
		draw(trial, n, period, apart, &rng);
		size_t worst = worst_coincidence(trial, n, period, work);
		if (worst < best) {
			best = worst;
			for (size_t c = 0; c < n; c++) {
				out[c] = trial[c];
			}
		}
	}
	free(work);
	if (best > (n < 8 ? 1 : n / 2)) {
		return evl_err_set(err, EVL_E_LIMIT,
			"found no phases of %s that tell %zu channels apart; use another seed or a "
			"longer pattern",
			evl_pattern_name(name, pattern), n);
	}
	return EVL_OK;
}

const char *evl_phase_place_name(enum evl_phase_place place)
{
	switch (place) {
	case EVL_PHASE_NOTHING:
		return "nothing";
	case EVL_PHASE_OWN:
		return "own";
	case EVL_PHASE_CROSSED:
		return "crossed";
	case EVL_PHASE_DEVIATING:
		return "deviating";
	}
	return "nothing";
}

/* Receiver i would have this delay if it saw channel j. */
struct guess {
	uint32_t delay;
	uint32_t i, j;
};

static int by_delay(const void *x, const void *y)
{
	const struct guess *a = x, *b = y;
	if (a->delay != b->delay) {
		return a->delay < b->delay ? -1 : 1;
	}
	if (a->i != b->i) {
		return a->i < b->i ? -1 : 1;
	}
	return a->j < b->j ? -1 : a->j > b->j;
}

struct cluster {
	size_t from, to; /* guesses; to is the first that does not belong */
	size_t count, own;
};

/* The window of `width` bits that most guesses fall into. A receiver is in it once at most, as sent
 * phases lie further apart than the width. */
static struct cluster densest(const struct guess *g, size_t from, size_t to, uint32_t width)
{
	struct cluster best = {from, from, 0, 0};
	size_t own = 0;
	for (size_t lo = from, hi = from; lo < to; lo++) {
		while (hi < to && g[hi].delay - g[lo].delay <= width) {
			own += g[hi].i == g[hi].j;
			hi++;
		}
		size_t count = hi - lo;
		if (count > best.count || (count == best.count && own > best.own)) {
			best = (struct cluster){lo, hi, count, own};
		}
		own -= g[lo].i == g[lo].j;
	}
	return best;
}

static enum evl_status check_sent(
	const uint32_t *sent, size_t n, uint32_t period, uint32_t tolerance, struct evl_err *err)
{
	for (size_t i = 0; i < n; i++) {
		if (sent[i] >= period) {
			return evl_err_set(err, EVL_E_INVALID,
				"phase %" PRIu32 " of channel %zu is not below the period %" PRIu32,
				sent[i], i, period);
		}
		for (size_t j = 0; j < i; j++) {
			if (distance(sent[i], sent[j], period) <= 2 * tolerance) {
				return evl_err_set(err, EVL_E_INVALID,
					"channels %zu and %zu send phases %" PRIu32 " and %" PRIu32
					": too near for a tolerance of %" PRIu32 " bits",
					j, i, sent[j], sent[i], tolerance);
			}
		}
	}
	return EVL_OK;
}

static void place(struct evl_phase_match *m, struct evl_phase_arrival *at, const uint32_t *sent,
	uint32_t offset, size_t self, size_t n, uint32_t period, uint32_t tolerance)
{
	at->own_delay_bits = minus(sent[self], offset, period);
	at->channel = self;
	at->delay_bits = at->own_delay_bits;
	at->place = EVL_PHASE_DEVIATING;
	for (size_t j = 0; j < n; j++) {
		uint32_t d = minus(sent[j], offset, period);
		if (distance(d, m->delay_bits, period) <= tolerance) {
			at->place = j == self ? EVL_PHASE_OWN : EVL_PHASE_CROSSED;
			at->channel = j;
			at->delay_bits = d;
			break;
		}
	}
	m->own += at->place == EVL_PHASE_OWN;
	m->crossed += at->place == EVL_PHASE_CROSSED;
	m->deviating += at->place == EVL_PHASE_DEVIATING;
}

enum evl_status evl_phase_match(struct evl_phase_match *m, struct evl_phase_arrival *at,
	const uint32_t *sent, const struct evl_phase_seen *seen, size_t n,
	const struct evl_pattern *pattern, uint32_t max_delay_bits, uint32_t tolerance_bits,
	struct evl_err *err)
{
	char name[EVL_PATTERN_NAME_MAX];
	evl_require(pattern->kind != EVL_PATTERN_COUNTER);
	uint32_t period = (uint32_t)evl_pattern_period(pattern);
	*m = (struct evl_phase_match){0};
	if (n == 0 || n > CHANNELS_MAX) {
		return evl_err_set(err, EVL_E_INVALID,
			"%zu channels cannot be matched: give 1 to %zu", n, CHANNELS_MAX);
	}
	if (max_delay_bits >= period || tolerance_bits >= period / 4) {
		return evl_err_set(err, EVL_E_INVALID,
			"delays of up to %" PRIu32 " bits within %" PRIu32
			" bits need a longer pattern than %s (%" PRIu32 " bits)",
			max_delay_bits, tolerance_bits, evl_pattern_name(name, pattern), period);
	}
	enum evl_status status = check_sent(sent, n, period, tolerance_bits, err);
	if (status < 0) {
		return status;
	}
	struct guess *g = calloc(n * n, sizeof(*g));
	if (g == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "out of memory for %zu channels", n);
	}
	size_t count = 0;
	for (size_t i = 0; i < n; i++) {
		for (size_t j = 0; seen[i].present && j < n; j++) {
			uint32_t d = minus(sent[j], seen[i].offset % period, period);
			if (d <= max_delay_bits) {
				g[count++] = (struct guess){d, (uint32_t)i, (uint32_t)j};
			}
		}
	}
	qsort(g, count, sizeof(*g), by_delay);
	struct cluster best = densest(g, 0, count, 2 * tolerance_bits);
	if (best.count > 0) {
		m->delay_bits =
			g[best.from].delay + (g[best.to - 1].delay - g[best.from].delay) / 2;
		m->agree = best.count;
		struct cluster before = densest(g, 0, best.from, 2 * tolerance_bits);
		struct cluster after = densest(g, best.to, count, 2 * tolerance_bits);
		m->second = before.count > after.count ? before.count : after.count;
		m->certain = m->agree > m->second;
	}
	free(g);
	for (size_t i = 0; i < n; i++) {
		at[i] = (struct evl_phase_arrival){.place = EVL_PHASE_NOTHING, .channel = i};
		if (!seen[i].present) {
			m->nothing++;
		} else {
			place(m, &at[i], sent, seen[i].offset % period, i, n, period,
				tolerance_bits);
		}
	}
	return EVL_OK;
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "core/signal/rng.h"

#include <float.h>

#include "core/base/err.h"

/* The thresholds of the gaps must come out the same everywhere: plain IEEE doubles only
 * (meson.build also switches contraction to fused operations off). */
_Static_assert(FLT_EVAL_METHOD == 0, "double arithmetic must not be done in a wider type");
_Static_assert(DBL_MANT_DIG == 53, "IEEE 754 binary64 is required");

uint64_t evl_splitmix64(uint64_t *state)
{
	uint64_t z = *state += 0x9e3779b97f4a7c15u;
	z = (z ^ z >> 30) * 0xbf58476d1ce4e5b9u;
	z = (z ^ z >> 27) * 0x94d049bb133111ebu;
	return z ^ z >> 31;
}

void evl_rng_init(struct evl_rng *rng, uint64_t seed, uint64_t stream)
{
	/* The stream is mixed before it meets the seed, so that neighbours share no pattern. */
	uint64_t s = stream;
	uint64_t state = seed ^ evl_splitmix64(&s);
	for (int i = 0; i < 4; i++) {
		rng->s[i] = evl_splitmix64(&state);
	}
}

static uint64_t rotl(uint64_t v, unsigned n)
{
	return v << n | v >> (64 - n);
}

uint64_t evl_rng_next(struct evl_rng *rng)
{
	uint64_t *s = rng->s;
	uint64_t result = rotl(s[1] * 5, 7) * 9;
	uint64_t t = s[1] << 17;
	s[2] ^= s[0];
	s[3] ^= s[1];
	s[1] ^= s[2];
	s[0] ^= s[3];
	s[2] ^= t;
	s[3] = rotl(s[3], 45);
	return result;
}

uint64_t evl_rng_below(struct evl_rng *rng, uint64_t bound)
{
	evl_require(bound > 0);
	uint64_t refuse = (UINT64_MAX - bound + 1) % bound; /* 2^64 mod bound */
	uint64_t v;
	do {
		v = evl_rng_next(rng);
	} while (v < refuse);
	return v % bound;
}

void evl_rng_gap_init(struct evl_rng_gap *gap, uint64_t numerator, uint64_t denominator)
{
	const uint64_t two53 = (uint64_t)1 << 53;
	evl_require(denominator > 0 && denominator <= two53 && numerator <= denominator);
	*gap = (struct evl_rng_gap){0};
	if (numerator == 0) {
		gap->fixed = UINT64_MAX;
		return;
	}
	/* u = 1 - q^(2^j) keeps its precision where q is near 1; doubling j makes it u (2 - u). */
	double u = (double)numerator / (double)denominator;
	while (gap->digits < EVL_RNG_GAP_DIGITS) {
		double p = (1.0 - u) / (2.0 - u);
		uint64_t t = (uint64_t)(p * (double)two53) << 11;
		if (t == 0) {
			break;
		}
		gap->threshold[gap->digits++] = t;
		u = u * (2.0 - u);
	}
}

uint64_t evl_rng_gap_next(const struct evl_rng_gap *gap, struct evl_rng *rng)
{
	if (gap->digits == 0) {
		return gap->fixed;
	}
	uint64_t v = 0;
	for (unsigned j = 0; j < gap->digits; j++) {
		v |= (uint64_t)(evl_rng_next(rng) < gap->threshold[j]) << j;
	}
	return v;
}

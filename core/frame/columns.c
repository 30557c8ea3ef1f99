/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/columns.h"

#include <string.h>

#include "core/frame/klm.h"

/* Byte i of all TUs lies in 63 neighbouring bytes of the VC-4. */
static uint32_t line_of(uint32_t i)
{
	return i / 4 * EVL_VC4_COLUMNS + EVL_TU12_FIRST + i % 4 * EVL_KLM_COUNT;
}

void evl_columns_split_portable(uint8_t tu[EVL_TU12_ROWS][EVL_TU12_STRIDE], const uint8_t *vc4)
{
	for (uint32_t i = 0; i < EVL_TU12_BYTES; i++) {
		const uint8_t *line = vc4 + line_of(i);
		for (uint32_t t = 0; t < EVL_KLM_COUNT; t++) {
			tu[t][i] = line[t];
		}
	}
}

void evl_columns_join_portable(uint8_t *vc4, uint8_t tu[EVL_TU12_ROWS][EVL_TU12_STRIDE])
{
	for (uint32_t i = 0; i < EVL_TU12_BYTES; i++) {
		uint8_t *line = vc4 + line_of(i);
		for (uint32_t t = 0; t < EVL_KLM_COUNT; t++) {
			line[t] = tu[t][i];
		}
	}
}

#ifdef __SSE2__
#include <emmintrin.h>

/* A transposition of 16 x 16 bytes is four perfect shuffles of 16 registers: each round moves one
 * bit of the register number into the position and one bit of the position into the number. */
#define PAIR16(out, in, i)                                                                         \
	out[2 * (i)] = _mm_unpacklo_epi8(in[i], in[(i) + 8]);                                      \
	out[2 * (i) + 1] = _mm_unpackhi_epi8(in[i], in[(i) + 8])

/* Written out, so that the compiler keeps all in registers as far as it can. */
#define ROUND16(out, in)                                                                           \
	do {                                                                                       \
		PAIR16(out, in, 0);                                                                \
		PAIR16(out, in, 1);                                                                \
		PAIR16(out, in, 2);                                                                \
		PAIR16(out, in, 3);                                                                \
		PAIR16(out, in, 4);                                                                \
		PAIR16(out, in, 5);                                                                \
		PAIR16(out, in, 6);                                                                \
		PAIR16(out, in, 7);                                                                \
	} while (0)

#define LOAD16(i, p)  v[i] = _mm_loadu_si128((const __m128i *)(const void *)(p))
#define STORE16(p, i) _mm_storeu_si128((__m128i *)(void *)(p), v[i])
#define EACH16(X)                                                                                  \
	do {                                                                                       \
		X(0), X(1), X(2), X(3), X(4), X(5), X(6), X(7), X(8), X(9), X(10), X(11), X(12),   \
			X(13), X(14), X(15);                                                       \
	} while (0)

/* 16 lines of the VC-4 from `line` on, at the TUs t.., to bytes `line`.. of those TUs. */
static inline void split16(uint8_t tu[EVL_TU12_ROWS][EVL_TU12_STRIDE], const uint8_t *vc4,
			   uint32_t t, uint32_t line)
{
	__m128i v[16], w[16];
	const uint8_t *p = vc4 + line_of(line) + t;
#define X(i) LOAD16(i, p + (i) / 4 * EVL_VC4_COLUMNS + (i) % 4 * EVL_KLM_COUNT)
	EACH16(X);
#undef X
	ROUND16(w, v);
	ROUND16(v, w);
	ROUND16(w, v);
	ROUND16(v, w);
#define X(i) STORE16(tu[t + (i)] + line, i)
	EACH16(X);
#undef X
}

static inline void join16(uint8_t *vc4, uint8_t tu[EVL_TU12_ROWS][EVL_TU12_STRIDE], uint32_t t,
			  uint32_t line)
{
	__m128i v[16], w[16];
	uint8_t *p = vc4 + line_of(line) + t;
#define X(i) LOAD16(i, tu[t + (i)] + line)
	EACH16(X);
#undef X
	ROUND16(w, v);
	ROUND16(v, w);
	ROUND16(w, v);
	ROUND16(v, w);
#define X(i) STORE16(p + (i) / 4 * EVL_VC4_COLUMNS + (i) % 4 * EVL_KLM_COUNT, i)
	EACH16(X);
#undef X
}

/* The same for 16 x 4 bytes: four registers of four groups of four bytes. */
static inline void round4(__m128i *out, const __m128i *in)
{
	for (int i = 0; i < 2; i++) {
		out[2 * i] = _mm_unpacklo_epi8(in[i], in[i + 2]);
		out[2 * i + 1] = _mm_unpackhi_epi8(in[i], in[i + 2]);
	}
}

void evl_columns_split(uint8_t tu[EVL_TU12_ROWS][EVL_TU12_STRIDE], const uint8_t *vc4)
{
	__m128i v[4];
	for (uint32_t t = 0; t < EVL_TU12_ROWS; t += 16) {
		split16(tu, vc4, t, 0);
		split16(tu, vc4, t, 16);
		/* Bytes 32..35: four lines of 16 TUs become 16 groups of four bytes. */
		for (uint32_t k = 0; k < 4; k++) {
			v[k] = _mm_loadu_si128(
				(const __m128i *)(const void *)(vc4 + line_of(32 + k) + t));
		}
		__m128i a = _mm_unpacklo_epi8(v[0], v[1]), b = _mm_unpackhi_epi8(v[0], v[1]);
		__m128i c = _mm_unpacklo_epi8(v[2], v[3]), d = _mm_unpackhi_epi8(v[2], v[3]);
		__m128i q[4] = {_mm_unpacklo_epi16(a, c), _mm_unpackhi_epi16(a, c),
				_mm_unpacklo_epi16(b, d), _mm_unpackhi_epi16(b, d)};
		uint32_t words[16];
		for (uint32_t k = 0; k < 4; k++) {
			_mm_storeu_si128((__m128i *)(void *)(words + 4 * k), q[k]);
		}
		for (uint32_t k = 0; k < 16; k++) {
			memcpy(tu[t + k] + 32, &words[k], 4);
		}
	}
}

void evl_columns_join(uint8_t *vc4, uint8_t tu[EVL_TU12_ROWS][EVL_TU12_STRIDE])
{
	__m128i v[4];
	/* Every line is written 64 bytes wide, one too many: the byte too many is put right by
	 * the line after, for this reason lines are written in rising order per block of TUs and
	 * the last block, which has it, goes first. */
	for (uint32_t t = EVL_TU12_ROWS; t > 0;) {
		t -= 16;
		join16(vc4, tu, t, 0);
		join16(vc4, tu, t, 16);
		__m128i w[4];
		uint32_t words[16];
		for (uint32_t k = 0; k < 16; k++) {
			memcpy(&words[k], tu[t + k] + 32, 4);
		}
		for (uint32_t k = 0; k < 4; k++) {
			v[k] = _mm_loadu_si128((const __m128i *)(const void *)(words + 4 * k));
		}
		round4(w, v);
		round4(v, w);
		round4(w, v);
		round4(v, w);
		for (uint32_t k = 0; k < 4; k++) {
			_mm_storeu_si128((__m128i *)(void *)(vc4 + line_of(32 + k) + t), v[k]);
		}
	}
}
#else
void evl_columns_split(uint8_t tu[EVL_TU12_ROWS][EVL_TU12_STRIDE], const uint8_t *vc4)
{
	evl_columns_split_portable(tu, vc4);
}

void evl_columns_join(uint8_t *vc4, uint8_t tu[EVL_TU12_ROWS][EVL_TU12_STRIDE])
{
	evl_columns_join_portable(vc4, tu);
}
#endif

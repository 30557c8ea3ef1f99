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
static inline void round16(__m128i *out, const __m128i *in)
{
	for (int i = 0; i < 8; i++) {
		out[2 * i] = _mm_unpacklo_epi8(in[i], in[i + 8]);
		out[2 * i + 1] = _mm_unpackhi_epi8(in[i], in[i + 8]);
	}
}

static inline void transpose16(__m128i *v)
{
	__m128i w[16];
	round16(w, v);
	round16(v, w);
	round16(w, v);
	round16(v, w);
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
	__m128i v[16];
	for (uint32_t t = 0; t < EVL_TU12_ROWS; t += 16) {
		for (uint32_t i = 0; i < 32; i += 16) {
			for (uint32_t k = 0; k < 16; k++) {
				v[k] = _mm_loadu_si128(
					(const __m128i *)(const void *)(vc4 + line_of(i + k) + t));
			}
			transpose16(v);
			for (uint32_t k = 0; k < 16; k++) {
				_mm_storeu_si128((__m128i *)(void *)(tu[t + k] + i), v[k]);
			}
		}
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
	__m128i v[16];
	/* Every line is written 64 bytes wide, one too many: the byte too many is put right by
	 * the line after, for this reason lines are written in rising order per block of TUs and
	 * the last block, which has it, goes first. */
	for (uint32_t t = EVL_TU12_ROWS; t > 0;) {
		t -= 16;
		for (uint32_t i = 0; i < 32; i += 16) {
			for (uint32_t k = 0; k < 16; k++) {
				v[k] = _mm_loadu_si128(
					(const __m128i *)(const void *)(tu[t + k] + i));
			}
			transpose16(v);
			for (uint32_t k = 0; k < 16; k++) {
				_mm_storeu_si128((__m128i *)(void *)(vc4 + line_of(i + k) + t),
						 v[k]);
			}
		}
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

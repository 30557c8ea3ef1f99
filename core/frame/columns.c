/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/columns.h"

#include <string.h>

#include "core/signal/simd.h"

#define VC4_TU12                                                                                   \
	{                                                                                          \
		EVL_VC4_COLUMNS, EVL_TU12_FIRST, 63, 63, 4, EVL_TU12_BYTES                         \
	}
#define VC4_TU11                                                                                   \
	{                                                                                          \
		EVL_VC4_COLUMNS, EVL_TU12_FIRST, 84, 84, 3, EVL_TU11_BYTES                         \
	}
#define VC3_TU12                                                                                   \
	{                                                                                          \
		EVL_VC3_PAYLOAD, 0, 21, 21, 4, EVL_TU12_BYTES                                      \
	}
#define VC3_TU11                                                                                   \
	{                                                                                          \
		EVL_VC3_PAYLOAD, 0, 28, 28, 3, EVL_TU11_BYTES                                      \
	}

#define VC3_WHOLE_TU11                                                                             \
	{                                                                                          \
		EVL_VC3_COLUMNS, 1, 28, 29, 3, EVL_TU11_BYTES                                      \
	}

const struct evl_columns_shape evl_columns_vc4_tu12 = VC4_TU12, evl_columns_vc4_tu11 = VC4_TU11,
			       evl_columns_vc3_tu12 = VC3_TU12, evl_columns_vc3_tu11 = VC3_TU11,
			       evl_columns_vc3_whole_tu11 = VC3_WHOLE_TU11;

/* Byte i of all TUs lies in `width` neighbouring bytes of the VC. */
static inline uint32_t line_of(const struct evl_columns_shape *s, uint32_t i)
{
	return i / s->per_row * s->stride + s->first + i % s->per_row * s->step;
}

void evl_columns_split_portable(
	const struct evl_columns_shape *shape, uint8_t (*tu)[EVL_TU_STRIDE], const uint8_t *vc)
{
	for (uint32_t i = 0; i < shape->bytes; i++) {
		const uint8_t *line = vc + line_of(shape, i);
		for (uint32_t t = 0; t < shape->width; t++) {
			tu[t][i] = line[t];
		}
	}
}

void evl_columns_join_portable(
	const struct evl_columns_shape *shape, uint8_t *vc, uint8_t (*tu)[EVL_TU_STRIDE])
{
	for (uint32_t i = 0; i < shape->bytes; i++) {
		uint8_t *line = vc + line_of(shape, i);
		for (uint32_t t = 0; t < shape->width; t++) {
			line[t] = tu[t][i];
		}
	}
}

#ifdef __SSE2__
#include <immintrin.h>

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

/* 16 lines of the VC from `line` on, at the TUs t.., to bytes `line`.. of those TUs. */
static inline void split16(const struct evl_columns_shape *s, uint8_t (*tu)[EVL_TU_STRIDE],
	const uint8_t *vc, uint32_t t, uint32_t line)
{
	__m128i v[16], w[16];
#define X(i) LOAD16(i, vc + line_of(s, line + (i)) + t)
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

/* Lines are put together here, because 16 bytes that lie across 16 are slow to write. */
#define STAGE 96u /* bytes from line to line */

static inline void join16(uint8_t *stage, uint8_t (*tu)[EVL_TU_STRIDE], uint32_t t, uint32_t line)
{
	__m128i v[16], w[16];
#define X(i) LOAD16(i, tu[t + (i)] + line)
	EACH16(X);
#undef X
	ROUND16(w, v);
	ROUND16(v, w);
	ROUND16(w, v);
	ROUND16(v, w);
#define X(i) STORE16(stage + STAGE * (line + (i)) + t, i)
	EACH16(X);
#undef X
}

/* Bytes 32..35 of a TU-12: four lines of 16 TUs become 16 groups of four bytes. */
static inline void split4(const struct evl_columns_shape *s, uint8_t (*tu)[EVL_TU_STRIDE],
	const uint8_t *vc, uint32_t t)
{
	__m128i v[4];
	for (uint32_t k = 0; k < 4; k++) {
		v[k] = _mm_loadu_si128(
			(const __m128i *)(const void *)(vc + line_of(s, 32 + k) + t));
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

/* Four registers of four groups of four bytes. */
static inline void round4(__m128i *out, const __m128i *in)
{
	for (int i = 0; i < 2; i++) {
		out[2 * i] = _mm_unpacklo_epi8(in[i], in[i + 2]);
		out[2 * i + 1] = _mm_unpackhi_epi8(in[i], in[i + 2]);
	}
}

static inline __m128i load4(const uint8_t *p)
{
	int32_t word;
	memcpy(&word, p, sizeof(word));
	return _mm_cvtsi32_si128(word);
}

static inline void join4(uint8_t *stage, uint8_t (*tu)[EVL_TU_STRIDE], uint32_t t)
{
	__m128i v[4], w[4];
	for (uint32_t k = 0; k < 4; k++) {
		const __m128i low = _mm_unpacklo_epi32(
			load4(tu[t + 4 * k] + 32), load4(tu[t + 4 * k + 1] + 32));
		const __m128i high = _mm_unpacklo_epi32(
			load4(tu[t + 4 * k + 2] + 32), load4(tu[t + 4 * k + 3] + 32));
		v[k] = _mm_unpacklo_epi64(low, high);
	}
	round4(w, v);
	round4(v, w);
	round4(w, v);
	round4(v, w);
	for (uint32_t k = 0; k < 4; k++) {
		_mm_storeu_si128((__m128i *)(void *)(stage + STAGE * (32 + k) + t), v[k]);
	}
}

/* The last 11 of the 27 bytes of a TU-11 are done with the 5 before them once more. */
#define TU11_REST (EVL_TU11_BYTES - 16)

static inline void split_any(
	const struct evl_columns_shape *s, uint8_t (*tu)[EVL_TU_STRIDE], const uint8_t *vc)
{
	for (uint32_t t = 0; t < s->width; t += 16) {
		split16(s, tu, vc, t, 0);
		if (s->bytes == EVL_TU11_BYTES) {
			split16(s, tu, vc, t, TU11_REST);
		} else {
			split16(s, tu, vc, t, 16);
			split4(s, tu, vc, t);
		}
	}
}

#ifdef __x86_64__
/* 32 bytes at a time, the last of a line with some before them once more. */
__attribute__((target("avx2"))) static void put_lines_avx2(
	const struct evl_columns_shape *s, uint8_t *vc, const uint8_t *stage)
{
	for (uint32_t i = 0; i < s->bytes; i++) {
		uint8_t *to = vc + line_of(s, i);
		const uint8_t *from = stage + STAGE * i;
		for (uint32_t t = 0; t < s->width; t += 32) {
			const uint32_t at = t + 32 <= s->width ? t : s->width - 32u;
			const __m256i v =
				_mm256_loadu_si256((const __m256i *)(const void *)(from + at));
			_mm256_storeu_si256((__m256i *)(void *)(to + at), v);
		}
	}
}
#else
static void put_lines_avx2(const struct evl_columns_shape *s, uint8_t *vc, const uint8_t *stage)
{
	(void)s, (void)vc, (void)stage; /* no such processor */
}
#endif

/* Every line is written in steps of 16 bytes, some too many: the bytes too many are put right by
 * the line after. */
static inline void join_any(
	const struct evl_columns_shape *s, uint8_t *vc, uint8_t (*tu)[EVL_TU_STRIDE])
{
	_Alignas(16) uint8_t stage[STAGE * EVL_TU12_BYTES];
	for (uint32_t t = 0; t < s->width; t += 16) {
		join16(stage, tu, t, 0);
		if (s->bytes == EVL_TU11_BYTES) {
			join16(stage, tu, t, TU11_REST);
		} else {
			join16(stage, tu, t, 16);
			join4(stage, tu, t);
		}
	}
	if (s->width >= 32 && evl_simd_now() == EVL_SIMD_AVX2) {
		put_lines_avx2(s, vc, stage);
		return;
	}
	for (uint32_t i = 0; i < s->bytes; i++) {
		uint8_t *to = vc + line_of(s, i);
		for (uint32_t t = 0; t < s->width; t += 16) {
			memcpy(to + t, stage + STAGE * i + t, 16);
		}
	}
}
#else
static inline void split_any(
	const struct evl_columns_shape *s, uint8_t (*tu)[EVL_TU_STRIDE], const uint8_t *vc)
{
	evl_columns_split_portable(s, tu, vc);
}

static inline void join_any(
	const struct evl_columns_shape *s, uint8_t *vc, uint8_t (*tu)[EVL_TU_STRIDE])
{
	evl_columns_join_portable(s, vc, tu);
}
#endif

/* One copy of the code for each shape, with the shape as constants. */
void evl_columns_split(uint8_t tu[EVL_TU12_ROWS][EVL_TU_STRIDE], const uint8_t *vc4)
{
	const struct evl_columns_shape s = VC4_TU12;
	split_any(&s, tu, vc4);
}

void evl_columns_join(uint8_t *vc4, uint8_t tu[EVL_TU12_ROWS][EVL_TU_STRIDE])
{
	const struct evl_columns_shape s = VC4_TU12;
	join_any(&s, vc4, tu);
}

void evl_columns_split_tu11(uint8_t tu[EVL_TU11_ROWS][EVL_TU_STRIDE], const uint8_t *vc4)
{
	const struct evl_columns_shape s = VC4_TU11;
	split_any(&s, tu, vc4);
}

void evl_columns_join_tu11(uint8_t *vc4, uint8_t tu[EVL_TU11_ROWS][EVL_TU_STRIDE])
{
	const struct evl_columns_shape s = VC4_TU11;
	join_any(&s, vc4, tu);
}

void evl_columns_split_vc3(
	uint8_t tu[EVL_VC3_ROWS][EVL_TU_STRIDE], const uint8_t *payload, bool tu11)
{
	const struct evl_columns_shape s12 = VC3_TU12, s11 = VC3_TU11;
	if (tu11) {
		split_any(&s11, tu, payload);
	} else {
		split_any(&s12, tu, payload);
	}
}

void evl_columns_join_vc3(uint8_t *payload, uint8_t tu[EVL_VC3_ROWS][EVL_TU_STRIDE], bool tu11)
{
	const struct evl_columns_shape s12 = VC3_TU12, s11 = VC3_TU11;
	if (tu11) {
		join_any(&s11, payload, tu);
	} else {
		join_any(&s12, payload, tu);
	}
}

void evl_columns_split_whole_vc3(uint8_t tu[EVL_VC3_ROWS][EVL_TU_STRIDE], const uint8_t *vc3)
{
	const struct evl_columns_shape s = VC3_WHOLE_TU11;
	split_any(&s, tu, vc3);
}

void evl_columns_join_whole_vc3(uint8_t *vc3, uint8_t tu[EVL_VC3_ROWS][EVL_TU_STRIDE])
{
	const struct evl_columns_shape s = VC3_WHOLE_TU11;
	join_any(&s, vc3, tu);
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "core/signal/bip.h"

#include <string.h>

#include "core/base/err.h"

static uint64_t load64(const uint8_t *p)
{
	uint64_t v;
	memcpy(&v, p, 8);
	return v;
}

uint8_t evl_bip8(const uint8_t *data, size_t bytes)
{
	uint64_t a = 0, b = 0, c = 0, d = 0;
	size_t i = 0;
	for (; i + 32 <= bytes; i += 32) {
		a ^= load64(data + i);
		b ^= load64(data + i + 8);
		c ^= load64(data + i + 16);
		d ^= load64(data + i + 24);
	}
	for (; i + 8 <= bytes; i += 8) {
		a ^= load64(data + i);
	}
	a ^= b ^ c ^ d;
	a ^= a >> 32;
	a ^= a >> 16;
	a ^= a >> 8;
	unsigned x = (unsigned)(a & 0xff);
	for (; i < bytes; i++) {
		x ^= data[i];
	}
	return (uint8_t)x;
}

uint8_t evl_bip8_rows(const uint8_t *data, size_t columns, size_t rows, size_t stride)
{
	unsigned x = 0;
	for (size_t r = 0; r < rows; r++) {
		x ^= evl_bip8(data + r * stride, columns);
	}
	return (uint8_t)x;
}

uint8_t evl_bip2_of_bip8(uint8_t bip8)
{
	/* Adding pairs of bits modulo 2 leaves bits 1 and 2 of G.707 in the lowest pair. */
	unsigned x = bip8;
	x ^= x >> 4;
	x ^= x >> 2;
	return (uint8_t)(x & 3);
}

uint8_t evl_bip2(const uint8_t *data, size_t bytes)
{
	return evl_bip2_of_bip8(evl_bip8(data, bytes));
}

void evl_bip24_rows(uint8_t acc[3], const uint8_t *data, size_t columns, size_t rows, size_t stride)
{
	evl_require(columns % 3 == 0);
	uint64_t w[3] = {0, 0, 0}; /* 24 bytes at a time: byte i belongs to column class i mod 3 */
	for (size_t r = 0; r < rows; r++) {
		const uint8_t *p = data + r * stride;
		size_t i = 0;
		for (; i + 24 <= columns; i += 24) {
			w[0] ^= load64(p + i);
			w[1] ^= load64(p + i + 8);
			w[2] ^= load64(p + i + 16);
		}
		for (; i < columns; i += 3) {
			acc[0] ^= p[i];
			acc[1] ^= p[i + 1];
			acc[2] ^= p[i + 2];
		}
	}
	uint8_t bytes[24];
	memcpy(bytes, w, sizeof(bytes));
	for (size_t i = 0; i < sizeof(bytes); i++) {
		acc[i % 3] ^= bytes[i];
	}
}

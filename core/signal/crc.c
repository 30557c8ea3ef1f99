/* SPDX-License-Identifier: Apache-2.0 */
#include "core/signal/crc.h"

#include <pthread.h>

#include "core/base/bytes.h"
#include "core/base/err.h"

/* The short ones work left-aligned in a byte: the remainder's first bit is the byte's top bit. */
static uint8_t table4[256];
static uint8_t table6[256];
static uint8_t table7[256];
static uint32_t table32[8][256]; /* table32[j]: a byte that j more bytes follow */
static pthread_once_t once = PTHREAD_ONCE_INIT;

static void make_short(uint8_t table[256], unsigned width, unsigned poly)
{
	unsigned top = poly << (8 - width);
	for (unsigned i = 0; i < 256; i++) {
		unsigned v = i;
		for (unsigned bit = 0; bit < 8; bit++) {
			v = (v << 1 & 0xff) ^ ((v & 0x80) ? top : 0);
		}
		table[i] = (uint8_t)v;
	}
}

static void make(void)
{
	make_short(table4, 4, 0x3);
	make_short(table6, 6, 0x03);
	make_short(table7, 7, 0x09);
	for (uint32_t i = 0; i < 256; i++) {
		uint32_t v = i;
		for (unsigned bit = 0; bit < 8; bit++) {
			v = v >> 1 ^ ((v & 1) ? 0xedb88320u : 0); /* 04C11DB7 reflected */
		}
		table32[0][i] = v;
	}
	for (uint32_t i = 0; i < 256; i++) {
		for (unsigned j = 1; j < 8; j++) {
			uint32_t v = table32[j - 1][i];
			table32[j][i] = v >> 8 ^ table32[0][v & 0xff];
		}
	}
}

static void prepare(void)
{
	int failed = pthread_once(&once, make);
	evl_require(failed == 0);
}

static uint8_t crc_short(const uint8_t table[256], unsigned width, uint8_t crc, const uint8_t *data,
			 size_t bytes)
{
	unsigned v = (unsigned)crc << (8 - width) & 0xff;
	for (size_t i = 0; i < bytes; i++) {
		v = table[v ^ data[i]];
	}
	return (uint8_t)(v >> (8 - width));
}

uint8_t evl_crc4(uint8_t crc, const uint8_t *data, size_t bytes)
{
	prepare();
	return crc_short(table4, 4, crc, data, bytes);
}

uint8_t evl_crc6(uint8_t crc, const uint8_t *data, size_t bytes)
{
	prepare();
	return crc_short(table6, 6, crc, data, bytes);
}

uint8_t evl_crc7(uint8_t crc, const uint8_t *data, size_t bytes)
{
	prepare();
	return crc_short(table7, 7, crc, data, bytes);
}

uint8_t evl_crc7_trace(const uint8_t text[15])
{
	const uint8_t marker = 0x80;
	return (uint8_t)(marker | evl_crc7(evl_crc7(0, &marker, 1), text, 15));
}

uint32_t evl_crc32(uint32_t crc, const void *data, size_t bytes)
{
	prepare();
	const uint8_t *p = data;
	uint32_t c = ~crc;
	for (; bytes >= 8; bytes -= 8, p += 8) {
		uint32_t lo = evl_load_le32(p) ^ c;
		uint32_t hi = evl_load_le32(p + 4);
		c = table32[7][lo & 0xff] ^ table32[6][lo >> 8 & 0xff] ^
		    table32[5][lo >> 16 & 0xff] ^ table32[4][lo >> 24] ^ table32[3][hi & 0xff] ^
		    table32[2][hi >> 8 & 0xff] ^ table32[1][hi >> 16 & 0xff] ^ table32[0][hi >> 24];
	}
	if (bytes >= 4) {
		c ^= evl_load_le32(p);
		c = table32[3][c & 0xff] ^ table32[2][c >> 8 & 0xff] ^ table32[1][c >> 16 & 0xff] ^
		    table32[0][c >> 24];
		bytes -= 4;
		p += 4;
	}
	for (; bytes > 0; bytes--, p++) {
		c = c >> 8 ^ table32[0][(c ^ *p) & 0xff];
	}
	return ~c;
}

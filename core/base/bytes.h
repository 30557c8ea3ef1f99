/* SPDX-License-Identifier: Apache-2.0 */
/* Loads and stores of fixed byte order at any alignment; bits count from the most significant. */
#pragma once

#include <stdint.h>
#include <string.h>

static inline uint16_t evl_load_be16(const uint8_t *p)
{
	return (uint16_t)((uint16_t)p[0] << 8 | p[1]);
}

static inline uint32_t evl_load_be32(const uint8_t *p)
{
	return (uint32_t)p[0] << 24 | (uint32_t)p[1] << 16 | (uint32_t)p[2] << 8 | p[3];
}

static inline uint64_t evl_load_be64(const uint8_t *p)
{
	return (uint64_t)evl_load_be32(p) << 32 | evl_load_be32(p + 4);
}

static inline void evl_store_be16(uint8_t *p, uint16_t v)
{
	p[0] = (uint8_t)(v >> 8);
	p[1] = (uint8_t)v;
}

static inline void evl_store_be32(uint8_t *p, uint32_t v)
{
	evl_store_be16(p, (uint16_t)(v >> 16));
	evl_store_be16(p + 2, (uint16_t)v);
}

static inline void evl_store_be64(uint8_t *p, uint64_t v)
{
	evl_store_be32(p, (uint32_t)(v >> 32));
	evl_store_be32(p + 4, (uint32_t)v);
}

static inline uint16_t evl_load_le16(const uint8_t *p)
{
	return (uint16_t)((uint16_t)p[1] << 8 | p[0]);
}

static inline uint32_t evl_load_le32(const uint8_t *p)
{
	return (uint32_t)p[3] << 24 | (uint32_t)p[2] << 16 | (uint32_t)p[1] << 8 | p[0];
}

static inline uint64_t evl_load_le64(const uint8_t *p)
{
	return (uint64_t)evl_load_le32(p + 4) << 32 | evl_load_le32(p);
}

static inline void evl_store_le16(uint8_t *p, uint16_t v)
{
	p[0] = (uint8_t)v;
	p[1] = (uint8_t)(v >> 8);
}

static inline void evl_store_le32(uint8_t *p, uint32_t v)
{
	evl_store_le16(p, (uint16_t)v);
	evl_store_le16(p + 2, (uint16_t)(v >> 16));
}

static inline void evl_store_le64(uint8_t *p, uint64_t v)
{
	evl_store_le32(p, (uint32_t)v);
	evl_store_le32(p + 4, (uint32_t)(v >> 32));
}

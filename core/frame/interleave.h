/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Byte interleaving of three AU-3 into an AUG and of four AUG into STM-4 (ITU-T G.707 7.1), and
 * back:
 *
 *	evl_interleave(dst, parts, 3, 87);	// dst[3 i + k] = parts[k][i]
 *	evl_deinterleave(parts, src, 4, 261);	// parts[k][i] = src[4 i + k]
 */
#pragma once

#include <stdint.h>

/* `ways` is 3 or 4; the parts are `bytes` long each. Nothing overlaps. */
void evl_interleave(uint8_t *dst, const uint8_t *const parts[], uint32_t ways, uint32_t bytes);
void evl_deinterleave(uint8_t *const parts[], const uint8_t *src, uint32_t ways, uint32_t bytes);

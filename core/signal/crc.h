/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Cyclic redundancy checks of this trade. "Line order" means: first bit sent = most significant bit
 * of byte 0, remainder read with its most significant bit sent first, as G.704 and G.707 draw it.
 *
 *	uint32_t crc = evl_crc32(0, data, bytes);
 *	crc = evl_crc32(crc, more, more_bytes);		// goes on over the next part
 */
#pragma once

#include <stddef.h>
#include <stdint.h>

/* x^4+x+1, line order (ITU-T G.704 2.3.3.5.3); begin with 0. C1 is bit 3 of the result. */
uint8_t evl_crc4(uint8_t crc, const uint8_t *data, size_t bytes);

/* x^6+x+1, line order (ITU-T G.704 2.1.3.1.2); begin with 0. C1 is bit 5 of the result. */
uint8_t evl_crc6(uint8_t crc, const uint8_t *data, size_t bytes);

/* x^7+x^3+1, line order (ITU-T G.707 Annex B); begin with 0. C1 is bit 6 of the result. */
uint8_t evl_crc7(uint8_t crc, const uint8_t *data, size_t bytes);

/* Byte 1 of a 16-byte trace identifier: the frame marker (most significant bit, 1) and the CRC-7
 * over the 16 bytes with the C bits taken as 0 (ITU-T G.707 Annex B). `text` are the other 15. */
uint8_t evl_crc7_trace(const uint8_t text[15]);

/* CRC-32 of HDLC FCS-32, zip and PNG (ISO/IEC 13239; RFC 1662 C.3); begin with 0. */
uint32_t evl_crc32(uint32_t crc, const void *data, size_t bytes);

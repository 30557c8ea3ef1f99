/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The bytes of the four quarters of an asynchronous VC without justification, between the store and
 * the TU: all that vc1_whole.c moves. With AVX2 where the processor has it (core/signal/simd.h).
 *
 *	parity = evl_vc1_move_out(out, stride, fifo->buf, fifo->read, poh, t1);
 *	parity = evl_vc1_move_in(fifo->buf, fifo->write, in, stride, t1);
 *
 * Quarter q lies at q * stride from `out` or `in`. Both return the XOR of all bytes of the VC, as
 * words. With t1 a VC-11 of 1544 kbit/s, else a VC-12 of 2048 kbit/s. A quarter has room for
 * EVL_VC1_MOVE_ROOM bytes: those behind the last are read and written. Of the store 16 bytes more.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#define EVL_VC1_MOVE_ROOM 35u

/* 4 * 193 or 4 * 256 bits that begin at bit `at`; poh: V5, J2, N2, K4. */
uint64_t evl_vc1_move_out(uint8_t *out, uint32_t stride, const uint8_t *buf, uint32_t at,
	const uint8_t poh[4], bool t1);

/* The bits go to bit `at` and on; the last byte may get more. */
uint64_t evl_vc1_move_in(uint8_t *buf, uint32_t at, const uint8_t *in, uint32_t stride, bool t1);

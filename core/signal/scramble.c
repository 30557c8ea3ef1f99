/* SPDX-License-Identifier: Apache-2.0 */
#include "core/signal/scramble.h"

#include <pthread.h>

#include "core/base/err.h"
#include "core/signal/bits.h"

static uint8_t keystream[EVL_STM1_FRAME_BYTES];
static pthread_once_t once = PTHREAD_ONCE_INIT;

/* The output is stage 7; stages 6 and 7 feed stage 1 (bit 0 here), so stage 7 is bit 6. */
static void make(void)
{
	unsigned reg = 0x7f;
	for (size_t i = EVL_STM1_UNSCRAMBLED; i < EVL_STM1_FRAME_BYTES; i++) {
		unsigned v = 0;
		for (unsigned bit = 0; bit < 8; bit++) {
			v = v << 1 | (reg >> 6 & 1);
			reg = (reg << 1 | ((reg >> 6 ^ reg >> 5) & 1)) & 0x7f;
		}
		keystream[i] = (uint8_t)v;
	}
}

const uint8_t *evl_scramble_stm1_keystream(void)
{
	int failed = pthread_once(&once, make);
	evl_require(failed == 0);
	return keystream;
}

void evl_scramble_stm1(uint8_t *data, size_t frames)
{
	const uint8_t *key = evl_scramble_stm1_keystream();
	for (size_t f = 0; f < frames; f++) {
		evl_bits_xor(data + f * EVL_STM1_FRAME_BYTES + EVL_STM1_UNSCRAMBLED,
			     key + EVL_STM1_UNSCRAMBLED,
			     EVL_STM1_FRAME_BYTES - EVL_STM1_UNSCRAMBLED);
	}
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/e1_build.h"

#include <string.h>

#include "core/base/alarm.h"
#include "core/frame/e1_receive.h"

#define TS16     16
#define CAS_Y    0x04u
#define CAS_IDLE 0x0du /* abcd 1101 (G.704, from memory) */

void evl_e1_builder_init(struct evl_e1_builder *b, enum evl_e1_framing framing, bool cas)
{
	*b = (struct evl_e1_builder){.si_fas = true,
		.si_nfas = true,
		.e_valid = true,
		.ts16_x = 7,
		.framing = framing == EVL_E1_CRC4_AUTO ? EVL_E1_CRC4 : framing,
		.cas = cas};
	memset(b->sa, 0xff, sizeof(b->sa));
	memset(b->abcd, CAS_IDLE, sizeof(b->abcd));
}

void evl_e1_builder_set_phase(struct evl_e1_builder *b, unsigned frame, unsigned cas_frame)
{
	b->frame = (uint8_t)(frame % 16);
	b->cas_frame = (uint8_t)(cas_frame % 16);
	b->ring = 0;
	b->spoil_crc = false;
	b->spoil_mfas = false;
}

static bool planted(uint32_t *left)
{
	if (*left == 0) {
		return false;
	}
	(*left)--;
	return true;
}

static bool e_bit(struct evl_e1_builder *b)
{
	if (!b->e_valid) {
		return false;
	}
	return !planted(&b->e_errors[b->frame == 15]);
}

/* Bit 1 of timeslot 0 with CRC-4. */
static bool multiframe_bit(struct evl_e1_builder *b)
{
	unsigned what = evl_e1_bit1_table[b->frame];
	switch (what) {
	case EVL_E1_BIT1_0:
	case EVL_E1_BIT1_1:
		if (b->frame == 1) {
			b->spoil_mfas = planted(&b->bad_crc_mfas);
		}
		return (what == EVL_E1_BIT1_1) != b->spoil_mfas;
	case EVL_E1_BIT1_E:
		return e_bit(b);
	case EVL_E1_BIT1_C1:
		b->spoil_crc = planted(&b->bad_crc);
		/* fall through */
	default:
		return (b->crc >> (3 - (what - EVL_E1_BIT1_C1)) & 1) != b->spoil_crc;
	}
}

static uint8_t sa_bits(const struct evl_e1_builder *b)
{
	if ((b->sa[0] & b->sa[1] & b->sa[2] & b->sa[3] & b->sa[4]) == 0xff) {
		return 0x1f;
	}
	unsigned shift = 7u - b->frame / 2;
	unsigned v = 0;
	for (unsigned i = 0; i < 5; i++) {
		v = v << 1 | (b->sa[i] >> shift & 1);
	}
	return (uint8_t)v;
}

static void timeslot0(struct evl_e1_builder *b, uint8_t *ts0)
{
	bool nfas = b->frame % 2 != 0;
	bool bit1 = b->framing == EVL_E1_CRC4 ? multiframe_bit(b) : nfas ? b->si_nfas : b->si_fas;
	unsigned v = (unsigned)bit1 << 7;
	if (nfas) {
		unsigned keep = b->sa_keep & 0x1fu;
		v |= planted(&b->bad_nfas) ? 0 : EVL_E1_NFAS_BIT2;
		v |= b->rai ? EVL_E1_NFAS_A : 0;
		v |= (sa_bits(b) & ~keep) | (*ts0 & keep);
	} else {
		v |= planted(&b->bad_fas) ? EVL_E1_FAS ^ EVL_E1_FAS_MASK : EVL_E1_FAS;
	}
	*ts0 = (uint8_t)v;
}

static void timeslot16(struct evl_e1_builder *b, uint8_t *ts16)
{
	unsigned n = b->cas_frame;
	if (n == 0) {
		unsigned x = b->ts16_x;
		unsigned v = (x << 1 & 0x08) | (b->ts16_rai ? CAS_Y : 0) | (x & 0x03);
		*ts16 = (uint8_t)(v | (planted(&b->bad_ts16_mfas) ? 0xf0u : 0));
	} else {
		/* Channels n and n + 15 (G.704 Table 9). */
		*ts16 = (uint8_t)((unsigned)b->abcd[n - 1] << 4 | (b->abcd[n + 14] & 0x0fu));
	}
	b->cas_frame = (uint8_t)((n + 1) % 16);
}

void evl_e1_build(struct evl_e1_builder *b, uint8_t *slab, uint32_t frames)
{
	if (b->framing == EVL_E1_UNFRAMED) {
		return;
	}
	for (uint32_t f = 0; f < frames; f++, slab += EVL_E1_FRAME_BYTES) {
		timeslot0(b, slab);
		if (b->cas) {
			timeslot16(b, slab + TS16);
		}
		if (b->framing == EVL_E1_CRC4) {
			b->ring = evl_e1_crc4_add(b->ring, slab, b->frame % 2 == 0);
			if (b->frame % 8 == 7) {
				b->crc = evl_e1_crc4_end(b->ring);
				b->ring = 0;
			}
		}
		b->frame = (uint8_t)((b->frame + 1) % 16);
	}
}

void evl_e1_builder_answer(struct evl_e1_builder *b, const struct evl_e1_receiver *r)
{
	const uint32_t upstream = 1u << EVL_ALARM_LOS | 1u << EVL_ALARM_LOF | 1u << EVL_ALARM_AIS;
	b->rai = (r->alarms & upstream) != 0;
	b->ts16_rai = r->options.cas && !r->cas.aligned;
	b->e_valid = r->multiframe == EVL_E1_MF_ALIGNED;
	for (int i = 0; i < 2; i++) {
		uint64_t more = r->counts.crc_errors[i] - b->told[i];
		b->told[i] = r->counts.crc_errors[i];
		uint64_t all = b->e_errors[i] + more;
		b->e_errors[i] = all < UINT32_MAX ? (uint32_t)all : UINT32_MAX;
		if (!b->e_valid) {
			b->e_errors[i] = 0;
		}
	}
}

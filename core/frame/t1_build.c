/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/t1_build.h"

#include "core/base/alarm.h"
#include "core/frame/t1_receive.h"

#define FLAG 0x7eu /* 01111110, link idle (T1.403) */

void evl_t1_builder_init(struct evl_t1_builder *b, enum evl_t1_framing framing)
{
	*b = (struct evl_t1_builder){.framing = framing};
}

static unsigned multiframe(const struct evl_t1_builder *b)
{
	return b->framing == EVL_T1_ESF ? EVL_T1_ESF_FRAMES : EVL_T1_SF_FRAMES;
}

void evl_t1_builder_set_phase(struct evl_t1_builder *b, unsigned number)
{
	unsigned n = multiframe(b);
	b->frame = (uint8_t)((number + n - 1) % n);
	b->ring = 0;
}

void evl_t1_builder_send(struct evl_t1_builder *b, uint8_t code, uint32_t repeats)
{
	b->code = code & 0x3f;
	b->repeats = repeats;
}

static bool planted(uint32_t *left)
{
	if (*left == 0) {
		return false;
	}
	(*left)--;
	return true;
}

static bool link_bit(struct evl_t1_builder *b)
{
	if (b->rai && b->japan) {
		return true;
	}
	if (b->message_left == 0) {
		if (b->rai) {
			b->message = EVL_T1_RAI_MESSAGE;
			b->message_left = 16;
		} else if (b->repeats > 0) {
			b->repeats--;
			b->message = EVL_T1_RAI_MESSAGE | (unsigned)b->code << 1;
			b->message_left = 16;
		}
	}
	if (b->message_left > 0) {
		b->flag_at = 0;
		return (b->message >> --b->message_left & 1) != 0;
	}
	if (b->link != NULL && b->link_at < b->link_bits) {
		uint64_t at = b->link_at++;
		b->flag_at = 0;
		return (b->link[at / 8] >> (7 - at % 8) & 1) != 0;
	}
	bool bit = (FLAG >> (7 - b->flag_at) & 1) != 0;
	b->flag_at = (uint8_t)((b->flag_at + 1) % 8);
	return bit;
}

static bool f_bit(struct evl_t1_builder *b)
{
	unsigned n = b->frame;
	if (b->framing == EVL_T1_SF) {
		bool bit = evl_t1_sf_table[n] != 0;
		if (n == 11 && b->rai && b->japan) {
			bit = true;
		}
		return bit != planted(&b->bad_f);
	}
	switch (evl_t1_esf_table[n]) {
	case EVL_T1_F_LINK:
		return link_bit(b);
	case EVL_T1_F_CRC:
		if (n == 1 && planted(&b->bad_crc)) {
			b->crc ^= 0x3f;
		}
		return (b->crc >> (5 - n / 4) & 1) != 0;
	default:
		return (evl_t1_esf_table[n] == EVL_T1_F_1) != planted(&b->bad_f);
	}
}

static void set_bit(uint8_t *slab, uint64_t bit, bool on)
{
	unsigned mask = 0x80u >> (bit % 8);
	slab[bit / 8] = (uint8_t)(on ? slab[bit / 8] | mask : slab[bit / 8] & ~mask);
}

/* Bit 8 of the robbed timeslots: a stride of 8 bits, so always the same bit of 24 bytes. */
static void rob(struct evl_t1_builder *b, uint8_t *slab, uint64_t f)
{
	unsigned which = 3u - b->frame / 6u; /* a, b, c, d */
	uint8_t *p = slab + (f + 8) / 8;
	unsigned low = 7u - (unsigned)((f + 8) % 8);
	for (unsigned s = 0; s < EVL_T1_SLOTS; s++) {
		unsigned robbed = b->robbed >> s & 1;
		unsigned bit = b->abcd[s] >> which & robbed;
		p[s] = (uint8_t)((p[s] & ~(robbed << low)) | bit << low);
	}
}

void evl_t1_build(struct evl_t1_builder *b, uint8_t *slab, uint32_t frames)
{
	if (b->framing == EVL_T1_UNFRAMED) {
		return;
	}
	unsigned n = multiframe(b);
	for (uint32_t i = 0; i < frames; i++) {
		uint64_t f = (uint64_t)i * EVL_T1_FRAME_BITS;
		bool bit = f_bit(b);
		set_bit(slab, f, bit);
		if (b->robbed != 0 && b->frame % 6 == 5) {
			rob(b, slab, f);
		}
		if (b->framing == EVL_T1_ESF) {
			uint8_t slots[EVL_T1_SLOTS];
			evl_t1_unpack(slots, slab, f);
			b->ring = evl_t1_crc6_add(b->ring, slots, b->japan ? bit : true);
			if (b->frame == EVL_T1_ESF_FRAMES - 1) {
				b->crc = evl_t1_crc6_end(b->ring);
				b->ring = 0;
			}
		} else if (b->rai && !b->japan) {
			for (unsigned s = 0; s < EVL_T1_SLOTS; s++) {
				set_bit(slab, f + 2 + 8 * s, false); /* bit 2, T1.403 */
			}
		}
		b->frame = (uint8_t)((b->frame + 1u) % n);
	}
}

void evl_t1_builder_answer(struct evl_t1_builder *b, const struct evl_t1_receiver *r)
{
	const uint32_t upstream = 1u << EVL_ALARM_LOS | 1u << EVL_ALARM_LOF | 1u << EVL_ALARM_OOF |
				  1u << EVL_ALARM_AIS;
	b->rai = (r->alarms & upstream) != 0;
}

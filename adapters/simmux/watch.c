/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/watch.h"

#include <stdlib.h>
#include <string.h>

#include "adapters/simmux/parts.h"
#include "core/signal/bits.h"

#define BIT(alarm)    (1u << (alarm))
#define SPOILT_FRAMES 32u /* so that alignment is lost before the multiframe is looked for anew */

bool simmux_framing_read(struct simmux_framing *out, bool e1, const char *text)
{
	static const struct {
		const char *text;
		bool e1, cas;
		uint8_t framing;
	} words[] = {
		{"unframed", true, false, EVL_E1_UNFRAMED},
		{"FAS", true, false, EVL_E1_FAS_ONLY},
		{"FAS CAS", true, true, EVL_E1_FAS_ONLY},
		{"CRC-4", true, false, EVL_E1_CRC4},
		{"CRC-4 CAS", true, true, EVL_E1_CRC4},
		{"unframed", false, false, EVL_T1_UNFRAMED},
		{"SF", false, false, EVL_T1_SF},
		{"ESF", false, false, EVL_T1_ESF},
	};

	for (uint32_t i = 0; i < sizeof(words) / sizeof(words[0]); i++) {
		if (words[i].e1 == e1 && strcmp(text, words[i].text) == 0) {
			*out = (struct simmux_framing){true, e1, words[i].cas, words[i].framing};
			return true;
		}
	}
	return false;
}

struct simmux_watch *simmux_watch_create(const struct simmux_framing *framing, uint32_t channel)
{
	struct simmux_watch *w = calloc(1, sizeof(*w));

	if (w != NULL) {
		w->framing = *framing;
		w->channel = channel;
	}
	return w;
}

void simmux_watch_destroy(struct simmux_watch *w)
{
	free(w);
}

/* ---- what is found ---- */

static uint32_t alarms_of(const struct simmux_watch *w)
{
	return !w->running ? 0 : w->framing.e1 ? w->e1.alarms : w->t1.alarms;
}

/* The receiver's bit as an instant of the unit: bits of a chunk come evenly. */
static uint64_t ns_of(const struct simmux_watch *w, uint64_t bit)
{
	const uint64_t chunk_ns = (uint64_t)SIMMUX_CHUNK_FRAMES * EVL_FRAME_NS;
	const uint64_t now = w->u->now * EVL_FRAME_NS;

	if (bit < w->fed) { /* found late: the receiver looked ahead */
		uint64_t back = (w->fed - bit) * chunk_ns / w->chunk_bits;

		return back < now ? now - back : 0;
	}
	return now + (bit - w->fed) * chunk_ns / w->chunk_bits;
}

static void on_event(
	void *ctx, uint32_t channel, enum evl_alarm alarm, bool raised, uint64_t bit_offset)
{
	struct simmux_watch *w = ctx;

	if (w->told) {
		simmux_defects_note(
			&w->u->defects, channel, (uint32_t)alarm, raised, ns_of(w, bit_offset));
	}
}

static void begin(struct simmux_watch *w)
{
	const struct evl_e1_options e1 = {
		.framing = (enum evl_e1_framing)w->framing.framing, .cas = w->framing.cas};
	const struct evl_t1_options t1 = {.framing = (enum evl_t1_framing)w->framing.framing};

	/* The options are in range. */
	if (w->framing.e1) {
		evl_require(
			evl_e1_receiver_init(&w->e1, &e1, w->channel, on_event, w, NULL) == EVL_OK);
	} else {
		evl_require(
			evl_t1_receiver_init(&w->t1, &t1, w->channel, on_event, w, NULL) == EVL_OK);
	}
	w->running = true;
	w->told = false;
	w->fed = 0;
}

void simmux_watch_stop(struct simmux_watch *w, struct simmux_unit *u)
{
	for (uint32_t a = EVL_ALARM_LOS; a < EVL_ALARM_COUNT && w->running; a++) {
		if ((alarms_of(w) >> a & 1u) != 0) {
			simmux_defects_note(
				&u->defects, w->channel, a, false, u->now * EVL_FRAME_NS);
		}
	}
	w->running = false;
}

void simmux_watch_feed(
	struct simmux_watch *w, struct simmux_unit *u, const uint8_t *data, uint32_t bytes)
{
	if (!w->running) {
		begin(w);
		w->began = u->now;
	}
	w->u = u;
	w->chunk_bits = (uint64_t)bytes * 8;
	if (!w->told && u->now >= w->began + SIMMUX_GRACE_FRAMES(w->framing.e1)) {
		w->told = true;
		for (uint32_t a = EVL_ALARM_LOS; a < EVL_ALARM_COUNT; a++) {
			if ((alarms_of(w) >> a & 1u) != 0) {
				simmux_defects_note(
					&u->defects, w->channel, a, true, u->now * EVL_FRAME_NS);
			}
		}
	}
	if (w->framing.e1) {
		(void)evl_e1_receive(&w->e1, data, bytes, NULL);
	} else {
		(void)evl_t1_receive(&w->t1, data, bytes, NULL);
	}
	w->fed += w->chunk_bits;
}

bool simmux_watch_lost(const struct simmux_watch *w)
{
	return w->told && (alarms_of(w) & (BIT(EVL_ALARM_LOS) | BIT(EVL_ALARM_LOF))) != 0;
}

/* ---- where frames lie ---- */

static bool aligned(const struct simmux_watch *w)
{
	const uint32_t none = BIT(EVL_ALARM_LOF) | BIT(EVL_ALARM_OOF);

	return w->framing.framing != 0 && w->running && (alarms_of(w) & none) == 0;
}

static uint32_t size_of(const struct simmux_watch *w)
{
	return w->framing.e1 ? EVL_E1_FRAME_BITS : EVL_T1_FRAME_BITS;
}

/* Where the frame begins, in a chunk, in which the chunk begins: 0 or less. `bit` is where any
 * frame began; both count what is fed. */
static int64_t first_of(uint64_t bit, uint64_t chunk_first, uint32_t size)
{
	uint32_t later = (uint32_t)((bit % size + size - chunk_first % size) % size);

	return later == 0 ? 0 : (int64_t)later - size;
}

/* Changes the 8 bits from `at` on, as far as they lie in the chunk. */
static void change(
	uint8_t *data, uint64_t bits, int64_t at, uint8_t keep, uint8_t set, uint8_t invert)
{
	for (uint32_t i = 0; i < 8; i++) {
		const uint8_t mask = (uint8_t)(0x80u >> i);
		const int64_t bit = at + i;
		bool now, want;

		if (bit < 0 || bit >= (int64_t)bits) {
			continue;
		}
		now = evl_bits_get(data, (uint64_t)bit);
		want = ((now && (keep & mask) != 0) || (set & mask) != 0) != ((invert & mask) != 0);
		if (now != want) {
			evl_bits_flip(data, (uint64_t)bit);
		}
	}
}

/* ---- defects that are put in ---- */

const char *simmux_watch_check(const struct simmux_watch *w, uint32_t alarm)
{
	if (w == NULL || w->framing.framing == 0) {
		return "cannot show: set the framing of this tributary first";
	}
	if (alarm >= EVL_ALARM_TS16_LOM && alarm <= EVL_ALARM_TS16_RAI && !w->framing.cas) {
		return "cannot show: the framing has no timeslot 16 multiframe (CAS)";
	}
	if (alarm == EVL_ALARM_LOM && w->framing.framing != EVL_E1_CRC4) {
		return "cannot show: the framing has no CRC-4 multiframe";
	}
	return NULL;
}

/* One frame of an E1 that begins at `at`. */
static void spoil_e1(struct simmux_pending *p, uint8_t *data, uint64_t bits, int64_t at, bool nfas)
{
	const int64_t ts16 = at + 128;
	uint8_t sig = 0xff;

	switch (p->what.alarm) {
	case EVL_ALARM_LOF:
		change(data, bits, at, 0xff, 0, EVL_E1_FAS_MASK);
		break;
	case EVL_ALARM_RAI:
		change(data, bits, at, 0xff, nfas ? EVL_E1_NFAS_A : 0, 0);
		break;
	case EVL_ALARM_LOM:
		/* First the frame is lost, then found again without its multiframe. */
		if (p->frames < SPOILT_FRAMES) {
			change(data, bits, at, 0xff, 0, EVL_E1_FAS_MASK);
		} else if (nfas) {
			change(data, bits, at, 0xff, 0x80, 0);
		}
		break;
	case EVL_ALARM_TS16_LOM:
		change(data, bits, ts16, 0x0f, 0x50, 0);
		break;
	case EVL_ALARM_TS16_AIS:
		change(data, bits, ts16, 0xff, 0xff, 0);
		break;
	default: /* TS16-RAI: y of frame 0, the only one with 0000 (G.704 5.1.3) */
		if (ts16 >= 0 && ts16 + 8 <= (int64_t)bits) {
			evl_bits_copy(&sig, 0, data, (uint64_t)ts16, 8);
		}
		if ((sig & 0xf0) == 0) {
			change(data, bits, ts16, 0xff, 0x04, 0);
		}
		break;
	}
	p->frames++;
}

static void spoil_t1(const struct simmux_watch *w, struct simmux_pending *p, uint8_t *data,
	uint64_t bits, int64_t at, uint32_t number)
{
	if (p->what.alarm != EVL_ALARM_RAI) {
		change(data, bits, at, 0xff, 0, 0x80);
	} else if (w->framing.framing == EVL_T1_SF) {
		for (uint32_t slot = 0; slot < EVL_T1_SLOTS; slot++) {
			change(data, bits, at + 1 + 8 * (int64_t)slot, 0xbf, 0, 0);
		}
	} else if (number % 2 == 1 && at >= 0) {
		/* The data link is in the odd frames (G.704 Table 1). */
		bool one = (EVL_T1_RAI_MESSAGE >> (15 - p->frames % 16) & 1u) != 0;

		change(data, bits, at, 0x7f, one ? 0x80 : 0, 0);
		p->frames++;
	}
}

void simmux_watch_spoil(struct simmux_watch *w, struct simmux_pending *p, uint64_t begin_bit,
	uint64_t end_bit, uint8_t *data, uint64_t bits)
{
	const uint64_t chunk_first = w->running ? w->fed : 0;
	const uint32_t size = size_of(w);

	if (!p->phased && !aligned(w)) {
		return; /* there is no frame to be spoilt */
	}
	if (!p->phased) {
		p->phased = true;
		p->frame_bit = w->framing.e1 ? w->e1.frame_bit : w->t1.frame_bit;
		/* Of that frame: 1 for an NFAS, or its number. */
		p->number = w->framing.e1 ? !w->e1.track.nfas : w->t1.frame_number;
	}
	for (int64_t at = first_of(p->frame_bit, chunk_first, size); at < (int64_t)bits;
		at += size) {
		const int64_t frames =
			((int64_t)chunk_first + at - (int64_t)p->frame_bit) / (int64_t)size;

		/* A frame is spoilt when it begins in the time, also where it goes on later. */
		if (at + (int64_t)size <= (int64_t)begin_bit || at >= (int64_t)end_bit) {
			continue;
		}
		if (w->framing.e1) {
			spoil_e1(p, data, bits, at, ((p->number + (uint64_t)frames) & 1u) != 0);
		} else {
			spoil_t1(w, p, data, bits, at,
				(uint32_t)(((int64_t)p->number - 1 + frames + 24000000) % 24) + 1);
		}
	}
}

void simmux_watch_stick(const struct simmux_watch *w, uint32_t timeslot, uint8_t value,
	uint8_t *data, uint64_t bits)
{
	const uint64_t chunk_first = w->fed - w->chunk_bits;
	const int64_t slot =
		w->framing.e1 ? 8 * (int64_t)timeslot : 1 + 8 * ((int64_t)timeslot - 1);

	if (!aligned(w)) {
		return;
	}
	for (int64_t at = first_of(
		     w->framing.e1 ? w->e1.frame_bit : w->t1.frame_bit, chunk_first, size_of(w));
		at < (int64_t)bits; at += size_of(w)) {
		change(data, bits, at + slot, 0, value, 0);
	}
}

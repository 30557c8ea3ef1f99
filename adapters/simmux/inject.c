/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/inject.h"

#include "core/base/alarm.h"
#include "core/base/rate.h"

#define CHUNK_NS     ((uint64_t)SIMMUX_CHUNK_FRAMES * EVL_FRAME_NS)
#define BLOCK_FRAMES 64u /* of the error generators */

#define CHUNK_E1_BITS (SIMMUX_CHUNK_FRAMES * 256u)

/* Random streams: planted errors have the even ones. */
#define STREAM(channel) ((channel)*2u + 1u)

static uint32_t frame_bits(uint32_t channel)
{
	return evl_rate_frame_bits(channel == SIMMUX_LINE ? EVL_RATE_STM1 : EVL_RATE_E1);
}

static bool by_encoder(const struct simmux_injection *what)
{
	return what->numerator == 0 &&
	       (what->alarm == EVL_ALARM_MS_AIS || what->alarm == EVL_ALARM_AU_AIS ||
		what->alarm == EVL_ALARM_TU_AIS);
}

/* The unit sees it late and sees its end late; its span goes on until then. */
static bool is_e1_loss(const struct simmux_injection *what)
{
	return what->numerator == 0 && what->alarm == EVL_ALARM_LOS && what->channel != SIMMUX_LINE;
}

static const char *check_alarm(const struct simmux_injection *what)
{
	switch (what->alarm) {
	case EVL_ALARM_LOS:
		return NULL;
	case EVL_ALARM_MS_AIS:
	case EVL_ALARM_AU_AIS:
		return what->channel == SIMMUX_LINE ? NULL
						    : "can be LOS, AIS or TU-AIS on a tributary";
	case EVL_ALARM_AIS:
	case EVL_ALARM_TU_AIS:
		return what->channel != SIMMUX_LINE ? NULL
						    : "can be LOS, MS-AIS or AU-AIS on the line";
	default:
		return "is not simulated; possible are LOS, MS-AIS and AU-AIS on the line, LOS, "
		       "AIS and TU-AIS on a tributary";
	}
}

const char *simmux_inject_add(struct simmux_injections *in, const struct simmux_injection *what,
			      uint64_t now, bool loop, uint64_t seed, int *code)
{
	struct simmux_pending *p = &in->list[in->count];
	uint32_t bits = frame_bits(what->channel);
	const char *why = what->numerator == 0 ? check_alarm(what) : NULL;

	*code = EVL_ADAPTER_E_UNSUPPORTED;
	if (why != NULL) {
		return why;
	}
	if (by_encoder(what) && !loop) {
		return "needs the line looped and nobody playing into it";
	}
	*code = EVL_ADAPTER_E_STATE;
	if (by_encoder(what) && what->lasting_ns < CHUNK_NS) {
		return "must last 1 ms or longer";
	}
	if (what->lasting_ns == 0) {
		return "must last longer than nothing";
	}
	if (what->at_ns < now * EVL_FRAME_NS) {
		return "would begin in the past";
	}
	if (in->count == SIMMUX_INJECTIONS) {
		return "is one too many: 64 are waiting already";
	}
	p->what = *what;
	p->span = simmux_span_of(what->at_ns, what->lasting_ns, by_encoder(what) ? 1 : bits);
	if (is_e1_loss(what) && p->span.end - p->span.begin >= SIMMUX_E1_LOS_BITS) {
		p->span.end += SIMMUX_E1_LOS_BITS;
	}
	if (what->numerator > 0) {
		simmux_errors_init(&p->errors, seed, STREAM(what->channel), what->numerator,
				   what->denominator, BLOCK_FRAMES * (uint64_t)bits);
	}
	in->count++;
	*code = EVL_ADAPTER_OK;
	return NULL;
}

bool simmux_inject_needs_loop(const struct simmux_injections *in)
{
	for (uint32_t i = 0; i < in->count; i++) {
		if (by_encoder(&in->list[i].what)) {
			return true;
		}
	}
	return false;
}

/* A part of a nominal chunk in one that has `bits` bits. */
static struct simmux_span fitted(struct simmux_span part, uint64_t nominal, uint64_t bits)
{
	part.begin = part.begin < bits ? part.begin : bits;
	part.end = part.end == nominal || part.end > bits ? bits : part.end;
	return part;
}

/* The part of an injection into the bits of `channel` that lies in the chunk. */
static bool cut(struct simmux_span *out, const struct simmux_pending *p, uint32_t channel,
		uint64_t now)
{
	uint64_t bits = frame_bits(channel);

	return p->what.channel == channel && !by_encoder(&p->what) &&
	       simmux_span_cut(out, p->span, now * bits, SIMMUX_CHUNK_FRAMES * bits);
}

bool simmux_inject_touches(const struct simmux_injections *in, uint32_t channel, uint64_t now)
{
	struct simmux_span part;

	for (uint32_t i = 0; i < in->count; i++) {
		if (cut(&part, &in->list[i], channel, now)) {
			return true;
		}
	}
	return false;
}

static uint64_t e1_ns(uint64_t bit)
{
	return bit / 256 * EVL_FRAME_NS + bit % 256 * EVL_FRAME_NS / 256;
}

/* Zeros until the unit sees the loss, then the all ones that it maps instead (G.783, from memory),
 * until it sees the signal again. */
static void lose_e1(const struct simmux_pending *p, struct simmux_span part, uint64_t first,
	uint8_t *data, uint64_t bits, struct simmux_defects *defects)
{
	struct simmux_span lost = p->span, zeros = p->span, seen;
	bool found = lost.end - lost.begin >= 2 * (uint64_t)SIMMUX_E1_LOS_BITS;

	simmux_span_set(data, fitted(part, CHUNK_E1_BITS, bits), false);
	if (!found) {
		return;
	}
	zeros.end = zeros.begin + SIMMUX_E1_LOS_BITS;
	lost.begin = zeros.end;
	if (!simmux_span_cut(&seen, lost, first, CHUNK_E1_BITS)) {
		return;
	}
	simmux_span_set(data, fitted(seen, CHUNK_E1_BITS, bits), true);
	if (defects == NULL) {
		return;
	}
	simmux_defects_note(defects, p->what.channel, EVL_ALARM_LOS, true,
			    e1_ns(first + seen.begin));
	if (first + seen.end == lost.end) {
		simmux_defects_note(defects, p->what.channel, EVL_ALARM_LOS, false,
				    e1_ns(lost.end));
	}
}

void simmux_inject_apply(struct simmux_injections *in, uint32_t channel, uint64_t now,
	uint8_t *data, uint64_t bits, struct simmux_defects *defects)
{
	uint64_t first = now * frame_bits(channel);
	uint64_t nominal = (uint64_t)SIMMUX_CHUNK_FRAMES * frame_bits(channel);

	for (uint32_t i = 0; i < in->count; i++) {
		struct simmux_pending *p = &in->list[i];
		struct simmux_span part;

		if (!cut(&part, p, channel, now)) {
			continue;
		}
		if (p->what.numerator > 0) {
			/* A byte more than nominal has no errors, one less none beyond. */
			uint64_t end = part.end < bits ? part.end : bits;

			if (part.begin < end) {
				simmux_errors_apply(&p->errors, data, part.begin,
					first + part.begin - p->span.begin, end - part.begin);
			}
		} else if (is_e1_loss(&p->what)) {
			lose_e1(p, part, first, data, bits, defects);
		} else {
			simmux_span_set(
				data, fitted(part, nominal, bits), p->what.alarm == EVL_ALARM_AIS);
		}
	}
}

struct simmux_ais simmux_inject_ais(const struct simmux_injections *in, uint64_t now)
{
	struct simmux_ais ais = {0};

	for (uint32_t i = 0; i < in->count; i++) {
		const struct simmux_pending *p = &in->list[i];

		if (!by_encoder(&p->what) || now < p->span.begin || now >= p->span.end) {
			continue;
		}
		ais.ms = ais.ms || p->what.alarm == EVL_ALARM_MS_AIS;
		ais.au = ais.au || p->what.alarm == EVL_ALARM_AU_AIS;
		if (p->what.alarm == EVL_ALARM_TU_AIS) {
			ais.tu |= (uint64_t)1 << p->what.channel;
		}
	}
	return ais;
}

void simmux_inject_forget(struct simmux_injections *in, uint64_t now)
{
	uint32_t kept = 0;

	for (uint32_t i = 0; i < in->count; i++) {
		struct simmux_pending *p = &in->list[i];
		uint64_t unit = by_encoder(&p->what) ? 1 : frame_bits(p->what.channel);

		if (p->span.end > now * unit) {
			if (kept != i) {
				in->list[kept] = *p;
			}
			kept++;
		}
	}
	in->count = kept;
}

void simmux_inject_drop(struct simmux_injections *in, uint64_t now, struct simmux_defects *defects)
{
	for (uint32_t i = 0; i < in->count; i++) {
		const struct simmux_injection *what = &in->list[i].what;

		if (is_e1_loss(what)) {
			simmux_defects_note(defects, what->channel, EVL_ALARM_LOS, false,
					    now * EVL_FRAME_NS);
		}
	}
	in->count = 0;
}

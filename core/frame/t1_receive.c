/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/t1_receive.h"

#include <string.h>

#include "core/frame/event_order.h"
#include "core/signal/bits.h"

#define FRAME        EVL_T1_FRAME_BITS
#define BITS_PER_MS  1544u
#define PERIOD_BYTES 579 /* 3 ms: AIS is judged in such periods */
#define PERIOD_FEW   4   /* zeros; one more is above 0.1 % of 4632 bits */
#define JAPAN_ONES   160
#define JAPAN_TIMES  2
#define BIT2_DECIDED (1 + 23 * 8 + 2) /* bit 2 of timeslot 24 */

/* What a call gives back. */
struct sink {
	uint8_t *out; /* may be NULL */
	uint32_t given;
};

static void set_alarm(struct evl_t1_receiver *r, enum evl_alarm alarm, bool on, uint64_t offset)
{
	uint32_t bit = 1u << alarm;
	if (((r->alarms & bit) != 0) == on) {
		return;
	}
	r->alarms ^= bit;
	evl_event_order_add(r->order, alarm, on, offset);
}

static bool has(const struct evl_t1_receiver *r, enum evl_alarm alarm)
{
	return (r->alarms >> alarm & 1) != 0;
}

static enum evl_status out_of_range(
	struct evl_err *err, const char *name, uint32_t value, const char *range)
{
	return evl_err_set(err, EVL_E_INVALID, "T1 option %s: %u is not %s", name, value, range);
}

static void default_ms(uint32_t *ms, uint32_t standard)
{
	*ms = *ms == 0 ? standard : *ms == EVL_T1_NOW ? 0 : *ms;
}

enum evl_status evl_t1_receiver_init(struct evl_t1_receiver *r,
	const struct evl_t1_options *options, uint32_t channel, evl_e1_event_fn fn, void *ctx,
	struct evl_err *err)
{
	struct evl_t1_options o = options != NULL ? *options : (struct evl_t1_options){0};
	o.oof_window = o.oof_window != 0 ? o.oof_window : 5;
	o.false_crc = o.false_crc != 0 ? o.false_crc : 32;
	o.ais_ms = o.ais_ms != 0 ? o.ais_ms : 12;
	o.rai_frames = o.rai_frames != 0 ? o.rai_frames : 2680;
	default_ms(&o.lof_raise_ms, 2500);
	default_ms(&o.lof_clear_ms, 10000);
	if ((unsigned)o.framing > EVL_T1_ESF) {
		return out_of_range(err, "framing", (unsigned)o.framing, "0 to 2");
	}
	if (o.oof_window < 2 || o.oof_window > 6) {
		return out_of_range(err, "oof_window", o.oof_window, "2 to 6 framing bits");
	}
	if (o.lof_raise_ms > 10000) {
		return out_of_range(err, "lof_raise_ms", o.lof_raise_ms, "up to 10000");
	}
	if (o.lof_clear_ms > 20000) {
		return out_of_range(err, "lof_clear_ms", o.lof_clear_ms, "up to 20000");
	}
	if (o.ais_ms < 3 || o.ais_ms > 75 || o.ais_ms % 3 != 0) {
		return out_of_range(err, "ais_ms", o.ais_ms, "a multiple of 3 from 3 to 75");
	}
	if (o.rai_frames < 2680 || o.rai_frames > 8000) {
		return out_of_range(err, "rai_frames", o.rai_frames, "2680 to 8000 frames");
	}
	*r = (struct evl_t1_receiver){.options = o, .channel = channel, .fn = fn, .ctx = ctx};
	if (evl_t1_monitor_init(&r->monitor, o.los_bits) < 0) {
		return out_of_range(err, "los_bits", o.los_bits, "100 to 250");
	}
	return EVL_OK;
}

static void on_monitor(
	void *ctx, uint32_t channel, enum evl_alarm alarm, bool raised, uint64_t bit_offset)
{
	(void)channel;
	set_alarm(ctx, alarm, raised, bit_offset);
}

static void give(struct evl_t1_receiver *r, struct sink *sink, const uint8_t *slots)
{
	if (sink->out != NULL) {
		uint8_t *to = sink->out + (size_t)sink->given * EVL_T1_SLOTS;
		if (slots != NULL) {
			memcpy(to, slots, EVL_T1_SLOTS);
		} else {
			memset(to, 0xff, EVL_T1_SLOTS);
		}
		sink->given++;
	}
	r->clock += FRAME;
}

/* LOF follows OOF; everything up to bit `now` is known. */
static void watch_lof(struct evl_t1_receiver *r, uint64_t now)
{
	bool oof = has(r, EVL_ALARM_OOF);
	uint64_t due = oof ? r->oof_since + (uint64_t)r->options.lof_raise_ms * BITS_PER_MS
			   : r->in_since + (uint64_t)r->options.lof_clear_ms * BITS_PER_MS;
	if (now >= due) {
		set_alarm(r, EVL_ALARM_LOF, oof, due);
	}
}

static void forget_link(struct evl_t1_receiver *r, uint64_t offset)
{
	if (r->link.found && r->code_fn != NULL) {
		r->code_fn(r->ctx, r->channel, EVL_T1_NO_CODE, offset);
	}
	r->link = (struct evl_t1_link){0};
}

static void lose(struct evl_t1_receiver *r, uint64_t offset)
{
	watch_lof(r, offset);
	r->counts.losses++;
	r->next = offset;
	r->oof_since = offset;
	r->frame_number = 0;
	set_alarm(r, EVL_ALARM_OOF, true, offset);
	set_alarm(r, EVL_ALARM_RAI, false, offset);
	watch_lof(r, offset);
	forget_link(r, offset);
}

/* `number` is that of the frame at r->next, whose F bit completed the alignment. */
static void align(struct evl_t1_receiver *r, unsigned number, unsigned multiframe)
{
	uint64_t offset = r->next + 1;
	watch_lof(r, offset);
	set_alarm(r, EVL_ALARM_OOF, false, offset);
	r->in_since = offset;
	watch_lof(r, offset);
	r->clock = r->next;
	r->frame_number = (uint8_t)(number > 1 ? number - 1 : multiframe);
	r->window = 0;
	r->rai_run = 0;
	r->ring_whole = false;
	r->crc_valid = false;
	r->bad_crcs = 0;
	r->abcd_whole = false;
}

static bool step_search(struct evl_t1_receiver *r, struct sink *sink, uint64_t base)
{
	bool esf = r->options.framing == EVL_T1_ESF;
	uint64_t span = esf ? EVL_T1_ESF_SEARCH_BITS : EVL_T1_SF_SEARCH_BITS;
	uint64_t end = base + (uint64_t)r->staged * 8;
	uint64_t at;
	unsigned number = 0;
	bool found = evl_t1_search(&at, &number, r->options.framing, r->options.japan, r->stage,
		r->staged, r->next - base);
	if (found) {
		r->next = base + at + span - 1;
	} else if (end >= r->next + span) {
		r->next = end - span + 1;
	}
	while (r->clock + FRAME <= r->next) {
		give(r, sink, NULL);
	}
	if (found) {
		unsigned n = esf ? EVL_T1_ESF_FRAMES : EVL_T1_SF_FRAMES;
		unsigned passed = (unsigned)((span - 1) / FRAME);
		align(r, (number - 1 + passed) % n + 1, n);
	}
	return found;
}

static void watch_rai(struct evl_t1_receiver *r, bool seen, uint32_t times, uint64_t offset)
{
	if (has(r, EVL_ALARM_LOS)) {
		seen = false; /* T1.403: not declared while LOS */
	}
	if (seen == has(r, EVL_ALARM_RAI)) {
		r->rai_run = 0;
	} else if (++r->rai_run >= times) {
		r->rai_run = 0;
		set_alarm(r, EVL_ALARM_RAI, seen, offset);
	}
}

static void take_link(struct evl_t1_receiver *r, unsigned n, bool f, uint64_t at)
{
	uint64_t offset = at + 1;
	r->counts.link_bits++;
	r->link_word = (uint16_t)(n == 1 ? f : r->link_word << 1 | f);
	if (n == 23 && r->ring_whole && r->link_fn != NULL) {
		r->link_fn(r->ctx, r->channel, r->link_word, offset);
	}
	bool changed = evl_t1_link_bit(&r->link, f);
	if (changed && r->code_fn != NULL) {
		r->code_fn(
			r->ctx, r->channel, r->link.found ? r->link.code : EVL_T1_NO_CODE, offset);
	}
	bool rai =
		r->options.japan ? r->link.ones >= JAPAN_ONES : r->link.found && r->link.code == 0;
	set_alarm(r, EVL_ALARM_RAI, rai, offset);
}

/* False when alignment is lost here. */
static bool take_framing_bit(struct evl_t1_receiver *r, bool wrong, uint64_t at)
{
	unsigned w = (unsigned)r->window << 1 | wrong;
	w &= (1u << r->options.oof_window) - 1;
	r->window = (uint8_t)w;
	r->counts.f_errors += wrong;
	if (wrong && (w & (w - 1)) != 0) {
		lose(r, at + 1);
		return false;
	}
	return true;
}

static bool take_crc(struct evl_t1_receiver *r, unsigned n, bool f, uint64_t at)
{
	r->crc_got = (uint8_t)(n == 2 ? f : r->crc_got << 1 | f);
	if (n != 22 || !r->crc_valid) {
		return true;
	}
	bool bad = r->crc_got != r->crc;
	r->counts.crc_blocks++;
	r->counts.crc_errors += bad;
	r->bad_crcs = bad ? r->bad_crcs + 1 : 0;
	if (r->bad_crcs >= r->options.false_crc) {
		lose(r, at + 1);
		return false;
	}
	return true;
}

static bool take_esf(
	struct evl_t1_receiver *r, unsigned n, bool f, const uint8_t *slots, uint64_t at)
{
	if (n == 1) {
		r->ring = 0;
		r->ring_whole = true;
	}
	unsigned what = evl_t1_esf_table[n - 1];
	if (what == EVL_T1_F_LINK) {
		take_link(r, n, f, at);
	} else if (what == EVL_T1_F_CRC) {
		if (!take_crc(r, n, f, at)) {
			return false;
		}
	} else if (!take_framing_bit(r, f != (what == EVL_T1_F_1), at)) {
		return false;
	}
	r->ring = evl_t1_crc6_add(r->ring, slots, r->options.japan ? f : true);
	if (n == EVL_T1_ESF_FRAMES) {
		r->crc_valid = r->ring_whole;
		r->crc = evl_t1_crc6_end(r->ring);
	}
	return true;
}

static bool take_sf(
	struct evl_t1_receiver *r, unsigned n, bool f, const uint8_t *slots, uint64_t at)
{
	bool japan = r->options.japan;
	if (n == 12 && japan) {
		watch_rai(r, f, JAPAN_TIMES, at + 1);
	} else if (!take_framing_bit(r, f != (evl_t1_sf_table[n - 1] != 0), at)) {
		return false;
	}
	if (!japan) {
		uint64_t bits2 =
			evl_load_be64(slots) | evl_load_be64(slots + 8) | evl_load_be64(slots + 16);
		watch_rai(r, (bits2 & UINT64_C(0x4040404040404040)) == 0, r->options.rai_frames,
			at + BIT2_DECIDED);
	}
	return true;
}

static void take_robbed(struct evl_t1_receiver *r, unsigned n, const uint8_t *slots, uint64_t at)
{
	bool esf = r->options.framing == EVL_T1_ESF;
	bool last = n == (esf ? EVL_T1_ESF_FRAMES : EVL_T1_SF_FRAMES);
	if (n == 6) {
		memset(r->shift_abcd, 0, sizeof(r->shift_abcd));
		r->abcd_whole = true;
	}
	for (unsigned s = 0; s < EVL_T1_SLOTS; s++) {
		r->shift_abcd[s] = (uint8_t)(r->shift_abcd[s] << 1 | (slots[s] & 1));
		uint8_t abcd = (uint8_t)(esf ? r->shift_abcd[s] : r->shift_abcd[s] << 2);
		if (!last || !r->abcd_whole || abcd == r->abcd[s]) {
			continue;
		}
		r->abcd[s] = abcd;
		if (r->abcd_fn != NULL) {
			r->abcd_fn(r->ctx, r->channel, s + 1, abcd, at + 9 + 8 * s);
		}
	}
}

static bool step_frame(struct evl_t1_receiver *r, struct sink *sink, uint64_t base)
{
	uint64_t at = r->next;
	uint64_t bit = at - base;
	if (bit + FRAME > (uint64_t)r->staged * 8) {
		return false;
	}
	uint8_t slots[EVL_T1_SLOTS];
	evl_t1_unpack(slots, r->stage, bit);
	if (r->options.framing != EVL_T1_UNFRAMED) {
		bool f = evl_bits_get(r->stage, bit);
		bool esf = r->options.framing == EVL_T1_ESF;
		unsigned n = r->frame_number % (esf ? 24u : 12u) + 1;
		if (esf ? !take_esf(r, n, f, slots, at) : !take_sf(r, n, f, slots, at)) {
			return true;
		}
		if (n % 6 == 0) {
			take_robbed(r, n, slots, at);
		}
		r->frame_number = (uint8_t)n;
	}
	r->counts.frames++;
	r->frame_bit = at;
	r->next = at + FRAME;
	give(r, sink, slots);
	return true;
}

/* At the end of a period of 3 ms; all that its bits decide has been done. */
static void end_period(struct evl_t1_receiver *r)
{
	bool framed = r->options.framing != EVL_T1_UNFRAMED;
	bool like = r->period_zeros <= PERIOD_FEW && (!framed || has(r, EVL_ALARM_OOF));
	r->period_zeros = 0;
	r->period_bytes = 0;
	if (like == has(r, EVL_ALARM_AIS)) {
		r->period_run = 0;
	} else if (++r->period_run >= r->options.ais_ms / 3) {
		r->period_run = 0;
		set_alarm(r, EVL_ALARM_AIS, like, r->fed);
	}
}

static void run(struct evl_t1_receiver *r, struct sink *sink)
{
	uint64_t base = r->fed - (uint64_t)r->staged * 8;
	bool framed = r->options.framing != EVL_T1_UNFRAMED;
	bool more = true;
	while (more) {
		more = has(r, EVL_ALARM_OOF) ? step_search(r, sink, base)
					     : step_frame(r, sink, base);
	}
	if (framed) {
		watch_lof(r, has(r, EVL_ALARM_OOF) ? r->fed : r->next);
	}
	uint32_t done = (uint32_t)((r->next - base) / 8);
	r->staged -= done;
	memmove(r->stage, r->stage + done, r->staged);
}

uint32_t evl_t1_receive(struct evl_t1_receiver *r, const uint8_t *bits, size_t bytes, uint8_t *out)
{
	struct sink sink = {.out = out};
	struct evl_event_order order;
	evl_event_order_init(&order, r->channel, r->fn, r->ctx);
	r->order = &order;
	if (bytes > 0 && !r->begun) {
		r->begun = true;
		set_alarm(r, EVL_ALARM_OOF, r->options.framing != EVL_T1_UNFRAMED, 0);
	}
	while (bytes > 0) {
		size_t n = PERIOD_BYTES - r->period_bytes;
		n = n < bytes ? n : bytes;
		evl_require(r->staged + n <= sizeof(r->stage));
		memcpy(r->stage + r->staged, bits, n);
		r->staged += (uint32_t)n;
		r->fed += (uint64_t)n * 8;
		evl_t1_monitor_feed(&r->monitor, r->channel, bits, n, on_monitor, r);
		r->period_zeros += (uint32_t)(n * 8 - evl_bits_count_ones(bits, n));
		r->period_bytes += (uint32_t)n;
		run(r, &sink);
		if (r->period_bytes == PERIOD_BYTES) {
			end_period(r);
		}
		evl_event_order_give(&order, r->next);
		bits += n;
		bytes -= n;
	}
	evl_event_order_give(&order, UINT64_MAX);
	r->order = NULL;
	return sink.given;
}

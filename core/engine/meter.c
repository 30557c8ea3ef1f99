/* SPDX-License-Identifier: Apache-2.0 */
/* Meters: what came back, against the pattern or the recording that was expected. */
#include <stdlib.h>
#include <string.h>

#include "core/engine/internal.h"
#include "core/measure/phase.h"
#include "core/measure/recognise.h"
#include "core/signal/bits.h"

/* Beyond this ratio of differing bits a signal is taken to be another one, and a match is sought;
 * below it, in the sample, it is taken to be the one found (common practice, no source). */
#define FOREIGN_NUM 1
#define FOREIGN_DEN 20

/* The slab in the middle of the take serves to tell what a signal is. */
static bool is_middle(const struct take *t)
{
	return t->done == t->frames_all / 2 / EVL_TAKE_SLAB_FRAMES * EVL_TAKE_SLAB_FRAMES;
}

/* Which of the paths of core/measure/performance.h a channel of this rate is. */
static const struct evl_performance_path *path_of(enum evl_rate rate)
{
	static const char *const names[] = {[EVL_RATE_E1] = "E1",
		[EVL_RATE_T1] = "T1",
		[EVL_RATE_STM1] = "RS-1",
		[EVL_RATE_STM4] = "RS-4",
		[EVL_RATE_VC3] = "VC-3",
		[EVL_RATE_VC4] = "VC-4",
		[EVL_RATE_VC4_4C] = "VC-4-4c"};
	evl_require(rate > EVL_RATE_NONE && rate < EVL_RATE_COUNT);
	return evl_performance_path(names[rate]);
}

static void init_meter(struct meter *m, uint32_t part, uint32_t channel, enum evl_place place,
	enum evl_content kind, enum evl_rate rate)
{
	const struct evl_performance_path *path = path_of(rate);
	evl_performance_init(&m->performance, path, EVL_PERFORMANCE_BLOCKS, false);
	m->block_bytes = path->block_bits / 8; /* whole bytes in all of them */
	m->out.proved_ns = -1;
	m->part = part;
	m->out.channel = channel;
	m->out.place = place;
	m->out.kind = kind;
}

struct meter *evl_meter_add(struct take *t, uint32_t part, uint32_t channel, enum evl_place place,
	enum evl_content kind, enum evl_rate rate, size_t sample_bytes)
{
	struct meter *m = &t->meters[t->meter_count++];
	init_meter(m, part, channel, place, kind, rate);
	m->out.frame_bits = evl_rate_frame_bits(rate);
	m->sample = evl_xmalloc(sample_bytes);
	return m;
}

enum evl_status evl_meters_prepare(struct take *t, struct evl_err *err)
{
	const struct evl_take_plan *plan = t->plan;
	uint32_t n = 0;
	for (uint32_t i = 0; i < plan->part_count; i++) {
		n += plan->parts[i].expected.kind != EVL_CONTENT_NONE;
	}
	for (uint32_t i = 0; i < plan->inside_count; i++) {
		n += plan->inside[i].count;
	}
	t->meters = evl_xcalloc(n, sizeof *t->meters);
	size_t widest = 0;
	for (uint32_t i = 0; i < plan->part_count; i++) {
		const struct evl_take_content *c = &plan->parts[i].expected;
		t->parts[i].meter = -1;
		if (c->kind == EVL_CONTENT_NONE) {
			continue;
		}
		const struct framed_rx *f = c->slots.count > 0 ? t->parts[i].framed_rx : NULL;
		size_t room = evl_slab_room((uint32_t)t->parts[i].slab_bytes);
		t->parts[i].meter = (int32_t)t->meter_count;
		struct meter *m = evl_meter_add(t, i, plan->parts[i].channel, EVL_PLACE_RECEIVED,
			c->kind, t->parts[i].bound->rate, f != NULL ? f->group_room : room);
		if (f != NULL) {
			m->out.frame_bits = c->slots.count * 8;
		}
		m->expected = c;
		if (c->kind == EVL_CONTENT_PATTERN) {
			m->phase = c->phase;
			m->identity = c->identity;
			m->phase_set = c->phase_set;
			evl_checker_init(&m->checker, &c->pattern);
		}
		if (c->kind == EVL_CONTENT_RECORDING && room > widest) {
			widest = room;
		}
	}
	t->scratch = evl_xmalloc(widest);
	return evl_lines_add_meters(t, err);
}

/* The next bytes of a block were compared: with errors or not, in synchronism at their end or not.
 */
static void block_part(struct meter *m, size_t bytes, bool errored, bool in_sync)
{
	m->block_at += bytes;
	m->block_errored = m->block_errored || errored;
	if (m->block_at == m->block_bytes) {
		m->blocks += in_sync;
		m->errored_blocks += in_sync && m->block_errored;
		m->block_at = 0;
		m->block_errored = false;
	}
}

static size_t to_block_end(const struct meter *m, size_t bytes)
{
	size_t left = m->block_bytes - m->block_at;
	return left < bytes ? left : bytes;
}

static void feed_by_blocks(struct meter *m, const uint8_t *rx, size_t bytes)
{
	while (bytes > 0) {
		size_t n = to_block_end(m, bytes);
		uint64_t before = m->checker.errors;
		evl_checker_feed(&m->checker, rx, n);
		block_part(m, n, m->checker.errors > before, m->checker.locked);
		rx += n;
		bytes -= n;
	}
}

void evl_meter_feed_pattern(const struct take *t, struct meter *m, const uint8_t *rx, size_t bytes)
{
	feed_by_blocks(m, rx, bytes);
	if (!m->checker.ever_locked && is_middle(t)) {
		memcpy(m->sample, rx, bytes);
		m->sample_bytes = bytes;
		m->have_sample = bytes > 0;
	}
}

static void count_blocks(struct meter *m, const uint8_t *rx, const uint8_t *wanted, size_t bytes)
{
	while (bytes > 0) {
		size_t n = to_block_end(m, bytes);
		block_part(m, n, memcmp(rx, wanted, n) != 0, true);
		rx += n;
		wanted += n;
		bytes -= n;
	}
}

/* Compares bytes of a round with the recording; at_bit: of the take. */
static enum evl_status compare(struct take *t, struct meter *m, const uint8_t *rx, size_t bytes,
	uint64_t rec_bit, uint64_t at_bit, struct evl_err *err)
{
	const struct evl_take_content *c = m->expected;
	enum evl_status st =
		evl_rec_read(c->reader, c->reader_channel, rec_bit, t->scratch, bytes, err);
	if (st < 0) {
		return st;
	}
	m->bits += (uint64_t)bytes * 8;
	count_blocks(m, rx, t->scratch, bytes);
	if (memcmp(rx, t->scratch, bytes) != 0) {
		if (m->errors == 0) {
			m->first_error = at_bit + evl_bits_first_diff(rx, t->scratch, bytes);
		}
		m->errors += evl_bits_count_diff(rx, t->scratch, bytes);
		if (m->out.mark_count < EVL_TAKE_MARKS) {
			m->out.mark_count += (uint32_t)evl_bits_list_diff(
				m->out.marks + m->out.mark_count,
				EVL_TAKE_MARKS - m->out.mark_count, at_bit, rx, t->scratch, bytes);
		}
	}
	return EVL_OK;
}

/* By another clock more bits may come than were recorded: those are not compared. */
static enum evl_status feed_recording(
	struct take *t, struct meter *m, const uint8_t *rx, size_t bytes, struct evl_err *err)
{
	const struct part *p = &t->parts[m->part];
	uint64_t bit = p->received_bits;
	const uint64_t slab_bit = bit;
	for (size_t at = 0; at < bytes;) {
		struct evl_window_run run;
		evl_window_at(&p->expected, bit, &run);
		size_t n = run.bits / 8 < bytes - at ? (size_t)(run.bits / 8) : bytes - at;
		uint64_t wait = run.into < p->expected.settle_bits
					? (p->expected.settle_bits - run.into) / 8
					: 0;
		size_t skip = !run.recorded || wait > n ? n : (size_t)wait;
		if (skip > 0) { /* a block has no hole */
			m->block_at = 0;
			m->block_errored = false;
		}
		enum evl_status st = skip == n
					     ? EVL_OK
					     : compare(t, m, rx + at + skip, n - skip,
						       run.rec_bit + skip * 8, bit + skip * 8, err);
		if (st < 0) {
			return st;
		}
		/* A sample from the middle on that holds nothing else. */
		if (!m->have_sample && t->done >= t->frames_all / 2 && at == 0 && skip == 0 &&
			n == bytes) {
			memcpy(m->sample, rx, bytes);
			m->sample_bytes = bytes;
			m->sample_bit = slab_bit;
			m->have_sample = true;
		}
		at += n;
		bit += (uint64_t)n * 8;
	}
	return EVL_OK;
}

enum evl_status evl_meters_feed(struct take *t, struct evl_err *err)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		if (p->meter < 0) {
			continue;
		}
		struct meter *m = &t->meters[p->meter];
		if (m->out.kind == EVL_CONTENT_PATTERN) {
			if (m->expected->slots.count > 0) {
				evl_meter_feed_pattern(
					t, m, p->framed_rx->group, p->framed_rx->group_bytes);
			} else {
				evl_meter_feed_pattern(t, m, p->rx, p->rx_bytes);
			}
			continue;
		}
		enum evl_status st = feed_recording(t, m, p->rx, p->rx_bytes, err);
		if (st < 0) {
			return st;
		}
	}
	evl_lines_feed_meters(t);
	return EVL_OK;
}

void evl_meters_second(struct take *t, uint32_t second)
{
	for (uint32_t i = 0; i < t->meter_count; i++) {
		struct meter *m = &t->meters[i];
		struct evl_take_second s = {.channel = m->out.channel,
			.place = m->out.place,
			.second = second,
			.in_sync = true};
		if (m->out.kind == EVL_CONTENT_PATTERN) {
			struct evl_checker_counts c = evl_checker_since(&m->checker, &m->last);
			s.bits = c.bits;
			s.errors = c.errors;
			s.sync_losses = c.sync_losses;
			s.slips = c.slips;
			s.in_sync = m->checker.locked && c.sync_losses == 0;
		} else {
			s.bits = m->bits - m->last_bits;
			s.errors = m->errors - m->last_errors;
			m->last_bits = m->bits;
			m->last_errors = m->errors;
		}
		evl_seconds_add(&m->seconds, s.bits, s.errors, !s.in_sync);
		struct evl_performance_second block = {
			.units = m->blocks, .errored = m->errored_blocks, .defect = !s.in_sync};
		evl_performance_add(&m->performance, &block, NULL);
		m->blocks = m->errored_blocks = 0;
		if ((s.errors > 0 || !s.in_sync || s.sync_losses > 0 || s.slips > 0) &&
			t->sink->second != NULL) {
			t->sink->second(t->sink->ctx, &s);
		}
	}
}

uint64_t evl_meters_errors(const struct take *t)
{
	uint64_t sum = 0;
	for (uint32_t i = 0; i < t->meter_count; i++) {
		const struct meter *m = &t->meters[i];
		sum += m->out.kind == EVL_CONTENT_PATTERN ? m->checker.errors : m->errors;
	}
	return sum;
}

static void collect_pattern(const struct take *t, struct meter *m)
{
	const struct evl_checker *c = &m->checker;
	m->out.locked = c->ever_locked;
	m->out.inverted = c->inverted;
	m->out.stream_bits = c->fed_bits;
	m->out.bits = c->bits;
	m->out.errors = c->errors;
	m->out.sync_losses = c->sync_losses;
	m->out.slips = c->slips;
	m->out.octet_slips = c->octet_slips;
	m->out.last_slip_bits = c->last_slip_bits;
	m->out.moved_bits = c->moved_bits;
	m->out.moved_least_bits = c->moved_least_bits;
	m->out.moved_most_bits = c->moved_most_bits;
	uint64_t period = evl_pattern_period(&c->pattern);
	m->out.period_bits = period <= INT64_MAX ? (int64_t)period : -1;
	m->out.counter = c->pattern.kind == EVL_PATTERN_COUNTER;
	m->out.blocks = c->blocks.blocks;
	m->out.blocks_lost = c->blocks.lost;
	m->out.blocks_late = c->blocks.late;
	m->out.blocks_repeated = c->blocks.repeated;
	m->out.blocks_foreign = c->blocks.foreign;
	m->out.blocks_damaged = c->blocks.damaged;
	if (!c->ever_locked && m->have_sample) {
		struct evl_recognised r;
		evl_recognise(&r, m->sample, m->sample_bytes, t->plan->known, t->plan->known_count);
		if (r.found) {
			evl_pattern_name(m->out.recognised, &r.pattern);
		}
	}
	m->out.first_lock_bit = c->first_lock_bit;
	m->out.mark_count = (uint32_t)c->error_positions;
	memcpy(m->out.marks, c->error_bit, sizeof m->out.marks);
	m->out.first_error_bit = c->error_positions > 0 ? c->error_bit[0] : 0;
	m->out.last_error_bit = c->last_error_bit;
	m->out.sync_count =
		(uint32_t)(c->sync_events < EVL_CHECKER_EVENTS_KEPT ? c->sync_events
								    : EVL_CHECKER_EVENTS_KEPT);
	memcpy(m->out.sync, c->event, sizeof m->out.sync);
}

/* Each block carries the number of its channel. */
static void arrival_by_number(const struct take *t, struct meter *m)
{
	const struct evl_checker *c = &m->checker;
	if (!c->ever_locked) {
		return;
	}
	if (c->blocks.channel == c->pattern.channel) {
		m->out.arrival = EVL_ARRIVAL_OWN;
		uint64_t delay = evl_checker_delay_bits(c, m->phase);
		m->out.delay_bits = delay <= INT64_MAX ? (int64_t)delay : -1;
		return;
	}
	m->out.arrival = EVL_ARRIVAL_UNKNOWN;
	for (uint32_t i = 0; i < t->meter_count; i++) {
		const struct meter *o = &t->meters[i];
		if (o->out.kind == EVL_CONTENT_PATTERN &&
			evl_pattern_same(&o->checker.pattern, &c->pattern) &&
			o->checker.pattern.channel == c->blocks.channel) {
			m->out.arrival = EVL_ARRIVAL_CROSSED;
			m->out.from_channel = o->out.channel;
		}
	}
}

/* Whose pattern arrives where, for n meters of one pattern and phase set at one place. */
static enum evl_status arrivals_by_phase(
	struct take *t, const uint32_t *who, uint32_t n, struct evl_err *err)
{
	const struct evl_pattern *pattern = &t->meters[who[0]].checker.pattern;
	const uint32_t period = (uint32_t)evl_pattern_period(pattern);
	uint32_t *sent = evl_xcalloc(n, sizeof *sent);
	struct evl_phase_seen *seen = evl_xcalloc(n, sizeof *seen);
	struct evl_phase_arrival *at = evl_xcalloc(n, sizeof *at);
	struct evl_phase_match match;
	for (uint32_t i = 0; i < n; i++) {
		const struct meter *m = &t->meters[who[i]];
		sent[i] = (uint32_t)(m->phase % period);
		seen[i].present = m->checker.ever_locked;
		seen[i].offset = (uint32_t)m->checker.offset;
	}
	enum evl_status st = evl_phase_match(&match, at, sent, seen, n, pattern, period - 1,
		evl_meters_tolerance(t, n, period), err);
	for (uint32_t i = 0; i < n && st == EVL_OK; i++) {
		struct evl_take_meter *m = &t->meters[who[i]].out;
		m->delay_bits = at[i].place == EVL_PHASE_NOTHING ? -1 : (int64_t)at[i].delay_bits;
		switch (at[i].place) {
		case EVL_PHASE_OWN:
			m->arrival = EVL_ARRIVAL_OWN;
			break;
		case EVL_PHASE_CROSSED:
			m->arrival = EVL_ARRIVAL_CROSSED;
			m->from_channel = t->meters[who[at[i].channel]].out.channel;
			break;
		case EVL_PHASE_DEVIATING:
			m->arrival = EVL_ARRIVAL_DELAYED;
			m->delay_bits = at[i].own_delay_bits;
			m->deviation_bits = (int64_t)at[i].own_delay_bits - match.delay_bits;
			if (m->deviation_bits < -(int64_t)(period / 2)) {
				m->deviation_bits += period;
			}
			break;
		case EVL_PHASE_NOTHING:
			m->arrival = EVL_ARRIVAL_NONE;
			break;
		}
	}
	free(at);
	free(seen);
	free(sent);
	return st;
}

static bool same_group(const struct meter *a, const struct meter *b)
{
	return a->out.kind == EVL_CONTENT_PATTERN && b->out.kind == EVL_CONTENT_PATTERN &&
	       a->out.place == b->out.place && a->phase_set == b->phase_set &&
	       a->out.frame_bits == b->out.frame_bits && /* the same delay is other bits else */
	       a->identity == b->identity &&
	       evl_pattern_same(&a->checker.pattern, &b->checker.pattern);
}

static enum evl_status arrivals(struct take *t, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	uint32_t *who = evl_xcalloc(t->meter_count, sizeof *who);
	for (uint32_t first = 0; first < t->meter_count && st == EVL_OK; first++) {
		struct meter *m = &t->meters[first];
		uint32_t n = 0;
		for (uint32_t i = 0; i < t->meter_count; i++) {
			if (same_group(m, &t->meters[i])) {
				who[n++] = i;
			}
		}
		if (m->out.kind != EVL_CONTENT_PATTERN) {
			continue;
		}
		if (m->identity == EVL_IDENTITY_NUMBER) {
			arrival_by_number(t, m);
		} else if (m->identity == EVL_IDENTITY_NONE) {
			m->out.arrival =
				m->checker.ever_locked ? EVL_ARRIVAL_UNKNOWN : EVL_ARRIVAL_NONE;
		} else if (who[0] == first) {
			st = arrivals_by_phase(t, who, n, err);
		}
	}
	free(who);
	return st;
}

/* A channel that returned something foreign: whose recorded bits are they? Only one clear match
 * counts; idle channels that look alike say nothing. */
static enum evl_status find_crossing(struct take *t, struct meter *m, struct evl_err *err)
{
	uint32_t found = 0;
	for (uint32_t i = 0; i < t->meter_count; i++) {
		const struct meter *other = &t->meters[i];
		const struct part *p = &t->parts[other->part];
		if (other == m || other->out.kind != EVL_CONTENT_RECORDING ||
			p->slab_bytes != t->parts[m->part].slab_bytes) {
			continue;
		}
		struct evl_window_run run;
		evl_window_at(&p->expected, m->sample_bit, &run);
		if (!run.recorded || run.bits < m->sample_bytes * 8) {
			continue;
		}
		enum evl_status st =
			evl_rec_read(other->expected->reader, other->expected->reader_channel,
				run.rec_bit, t->scratch, m->sample_bytes, err);
		if (st < 0) {
			return st;
		}
		uint64_t diff = evl_bits_count_diff(m->sample, t->scratch, m->sample_bytes);
		if (diff * FOREIGN_DEN < m->sample_bytes * 8 * FOREIGN_NUM) {
			found++;
			m->out.arrival = EVL_ARRIVAL_CROSSED;
			m->out.from_channel = other->out.channel;
		}
	}
	if (found != 1) {
		m->out.arrival = EVL_ARRIVAL_NONE;
		m->out.from_channel = 0;
	}
	return EVL_OK;
}

enum evl_status evl_meters_finish(struct take *t, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	for (uint32_t i = 0; i < t->meter_count; i++) {
		struct meter *m = &t->meters[i];
		m->out.delay_bits = -1;
		evl_seconds_finish(&m->seconds);
		m->out.errored_seconds = m->seconds.es;
		m->out.severely_errored_seconds = m->seconds.ses;
		m->out.unavailable_seconds = m->seconds.unavailable;
		evl_performance_finish(&m->performance);
		m->out.by_blocks = m->performance.near;
		if (m->out.kind == EVL_CONTENT_PATTERN) {
			collect_pattern(t, m);
			continue;
		}
		m->out.locked = true;
		m->out.stream_bits = t->parts[m->part].received_bits;
		m->out.bits = m->bits;
		m->out.errors = m->errors;
		m->out.first_error_bit = m->first_error;
		m->out.arrival = EVL_ARRIVAL_OWN;
		if (m->have_sample && m->errors * FOREIGN_DEN > m->bits * FOREIGN_NUM &&
			st == EVL_OK) {
			st = find_crossing(t, m, err);
		}
	}
	st = st == EVL_OK ? arrivals(t, err) : st;
	t->result->meters = evl_xcalloc(t->meter_count, sizeof *t->result->meters);
	for (uint32_t i = 0; i < t->meter_count; i++) {
		t->result->meters[i] = t->meters[i].out;
	}
	t->result->meter_count = t->meter_count;
	return st;
}

/* SPDX-License-Identifier: Apache-2.0 */
/* What a take measured -> the table that the case gets back. */
#include "core/engine/pace.h"
#include "core/measure/delay.h"
#include "core/script/internal.h"
#include "core/script/lua_fields.h"

static const char *last_alarm(const struct evl_take_result *res, uint32_t channel)
{
	const char *name = NULL;
	for (uint32_t i = 0; i < res->event_count; i++) {
		const struct evl_take_event *e = &res->events[i];
		if (e->channel == channel && !e->by_unit && e->place == EVL_PLACE_RECEIVED) {
			name = e->raised ? evl_alarm_name(e->alarm) : NULL;
		}
	}
	return name;
}

/* Slips and turns of the sense, each at the first error that told it. */
static void push_sync(
	lua_State *L, const struct evl_take_result *res, const struct evl_take_meter *m)
{
	lua_createtable(L, 0, 0);
	lua_createtable(L, 0, 0);
	lua_Integer slips = 0, turns = 0;
	bool inverted = false;
	uint64_t lost_at = 0;
	for (uint32_t i = 0; i < m->sync_count; i++) {
		const struct evl_sync_event *e = &m->sync[i];
		if (e->kind == EVL_SYNC_LOST) {
			lost_at = e->first_error_bit;
			continue;
		}
		int64_t at_ns = evl_take_bit_ns(res, m, lost_at);
		if (e->slip_bits != 0) {
			lua_createtable(L, 0, 2);
			set_integer(L, "bits", e->slip_bits);
			set_integer(L, "at_ns", at_ns);
			lua_rawseti(L, -3, ++slips);
		}
		if (e->inverted != inverted) {
			lua_createtable(L, 0, 2);
			set_bool(L, "inverted", e->inverted);
			set_integer(L, "at_ns", at_ns);
			lua_rawseti(L, -2, ++turns);
			inverted = e->inverted;
		}
	}
	lua_setfield(L, -3, "turns");
	lua_setfield(L, -2, "slip_list");
}

/* What only a pattern can say. */
static void push_pattern(lua_State *L, const struct evl_take_result *res,
	const struct evl_take_meter *m, uint32_t frame_bits)
{
	push_sync(L, res, m);
	if (m->errors > 0 && !m->counter) {
		set_integer(L, "error_span_bits",
			(int64_t)(m->last_error_bit - m->first_error_bit + 1));
	}
	set_integer(L, "moved_bits", m->moved_bits);
	set_integer(L, "moved_least_bits", m->moved_least_bits);
	set_integer(L, "moved_most_bits", m->moved_most_bits);
	if (m->period_bits > 0) {
		set_integer(L, "period_bits", m->period_bits);
		uint64_t ns = evl_delay_ns(
			(uint64_t)m->period_bits, (uint64_t)frame_bits * EVL_FRAMES_PER_S);
		set_integer(L, "delay_range_ns", ns <= INT64_MAX ? (int64_t)ns : INT64_MAX);
	}
	if (m->recognised[0] != '\0') {
		set_text(L, "recognised", m->recognised);
	}
	if (m->counter) {
		set_integer(L, "blocks", (int64_t)m->blocks);
		set_integer(L, "blocks_lost", (int64_t)m->blocks_lost);
		set_integer(L, "blocks_late", (int64_t)m->blocks_late);
		set_integer(L, "blocks_repeated", (int64_t)m->blocks_repeated);
		set_integer(L, "blocks_foreign", (int64_t)m->blocks_foreign);
		set_integer(L, "blocks_damaged", (int64_t)m->blocks_damaged);
	}
}

/* By bits (ITU-T G.821) and by blocks (G.826, G.829). */
static void push_performance(
	lua_State *L, const struct evl_take_result *res, const struct evl_take_meter *m)
{
	const struct evl_performance_totals *b = &m->by_blocks;
	uint64_t seconds = (res->frames + EVL_FRAMES_PER_S - 1) / EVL_FRAMES_PER_S;
	set_integer(L, "available_seconds", (int64_t)(seconds - m->unavailable_seconds));
	set_integer(L, "block_available_seconds", (int64_t)b->available);
	set_integer(L, "block_unavailable_seconds", (int64_t)b->unavailable);
	set_integer(L, "block_errored_seconds", (int64_t)b->es);
	set_integer(L, "block_severely_errored_seconds", (int64_t)b->ses);
	set_integer(L, "background_block_errors", (int64_t)b->background);
	set_integer(L, "checked_blocks", (int64_t)b->units);
	if (m->proved_ns >= 0) {
		set_integer(L, "proved_ns", m->proved_ns);
	}
}

static void push_meter(lua_State *L, struct run_state *r, const struct evl_take_result *res,
	const struct evl_take_meter *m)
{
	static const char *const arrivals[] = {"none", "own", "delayed", "crossed", "unknown"};
	const struct evl_bound_channel *c = evl_engine_channel(r->engine, m->channel);
	uint32_t fb = m->frame_bits;
	lua_createtable(L, 0, 40);
	set_integer(L, "channel", m->channel);
	set_text(L, "role", c->role);
	set_integer(L, "number", c->number);
	set_text(L, "label", c->label);
	set_text(L, "place", m->place == EVL_PLACE_LINE ? "line" : "received");
	if (m->place == EVL_PLACE_LINE) {
		set_text(L, "line", evl_engine_channel(r->engine, m->line_channel)->role);
	}
	set_text(L, "kind", m->kind == EVL_CONTENT_PATTERN ? "pattern" : "recording");
	set_bool(L, "locked", m->locked);
	set_bool(L, "inverted", m->inverted);
	set_integer(L, "bits", (int64_t)m->bits);
	set_integer(L, "errors", (int64_t)m->errors);
	set_integer(L, "errored_seconds", (int64_t)m->errored_seconds);
	set_integer(L, "severely_errored_seconds", (int64_t)m->severely_errored_seconds);
	set_integer(L, "unavailable_seconds", (int64_t)m->unavailable_seconds);
	push_performance(L, res, m);
	set_integer(L, "sync_losses", (int64_t)m->sync_losses);
	set_integer(L, "slips", (int64_t)m->slips);
	set_integer(L, "octet_slips", (int64_t)m->octet_slips);
	set_integer(L, "last_slip_bits", m->last_slip_bits);
	if (m->kind == EVL_CONTENT_PATTERN) {
		push_pattern(L, res, m, fb);
	}
	if (m->locked && m->kind == EVL_CONTENT_PATTERN) {
		set_integer(L, "first_lock_ns", evl_take_bit_ns(res, m, m->first_lock_bit));
	}
	if (m->errors > 0) {
		uint64_t bit = m->first_error_bit;
		set_integer(L, "first_error_ns", evl_take_bit_ns(res, m, bit));
		set_integer(L, "first_error_frame", (int64_t)(bit / fb));
		set_integer(L, "first_error_byte", (int64_t)(bit % fb / 8));
		set_integer(L, "first_error_bit", (int64_t)(bit % 8) + 1);
	}
	set_text(L, "arrival", arrivals[m->arrival]);
	if (m->arrival == EVL_ARRIVAL_CROSSED) {
		set_text(L, "from_label", evl_engine_channel(r->engine, m->from_channel)->label);
		set_integer(L, "from_channel", m->from_channel);
		set_integer(
			L, "from_number", evl_engine_channel(r->engine, m->from_channel)->number);
		set_text(L, "from_role", evl_engine_channel(r->engine, m->from_channel)->role);
	}
	set_integer(L, "deviation_bits", m->deviation_bits);
	if (m->delay_bits >= 0) {
		uint64_t rate = (uint64_t)fb * EVL_FRAMES_PER_S;
		set_integer(L, "delay_bits", m->delay_bits);
		set_integer(L, "delay_ns", (int64_t)evl_delay_ns((uint64_t)m->delay_bits, rate));
	}
	const char *alarm = last_alarm(res, m->channel);
	if (alarm != NULL) {
		set_text(L, "alarm", alarm);
	}
}

/* Which bits of which recording were expected, for core.compare_returned. */
static void push_expected(lua_State *L, const struct take_seen *s, const struct evl_take_meter *m)
{
	const struct evl_take_content *c = NULL;
	for (uint32_t i = 0; i < s->plan->part_count; i++) {
		if (m->kind == EVL_CONTENT_RECORDING && s->plan->parts[i].channel == m->channel) {
			c = &s->plan->parts[i].expected;
		}
	}
	if (c == NULL) {
		return;
	}
	const struct evl_rec_info *info = evl_rec_info(c->reader, c->reader_channel);
	const struct evl_take_window *w = &c->window;
	lua_createtable(L, 0, 10);
	for (size_t i = 0; i < s->r->recording_count; i++) {
		if (s->r->recordings[i].reader == c->reader) {
			set_integer(L, "recording", (int64_t)i);
		}
	}
	for (size_t i = 0; i < s->r->campaign->file_count; i++) {
		const struct open_recording *file = s->r->campaign->files[i].recording;
		if (file != NULL && file->reader == c->reader) {
			set_integer(L, "recording_file", (int64_t)i);
		}
	}
	set_text(L, "channel", info->channel.name);
	set_integer(L, "from_bit", (int64_t)w->from_bit);
	set_integer(L, "bits", (int64_t)(w->bits > 0 ? w->bits : info->end_bits));
	set_integer(L, "times", w->times > 0 ? (int64_t)w->times : 1);
	set_integer(L, "lead_bits", (int64_t)w->lead_bits);
	set_integer(L, "seam_bits", (int64_t)w->seam_bits);
	set_integer(L, "settle_bits", (int64_t)w->settle_bits);
	set_integer(
		L, "settle_ns", evl_pace_ns((int64_t)w->settle_bits, m->frame_bits, EVL_FRAME_NS));
	lua_setfield(L, -2, "expected");
}

static void push_streams(lua_State *L, struct run_state *r, const struct evl_take_result *res)
{
	lua_createtable(L, (int)res->stream_count, 0);
	for (uint32_t i = 0; i < res->stream_count; i++) {
		const struct evl_take_stream *s = &res->streams[i];
		lua_createtable(L, 0, 6);
		set_integer(L, "channel", s->channel);
		set_text(L, "role", evl_engine_channel(r->engine, s->channel)->role);
		set_text(L, "direction", s->sent ? "sent" : "received");
		set_integer(L, "bits", (int64_t)s->bits);
		if (s->digest[0] != '\0') {
			set_text(L, "digest", s->digest);
		}
		if (s->recorded_digest[0] != '\0') {
			set_text(L, "recorded_digest", s->recorded_digest);
		}
		if (s->source_digest[0] != '\0') {
			set_text(L, "source_digest", s->source_digest);
		}
		if (s->network != NULL) {
			char text[EVL_NETWORK_TEXT];
			evl_network_text(text, sizeof text, s->network);
			set_text(L, "network", text);
		}
		lua_rawseti(L, -2, (lua_Integer)i + 1);
	}
}

/* What the frames of channels told. */
static void push_framed(lua_State *L, struct run_state *r, const struct evl_take_result *res)
{
	lua_createtable(L, (int)res->framed_count, 0);
	for (uint32_t i = 0; i < res->framed_count; i++) {
		const struct evl_take_framed *f = &res->framed[i];
		lua_createtable(L, 0, 14);
		set_integer(L, "channel", f->channel);
		set_text(L, "role", evl_engine_channel(r->engine, f->channel)->role);
		set_text(L, "place", f->place == EVL_PLACE_LINE ? "line" : "received");
		set_text(L, "framing", evl_framing_name(&f->framing));
		set_integer(L, "frames", (int64_t)f->frames);
		set_integer(L, "crc_blocks", (int64_t)f->crc_blocks);
		set_integer(L, "crc_errors", (int64_t)f->crc_errors);
		set_integer(L, "e_bits", (int64_t)f->e_bits);
		set_integer(L, "frame_errors", (int64_t)f->frame_errors);
		set_integer(L, "losses", (int64_t)f->losses);
		set_integer(L, "errored_seconds", (int64_t)f->errored_seconds);
		set_integer(L, "far_errored_seconds", (int64_t)f->far_errored_seconds);
		if (f->worst_errors > 0) {
			set_integer(L, "worst_second", f->worst_second);
			set_integer(L, "worst_second_errors", (int64_t)f->worst_errors);
		}
		lua_rawseti(L, -2, (lua_Integer)i + 1);
	}
}

static void push_marks(lua_State *L, const struct take_seen *s)
{
	const struct evl_take_result *res = s->result;
	lua_createtable(L, (int)res->mark_count, 0);
	for (uint32_t i = 0; i < res->mark_count; i++) {
		const struct evl_take_mark *m = &res->marks[i];
		lua_createtable(L, 0, 8);
		set_integer(L, "at_ns", m->at_ns);
		set_text(L, "text", m->text);
		set_bool(L, "trigger", m->trigger);
		if (m->channel >= 0) {
			const struct evl_bound_channel *c =
				evl_engine_channel(s->r->engine, (uint32_t)m->channel);
			set_integer(L, "channel", m->channel);
			set_text(L, "role", c->role);
			set_integer(L, "number", c->number);
		}
		if (m->recording >= 0) {
			set_text(L, "recording", s->names[m->recording]);
		}
		lua_rawseti(L, -2, (lua_Integer)i + 1);
	}
	lua_setfield(L, -2, "marks");
	set_integer(L, "marks_lost", (int64_t)res->marks_lost);
	set_integer(L, "triggers_missed", (int64_t)res->triggers_missed);
}

/* Recordings and marks. That of the whole take is `recording` too. */
static void push_kept(lua_State *L, const struct take_seen *s)
{
	const struct evl_take_result *res = s->result;
	set_integer(L, "start_ns", (int64_t)s->start_ns);
	set_bool(L, "triggered", s->triggered);
	set_bool(L, "caught", res->caught);
	push_marks(L, s);
	lua_createtable(L, (int)res->recording_count, 0);
	for (uint32_t i = 0; i < res->recording_count; i++) {
		const struct evl_take_recording *r = &res->recordings[i];
		if (s->ids[i] >= 0) {
			evl_recording_push(L, &s->r->recordings[s->ids[i]], "id", s->ids[i]);
		} else {
			lua_createtable(L, 0, 6);
			set_text(L, "name", s->names[i]);
		}
		set_bool(L, "finished", r->finished);
		set_integer(L, "from_ns", (int64_t)(r->from_frame * EVL_FRAME_NS));
		set_integer(L, "to_ns", (int64_t)(r->to_frame * EVL_FRAME_NS));
		set_integer(L, "lost_slabs", (int64_t)r->lost_slabs);
		if (r->message[0] != '\0') {
			set_text(L, "note", r->message);
		}
		if (!s->triggered && s->ids[i] >= 0) {
			lua_pushvalue(L, -1);
			lua_setfield(L, -4, "recording");
		}
		lua_rawseti(L, -2, (lua_Integer)i + 1);
	}
	lua_setfield(L, -2, "recordings");
}

/* Pushes what the case gets back. Runs under evl_sandbox_call: it may run out of Lua memory. */
int evl_script_push_seen(lua_State *L)
{
	const struct take_seen *s = lua_touserdata(L, 1);
	const struct evl_take_result *res = s->result;
	lua_createtable(L, 0, 12);
	set_text(L, "name", s->name);
	set_integer(L, "frames", (int64_t)res->frames);
	set_integer(L, "planned_frames", (int64_t)res->frames_planned);
	set_bool(L, "ended_early", res->ended_early);
	set_bool(L, "interrupted", res->interrupted);
	set_integer(L, "events_lost", (int64_t)res->events_lost);
	set_integer(L, "gaps", (int64_t)res->gaps);
	lua_createtable(L, (int)res->meter_count, 0);
	for (uint32_t i = 0; i < res->meter_count; i++) {
		push_meter(L, s->r, res, &res->meters[i]);
		push_expected(L, s, &res->meters[i]);
		lua_rawseti(L, -2, (lua_Integer)i + 1);
	}
	lua_setfield(L, -2, "meters");
	lua_createtable(L, (int)res->event_count, 0);
	for (uint32_t i = 0; i < res->event_count; i++) {
		const struct evl_take_event *e = &res->events[i];
		lua_createtable(L, 0, 10);
		set_integer(L, "channel", e->channel);
		set_text(L, "role", evl_engine_channel(s->r->engine, e->channel)->role);
		set_text(L, "alarm", evl_alarm_name(e->alarm));
		set_bool(L, "raised", e->raised);
		set_text(L, "by", e->by_unit ? "unit" : "tester");
		set_integer(L, "at_ns", e->at_ns);
		set_text(L, "seen_in", e->place == EVL_PLACE_LINE ? "line" : "port");
		if (e->path > 0) {
			set_integer(L, "path", e->path);
		}
		if (e->cause != EVL_ALARM_NONE) {
			set_text(L, "consequence_of", evl_alarm_name(e->cause));
			set_integer(L, "cause_channel", e->cause_channel);
		}
		lua_rawseti(L, -2, (lua_Integer)i + 1);
	}
	lua_setfield(L, -2, "events");
	push_framed(L, s->r, res);
	lua_setfield(L, -2, "framed");
	evl_script_push_performances(L, s->r, res);
	lua_setfield(L, -2, "performances");
	push_streams(L, s->r, res);
	lua_setfield(L, -2, "streams");
	push_kept(L, s);
	return 1;
}

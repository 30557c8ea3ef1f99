/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Recordings that a campaign can replay: how long each is, its marks, and recording_file, a
 * recording in the campaign's folder.
 */
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "core/engine/pace.h"
#include "core/script/internal.h"
#include "core/script/lua_fields.h"

/* What was sent tells the length exactly; received channels count by clocks of their own. Of a
 * recording that was cut off each channel ends where its last whole block does. */
static uint64_t shortest(const struct evl_rec *rec)
{
	const bool whole = evl_rec_is_finished(rec);
	uint64_t frames = UINT64_MAX;
	for (int sent = 1; sent >= 0 && frames == UINT64_MAX; sent--) {
		for (uint32_t i = 0; i < evl_rec_channel_count(rec); i++) {
			bool is_sent = evl_rec_info(rec, i)->channel.direction == EVL_REC_SENT;
			uint64_t f = evl_take_recorded_frames(rec, i);
			if (!whole && !is_sent) {
				/* Not rounded up to what it may have become. */
				const struct evl_rec_info *info = evl_rec_info(rec, i);
				f = evl_pace_frames(info->channel.rate, 0, info->end_bits / 8);
			}
			frames = (is_sent == (bool)sent || !whole) && f < frames ? f : frames;
		}
	}
	return frames;
}

uint64_t evl_recording_bits(
	const struct open_recording *rec, const struct evl_rec_info *info, uint64_t ns)
{
	const uint64_t frame_bits = evl_rate_frame_bits(info->channel.rate);
	uint64_t bits = (uint64_t)evl_pace_ns((int64_t)ns, EVL_FRAME_NS, frame_bits);
	const int64_t ppb = info->channel.clock_ppb;
	if (ppb != 0) {
		int64_t off =
			evl_pace_ns((int64_t)bits, 1000000000u, (uint64_t)(ppb < 0 ? -ppb : ppb));
		bits = ppb < 0 ? bits - (uint64_t)off : bits + (uint64_t)off;
	} else if (info->channel.direction == EVL_REC_RECEIVED && rec->whole) {
		/* By a clock of its own, within the limits of the driver ABI. */
		const uint64_t nominal = rec->frames * frame_bits;
		const uint64_t off = nominal > info->end_bits ? nominal - info->end_bits
							      : info->end_bits - nominal;
		if (off > 16 && off / 2 < nominal / 1000000 * (EVL_CLOCK_PPB_MAX / 1000)) {
			bits = (uint64_t)evl_pace_ns((int64_t)bits, nominal, info->end_bits);
		}
	}
	return bits & ~(uint64_t)7;
}

/* The first instant on the grid of takes from which on a channel is recorded. */
static uint64_t first_ns(const struct open_recording *rec, const struct evl_rec_info *info)
{
	if (info->first_bit == 0) {
		return 0;
	}
	uint64_t ns = (uint64_t)evl_pace_ns(
		(int64_t)info->first_bit, evl_rate_frame_bits(info->channel.rate), EVL_FRAME_NS);
	uint64_t at = ns / EVL_TAKE_SLAB_NS * EVL_TAKE_SLAB_NS;
	at -= at / EVL_TAKE_SLAB_NS > 1 ? 2 * EVL_TAKE_SLAB_NS
					: at; /* clocks differ; from before it on */
	at -= (uint64_t)((double)at * EVL_CLOCK_PPB_MAX * 1e-9) / EVL_TAKE_SLAB_NS *
	      EVL_TAKE_SLAB_NS;
	while (evl_recording_bits(rec, info, at) + EVL_RECORDING_SLACK_BITS < info->first_bit) {
		at += EVL_TAKE_SLAB_NS;
	}
	return at;
}

void evl_recording_measure(struct open_recording *rec)
{
	rec->frames = shortest(rec->reader);
	rec->whole = evl_rec_is_finished(rec->reader);
	rec->begin_ns = 0;
	for (uint32_t i = 0; i < evl_rec_channel_count(rec->reader); i++) {
		uint64_t at = first_ns(rec, evl_rec_info(rec->reader, i));
		rec->begin_ns = at > rec->begin_ns ? at : rec->begin_ns;
	}
	rec->end_ns = UINT64_MAX;
	for (uint32_t i = 0; i < evl_rec_channel_count(rec->reader); i++) {
		const struct evl_rec_info *info = evl_rec_info(rec->reader, i);
		bool exact =
			info->channel.direction == EVL_REC_SENT && info->channel.clock_ppb == 0;
		uint64_t at = exact ? (uint64_t)evl_pace_ns((int64_t)info->end_bits,
					      evl_rate_frame_bits(info->channel.rate), EVL_FRAME_NS)
				    : rec->frames * EVL_FRAME_NS;
		rec->end_ns = at < rec->end_ns ? at : rec->end_ns;
	}
	rec->begin_ns = rec->begin_ns < rec->end_ns ? rec->begin_ns : rec->end_ns;
}

static bool has_gaps(const struct evl_rec *rec)
{
	bool any = false;
	for (uint32_t i = 0; i < evl_rec_channel_count(rec); i++) {
		any = any || evl_rec_info(rec, i)->gaps > 0;
	}
	return any;
}

static void push_marks(lua_State *L, const struct open_recording *rec)
{
	const uint32_t n = evl_rec_mark_count(rec->reader);
	lua_createtable(L, (int)n, 0);
	if (evl_rec_channel_count(rec->reader) == 0) {
		return;
	}
	/* Bit 0 of a channel is at the start of its take, but for its own skew. */
	const struct evl_rec_channel *first = &evl_rec_info(rec->reader, 0)->channel;
	const int64_t start_ns = (int64_t)first->start_ns - first->skew_ns;
	for (uint32_t i = 0; i < n; i++) {
		const struct evl_rec_mark *m = evl_rec_mark_at(rec->reader, i);
		lua_createtable(L, 0, 3);
		set_integer(L, "at_ns", (int64_t)m->time_ns - start_ns - (int64_t)rec->begin_ns);
		set_text(L, "text", m->text);
		if (m->channel >= 0) {
			set_text(L, "channel",
				evl_rec_info(rec->reader, (uint32_t)m->channel)->channel.name);
		}
		lua_rawseti(L, -2, (lua_Integer)i + 1);
	}
}

void evl_recording_push(
	lua_State *L, const struct open_recording *rec, const char *field, lua_Integer number)
{
	lua_createtable(L, 0, 8);
	lua_pushinteger(L, number);
	lua_setfield(L, -2, field);
	set_integer(L, "frames", (int64_t)rec->frames);
	set_text(L, "name", rec->name);
	set_integer(L, "begin_ns", (int64_t)rec->begin_ns);
	set_integer(L, "length_ns", (int64_t)(rec->end_ns - rec->begin_ns));
	set_bool(L, "whole", rec->whole && rec->begin_ns == 0 && !has_gaps(rec->reader));
	if (!rec->whole) {
		set_text(L, "missing", evl_rec_missing(rec->reader));
	}
	push_marks(L, rec);
	lua_setfield(L, -2, "marks");
}

void evl_recording_close(struct open_recording *rec)
{
	if (rec != NULL) {
		evl_rec_close(rec->reader);
		free(rec->name);
	}
}

struct open_recording *evl_recording_of(const struct run_state *r, lua_State *L, int at)
{
	struct open_recording *rec = NULL;
	lua_pushliteral(L, "recording");
	lua_rawget(L, at);
	lua_pushliteral(L, "recording_file");
	lua_rawget(L, at);
	lua_Integer id = lua_isinteger(L, -2) ? lua_tointeger(L, -2) : -1;
	lua_Integer file = lua_isinteger(L, -1) ? lua_tointeger(L, -1) : -1;
	if (id >= 0 && (size_t)id < r->recording_count) {
		rec = &r->recordings[id];
	} else if (file >= 0 && (size_t)file < r->campaign->file_count) {
		rec = r->campaign->files[file].recording;
	}
	lua_pop(L, 2);
	return rec;
}

/* ---- recording_file ---- */

static void on_finding(void *context, const struct evl_rec_finding *f)
{
	bool *only_cut = context;
	*only_cut = *only_cut && f->end;
}

/* One that is finished must be intact. One that was cut off is taken as far as its blocks are
 * sound; its `missing` then says where it ends. */
static enum evl_status read_file(
	struct campaign_file *out, const char *path, const char *name, struct evl_err *err)
{
	struct evl_rec *rec = NULL;
	struct evl_rec_verdict verdict;
	bool only_cut = true;
	enum evl_status st = evl_rec_open(&rec, path, err);
	if (st < 0) {
		return evl_err_prefix(err, "recording_file");
	}
	st = evl_rec_verify(rec, on_finding, &only_cut, &verdict, err);
	if (st < 0 && (st != EVL_E_CORRUPT || !only_cut)) {
		evl_rec_close(rec);
		return evl_err_prefix(err, "recording_file");
	}
	out->recording = evl_xcalloc(1, sizeof *out->recording);
	out->recording->name = evl_xstrdup(name);
	out->recording->reader = rec;
	evl_recording_measure(out->recording);
	if (out->recording->frames * EVL_FRAME_NS <= out->recording->begin_ns) {
		st = evl_err_set(err, EVL_E_INVALID,
			"recording_file: %s: there are no 8 ms in which all channels are recorded",
			path);
		evl_recording_close(out->recording);
		free(out->recording);
		out->recording = NULL;
		return st;
	}
	out->name = evl_xstrdup(name);
	out->purpose = "recording";
	struct stat is;
	out->bytes = stat(path, &is) == 0 ? (size_t)is.st_size : 0;
	evl_hex(verdict.file_sha256, sizeof verdict.file_sha256, out->sha256);
	return EVL_OK;
}

/* core.recording_file(name) -> as seen.recording. */
static int recording_file(lua_State *L)
{
	struct campaign *c = lua_touserdata(L, lua_upvalueindex(1));
	const char *name = evl_campaign_file_name(L, c, "recording_file");
	size_t i = 0;
	while (i < c->file_count &&
		(c->files[i].recording == NULL || strcmp(c->files[i].name, name) != 0)) {
		i++;
	}
	if (i == c->file_count) {
		struct evl_err err = {0};
		char *path = evl_campaign_file_path(L, c, "recording_file", name);
		enum evl_status st = read_file(&c->files[i], path, name, &err);
		free(path);
		if (st < 0) {
			return evl_script_fail(L, "%s", err.text);
		}
		c->file_count++;
	}
	evl_recording_push(L, c->files[i].recording, "file", (lua_Integer)i);
	return 1;
}

void evl_bind_recording_file(lua_State *L, struct campaign *c)
{
	lua_pushlightuserdata(L, c);
	lua_pushcclosure(L, recording_file, 1);
	lua_setfield(L, -2, "recording_file");
}

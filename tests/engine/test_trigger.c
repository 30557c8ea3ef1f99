/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Recordings by triggers over a loopback. Instants are those at which the mock was told to disturb;
 * offsets follow from ITU-T G.704 (256 bits in 125 us) and the grid of 8 ms; what must be in a
 * recording is the pattern of ITU-T O.150 made apart from the engine, and SHA-256 of the file by
 * OpenSSL.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>
#include <cmocka.h>

#include "core/base/file.h"
#include "core/recording/reader.h"
#include "core/signal/prbs.h"
#include "rig.h"

#define SECOND   8000u /* frames */
#define S        1000000000ull
#define MS       1000000ull
#define BIT(ms)  ((uint64_t)(ms)*2048u)
#define SLAB(ms) ((uint64_t)(ms) / 8 * 64) /* frame in which the slab of 8 ms begins */
#define MOST     3

static const uint64_t never = UINT64_MAX;

struct scene {
	struct rig rig;
	char dir[64];
	char paths[MOST][96];
	const char *path_list[MOST];
	struct evl_take_condition when[2], mark[2];
	struct evl_take_injection inject[4];
	struct evl_take_result *r;
	struct evl_err err;
};

static const char *driver = "loopback";

/* Two tributaries, both recorded. */
static void up(struct scene *s, const char *options, uint64_t frames, uint64_t reserve,
	enum evl_status (*space)(uint64_t *, const char *, struct evl_err *))
{
	memset(s, 0, sizeof *s);
	rig_up_on(&s->rig, driver, options, 1, reserve, space);
	rig_patterns(&s->rig, 2, frames);
	snprintf(s->dir, sizeof s->dir, "/tmp/evl-trigger-XXXXXX");
	assert_non_null(mkdtemp(s->dir));
	for (int i = 0; i < MOST; i++) {
		snprintf(s->paths[i], sizeof s->paths[i], "%s/caught-%d.pcapng", s->dir, i + 1);
		s->path_list[i] = s->paths[i];
	}
	for (int i = 0; i < 2; i++) {
		s->rig.parts[i].record_sent = s->rig.parts[i].record_received = true;
	}
	s->rig.plan.record = (struct evl_take_record){.most = MOST,
		.paths = s->path_list,
		.before_ns = 1 * S,
		.after_ns = 500 * MS,
		.when = s->when,
		.mark = s->mark};
	s->rig.plan.injections = s->inject;
}

static void down(struct scene *s)
{
	char command[96];
	evl_take_result_destroy(s->r);
	rig_down(&s->rig);
	snprintf(command, sizeof command, "rm -r %s", s->dir);
	assert_int_equal(system(command), 0);
}

static void take(struct scene *s, enum evl_status wanted)
{
	evl_take_result_destroy(s->r);
	s->r = NULL;
	enum evl_status st = rig_take(&s->rig, never, NULL, &s->r, &s->err);
	if (st != wanted) {
		print_message("%s\n", s->err.text);
	}
	assert_int_equal(st, wanted);
}

static void inject_alarm(struct scene *s, uint32_t channel, uint64_t at_ms, uint64_t ms)
{
	s->inject[s->rig.plan.injection_count++] = (struct evl_take_injection){.channel = channel,
		.kind = EVL_INJECT_ALARM,
		.alarm = EVL_ALARM_LOS,
		.at_ns = at_ms * MS,
		.lasting_ns = ms * MS};
}

static void when_alarm(struct scene *s, uint32_t channel)
{
	s->when[s->rig.plan.record.when_count++] = (struct evl_take_condition){
		.kind = EVL_WHEN_ALARM, .first = channel, .count = 1, .by = EVL_BY_UNIT};
}

/* The stretch from..to (ms of the take) is there, whole, and is what was sent. */
static void holds(struct scene *s, uint32_t n, uint64_t from_ms, uint64_t to_ms, uint32_t marks)
{
	struct evl_rec *rec = NULL;
	struct evl_rec_verdict v;
	char hex[EVL_SHA256_HEX];
	const struct evl_take_recording *r = &s->r->recordings[n];
	assert_string_equal(r->message, "");
	assert_true(r->finished);
	assert_int_equal(r->lost_slabs, 0);
	assert_int_equal(r->from_frame, SLAB(from_ms));
	assert_int_equal(r->to_frame, SLAB(to_ms));
	assert_int_equal(evl_rec_open(&rec, s->paths[n], &s->err), EVL_OK);
	assert_int_equal(evl_rec_verify(rec, NULL, NULL, &v, &s->err), EVL_OK);
	evl_hex(v.file_sha256, sizeof v.file_sha256, hex);
	assert_string_equal(r->sha256, hex);
	assert_int_equal(r->bytes, v.bytes);
	assert_int_equal(evl_rec_channel_count(rec), 4);
	assert_int_equal(evl_rec_mark_count(rec), marks);
	for (uint32_t c = 0; c < 4; c++) {
		const struct evl_rec_info *info = evl_rec_info(rec, c);
		assert_int_equal(info->channel.start_ns, s->r->start_ns);
		assert_int_equal(info->first_bit, BIT(from_ms));
		assert_int_equal(info->end_bits, BIT(to_ms));
		assert_int_equal(info->gaps, from_ms > 0);
		assert_int_equal(info->bits, BIT(to_ms - from_ms));
	}
	for (uint32_t i = 0; i < 2; i++) {
		static uint8_t sent[BIT(10000) / 8], pattern[BIT(10000) / 8];
		const size_t bytes = BIT(to_ms - from_ms) / 8;
		struct evl_prbs g;
		uint32_t c;
		assert_true(evl_rec_find(rec, i == 0 ? "trib-1.sent" : "trib-2.sent", &c));
		assert_int_equal(evl_rec_read(rec, c, BIT(from_ms), sent, bytes, &s->err), EVL_OK);
		evl_prbs_init(&g, EVL_PRBS15,
			(s->rig.parts[i].played.phase + BIT(from_ms)) % ((1u << 15) - 1));
		evl_prbs_fill(&g, pattern, bytes);
		assert_memory_equal(sent, pattern, bytes);
	}
	evl_rec_close(rec);
}

static void an_alarm_is_caught_with_its_history(void **state)
{
	(void)state;
	struct scene s;
	up(&s, "delay_frames: 0", 10 * SECOND, 0, NULL);
	when_alarm(&s, 1);
	inject_alarm(&s, 0, 1000, 100); /* of a channel that nobody asked about */
	inject_alarm(&s, 1, 4004, 100);
	take(&s, EVL_OK);
	assert_int_equal(s.r->frames, 10 * SECOND);
	assert_false(s.r->ended_early);
	assert_int_equal(s.r->mark_count, 1);
	assert_int_equal(s.r->marks[0].at_ns, 4004 * MS);
	assert_int_equal(s.r->marks[0].channel, 1);
	assert_true(s.r->marks[0].trigger);
	assert_int_equal(s.r->marks[0].recording, 0);
	assert_string_equal(s.r->marks[0].text, "LOS raised on trib 2, by the unit");
	assert_int_equal(s.r->recording_count, 1);
	/* 4004 - 1000 ms lies in the slab from 3000, 4504 in that from 4504. */
	holds(&s, 0, 3000, 4504, 1);
	struct evl_rec *rec = NULL;
	assert_int_equal(evl_rec_open(&rec, s.paths[0], &s.err), EVL_OK);
	const struct evl_rec_mark *m = evl_rec_mark_at(rec, 0);
	assert_int_equal(m->time_ns, s.r->start_ns + 4004 * MS);
	assert_string_equal(m->text, s.r->marks[0].text);
	assert_string_equal(
		evl_rec_info(rec, (uint32_t)m->channel)->channel.name, "trib-2.received");
	evl_rec_close(rec);
	down(&s);
}

static void nothing_is_written_without_a_trigger(void **state)
{
	(void)state;
	struct scene s;
	up(&s, "", 2 * SECOND, 0, NULL);
	when_alarm(&s, 1);
	inject_alarm(&s, 0, 1000, 100);
	take(&s, EVL_OK);
	assert_int_equal(s.r->recording_count, 0);
	assert_int_equal(s.r->mark_count, 0);
	assert_int_equal(access(s.paths[0], F_OK), -1);
	assert_string_equal(s.r->streams[0].digest, "");
	assert_false(s.r->streams[0].recorded);
	down(&s);
}

/* A second trigger within `after` makes it longer, one after it begins anew, though the histories
 * overlap; before the start there is no history. */
static void triggers_gather_or_begin_anew(void **state)
{
	(void)state;
	struct scene s;
	up(&s, "", 6 * SECOND, 0, NULL);
	when_alarm(&s, 1);
	inject_alarm(&s, 1, 400, 50);
	inject_alarm(&s, 1, 800, 50);
	inject_alarm(&s, 1, 1600, 50);
	take(&s, EVL_OK);
	assert_int_equal(s.r->recording_count, 2);
	assert_int_equal(s.r->mark_count, 3);
	assert_int_equal(s.r->marks[1].recording, 0);
	assert_int_equal(s.r->marks[2].recording, 1);
	holds(&s, 0, 0, 1304, 2); /* 800 + 500, to the end of that slab */
	holds(&s, 1, 600, 2104, 2); /* with the trigger at 800 ms */
	down(&s);
}

static void no_more_than_allowed(void **state)
{
	(void)state;
	struct scene s;
	up(&s, "", 6 * SECOND, 0, NULL);
	when_alarm(&s, 1);
	s.rig.plan.record.most = 1;
	inject_alarm(&s, 1, 400, 50);
	inject_alarm(&s, 1, 2000, 50);
	inject_alarm(&s, 1, 3000, 50);
	take(&s, EVL_OK);
	assert_int_equal(s.r->recording_count, 1);
	assert_int_equal(s.r->triggers_missed, 2);
	assert_int_equal(s.r->mark_count, 3);
	assert_int_equal(s.r->marks[2].recording, -1);
	down(&s);
}

static void ends_when_caught(void **state)
{
	(void)state;
	struct scene s;
	up(&s, "", 600 * SECOND, 0, NULL);
	when_alarm(&s, 0);
	s.rig.plan.record.until_triggered = true;
	inject_alarm(&s, 0, 2000, 50);
	take(&s, EVL_OK);
	assert_true(s.r->ended_early);
	assert_true(s.r->caught);
	assert_int_equal(s.r->frames, SLAB(2504));
	holds(&s, 0, 1000, 2504, 1);
	down(&s);
}

/* The end of the take cuts it, cleanly; as does the operator. */
static void on_tick(void *ctx)
{
	((struct scene *)ctx)->rig.stop = 1;
}

static void the_end_cuts_it(void **state)
{
	(void)state;
	struct scene s;
	up(&s, "", 2 * SECOND, 0, NULL);
	when_alarm(&s, 0);
	inject_alarm(&s, 0, 1900, 50);
	take(&s, EVL_OK);
	holds(&s, 0, 896, 2000, 1);
	assert_int_equal(unlink(s.paths[0]), 0);
	struct evl_take_sink sink = {.ctx = &s, .tick = on_tick};
	s.inject[0].at_ns = 900 * MS;
	evl_take_result_destroy(s.r);
	assert_int_equal(rig_take(&s.rig, never, &sink, &s.r, &s.err), EVL_OK);
	assert_true(s.r->interrupted);
	holds(&s, 0, 0, 1000, 1);
	down(&s);
}

static void meters_trigger(void **state)
{
	(void)state;
	struct scene s;
	up(&s, "", 6 * SECOND, 0, NULL);
	/* One bit in 20480 is wrong for 2 s: 100 in each second. */
	s.inject[0] = (struct evl_take_injection){.channel = 1,
		.kind = EVL_INJECT_ERRORS,
		.numerator = 1,
		.denominator = 20480,
		.at_ns = 2 * S,
		.lasting_ns = 2 * S};
	/* One in four for 20 ms: the pattern is lost (ITU-T O.151: a ratio of 0.2). */
	s.inject[1] = (struct evl_take_injection){.channel = 0,
		.kind = EVL_INJECT_ERRORS,
		.numerator = 1,
		.denominator = 4,
		.at_ns = 5 * S + 3 * MS,
		.lasting_ns = 20 * MS};
	s.rig.plan.injection_count = 2;
	s.when[0] = (struct evl_take_condition){
		.kind = EVL_WHEN_ERRORS, .first = 0, .count = 2, .above = 50};
	s.mark[0] =
		(struct evl_take_condition){.kind = EVL_WHEN_PATTERN_LOST, .first = 0, .count = 2};
	s.mark[1] = (struct evl_take_condition){
		.kind = EVL_WHEN_INSTANT, .at_ns = 2200 * MS, .text = "before the errors"};
	s.rig.plan.record.when_count = 1;
	s.rig.plan.record.mark_count = 2;
	take(&s, EVL_OK);
	assert_true(s.r->mark_count >= 5);
	const struct evl_take_mark *m = s.r->marks;
	assert_string_equal(m[0].text, "before the errors");
	assert_int_equal(m[0].at_ns, 2200 * MS);
	assert_int_equal(m[0].recording, 0); /* in its history */
	/* The 51st error of a second comes at 51/100 of it, within a stride or two. */
	for (int i = 1; i <= 2; i++) {
		const int64_t due = (i + 1) * (int64_t)S + 510 * (int64_t)MS;
		assert_in_range(m[i].at_ns, due - 20 * (int64_t)MS, due + 20 * (int64_t)MS);
		assert_int_equal(m[i].channel, 1);
		assert_true(m[i].trigger);
	}
	assert_string_equal(m[1].text, "more than 50 errors in second 3 on trib 2");
	assert_string_equal(m[2].text, "more than 50 errors in second 4 on trib 2");
	/* Channel 0: lost where its errors began, within a few bits. */
	bool lost = false;
	for (uint32_t i = 3; i < s.r->mark_count; i++) {
		if (strcmp(m[i].text, "pattern lost on trib 1") == 0) {
			assert_false(m[i].trigger);
			if (!lost) {
				const int64_t due = 5 * (int64_t)S + 3 * (int64_t)MS;
				assert_in_range(m[i].at_ns, due, due + 260000);
			}
			lost = true;
		}
	}
	assert_true(lost);
	down(&s);
}

static void bad_wishes_are_refused(void **state)
{
	(void)state;
	struct scene s;
	up(&s, "", 2 * SECOND, 0, NULL);
	when_alarm(&s, 0);
	s.rig.plan.record.before_ns = 3600 * S;
	take(&s, EVL_E_LIMIT);
	/* Four E1 of 256 kbyte/s for 3601 s: 3.69 GB. */
	assert_non_null(strstr(s.err.text, "take 1: record: 4 streams"));
	assert_non_null(strstr(s.err.text, "at most 1073 MB"));
	s.rig.plan.record.before_ns = UINT64_MAX / 4;
	take(&s, EVL_E_LIMIT);
	s.rig.plan.record.before_ns = S;
	s.rig.parts[1].expected = (struct evl_take_content){.kind = EVL_CONTENT_NONE};
	s.when[0] = (struct evl_take_condition){.kind = EVL_WHEN_SLIP, .first = 1, .count = 1};
	take(&s, EVL_E_INVALID);
	assert_non_null(strstr(s.err.text, "nothing is expected on trib 2"));
	s.when[0] = (struct evl_take_condition){
		.kind = EVL_WHEN_INSTANT, .at_ns = 2 * S, .text = "never"};
	take(&s, EVL_E_INVALID);
	assert_non_null(strstr(s.err.text, "\"never\" would come after the end"));
	s.when[0].at_ns = 2 * S - 1;
	take(&s, EVL_OK);
	assert_int_equal(s.r->recording_count, 1);
	down(&s);
}

static void whole_recordings_are_marked(void **state)
{
	(void)state;
	struct scene s;
	up(&s, "", 2 * SECOND, 0, NULL);
	s.rig.plan.record = (struct evl_take_record){.mark = s.mark, .mark_count = 1};
	s.rig.plan.record_path = s.paths[0];
	s.mark[0] = (struct evl_take_condition){.kind = EVL_WHEN_ALARM, .first = 0, .count = 2};
	inject_alarm(&s, 1, 500, 50);
	inject_alarm(&s, 0, 600, 50);
	take(&s, EVL_OK);
	holds(&s, 0, 0, 2000, 2);
	assert_int_equal(s.r->mark_count, 2);
	assert_int_equal(s.r->marks[1].at_ns, 600 * MS);
	assert_int_equal(s.r->marks[1].recording, 0);
	assert_true(s.r->streams[0].recorded);
	assert_int_equal(strlen(s.r->streams[0].digest), 64);
	down(&s);
}

static void parts_make_a_set(void **state)
{
	(void)state;
	struct scene s;
	up(&s, "", 4 * SECOND, 0, NULL);
	when_alarm(&s, 0);
	inject_alarm(&s, 0, 1500, 50);
	char index[96], part[128];
	snprintf(index, sizeof index, "%s/caught.set", s.dir);
	s.path_list[0] = index;
	s.rig.plan.record.part.part_ns = 400 * MS;
	take(&s, EVL_OK);
	snprintf(s.paths[0], sizeof s.paths[0], "%s", index);
	struct evl_rec *rec = NULL;
	assert_int_equal(evl_rec_open(&rec, index, &s.err), EVL_OK);
	assert_true(evl_rec_is_finished(rec));
	/* From 496 to 2000 ms in parts of 400 ms: 4 parts. */
	assert_int_equal(evl_rec_part_count(rec), 4);
	assert_int_equal(evl_rec_info(rec, 0)->first_bit, BIT(496));
	assert_int_equal(evl_rec_info(rec, 0)->end_bits, BIT(2000));
	assert_int_equal(evl_rec_info(rec, 0)->gaps, 1);
	assert_int_equal(evl_rec_mark_count(rec), 1);
	evl_rec_close(rec);
	snprintf(part, sizeof part, "%s/caught-0004.pcapng", s.dir);
	assert_int_equal(access(part, F_OK), 0);
	down(&s);
}

/* ---- the disk ---- */

static atomic_uint_fast64_t free_bytes;
static atomic_uint_fast32_t looks;
static atomic_uint_fast32_t falls_at; /* from this look on nothing is left */

static atomic_uint_fast32_t slow_ms; /* takes so long from the second look on */

static enum evl_status space(uint64_t *bytes, const char *path, struct evl_err *err)
{
	(void)path;
	(void)err;
	const uint_fast32_t n = atomic_fetch_add(&looks, 1);
	const struct timespec wait = {slow_ms / 1000, (long)(slow_ms % 1000) * 1000000};
	if (n > 0) {
		nanosleep(&wait, NULL);
	}
	*bytes = n >= falls_at ? 0 : free_bytes;
	return EVL_OK;
}

static void a_take_that_cannot_fit_is_refused(void **state)
{
	(void)state;
	struct scene s;
	looks = 0;
	falls_at = UINT32_MAX;
	/* Four streams of 256 kbyte/s for 10 s: 10.24 MB and some for their heads. */
	free_bytes = 10240000 + 5000000;
	up(&s, "", 10 * SECOND, 5000000, space);
	s.rig.plan.record = (struct evl_take_record){0};
	s.rig.plan.record_path = s.paths[0];
	take(&s, EVL_E_LIMIT);
	assert_non_null(strstr(s.err.text, "may need 12 MB and 5 MB are to stay free"));
	assert_non_null(strstr(s.err.text, "only 15 MB left"));
	assert_int_equal(access(s.paths[0], F_OK), -1);
	free_bytes += 2000000;
	take(&s, EVL_OK);
	holds(&s, 0, 0, 10000, 0);
	down(&s);
}

static void a_disk_that_fills_ends_the_recording_only(void **state)
{
	(void)state;
	struct scene s;
	looks = 0;
	falls_at = 3; /* before the take, after 1 s and 2 s there is room, after 3 s not */
	free_bytes = 1000000000;
	up(&s, "", 6 * SECOND, 5000000, space);
	s.rig.plan.record = (struct evl_take_record){0};
	s.rig.plan.record_path = s.paths[0];
	take(&s, EVL_OK);
	assert_int_equal(s.r->frames, 6 * SECOND);
	assert_int_equal(s.r->meters[0].stream_bits, BIT(6000));
	assert_non_null(strstr(s.r->recordings[0].message, "0 MB left, and 5 MB"));
	assert_int_equal(s.r->recordings[0].to_frame, 3 * SECOND);
	s.r->recordings[0].message[0] = '\0';
	holds(&s, 0, 0, 3000, 0);
	/* It is not the whole take, so it tells no digest of it. */
	assert_string_equal(s.r->streams[0].digest, "");
	assert_false(s.r->streams[0].recorded);
	down(&s);
}

static void a_disk_that_fills_ends_what_is_caught(void **state)
{
	(void)state;
	struct scene s;
	looks = 0;
	falls_at = 3; /* before the take, at the file's opening and after a second of it */
	free_bytes = 1000000000;
	up(&s, "", 6 * SECOND, 5000000, space);
	when_alarm(&s, 0);
	s.rig.plan.record.after_ns = 2 * S;
	inject_alarm(&s, 0, 1000, 50);
	inject_alarm(&s, 0, 4000, 50);
	take(&s, EVL_OK);
	assert_int_equal(s.r->frames, 6 * SECOND);
	assert_int_equal(s.r->recording_count, 2);
	assert_non_null(strstr(s.r->recordings[0].message, "0 MB left, and 5 MB"));
	s.r->recordings[0].message[0] = '\0';
	holds(&s, 0, 0, 2008, 1);
	/* The second was not begun. */
	assert_non_null(strstr(s.r->recordings[1].message, "0 MB left"));
	assert_false(s.r->recordings[1].finished);
	assert_int_equal(access(s.paths[1], F_OK), -1);
	assert_int_equal(s.r->mark_count, 2);
	down(&s);
}

/* The disk stands still for longer than the ring is. On the real clock the stream goes on without a
 * gap, and what is missing in the recording is told; on the virtual clock the take waits. */
static void a_disk_that_is_slow(void **state)
{
	(void)state;
	for (int real = 0; real < 2; real++) {
		struct scene s;
		looks = 0;
		falls_at = UINT32_MAX;
		free_bytes = 1000000000;
		driver = real ? "realtime" : "loopback";
		up(&s, "", 3 * SECOND, 0, space);
		driver = "loopback";
		when_alarm(&s, 0);
		s.rig.plan.record.before_ns = 0;
		s.rig.plan.record.after_ns = 2 * S;
		inject_alarm(&s, 0, 400, 50);
		slow_ms = real ? 1500 : 100;
		take(&s, EVL_OK);
		slow_ms = 0;
		assert_int_equal(s.r->gaps, 0);
		assert_int_equal(s.r->meters[1].errors, 0);
		assert_int_equal(s.r->frames, 3 * SECOND);
		if (!real) {
			holds(&s, 0, 400, 2400, 1);
			down(&s);
			continue;
		}
		const struct evl_take_recording *r = &s.r->recordings[0];
		struct evl_rec *rec = NULL;
		assert_true(r->finished);
		assert_in_range(r->lost_slabs, 1, 125);
		assert_int_equal(evl_rec_open(&rec, s.paths[0], &s.err), EVL_OK);
		const struct evl_rec_info *info = evl_rec_info(rec, 0);
		assert_in_range(info->gaps, 2, 1 + r->lost_slabs);
		assert_int_equal(
			info->end_bits - info->first_bit - info->bits, r->lost_slabs * BIT(8));
		assert_int_equal(info->end_bits, (uint64_t)r->to_frame * 256);
		evl_rec_close(rec);
		down(&s);
	}
}

static void the_disk_says_what_is_free(void **state)
{
	(void)state;
	uint64_t bytes = 0;
	struct evl_err err = {0};
	char command[] = "df --output=avail -B1 /tmp | tail -1"; /* coreutils */
	FILE *f = popen(command, "r");
	unsigned long long avail = 0;
	assert_int_equal(evl_file_free_space(&bytes, "/tmp/not there yet.pcapng", &err), EVL_OK);
	assert_int_equal(fscanf(f, "%llu", &avail), 1);
	pclose(f);
	/* Others write there meanwhile. */
	const uint64_t apart = bytes > avail ? bytes - avail : avail - bytes;
	assert_true(apart < 1000000000);
	assert_int_equal(evl_file_free_space(&bytes, "here.pcapng", &err), EVL_OK);
	assert_int_equal(evl_file_free_space(&bytes, "/x", &err), EVL_OK);
	assert_int_equal(evl_file_free_space(&bytes, "/no/where/x", &err), EVL_E_IO);
	assert_non_null(strstr(err.text, "/no/where/x"));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(an_alarm_is_caught_with_its_history),
		cmocka_unit_test(nothing_is_written_without_a_trigger),
		cmocka_unit_test(triggers_gather_or_begin_anew),
		cmocka_unit_test(no_more_than_allowed),
		cmocka_unit_test(ends_when_caught),
		cmocka_unit_test(the_end_cuts_it),
		cmocka_unit_test(meters_trigger),
		cmocka_unit_test(bad_wishes_are_refused),
		cmocka_unit_test(whole_recordings_are_marked),
		cmocka_unit_test(parts_make_a_set),
		cmocka_unit_test(a_take_that_cannot_fit_is_refused),
		cmocka_unit_test(a_disk_that_fills_ends_the_recording_only),
		cmocka_unit_test(a_disk_that_fills_ends_what_is_caught),
		cmocka_unit_test(a_disk_that_is_slow),
		cmocka_unit_test(the_disk_says_what_is_free),
	};
	return cmocka_run_group_tests_name("engine.trigger", tests, NULL, NULL);
}

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Windows of recordings: what is sent is laid out here by hand from the pattern (ITU-T O.150 5.3)
 * and idle bytes, the digest is made with OpenSSL from the text that docs/recording.md describes,
 * and the delay is the one that the mock was told (256 bits a frame, ITU-T G.704 2.3).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>
#include <fcntl.h>
#include <openssl/evp.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/recording/reader.h"
#include "core/recording/writer.h"
#include "rig.h"

#define FRAME 32u /* bytes of an E1 in 125 us */

static const uint64_t never = UINT64_MAX;

static void name_file(char out[64], const char *what)
{
	snprintf(out, 64, "/tmp/evl-replay-%s-%ld.pcapng", what, (long)getpid());
	unlink(out);
}

static void run(struct rig *rig, struct evl_take_result **r)
{
	struct evl_err err = {0};
	if (rig_take(rig, never, NULL, r, &err) != EVL_OK) {
		fail_msg("%s", err.text);
	}
}

static void refuse(struct rig *rig, const char *words)
{
	struct evl_err err = {0};
	struct evl_take_result *r = NULL;
	assert_int_equal(rig_take(rig, never, NULL, &r, &err), EVL_E_INVALID);
	assert_null(r);
	if (strstr(err.text, words) == NULL) {
		fail_msg("\"%s\" is not in: %s", words, err.text);
	}
}

/* Two channels of 2^15-1 for `frames` frames into a file; `first` gets what channel 0 sent. */
static struct evl_rec *record(struct rig *rig, const char *path, uint64_t frames, uint8_t *first)
{
	struct evl_take_result *r = NULL;
	rig_patterns(rig, 2, frames);
	rig->plan.record_path = path;
	for (int i = 0; i < 2; i++) {
		rig->parts[i].record_sent = rig->parts[i].record_received = true;
	}
	struct evl_prbs g;
	evl_prbs_init(&g, EVL_PRBS15, rig->parts[0].played.phase);
	evl_prbs_fill(&g, first, frames * FRAME);
	run(rig, &r);
	evl_take_result_destroy(r);
	struct evl_rec *rec = NULL;
	struct evl_err err = {0};
	assert_int_equal(evl_rec_open(&rec, path, &err), EVL_OK);
	for (uint32_t i = 0; i < 2; i++) {
		char name[32];
		struct evl_take_content *both[] = {&rig->parts[i].played, &rig->parts[i].expected};
		for (int k = 0; k < 2; k++) {
			snprintf(name, sizeof name, "trib-%u.%s", i + 1, k ? "received" : "sent");
			*both[k] = (struct evl_take_content){
				.kind = EVL_CONTENT_RECORDING, .reader = rec};
			assert_true(evl_rec_find(rec, name, &both[k]->reader_channel));
		}
		rig->parts[i].record_sent = rig->parts[i].record_received = false;
	}
	rig->plan.record_path = NULL;
	return rec;
}

static void set_windows(struct rig *rig, struct evl_take_window w)
{
	for (int i = 0; i < 2; i++) {
		rig->parts[i].played.window = rig->parts[i].expected.window = w;
	}
}

/* SHA-256 of one run of bits from offset 0, as docs/recording.md says. */
static void digest_of(char out[65], const uint8_t *data, size_t bytes)
{
	uint8_t number[8] = {0}, sha[32];
	EVP_MD_CTX *c = EVP_MD_CTX_new();
	assert_int_equal(EVP_DigestInit_ex(c, EVP_sha256(), NULL), 1);
	EVP_DigestUpdate(c, "evl-stream-1", 12);
	EVP_DigestUpdate(c, number, 8);
	EVP_DigestUpdate(c, data, bytes);
	for (int i = 0; i < 8; i++) {
		number[i] = (uint8_t)((uint64_t)bytes * 8 >> 8 * i);
	}
	EVP_DigestUpdate(c, number, 8);
	EVP_DigestFinal_ex(c, sha, NULL);
	EVP_MD_CTX_free(c);
	for (int i = 0; i < 32; i++) {
		snprintf(out + 2 * i, 3, "%02x", sha[i]);
	}
}

/* Frames 200 to 500 of a recording, twice, after 50 frames of idle, with 13 between. */
static void a_window_in_rounds_is_what_was_laid_out(void **state)
{
	(void)state;
	enum { ALL = 1024, FROM = 200, LONG = 300, LEAD = 50, SEAM = 13, DELAY = 5 };
	struct rig rig;
	rig_up(&rig, "loopback", "delay_frames: 5", 1);
	char path[64], again[64];
	name_file(path, "a");
	name_file(again, "b");
	uint8_t *sent = malloc(ALL * FRAME), *want = malloc(ALL * FRAME);
	struct evl_rec *rec = record(&rig, path, ALL, sent);
	struct evl_take_window w = {.from_bit = FROM * FRAME * 8,
		.bits = LONG * FRAME * 8,
		.times = 2,
		.lead_bits = LEAD * FRAME * 8,
		.seam_bits = SEAM * FRAME * 8,
		.settle_bits = DELAY * FRAME * 8,
		.then_idle = true};
	set_windows(&rig, w);
	rig.plan.frames = 768;
	rig.plan.record_path = again;
	rig.parts[0].record_sent = true;
	rig.parts[0].record_received = true;
	struct evl_take_result *r = NULL;
	run(&rig, &r);
	memset(want, 0xAA, ALL * FRAME);
	memcpy(want + LEAD * FRAME, sent + FROM * FRAME, LONG * FRAME);
	memcpy(want + (LEAD + LONG + SEAM) * FRAME, sent + FROM * FRAME, LONG * FRAME);
	char hex[65];
	digest_of(hex, want, 768 * FRAME);
	assert_string_equal(r->streams[0].digest, hex);
	assert_string_equal(r->streams[0].recorded_digest, hex);
	assert_string_equal(r->streams[2].digest, r->streams[2].recorded_digest);
	assert_string_not_equal(r->streams[0].digest, r->streams[2].digest);
	/* What came back is compared but for the delay at the beginning of each round. */
	for (int i = 0; i < 2; i++) {
		assert_int_equal(r->meters[i].errors, 0);
		assert_int_equal(r->meters[i].bits, 2 * (LONG - DELAY) * FRAME * 8);
	}
	evl_take_result_destroy(r);
	struct evl_rec *kept = NULL;
	struct evl_err err = {0};
	uint32_t c;
	uint8_t *got = malloc(768 * FRAME);
	assert_int_equal(evl_rec_open(&kept, again, &err), EVL_OK);
	assert_true(evl_rec_find(kept, "trib-1.sent", &c));
	assert_int_equal(evl_rec_read(kept, c, 0, got, 768 * FRAME, &err), EVL_OK);
	assert_memory_equal(got, want, 768 * FRAME);
	evl_rec_close(kept);
	unlink(again);

	/* With one frame less left out, that frame is what was sent before: idle, and in the second
	 * round the seam. */
	rig.plan.record_path = NULL;
	rig.parts[0].record_sent = rig.parts[0].record_received = false;
	w.settle_bits = (DELAY - 1) * FRAME * 8;
	set_windows(&rig, w);
	run(&rig, &r);
	uint64_t differ = 0;
	for (size_t i = 0; i < FRAME;
		i++) { /* the recording has there what was sent DELAY before */
		uint8_t x = (uint8_t)(sent[(FROM - 1) * FRAME + i] ^ 0xAA);
		for (; x != 0; x &= (uint8_t)(x - 1)) {
			differ++;
		}
	}
	assert_int_equal(r->meters[0].errors, 2 * differ);
	assert_in_range(r->meters[0].first_error_bit, (LEAD + DELAY - 1) * FRAME * 8,
		(LEAD + DELAY) * FRAME * 8 - 1);
	evl_take_result_destroy(r);
	evl_rec_close(rec);
	unlink(path);
	free(got);
	free(sent);
	free(want);
	rig_down(&rig);
}

struct changing {
	char path[64];
	const uint8_t *old;
	bool done;
};

/* When the window was half sent, one byte that was sent already is changed in the file. */
static void change_file(void *ctx, uint64_t frames_done, uint64_t frames_all, uint64_t errors)
{
	struct changing *c = ctx;
	(void)errors;
	if (c->done || frames_done < frames_all / 2) {
		return;
	}
	c->done = true;
	int fd = open(c->path, O_RDWR);
	static uint8_t file[4 * 1024 * 1024];
	ssize_t n = read(fd, file, sizeof file);
	assert_true(n > 0);
	uint32_t found = 0; /* sent, and received; the pattern repeats itself, so not too far on */
	for (ssize_t i = 0; i < n / 3; i++) {
		if (memcmp(file + i, c->old, 64) == 0) {
			uint8_t other = c->old[3] ^ 0x10;
			assert_int_equal(pwrite(fd, &other, 1, i + 3), 1);
			found++;
		}
	}
	close(fd);
	assert_true(found > 0);
}

/* The proof can fail: the recording says afterwards that another bit was to be sent. */
static void a_bit_that_differs_breaks_the_proof(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 1);
	struct changing c = {0};
	name_file(c.path, "c");
	uint8_t *sent = malloc(8000 * FRAME);
	struct evl_rec *rec = record(&rig, c.path, 8000, sent);
	struct evl_take_window w = {.from_bit = 128 * FRAME * 8, .bits = 7680 * FRAME * 8};
	set_windows(&rig, w);
	rig.plan.frames = 7680;
	c.old = sent + 130 * FRAME;
	struct evl_take_sink sink = {.ctx = &c, .progress = change_file};
	struct evl_take_result *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(rig_take(&rig, never, &sink, &r, &err), EVL_OK);
	assert_true(c.done);
	char hex[65];
	digest_of(hex, sent + 128 * FRAME, 7680 * FRAME);
	assert_string_equal(r->streams[0].digest, hex);
	assert_string_not_equal(r->streams[0].recorded_digest, hex);
	evl_take_result_destroy(r);
	evl_rec_close(rec);
	unlink(c.path);
	free(sent);
	rig_down(&rig);
}

static void what_is_stopped_early_is_proved_as_far_as_it_went(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 1);
	char path[64];
	name_file(path, "d");
	uint8_t *sent = malloc(1024 * FRAME);
	struct evl_rec *rec = record(&rig, path, 1024, sent);
	rig.stop = 1;
	rig.plan.frames = 1024;
	struct evl_take_result *r = NULL;
	run(&rig, &r);
	assert_true(r->interrupted);
	char hex[65];
	digest_of(hex, sent, r->streams[0].bits / 8);
	if (r->streams[0].bits > 0) {
		assert_string_equal(r->streams[0].digest, hex);
	}
	assert_string_equal(r->streams[0].digest, r->streams[0].recorded_digest);
	evl_take_result_destroy(r);
	evl_rec_close(rec);
	unlink(path);
	free(sent);
	rig_down(&rig);
}

/* Frames 100 to 199 of `path` are not there. */
static struct evl_rec *with_a_gap(const char *path)
{
	struct evl_rec_channel ch[] = {
		{.name = "x", .rate = EVL_RATE_E1, .direction = EVL_REC_SENT}};
	struct evl_rec_writer *w = NULL;
	struct evl_err err = {0};
	uint8_t *data = malloc(800 * FRAME);
	memset(data, 0x5C, 800 * FRAME);
	assert_int_equal(evl_rec_writer_create(&w, path, ch, 1, NULL, &err), EVL_OK);
	assert_int_equal(evl_rec_write(w, 0, 0, data, 100 * FRAME, 0, &err), EVL_OK);
	assert_int_equal(evl_rec_write(w, 0, 200 * FRAME * 8, data, 600 * FRAME, 0, &err), EVL_OK);
	assert_int_equal(evl_rec_finish(w, NULL, NULL, &err), EVL_OK);
	free(data);
	struct evl_rec *rec = NULL;
	assert_int_equal(evl_rec_open(&rec, path, &err), EVL_OK);
	return rec;
}

static void a_gap_is_refused_only_where_it_is(void **state)
{
	(void)state;
	struct rig rig;
	rig_up(&rig, "loopback", "", 1);
	char path[64];
	name_file(path, "e");
	struct evl_rec *rec = with_a_gap(path);
	rig_patterns(&rig, 1, 64);
	rig.parts[0].expected = (struct evl_take_content){0};
	rig.parts[0].capture = false;
	rig.parts[0].played =
		(struct evl_take_content){.kind = EVL_CONTENT_RECORDING, .reader = rec};
	refuse(&rig, "1 gaps");
	struct evl_take_window *w = &rig.parts[0].played.window;
	*w = (struct evl_take_window){.from_bit = 64 * FRAME * 8, .bits = 64 * FRAME * 8};
	refuse(&rig, "bits 25600 to 32767 of channel x are not in the recording");
	w->from_bit = 150 * FRAME * 8;
	refuse(&rig, "bits 38400 to 51199");
	w->from_bit = 760 * FRAME * 8;
	refuse(&rig, "bits 204800 to 210943");
	struct evl_take_result *r = NULL;
	const uint64_t good[] = {0, 36, 200, 736};
	for (size_t i = 0; i < sizeof good / sizeof *good; i++) {
		w->from_bit = good[i] * FRAME * 8;
		run(&rig, &r);
		assert_string_equal(r->streams[0].digest, r->streams[0].recorded_digest);
		evl_take_result_destroy(r);
	}
	/* Longer than the window: only when it says so. */
	rig.plan.frames = 256;
	refuse(&rig, "then_idle");
	w->then_idle = true;
	run(&rig, &r);
	assert_string_equal(r->streams[0].digest, r->streams[0].recorded_digest);
	evl_take_result_destroy(r);
	evl_rec_close(rec);
	unlink(path);
	rig_down(&rig);
}

/* What a trigger kept begins later than its take; it is replayed from its first bit, and what comes
 * back is the same at the same offsets. */
static void a_caught_recording_is_replayed(void **state)
{
	(void)state;
	enum { TAKE = 16000, AT_MS = 1203, DELAY = 7 };
	struct rig rig;
	rig_up(&rig, "loopback", "delay_frames: 7", 1);
	char path[64];
	name_file(path, "f");
	const char *paths[] = {path}, *metas[] = {NULL};
	const struct evl_take_condition when = {
		.kind = EVL_WHEN_INSTANT, .at_ns = AT_MS * 1000000ull, .text = "here"};
	rig_patterns(&rig, 1, TAKE);
	rig.parts[0].record_sent = rig.parts[0].record_received = true;
	rig.plan.record = (struct evl_take_record){.most = 1,
		.paths = paths,
		.metas = metas,
		.before_ns = 500000000,
		.after_ns = 200000000,
		.when = &when,
		.when_count = 1};
	uint8_t *sent = malloc(TAKE * FRAME);
	struct evl_prbs g;
	evl_prbs_init(&g, EVL_PRBS15, rig.parts[0].played.phase);
	evl_prbs_fill(&g, sent, TAKE * FRAME);
	struct evl_take_result *r = NULL;
	run(&rig, &r);
	assert_int_equal(r->recording_count, 1);
	evl_take_result_destroy(r);

	struct evl_rec *rec = NULL;
	struct evl_err err = {0};
	assert_int_equal(evl_rec_open(&rec, path, &err), EVL_OK);
	struct evl_take_content *both[] = {&rig.parts[0].played, &rig.parts[0].expected};
	for (int k = 0; k < 2; k++) {
		*both[k] = (struct evl_take_content){.kind = EVL_CONTENT_RECORDING, .reader = rec};
		assert_true(evl_rec_find(
			rec, k ? "trib-1.received" : "trib-1.sent", &both[k]->reader_channel));
	}
	const struct evl_rec_info *info = evl_rec_info(rec, both[0]->reader_channel);
	/* 703 ms, down to 8 ms; the mark in bench time, from the start of channel and take. */
	assert_int_equal(info->first_bit, 696 * 2048);
	assert_int_equal(evl_rec_mark_count(rec), 1);
	assert_int_equal(
		evl_rec_mark_at(rec, 0)->time_ns - info->channel.start_ns, AT_MS * 1000000ull);
	rig.parts[0].record_sent = rig.parts[0].record_received = false;
	memset(&rig.plan.record, 0, sizeof rig.plan.record);
	rig.plan.frames = 4800;
	refuse(&rig, "choose a window"); /* its beginning is not there */
	for (int k = 0; k < 2; k++) {
		both[k]->window = (struct evl_take_window){.from_bit = info->first_bit,
			.bits = 4800 * FRAME * 8,
			.settle_bits = k ? DELAY * FRAME * 8 : 0};
	}
	run(&rig, &r);
	char hex[65];
	digest_of(hex, sent + info->first_bit / 8, 4800 * FRAME);
	assert_string_equal(r->streams[0].digest, hex);
	assert_string_equal(r->streams[0].recorded_digest, hex);
	assert_int_equal(r->meters[0].errors, 0);
	assert_int_equal(r->meters[0].bits, (4800 - DELAY) * FRAME * 8);
	evl_take_result_destroy(r);
	evl_rec_close(rec);
	unlink(path);
	free(sent);
	rig_down(&rig);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_window_in_rounds_is_what_was_laid_out),
		cmocka_unit_test(a_bit_that_differs_breaks_the_proof),
		cmocka_unit_test(what_is_stopped_early_is_proved_as_far_as_it_went),
		cmocka_unit_test(a_gap_is_refused_only_where_it_is),
		cmocka_unit_test(a_caught_recording_is_replayed),
	};
	return cmocka_run_group_tests_name("engine.replay", tests, NULL, NULL);
}

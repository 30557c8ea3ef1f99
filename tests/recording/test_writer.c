/* SPDX-License-Identifier: Apache-2.0 */
#include <fcntl.h>
#include <inttypes.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

#include "core/recording/stream_digest.h"
#include "sample.h"

static const struct evl_rec_channel one_e1[] = {
	{"trib-1.out", EVL_RATE_E1, EVL_REC_RECEIVED, 0, 0, 0}};

static struct evl_rec_writer *create(const char *path, const struct evl_rec_channel *ch,
				     uint32_t count)
{
	struct evl_rec_writer *w = NULL;
	struct evl_err err = {0};
	unlink(path);
	if (evl_rec_writer_create(&w, path, ch, count, NULL, &err) < 0) {
		fail_msg("%s", err.text);
	}
	return w;
}

/* Reading back gives what was written: bits, flags, gaps, metadata, starts. */
static void round_trip(void **state)
{
	(void)state;
	const char *path = sample_path("round.pcapng");
	sample_small(path, true);
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_true(evl_rec_is_finished(r));
	assert_string_equal(evl_rec_missing(r), "");
	assert_string_equal(evl_rec_meta(r), "{\"case\":\"small\",\"take\":1}");
	assert_string_equal(evl_rec_software(r), "evenlode " EVL_VERSION);
	assert_int_equal(evl_rec_channel_count(r), SMALL_CHANNELS);
	for (uint32_t c = 0; c < SMALL_CHANNELS; c++) {
		const struct evl_rec_channel *ch = &evl_rec_info(r, c)->channel;
		assert_string_equal(ch->name, small_channels[c].name);
		assert_int_equal(ch->rate, small_channels[c].rate);
		assert_int_equal(ch->direction, small_channels[c].direction);
		assert_int_equal(ch->start_ns, small_channels[c].start_ns);
		assert_int_equal(ch->skew_ns, small_channels[c].skew_ns);
		const struct sample_run *runs;
		size_t n = sample_runs(c, &runs);
		uint64_t bits = 0;
		uint8_t got[256], want[256];
		for (size_t i = 0; i < n; i++) {
			sample_fill(want, c, runs[i].bit_offset / 8, runs[i].bytes);
			assert_int_equal(
				evl_rec_read(r, c, runs[i].bit_offset, got, runs[i].bytes, &err),
				EVL_OK);
			assert_memory_equal(got, want, runs[i].bytes);
			struct evl_rec_piece p;
			assert_int_equal(evl_rec_piece(r, c, runs[i].bit_offset, &p, &err), EVL_OK);
			assert_int_equal(p.flags & ~(uint32_t)EVL_REC_GAP, runs[i].flags);
			bits += runs[i].bytes * 8;
		}
		assert_int_equal(evl_rec_info(r, c)->bits, bits);
	}
	/* trib-1.out lacks frames 8 to 15, ds1-1.out its first 8 */
	assert_int_equal(evl_rec_info(r, 1)->gaps, 1);
	assert_int_equal(evl_rec_info(r, 1)->overruns, 2);
	assert_int_equal(evl_rec_info(r, 2)->gaps, 1);
	assert_int_equal(evl_rec_info(r, 2)->first_bit, 1544);
	assert_int_equal(evl_rec_info(r, 2)->end_bits, 4 * 1544);
	uint8_t got[512];
	assert_int_equal(evl_rec_read(r, 1, 0, got, 512, &err), EVL_E_NOTFOUND);
	assert_non_null(strstr(err.text, "bits 2048 to 4095"));
	assert_int_equal(evl_rec_read(r, 2, 0, got, 8, &err), EVL_E_NOTFOUND);
	assert_int_equal(evl_rec_read(r, 0, 4096, got, 1, &err), EVL_E_END);
	assert_int_equal(evl_rec_read(r, 0, 4088, got, 2, &err), EVL_E_END);
	struct evl_rec_piece p;
	assert_int_equal(evl_rec_piece(r, 1, 2048, &p, &err), EVL_OK);
	assert_int_equal(p.bit_offset, 4096);
	assert_true(p.flags & EVL_REC_GAP);
	assert_int_equal(evl_rec_piece(r, 1, 4104, &p, &err), EVL_OK);
	assert_int_equal(p.bit_offset, 4104);
	assert_false(p.flags & EVL_REC_GAP);
	evl_rec_close(r);
}

/* The digests handed out at the end are those of the stream; the file's is sha256sum's. */
static void totals(void **state)
{
	(void)state;
	const char *path = sample_path("totals.pcapng");
	struct evl_rec_writer *w = create(path, one_e1, 1);
	struct evl_err err = {0};
	struct evl_stream_digest *d = evl_stream_digest_create();
	uint8_t slab[8192], want[EVL_SHA256_BYTES], got[1][EVL_SHA256_BYTES];
	evl_rec_set_start(w, 0, 77, -5);
	for (uint64_t at = 0; at < 40; at++) {
		sample_fill(slab, 3, at * sizeof slab, sizeof slab);
		assert_int_equal(evl_rec_write(w, 0, at * 65536, slab, sizeof slab, 0, &err),
				 EVL_OK);
		evl_stream_digest_update(d, at * 65536, slab, sizeof slab);
	}
	struct evl_rec_totals t;
	assert_int_equal(evl_rec_finish(w, got, &t, &err), EVL_OK);
	evl_stream_digest_end(d, want);
	evl_stream_digest_destroy(d);
	assert_memory_equal(got[0], want, sizeof want);
	assert_int_equal(evl_sha256_of_file(path, want, &err), EVL_OK);
	assert_memory_equal(t.file_sha256, want, sizeof want);
	struct stat sb;
	assert_int_equal(stat(path, &sb), 0);
	assert_int_equal(t.file_bytes, sb.st_size);
	assert_int_equal(t.gaps, 0);
	struct evl_rec *r = NULL;
	struct evl_rec_verdict v;
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_int_equal(evl_rec_info(r, 0)->channel.start_ns, 77);
	assert_int_equal(evl_rec_info(r, 0)->channel.skew_ns, -5);
	assert_int_equal(evl_rec_verify(r, NULL, NULL, &v, &err), EVL_OK);
	assert_true(v.intact && v.finished);
	assert_memory_equal(v.file_sha256, want, sizeof want);
	assert_int_equal(v.bytes, sb.st_size);
	assert_int_equal(evl_rec_digest(r, 0, want, &err), EVL_OK);
	assert_memory_equal(got[0], want, sizeof want);
	evl_rec_close(r);
}

/* The same calls give the same file, byte for byte. */
static void deterministic(void **state)
{
	(void)state;
	size_t a_bytes, b_bytes;
	sample_small(sample_path("a.pcapng"), true);
	sample_small(sample_path("b.pcapng"), true);
	uint8_t *a = sample_read_file(sample_path("a.pcapng"), &a_bytes);
	uint8_t *b = sample_read_file(sample_path("b.pcapng"), &b_bytes);
	assert_int_equal(a_bytes, b_bytes);
	assert_memory_equal(a, b, a_bytes);
	free(a);
	free(b);
}

static void bad_arguments(void **state)
{
	(void)state;
	const char *path = sample_path("bad.pcapng");
	struct evl_err err = {0};
	struct evl_rec_writer *w = (struct evl_rec_writer *)&err;
	char long_name[200];
	memset(long_name, 'x', sizeof long_name);
	long_name[199] = '\0';
	static const struct evl_rec_channel good = {"a", EVL_RATE_E1, EVL_REC_SENT, 0, 0, 0};
	struct evl_rec_channel twice[2] = {good, good};
	struct {
		struct evl_rec_channel ch;
		const char *says;
	} rows[] = {
		{{"", EVL_RATE_E1, EVL_REC_SENT, 0, 0, 0}, "1 to 127 bytes"},
		{{NULL, EVL_RATE_E1, EVL_REC_SENT, 0, 0, 0}, "1 to 127 bytes"},
		{{long_name, EVL_RATE_E1, EVL_REC_SENT, 0, 0, 0}, "1 to 127 bytes"},
		{{"a\nb", EVL_RATE_E1, EVL_REC_SENT, 0, 0, 0}, "control character"},
		{{"a\xFF", EVL_RATE_E1, EVL_REC_SENT, 0, 0, 0}, "not UTF-8"},
		{{"a", EVL_RATE_NONE, EVL_REC_SENT, 0, 0, 0}, "has no rate"},
		{{"a", EVL_RATE_E1, 0, 0, 0, 0}, "neither sent nor received"},
		{{"a", EVL_RATE_E1, EVL_REC_SENT, UINT64_MAX, 0, 0}, "out of range"},
	};
	for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
		assert_int_equal(evl_rec_writer_create(&w, path, &rows[i].ch, 1, NULL, &err),
				 EVL_E_INVALID);
		assert_null(w);
		assert_non_null(strstr(err.text, rows[i].says));
	}
	assert_int_equal(evl_rec_writer_create(&w, path, twice, 2, NULL, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "two channels"));
	assert_int_equal(evl_rec_writer_create(&w, path, twice, 0, NULL, &err), EVL_E_INVALID);
	assert_int_equal(evl_rec_writer_create(&w, path, twice, 1025, NULL, &err), EVL_E_INVALID);
	assert_int_equal(evl_rec_writer_create(&w, path, &good, 1, "[1]", &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "not a JSON object"));
	assert_int_equal(evl_rec_writer_create(&w, path, &good, 1, "{", &err), EVL_E_INVALID);
	char *big = malloc(70000);
	snprintf(big, 70000, "{\"note\":\"%065000d\"}", 1);
	assert_int_equal(evl_rec_writer_create(&w, path, &good, 1, big, &err), EVL_E_INVALID);
	free(big);
	assert_int_equal(access(path, F_OK), -1); /* nothing was left behind */
	assert_int_equal(evl_rec_writer_create(&w, "/nonexistent/x", &good, 1, NULL, &err),
			 EVL_E_IO);
	assert_non_null(strstr(err.text, "/nonexistent/x"));
	sample_write_file(path, "x", 1);
	assert_int_equal(evl_rec_writer_create(&w, path, &good, 1, NULL, &err), EVL_E_CONFLICT);
	size_t n;
	uint8_t *kept = sample_read_file(path, &n);
	assert_int_equal(n, 1);
	free(kept);
	evl_rec_abandon(NULL);
}

/* A start that no clock can have comes from an adapter's fault, so it must not end the process. */
static void bad_start(void **state)
{
	(void)state;
	struct evl_rec_writer *w = create(sample_path("start.pcapng"), one_e1, 1);
	struct evl_err err = {0};
	uint8_t slab[256] = {0};
	evl_rec_set_start(w, 0, UINT64_MAX - 5, 0);
	assert_int_equal(evl_rec_write(w, 0, 0, slab, 256, 0, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "the start of channel trib-1.out is out of range"));
	assert_int_equal(evl_rec_finish(w, NULL, NULL, &err), EVL_E_INVALID);
}

/* Refused offsets leave the recording as it was; large offsets are exact. */
static void offsets(void **state)
{
	(void)state;
	const char *path = sample_path("offsets.pcapng");
	struct evl_rec_writer *w = create(path, one_e1, 1);
	struct evl_err err = {0};
	uint8_t slab[256], got[256];
	sample_fill(slab, 1, 0, sizeof slab);
	/* 5 * 2^40 bytes: past 4 GiB in bytes, frames (2^35 * 5) and seconds * 10^9 */
	const uint64_t far = (uint64_t)5 << 43;
	assert_int_equal(evl_rec_write(w, 0, 4, slab, 256, 0, &err), EVL_E_INVALID);
	assert_int_equal(evl_rec_write(w, 0, far, slab, 256, 0, &err), EVL_OK);
	assert_int_equal(evl_rec_write(w, 0, far, slab, 256, 0, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "trib-1.out"));
	assert_int_equal(evl_rec_write(w, 0, far + 2040, slab, 256, 0, &err), EVL_E_INVALID);
	assert_int_equal(evl_rec_write(w, 0, UINT64_MAX - 7, slab, 256, 0, &err), EVL_E_INVALID);
	assert_int_equal(evl_rec_write(w, 0, (uint64_t)1 << 62, slab, 256, 0, &err), EVL_E_INVALID);
	assert_int_equal(evl_rec_write(w, 0, far * 8, slab, 0, 0, &err), EVL_OK);
	assert_int_equal(evl_rec_write(w, 0, far + 2048, slab, 256, 0, &err), EVL_OK);
	assert_int_equal(evl_rec_finish(w, NULL, NULL, &err), EVL_OK);
	struct evl_rec *r = NULL;
	struct evl_rec_verdict v;
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_int_equal(evl_rec_info(r, 0)->first_bit, far);
	assert_int_equal(evl_rec_info(r, 0)->end_bits, far + 4096);
	assert_int_equal(evl_rec_info(r, 0)->bits, 4096);
	assert_int_equal(evl_rec_info(r, 0)->gaps, 1);
	assert_int_equal(evl_rec_read(r, 0, far + 2048, got, 256, &err), EVL_OK);
	assert_memory_equal(got, slab, 256);
	assert_int_equal(evl_rec_verify(r, NULL, NULL, &v, &err), EVL_OK);
	evl_rec_close(r);
}

/* A mark that cannot be is refused, and the recording goes on. */
static void bad_marks(void **state)
{
	(void)state;
	const char *path = sample_path("marks.pcapng");
	const struct evl_rec_channel ch = {"e1", EVL_RATE_E1, EVL_REC_RECEIVED, 0, 0, 0};
	char longest[EVL_REC_MARK_TEXT_MAX + 2];
	memset(longest, 'x', sizeof longest);
	longest[EVL_REC_MARK_TEXT_MAX + 1] = '\0';
	const struct {
		struct evl_rec_mark mark;
		const char *text;
	} rows[] = {
		{{0, -1, ""}, "1 to 200 bytes"},
		{{0, -1, longest}, "1 to 200 bytes"},
		{{0, -1, "a\nb"}, "1 to 200 bytes"},
		{{0, -1, "\xFF"}, "1 to 200 bytes"},
		{{(uint64_t)1 << 62, 0, "late"}, "out of range"},
	};
	struct evl_rec_writer *w = NULL;
	struct evl_err err = {0};
	unlink(path);
	assert_int_equal(evl_rec_writer_create(&w, path, &ch, 1, NULL, &err), EVL_OK);
	for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
		assert_int_equal(evl_rec_mark(w, &rows[i].mark, &err), EVL_E_INVALID);
		assert_non_null(strstr(err.text, rows[i].text));
	}
	longest[EVL_REC_MARK_TEXT_MAX] = '\0';
	for (uint32_t i = 0; i < EVL_REC_MARKS_MAX; i++) {
		const struct evl_rec_mark m = {i, 0, longest};
		assert_int_equal(evl_rec_mark(w, &m, &err), EVL_OK);
	}
	const struct evl_rec_mark more = {0, 0, "more"};
	assert_int_equal(evl_rec_mark(w, &more, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "at most 10000"));
	uint8_t slab[256] = {1};
	assert_int_equal(evl_rec_write(w, 0, 0, slab, sizeof slab, 0, &err), EVL_OK);
	assert_int_equal(evl_rec_finish(w, NULL, NULL, &err), EVL_OK);
	struct evl_rec *r = NULL;
	struct evl_rec_verdict v;
	uint8_t got[256];
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_int_equal(evl_rec_mark_count(r), EVL_REC_MARKS_MAX);
	assert_int_equal(evl_rec_mark_at(r, 9999)->time_ns, 9999);
	assert_string_equal(evl_rec_mark_at(r, 9999)->text, longest);
	assert_int_equal(evl_rec_read(r, 0, 0, got, sizeof got, &err), EVL_OK);
	assert_memory_equal(got, slab, sizeof got);
	assert_int_equal(evl_rec_verify(r, NULL, NULL, &v, &err), EVL_OK);
	evl_rec_close(r);
}

/* A limit on the file size stands in for a full disk: the write fails half-way (EFBIG). */
static void full_disk(void **state)
{
	(void)state;
	const char *path = sample_path("full.pcapng");
	fflush(NULL);
	pid_t pid = fork();
	assert_true(pid >= 0);
	if (pid == 0) {
		signal(SIGXFSZ, SIG_IGN);
		struct rlimit lim = {100000, 100000};
		struct evl_err err = {0};
		struct evl_rec_writer *w = NULL;
		uint8_t slab[8192];
		if (setrlimit(RLIMIT_FSIZE, &lim) != 0 ||
		    evl_rec_writer_create(&w, path, one_e1, 1, NULL, &err) < 0) {
			_exit(10);
		}
		enum evl_status st = EVL_OK;
		uint64_t at = 0;
		for (; st == EVL_OK && at < 100; at++) {
			sample_fill(slab, 9, at * sizeof slab, sizeof slab);
			st = evl_rec_write(w, 0, at * 65536, slab, sizeof slab, 0, &err);
		}
		if (st != EVL_E_IO || strstr(err.text, path) == NULL ||
		    strstr(err.text, "disk is full") == NULL ||
		    strstr(err.text, "are kept and can be read") == NULL) {
			_exit(11);
		}
		struct evl_err again = {0};
		if (evl_rec_write(w, 0, at * 65536, slab, 8192, 0, &again) != EVL_E_IO ||
		    strcmp(again.text, err.text) != 0) {
			_exit(12);
		}
		if (evl_rec_finish(w, NULL, NULL, &again) != EVL_E_IO) {
			_exit(13);
		}
		_exit(0);
	}
	int rc;
	assert_int_equal(waitpid(pid, &rc, 0), pid);
	assert_int_equal(rc, 0);
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_false(evl_rec_is_finished(r));
	assert_string_equal(evl_rec_missing(r), "unfinished: the trailer is missing; 3 whole "
						"blocks before it can be read");
	/* blocks of 1024 frames (32 KiB): three whole ones are under 100 000 bytes */
	assert_int_equal(evl_rec_info(r, 0)->bits, 3 * 8 * 32768);
	static uint8_t got[3 * 32768], want[3 * 32768];
	sample_fill(want, 9, 0, sizeof want);
	assert_int_equal(evl_rec_read(r, 0, 0, got, sizeof got, &err), EVL_OK);
	assert_memory_equal(got, want, sizeof want);
	evl_rec_close(r);
}

/* A process killed in the middle leaves all that was flushed, and says what is missing. */
static void killed(void **state)
{
	(void)state;
	const char *path = sample_path("killed.pcapng");
	fflush(NULL);
	pid_t pid = fork();
	assert_true(pid >= 0);
	if (pid == 0) {
		struct evl_err err = {0};
		struct evl_rec_writer *w = NULL;
		uint8_t slab[256];
		if (evl_rec_writer_create(&w, path, one_e1, 1, "{\"run\":7}", &err) < 0) {
			_exit(10);
		}
		for (uint64_t at = 0; at < 1000; at++) {
			sample_fill(slab, 5, at * sizeof slab, sizeof slab);
			if (evl_rec_write(w, 0, at * 2048, slab, sizeof slab, 0, &err) < 0 ||
			    (at == 899 && evl_rec_flush(w, &err) < 0)) {
				_exit(11);
			}
		}
		raise(SIGKILL);
	}
	int rc;
	assert_int_equal(waitpid(pid, &rc, 0), pid);
	assert_true(WIFSIGNALED(rc) && WTERMSIG(rc) == SIGKILL);
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	struct evl_rec_verdict v;
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_string_equal(evl_rec_meta(r), "{\"run\":7}");
	assert_true(evl_rec_info(r, 0)->bits >= 900 * 2048);
	assert_non_null(strstr(evl_rec_missing(r), "unfinished"));
	uint8_t got[256], want[256];
	for (uint64_t at = 0; at < 900; at++) {
		sample_fill(want, 5, at * 256, 256);
		assert_int_equal(evl_rec_read(r, 0, at * 2048, got, 256, &err), EVL_OK);
		assert_memory_equal(got, want, 256);
	}
	assert_int_equal(evl_rec_verify(r, NULL, NULL, &v, &err), EVL_E_CORRUPT);
	assert_false(v.finished);
	assert_int_equal(v.findings, 1);
	assert_non_null(strstr(err.text, "unfinished"));
	evl_rec_close(r);
}

/* Before anything was written: the file is empty or has no bits, and says so. */
static void never_began(void **state)
{
	(void)state;
	const char *path = sample_path("never.pcapng");
	struct evl_rec_writer *w = create(path, one_e1, 1);
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_E_INVALID);
	assert_non_null(strstr(err.text, "is empty"));
	assert_int_equal(evl_rec_finish(w, NULL, NULL, &err), EVL_OK);
	struct evl_rec_verdict v;
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	assert_int_equal(evl_rec_verify(r, NULL, NULL, &v, &err), EVL_OK);
	assert_int_equal(evl_rec_info(r, 0)->bits, 0);
	uint8_t b;
	assert_int_equal(evl_rec_read(r, 0, 0, &b, 1, &err), EVL_E_END);
	evl_rec_close(r);
}

static long peak_kib(void)
{
	struct rusage u;
	getrusage(RUSAGE_SELF, &u);
	return u.ru_maxrss;
}

/* Peak memory does not grow with the length: 128 channels, 10 s against 2 s, in children. The
 * later 8 s (260 MB written) may cost 16 MiB: the index fills its bounded table (5 MB), and
 * AddressSanitizer keeps freed memory aside. */
static void memory_bound(void **state)
{
	(void)state;
	const char *path = sample_path("memory.pcapng");
	long kib[2];
	for (int round = 0; round < 2; round++) {
		unlink(path);
		int fd[2];
		assert_int_equal(pipe(fd), 0);
		fflush(NULL);
		pid_t pid = fork();
		assert_true(pid >= 0);
		if (pid == 0) {
			static char names[128][16];
			struct evl_rec_channel ch[128];
			for (int c = 0; c < 128; c++) {
				snprintf(names[c], sizeof names[c], "trib-%d.out", c);
				ch[c] = (struct evl_rec_channel){
					names[c], EVL_RATE_E1, EVL_REC_RECEIVED, 0, 0, 0};
			}
			struct evl_err err = {0};
			struct evl_rec_writer *w = NULL;
			static uint8_t slab[32 * 800];
			if (evl_rec_writer_create(&w, path, ch, 128, NULL, &err) < 0) {
				_exit(10);
			}
			for (uint64_t i = 0; i < (round == 0 ? 20u : 100u); i++) {
				for (uint32_t c = 0; c < 128; c++) {
					if (evl_rec_write(w, c, i * sizeof slab * 8, slab,
							  sizeof slab, 0, &err) < 0) {
						_exit(11);
					}
				}
			}
			if (evl_rec_finish(w, NULL, NULL, &err) < 0) {
				_exit(12);
			}
			long k = peak_kib();
			_exit(write(fd[1], &k, sizeof k) == sizeof k ? 0 : 13);
		}
		int rc;
		assert_int_equal(waitpid(pid, &rc, 0), pid);
		assert_int_equal(rc, 0);
		assert_int_equal(read(fd[0], &kib[round], sizeof kib[round]), sizeof kib[round]);
		close(fd[0]);
		close(fd[1]);
	}
	unlink(path);
	assert_true(kib[1] <= kib[0] + 16 * 1024);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(round_trip),    cmocka_unit_test(totals),
		cmocka_unit_test(deterministic), cmocka_unit_test(bad_arguments),
		cmocka_unit_test(bad_start),     cmocka_unit_test(offsets),
		cmocka_unit_test(bad_marks),
		cmocka_unit_test(full_disk),     cmocka_unit_test(killed),
		cmocka_unit_test(never_began),   cmocka_unit_test(memory_bound),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}

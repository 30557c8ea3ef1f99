/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Speed of recording and of reading back in step, slabs of 1 ms: what 63 E1 and an STM-1 line send
 * and receive (128 channels, 71 Mbyte per second of take), or with the argument "received" what is
 * received (64 channels, 36 Mbyte). With "compressed" as the last argument the file is compressed.
 * What is recorded is noise, which does not become smaller. 1x is real time. record_x is by the
 * clock on the wall, record_cpu_x by the time of all processors, in which other work on the machine
 * counts little.
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <time.h>
#include <unistd.h>

#include "sample.h"

enum { CHANNELS = 128, FRAMES = 8, SECONDS = 5, NOISE = 32 << 20 };

static double read_clock(clockid_t clock)
{
	struct timespec t;
	clock_gettime(clock, &t);
	return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static double now(void)
{
	return read_clock(CLOCK_PROCESS_CPUTIME_ID);
}

int main(int argc, char **argv)
{
	bool received_only = argc > 1 && strcmp(argv[1], "received") == 0;
	bool compressed = argc > 1 && strcmp(argv[argc - 1], "compressed") == 0;
	uint32_t count = received_only ? CHANNELS / 2 : CHANNELS;
	static char names[CHANNELS][24];
	static uint8_t slab[2430 * FRAMES];
	struct evl_rec_channel ch[CHANNELS];
	struct evl_rec_writer *w = NULL;
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	const char *path = sample_path(compressed ? "bench.pcapng.zst" : "bench.pcapng");
	uint64_t bytes = 0;
	for (uint32_t c = 0; c < count; c++) {
		uint32_t n = received_only ? 2 * c + 1 : c;
		bool line = n >= CHANNELS - 2;
		snprintf(names[c], sizeof names[c], "%s-%" PRIu32 ".%s", line ? "line" : "trib",
			line ? 1 : n / 2 + 1, n % 2 ? "out" : "in");
		ch[c] = (struct evl_rec_channel){names[c], line ? EVL_RATE_STM1 : EVL_RATE_E1,
			n % 2 ? EVL_REC_RECEIVED : EVL_REC_SENT, 0, 0, 0};
	}
	uint8_t *noise = evl_xmalloc(NOISE); /* longer than any window of a compressor */
	sample_fill(noise, 1, 0, NOISE);
	size_t at = 0;
	double w0 = read_clock(CLOCK_MONOTONIC);
	double t0 = now();
	enum evl_status st = evl_rec_writer_create(&w, path, ch, count, NULL, &err);
	for (uint64_t f = 0; st == EVL_OK && f < SECONDS * 8000; f += FRAMES) {
		for (uint32_t c = 0; st == EVL_OK && c < count; c++) {
			size_t n = evl_rate_bytes(ch[c].rate, FRAMES);
			at = at + n > NOISE ? 0 : at;
			st = evl_rec_write(w, c, f * evl_rate_frame_bits(ch[c].rate), noise + at, n,
				0, &err);
			at += n;
			bytes += n;
		}
	}
	st = st == EVL_OK ? evl_rec_flush(w, &err) : st;
	double t1 = now();
	double w1 = read_clock(CLOCK_MONOTONIC);
	st = st == EVL_OK ? evl_rec_finish(w, NULL, NULL, &err) : st;
	double t2 = now();
	st = st == EVL_OK ? evl_rec_open(&r, path, &err) : st;
	double t3 = now();
	for (uint64_t f = 0; st == EVL_OK && f < SECONDS * 8000; f += FRAMES) {
		for (uint32_t c = 0; st == EVL_OK && c < count; c++) {
			st = evl_rec_read(r, c, f * evl_rate_frame_bits(ch[c].rate), slab,
				evl_rate_bytes(ch[c].rate, FRAMES), &err);
		}
	}
	double t4 = now();
	struct evl_rec_verdict v;
	st = st == EVL_OK ? evl_rec_verify(r, NULL, NULL, &v, &err) : st;
	double t5 = now();
	evl_rec_close(r);
	free(noise);
	if (st < 0) {
		fprintf(stderr, "%s\n", err.text);
		return 1;
	}
	struct rusage u;
	getrusage(RUSAGE_SELF, &u);
	double mb = (double)bytes / 1e6;
	printf("{\"record_x\": %.1f, \"record_cpu_x\": %.1f, \"record_MB_s\": %.0f, \"sync_s\": "
	       "%.2f, \"replay_x\": %.1f, "
	       "\"replay_MB_s\": %.0f, \"verify_MB_s\": %.0f, \"open_ms\": %.1f, "
	       "\"peak_KiB\": %ld}\n",
		SECONDS / (w1 - w0), SECONDS / (t1 - t0), mb / (w1 - w0), t2 - t1,
		SECONDS / (t4 - t3), mb / (t4 - t3), mb / (t5 - t4), (t3 - t2) * 1e3, u.ru_maxrss);
	return 0;
}

/* SPDX-License-Identifier: Apache-2.0 */
/* Recordings as others see them: libpcap, a reader in Python, and the draft's own bytes. */
#include <inttypes.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>
#include <pcap/pcap.h>

#include "core/base/bytes.h"
#include "core/base/digest.h"
#include "sample.h"

/* Oracle: libpcap (Debian libpcap-dev), a general capture library. */
static void small_by_libpcap(void **state)
{
	(void)state;
	const char *path = sample_path("small.pcapng");
	sample_small(path, true);
	char text[PCAP_ERRBUF_SIZE] = "";
	pcap_t *p = pcap_open_offline_with_tstamp_precision(path, PCAP_TSTAMP_PRECISION_NANO, text);
	assert_string_equal(text, "");
	assert_non_null(p);
	assert_int_equal(pcap_datalink(p), 147);
	assert_int_equal(pcap_snapshot(p), 262144);
	/* Each block carries one of the runs that were written, with the time of its first bit:
	 * start + frames * 125 us, worked out here without the code under test. Runs of a channel
	 * that adjoin with equal flags share a block. */
	struct {
		uint64_t seconds, ns;
		uint32_t channel;
		uint64_t byte;
		uint32_t bytes;
	} expected[] = {
		/* order: a block is written once its channel's next run cannot join it */
		{1, 507, 1, 0, 256}, {1, 507 + 16 * 125000, 1, 512, 256}, /* bit 4096 = frame 16 */
		{1, 507 + 24 * 125000, 1, 768, 256},                      /* bit 6144 = frame 24 */
		{1, 7, 0, 0, 512}, {1, 507 + 32 * 125000, 1, 1024, 256},
		{1, 8 * 125000 - 93, 2, 193, 579}, /* bit 1544 = frame 8; start 0.999 999 907 s */
	};
	const struct pcap_pkthdr *h = NULL;
	const u_char *data = NULL;
	size_t n = 0;
	int rc;
	while ((rc = pcap_next_ex(p, (struct pcap_pkthdr **)&h, &data)) == 1) {
		assert_true(n < sizeof expected / sizeof *expected);
		uint8_t want[1024];
		sample_fill(want, expected[n].channel, expected[n].byte, expected[n].bytes);
		assert_int_equal(h->ts.tv_sec, expected[n].seconds);
		assert_int_equal(h->ts.tv_usec, expected[n].ns); /* ns by the precision asked for */
		assert_int_equal(h->caplen, expected[n].bytes);
		assert_int_equal(h->len, expected[n].bytes);
		assert_memory_equal(data, want, expected[n].bytes);
		n++;
	}
	assert_int_equal(rc, PCAP_ERROR_BREAK); /* the end, not an error */
	assert_int_equal(n, sizeof expected / sizeof *expected);
	pcap_close(p);
}

/* Slabs larger than a block, at STM-1, and 1024 channels: still readable by libpcap. */
static void large_by_libpcap(void **state)
{
	(void)state;
	const char *path = sample_path("large.pcapng");
	struct evl_rec_channel ch[EVL_REC_CHANNELS_MAX];
	static char names[EVL_REC_CHANNELS_MAX][16];
	for (uint32_t c = 0; c < EVL_REC_CHANNELS_MAX; c++) {
		snprintf(names[c], sizeof names[c], "line-%" PRIu32 ".out", c);
		ch[c] = (struct evl_rec_channel){
			names[c], EVL_RATE_STM1, EVL_REC_RECEIVED, 0, 0, 0};
	}
	for (int round = 0; round < 2; round++) {
		uint32_t count = round == 0 ? 1 : EVL_REC_CHANNELS_MAX;
		size_t bytes = 2430 * (round == 0 ? 400 : 8);
		uint8_t *slab = malloc(bytes);
		assert_non_null(slab);
		struct evl_rec_writer *w = NULL;
		struct evl_err err = {0};
		unlink(path);
		assert_int_equal(evl_rec_writer_create(&w, path, ch, count, NULL, &err), EVL_OK);
		for (uint32_t c = 0; c < count; c++) {
			sample_fill(slab, c, 0, bytes);
			assert_int_equal(evl_rec_write(w, c, 0, slab, bytes, 0, &err), EVL_OK);
		}
		assert_int_equal(evl_rec_finish(w, NULL, NULL, &err), EVL_OK);
		char text[PCAP_ERRBUF_SIZE] = "";
		pcap_t *p = pcap_open_offline_with_tstamp_precision(
			path, PCAP_TSTAMP_PRECISION_NANO, text);
		assert_string_equal(text, "");
		struct pcap_pkthdr *h;
		const u_char *data;
		uint64_t total = 0;
		int rc;
		while ((rc = pcap_next_ex(p, &h, &data)) == 1) {
			uint64_t in_channel = round == 0 ? total : 0;
			uint32_t c = round == 0 ? 0 : (uint32_t)(total / bytes);
			assert_true(h->caplen <= 262144);
			/* a block begins at a whole frame */
			assert_int_equal(in_channel % 2430, 0);
			assert_int_equal(
				(uint64_t)h->ts.tv_sec * 1000000000 + (uint64_t)h->ts.tv_usec,
				in_channel / 2430 * 125000);
			for (uint32_t i = 0; i < h->caplen; i++) {
				if (data[i] != sample_byte(c, in_channel + i)) {
					fail_msg("byte %" PRIu64, in_channel + i);
				}
			}
			total += h->caplen;
		}
		assert_int_equal(rc, PCAP_ERROR_BREAK);
		assert_int_equal(total, (uint64_t)bytes * count);
		pcap_close(p);
		free(slab);
	}
}

/* draft-ietf-opsawg-pcapng: the fixed bytes of a little-endian section header and an interface
 * description with nanoseconds, byte for byte but for lengths, link type 147 (93h) and snaplen
 * 262144. */
static void fixed_bytes(void **state)
{
	(void)state;
	const char *path = sample_path("fixed.pcapng");
	sample_small(path, true);
	size_t bytes;
	uint8_t *f = sample_read_file(path, &bytes);
	const uint8_t type[] = {0x0A, 0x0D, 0x0D, 0x0A};
	const uint8_t after[] = {0x4D, 0x3C, 0x2B, 0x1A, 0x01, 0x00, 0x00, 0x00, 0xFF, 0xFF, 0xFF,
		0xFF, 0xFF, 0xFF, 0xFF, 0xFF};
	assert_memory_equal(f, type, sizeof type);
	assert_memory_equal(f + 8, after, sizeof after);
	uint32_t at = evl_load_le32(f + 4);
	assert_int_equal(evl_load_le32(f + at - 4), at);
	for (int c = 0; c < SMALL_CHANNELS; c++) {
		const uint8_t head[] = {0x01, 0x00, 0x00, 0x00};
		const uint8_t body[] = {0x93, 0x00, 0x00, 0x00, 0x00, 0x00, 0x04, 0x00};
		const uint8_t tsresol[] = {0x09, 0x00, 0x01, 0x00, 0x09, 0x00, 0x00, 0x00};
		uint32_t n = evl_load_le32(f + at + 4);
		assert_int_equal(n % 4, 0);
		assert_int_equal(evl_load_le32(f + at + n - 4), n);
		assert_memory_equal(f + at, head, sizeof head);
		assert_memory_equal(f + at + 8, body, sizeof body);
		/* before the check option (24), the end of options (4) and the length (4) */
		assert_memory_equal(f + at + n - 40, tsresol, sizeof tsresol);
		at += n;
	}
	assert_int_equal(evl_load_le32(f + at), 0x00000BAD); /* a mark */
	at += evl_load_le32(f + at + 4);
	assert_int_equal(evl_load_le32(f + at), 6);
	free(f);
}

/* Oracle: tests/recording/read_recording.py, written from docs/recording.md with Python's struct
 * and hashlib only. It checks every block's check, the digests and the trailer, and prints each
 * channel's name and digest. */
static void by_python(void **state)
{
	(void)state;
	const char *path = sample_path("python.pcapng");
	sample_small(path, true);
	char command[2048];
	snprintf(command, sizeof command, "%s '%s/tests/recording/read_recording.py' '%s' 2>&1",
		EVL_PYTHON, getenv("EVL_SOURCE_ROOT"), path);
	FILE *p = popen(command, "r");
	assert_non_null(p);
	char said[4096];
	size_t n = fread(said, 1, sizeof said - 1, p);
	said[n] = '\0';
	int rc = pclose(p);
	char want[4096] = "";
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	assert_int_equal(evl_rec_open(&r, path, &err), EVL_OK);
	for (uint32_t c = 0; c < evl_rec_channel_count(r); c++) {
		const struct evl_rec_info *i = evl_rec_info(r, c);
		char hex[EVL_SHA256_HEX], line[512];
		evl_hex(i->digest, sizeof i->digest, hex);
		snprintf(line, sizeof line, "%s %s %s %" PRIu64 " %" PRIu64 " %s\n",
			i->channel.name, evl_rate_name(i->channel.rate),
			evl_rec_direction_name(i->channel.direction), i->bits, i->gaps, hex);
		strcat(want, line);
	}
	assert_int_equal(evl_rec_mark_count(r), 2);
	for (uint32_t i = 0; i < 2; i++) {
		const struct evl_rec_mark *m = evl_rec_mark_at(r, i);
		char line[512];
		snprintf(line, sizeof line, "mark %" PRIu64 " %s %s\n", m->time_ns,
			m->channel < 0 ? "-" : evl_rec_info(r, (uint32_t)m->channel)->channel.name,
			m->text);
		strcat(want, line);
	}
	evl_rec_close(r);
	assert_non_null(strstr(want, "mark 1000000001 - begin\nmark 1000000003 ds1-1.out loss"));
	assert_string_equal(said, want);
	assert_int_equal(rc, 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(small_by_libpcap),
		cmocka_unit_test(large_by_libpcap),
		cmocka_unit_test(fixed_bytes),
		cmocka_unit_test(by_python),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}

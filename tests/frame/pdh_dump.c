/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Writes a framed signal for the independent decoder (pdh_decoder.py), with what it must find.
 *
 *	pdh_dump e1|esf|sf SEED LEAD_BITS FOLDER
 *
 * FOLDER gets line.bin (LEAD_BITS random bits, then the frames) and expected.txt: lines "name
 *value" of what was asked of the builder, never of what it made.
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/frame/e1_build.h"
#include "core/frame/t1_build.h"
#include "core/signal/bits.h"
#include "core/signal/rng.h"

#define E1_FRAMES 1600u
#define T1_FRAMES 2400u
#define LEAD_MAX  4096u
#define ROOM      (LEAD_MAX / 8 + E1_FRAMES * 32 + T1_FRAMES * 25)

static uint8_t frames[ROOM], line[ROOM];

static FILE *open_in(const char *folder, const char *name)
{
	char path[4096];
	snprintf(path, sizeof(path), "%s/%s", folder, name);
	FILE *f = fopen(path, "wb");
	if (f == NULL) {
		fprintf(stderr, "pdh_dump: cannot write %s\n", path);
		exit(1);
	}
	return f;
}

static void hex(FILE *f, const char *name, const uint8_t *p, size_t n)
{
	fprintf(f, "%s ", name);
	for (size_t i = 0; i < n; i++) {
		fprintf(f, "%02x", p[i]);
	}
	fprintf(f, "\n");
}

static uint64_t make_e1(FILE *f, struct evl_rng *rng)
{
	struct evl_e1_builder b;
	evl_e1_builder_init(&b, EVL_E1_CRC4, true);
	for (int i = 0; i < 30; i++) {
		b.abcd[i] = (uint8_t)(1 + evl_rng_below(rng, 15));
	}
	for (int i = 0; i < 5; i++) {
		b.sa[i] = (uint8_t)evl_rng_next(rng);
	}
	unsigned cas_phase = (unsigned)evl_rng_below(rng, 16);
	evl_e1_builder_set_phase(&b, 0, cas_phase);
	b.rai = evl_rng_below(rng, 2) != 0;
	b.ts16_rai = evl_rng_below(rng, 2) != 0;
	b.e_errors[0] = 11;
	b.e_errors[1] = 4;
	hex(f, "payload", frames, E1_FRAMES * 32);
	hex(f, "abcd", b.abcd, 30);
	hex(f, "sa", b.sa, 5);
	fprintf(f, "cas_phase %u\nrai %d\nts16_rai %d\ne_errors 15\n", cas_phase, b.rai,
		b.ts16_rai);
	uint32_t bad = 0;
	for (uint32_t at = 0; at < E1_FRAMES;) {
		uint32_t n = 8 * (1 + (uint32_t)evl_rng_below(rng, 8));
		n = n < E1_FRAMES - at ? n : E1_FRAMES - at;
		evl_e1_build(&b, frames + 32 * at, n);
		at += n;
	}
	/* One wrong bit in some blocks, not in timeslots 0 and 16. */
	for (uint32_t block = 16; block < E1_FRAMES / 8 - 1; block += 7, bad++) {
		evl_bits_flip(frames, (uint64_t)block * 2048 + 8 * 37 + evl_rng_below(rng, 8));
		fprintf(f, "flipped %u\n", block);
	}
	fprintf(f, "crc_errors %u\n", bad);
	return (uint64_t)E1_FRAMES * 256;
}

static uint64_t make_t1(FILE *f, struct evl_rng *rng, bool esf)
{
	struct evl_t1_builder b;
	evl_t1_builder_init(&b, esf ? EVL_T1_ESF : EVL_T1_SF);
	b.robbed = (uint32_t)evl_rng_next(rng) & 0xffffff;
	for (int i = 0; i < 24; i++) {
		b.abcd[i] = (uint8_t)evl_rng_below(rng, 16);
	}
	uint8_t link[100];
	for (size_t i = 0; i < sizeof(link); i++) {
		link[i] = (uint8_t)evl_rng_next(rng);
	}
	b.link = link;
	b.link_bits = 8 * sizeof(link);
	hex(f, "payload", frames, T1_FRAMES / 8 * 193);
	hex(f, "abcd", b.abcd, 24);
	hex(f, "link", link, sizeof(link));
	fprintf(f, "robbed %u\n", b.robbed);
	for (uint32_t at = 0; at < T1_FRAMES;) {
		uint32_t n = 8 * (1 + (uint32_t)evl_rng_below(rng, 8));
		n = n < T1_FRAMES - at ? n : T1_FRAMES - at;
		evl_t1_build(&b, frames + 193 * (at / 8), n);
		at += n;
	}
	uint32_t bad = 0;
	for (uint32_t m = 10; esf && m < T1_FRAMES / 24 - 1; m += 9, bad++) {
		evl_bits_flip(frames, (uint64_t)m * 4632 + 193 * 3 + 40);
		fprintf(f, "flipped %u\n", m);
	}
	fprintf(f, "crc_errors %u\n", bad);
	return (uint64_t)T1_FRAMES * 193;
}

int main(int argc, char **argv)
{
	if (argc != 5 || strtoul(argv[3], NULL, 10) > LEAD_MAX) {
		fprintf(stderr, "use: pdh_dump e1|esf|sf SEED LEAD_BITS(0..%u) FOLDER\n", LEAD_MAX);
		return 2;
	}
	struct evl_rng rng;
	uint64_t lead = strtoul(argv[3], NULL, 10);
	evl_rng_init(&rng, strtoul(argv[2], NULL, 10), 0);
	for (size_t i = 0; i < ROOM; i++) {
		frames[i] = (uint8_t)evl_rng_next(&rng);
		line[i] = (uint8_t)evl_rng_next(&rng);
	}
	FILE *f = open_in(argv[4], "expected.txt");
	uint64_t bits = strcmp(argv[1], "e1") == 0 ? make_e1(f, &rng)
						   : make_t1(f, &rng, strcmp(argv[1], "esf") == 0);
	fprintf(f, "lead %" PRIu64 "\n", lead);
	evl_bits_copy(line, lead, frames, 0, bits);
	FILE *out = open_in(argv[4], "line.bin");
	size_t bytes = (size_t)((lead + bits + 7) / 8);
	bool good = fwrite(line, 1, bytes, out) == bytes;
	good = fclose(out) == 0 && good;
	good = fclose(f) == 0 && good;
	if (!good) {
		fprintf(stderr, "pdh_dump: writing failed\n");
	}
	return good ? 0 : 1;
}

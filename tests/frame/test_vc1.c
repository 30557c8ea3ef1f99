/* SPDX-License-Identifier: Apache-2.0 */
/* Asynchronous mapping of 2048 kbit/s into VC-12, ITU-T G.707 10.1.4.1, 9.3.2. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "core/frame/vc1.h"
#include "core/signal/prbs.h"

static struct evl_vc1_tx tx;
static struct evl_vc1_rx rx;

/* One VC with `bits` input bits, as frames of 256 with the rest in the first. */
static void make(uint8_t vc[140], const uint8_t *bits)
{
	for (uint32_t q = 0; q < 4; q++) {
		evl_bitfifo_push(&tx.fifo, bits + 32 * q, 0, 256);
		evl_vc1_tx_quarter(&tx, 0, vc + 35 * q);
	}
}

static void test_by_hand(void **state)
{
	(void)state;
	/* Drawn from G.707 10.1.4.1: data at bytes 3..34 of each quarter (from 1), byte 2 of
	 * quarters 2..4 holds C1 C2 = 1 0 in the nominal state, S1 (bit 8 of byte 107) stuff, S2
	 * (bit 1 of byte 108) data. The input counts bytes, 896 bits after what the store holds at
	 * first, so byte 3 of a VC is known. */
	uint8_t bits[8 * 128], vc[140];
	for (uint32_t i = 0; i < sizeof(bits); i++) {
		bits[i] = (uint8_t)i;
	}
	evl_vc1_tx_init(&tx, EVL_VC1_E1_ASYNC, 0);
	struct evl_trace trace;
	assert_int_equal(evl_trace_set(&trace, EVL_TRACE_16, "123456789ABCDEF", NULL), EVL_OK);
	memcpy(tx.j2, trace.bytes, sizeof(tx.j2));
	tx.rdi = true;
	tx.rei = 1;
	uint8_t parity = 0;
	/* The store opens 896 bits (112 bytes) back: 640 of delay and the 256 just pushed. The
	 * first byte of VC n is input byte 128 n + 32 - 112. */
	for (uint32_t n = 0; n < 8; n++) {
		make(vc, bits + 128 * n);
		uint8_t want[140] = {0};
		uint8_t sum = 0;
		want[0] = (uint8_t)(2 << 1 | 1 | (n == 0 ? 1 << 5 : 0));
		/* BIP-2: bit 1 over the odd bits, bit 2 over the even bits of the VC before. */
		for (int b = 0; b < 8; b++) {
			want[0] = (uint8_t)(want[0] ^ (parity >> b & 1) << (b % 2 == 1 ? 7 : 6));
		}
		static const uint8_t j2[] = {0xe2, '1', '2', '3', '4', '5', '6', '7'};
		want[35] = j2[n];
		want[36] = want[71] = want[106] = 0x80;
		for (uint32_t q = 0; q < 4; q++) {
			for (uint32_t i = 0; i < 32; i++) {
				int32_t at = (int32_t)(128 * n + 32 * q + i) + 32 - 112;
				want[35 * q + 2 + i] = at < 0 ? 0xff : (uint8_t)at;
			}
		}
		assert_memory_equal(vc, want, 140);
		for (int i = 0; i < 140; i++) {
			sum ^= vc[i];
		}
		parity = sum;
	}
	assert_int_equal(tx.extra + tx.missing + tx.slips, 0);
}

static void decode(const uint8_t *vc)
{
	for (uint32_t q = 0; q < 4; q++) {
		evl_vc1_rx_quarter(&rx, vc + 35 * q, 0);
	}
}

/* Justification control: ITU-T G.707 10.1.4.1, majority of three. */
static void test_control(void **state)
{
	(void)state;
	for (uint32_t c = 0; c < 64; c++) {
		uint8_t vc[140] = {0}, out[160] = {0};
		uint32_t c1 = c & 7, c2 = c >> 3;
		vc[0] = 2 << 1;
		for (uint32_t q = 0; q < 3; q++) {
			vc[36 + 35 * q] = (uint8_t)((c1 >> q & 1) << 7 | (c2 >> q & 1) << 6);
		}
		memset(vc + 2, 0x55, 32);
		memset(vc + 37, 0x55, 32);
		memset(vc + 72, 0x55, 32);
		memset(vc + 107, 0x55, 32);
		vc[106] |= 0x01; /* S1 = 1 */
		vc[107] |= 0x80; /* S2 = 1 */
		evl_vc1_rx_init(&rx, EVL_VC1_E1_ASYNC, 5);
		decode(vc);
		uint32_t ones1 = (c1 & 1) + (c1 >> 1 & 1) + (c1 >> 2);
		uint32_t ones2 = (c2 & 1) + (c2 >> 1 & 1) + (c2 >> 2);
		bool s1 = ones1 < 2, s2 = ones2 < 2;
		uint32_t level = evl_bitfifo_level(&rx.fifo);
		assert_int_equal(level, 640 + 1023 + s1 + s2);
		assert_int_equal(rx.counts.extra, s1 && s2);
		assert_int_equal(rx.counts.missing, !s1 && !s2);
		evl_bitfifo_pull(&rx.fifo, out, 0, 640);
		evl_bitfifo_pull(&rx.fifo, out, 0, 768);
		memset(out, 0, sizeof(out));
		evl_bitfifo_pull(&rx.fifo, out, 0, 255u + s1 + s2);
		/* S1, S2 (ones), then 1 0 1 0 1 0 1 of the seven D bits. */
		uint8_t first = (uint8_t)(0x55 << 1);
		if (s1 && s2) {
			first = 0xc0 | 0x55 >> 1;
		} else if (s1 || s2) {
			first = 0x80 | 0x55;
		}
		assert_int_equal(out[0], first);
	}
}

static void test_parity_and_rei(void **state)
{
	(void)state;
	uint8_t bits[128] = {0}, vc[140];
	evl_vc1_tx_init(&tx, EVL_VC1_E1_ASYNC, 0);
	evl_vc1_rx_init(&rx, EVL_VC1_E1_ASYNC, 5);
	struct evl_prbs prbs;
	evl_prbs_init(&prbs, EVL_PRBS15, 0);
	for (uint32_t n = 0; n < 64; n++) {
		uint8_t out[32];
		evl_prbs_fill(&prbs, bits, sizeof(bits));
		make(vc, bits);
		if (n == 10) {
			vc[50] ^= 0x80; /* bit 1: odd */
		} else if (n == 20) {
			vc[50] ^= 0x40; /* bit 2: even */
		} else if (n == 30) {
			vc[34] ^= 0xc0; /* both, in a stuff byte */
		} else if (n == 40) {
			vc[50] ^= 0xa0; /* two errors in the odd bits cannot be seen */
		}
		decode(vc);
		for (int q = 0; q < 4; q++) {
			evl_vc1_rx_pull(&rx, out);
		}
	}
	assert_int_equal(rx.counts.bip2_errors, 4);
	assert_int_equal(rx.rei_out, 3); /* errored VCs */
	assert_int_equal(rx.counts.slips_lost + rx.counts.slips_repeated, 0);
	tx.rei = 3;
	for (uint32_t n = 0; n < 8; n++) {
		make(vc, bits);
		decode(vc);
		for (int q = 0; q < 4; q++) {
			uint8_t out[32];
			evl_vc1_rx_pull(&rx, out);
		}
	}
	assert_int_equal(rx.counts.lp_rei, 3);
}

static void test_labels(void **state)
{
	(void)state;
	/* Persistence of 5 (G.783); label 000 UNEQ, 010 expected, 001 accepted as well. */
	static const struct {
		uint8_t label;
		bool uneq, plm;
	} rows[] = {{0, true, false}, {1, false, false}, {2, false, false}, {3, false, true},
		{4, false, true}, {5, false, true}, {6, false, true}, {7, false, false}};
	for (size_t i = 0; i < 8; i++) {
		uint8_t vc[140] = {0};
		evl_vc1_rx_init(&rx, EVL_VC1_E1_ASYNC, 5);
		for (int n = 0; n < 6; n++) {
			vc[0] = 2 << 1;
			decode(vc);
			uint8_t out[32];
			for (int q = 0; q < 4; q++) {
				evl_vc1_rx_pull(&rx, out);
			}
		}
		for (int n = 1; n <= 6; n++) {
			vc[0] = (uint8_t)(rows[i].label << 1 | 1);
			decode(vc);
			uint8_t out[32];
			for (int q = 0; q < 4; q++) {
				evl_vc1_rx_pull(&rx, out);
			}
			assert_int_equal(rx.uneq, rows[i].uneq && n >= 5);
			assert_int_equal(rx.plm, rows[i].plm && n >= 5);
			assert_int_equal(rx.rdi, n >= 5);
			assert_int_equal(rx.open, !rx.uneq && !rx.plm);
		}
	}
}

/* An input that is faster or slower than the VC by up to 50 ppm (G.703) and far beyond is carried
 * without loss: 1025 or 1023 bits where needed. */
static void offset(int32_t ppm)
{
	static uint8_t in[800000], out[4096];
	struct evl_prbs prbs, check;
	evl_prbs_init(&prbs, EVL_PRBS15, 0);
	evl_prbs_fill(&prbs, in, sizeof(in));
	/* The first bit of the first VC is input bit 256 - 896: before the first. */
	evl_prbs_init(&check, EVL_PRBS15, 2 * 32767 - 640);
	evl_vc1_tx_init(&tx, EVL_VC1_E1_ASYNC, 0);
	evl_vc1_rx_init(&rx, EVL_VC1_E1_ASYNC, 5);
	int64_t sent = 0, error = 0;
	uint64_t got = 0;
	const uint32_t vcs = 6000; /* 3 s */
	uint8_t vc[140];
	for (uint32_t n = 0; n < 4 * vcs; n++) {
		/* 256 bits a frame, and one more or less when the offset has added up. */
		error += (int64_t)256 * ppm;
		int32_t more = error >= 1000000 ? 1 : error <= -1000000 ? -1 : 0;
		error -= more * (int64_t)1000000;
		uint32_t bits = (uint32_t)(256 + more), q = n % 4;
		evl_bitfifo_push(&tx.fifo, in + sent / 8, (uint32_t)(sent % 8), bits);
		sent += bits;
		evl_vc1_tx_quarter(&tx, 0, vc + 35 * q);
		evl_vc1_rx_quarter(&rx, vc + 35 * q, 0);
		if (n == 0) {
			/* The ones with which the store opened are no part of the check. */
			evl_bitfifo_set_level(&rx.fifo, 256);
		}
		uint32_t have = evl_bitfifo_level(&rx.fifo) / 8 * 8;
		uint8_t want[512];
		evl_bitfifo_pull(&rx.fifo, out, 0, have);
		evl_prbs_fill(&check, want, have / 8);
		if (got >= 640) {
			assert_memory_equal(out, want, have / 8);
		}
		got += have;
	}
	assert_int_equal(tx.slips, 0);
	int64_t extra = (int64_t)rx.counts.extra - (int64_t)rx.counts.missing;
	int64_t offset_bits = sent - (int64_t)vcs * 1024;
	/* The store may hold a bit or two of it. */
	assert_in_range(extra - offset_bits + 3, 0, 6);
	if (ppm == 0) {
		assert_int_equal(rx.counts.extra + rx.counts.missing, 0);
	}
}

static void test_clock_offsets(void **state)
{
	(void)state;
	offset(0);
	offset(50);
	offset(-50);
	offset(900); /* nearly all that one bit in 1024 allows */
	offset(-900);
}

static void test_slips(void **state)
{
	(void)state;
	/* Far too fast an input: more than 1025 bits a VC. The store slips by 256 bits, each. */
	static uint8_t bits[40];
	uint8_t vc[140];
	evl_vc1_tx_init(&tx, EVL_VC1_E1_ASYNC, 0);
	uint64_t pushed = 0;
	for (int n = 0; n < 1000; n++) {
		for (int q = 0; q < 4; q++) {
			evl_bitfifo_push(&tx.fifo, bits, 0, 258);
			pushed += 258;
			evl_vc1_tx_quarter(&tx, 0, vc + 35 * q);
		}
	}
	/* 1032 in, 1025 out: 7000 bits too many, less what the store takes: 256. */
	assert_int_equal(tx.slips, (7000 - 256) / 256 + 1);
	evl_vc1_tx_init(&tx, EVL_VC1_E1_ASYNC, 0);
	for (int n = 0; n < 1000; n++) {
		for (int q = 0; q < 4; q++) {
			evl_bitfifo_push(&tx.fifo, bits, 0, 254);
			evl_vc1_tx_quarter(&tx, 0, vc + 35 * q);
		}
	}
	/* Each slip puts the store from 128 bits too few to 128 too many; down again by 9 bits a VC
	 * (1016 in, 1025 out), then by 7: 32.5 VCs a slip. */
	assert_in_range(tx.slips, 30, 31);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_by_hand),
		cmocka_unit_test(test_control),
		cmocka_unit_test(test_parity_and_rei),
		cmocka_unit_test(test_labels),
		cmocka_unit_test(test_clock_offsets),
		cmocka_unit_test(test_slips),
	};
	return cmocka_run_group_tests_name("frame.vc1", tests, NULL, NULL);
}

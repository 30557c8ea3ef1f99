/* SPDX-License-Identifier: Apache-2.0 */
/*
 * What the unit can be built as: lines, rates, mappings, numbers of ports, and the settings of
 * evl.setup/1. Every tributary has a pattern of its own and must come out of its own port. Counts
 * of tributaries by ITU-T G.707 figure 6-1.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "core/base/alarm.h"
#include "core/frame/sdh.h"
#include "core/signal/bits.h"
#include "tests/adapters/rig.h"

#define MS           1000000u
#define OPTIONS(...) ((const char *[]){__VA_ARGS__, NULL})
#define FRAMES       128u

static struct rig rig;

/* Encoder and decoder back to back: 5 frames of an E1 or T1 (sdh.h); containers come whole, and one
 * waits in the unit. Returns how many channels bring their own bits. */
static uint32_t arriving(const struct rig *r)
{
	uint32_t good = 0;

	for (uint32_t c = 0; c < r->count; c++) {
		const uint32_t bits = rig_frame_bits(r, c);
		uint32_t wrong;
		bool here = false;

		if (r->in[c] == NULL) {
			continue;
		}
		if (r->info[c].rate <= EVL_ABI_RATE_T1) {
			here = rig_arrives(r, c, c, 5 * bits, 8 * bits, &wrong);
		}
		for (uint32_t d = 1; r->info[c].rate > EVL_ABI_RATE_T1 && d < 6 && !here; d++) {
			here = rig_arrives(r, c, c, d * bits, 16 * bits, &wrong);
		}
		if (!here) {
			/* Not carried: AIS. */
			if (!rig_is_ais(r, c, 2 * MS, FRAMES / 8 * MS)) {
				fail_msg("%s of %u: neither its bits nor AIS", r->info[c].name,
					r->count);
			}
		}
		good += here;
	}
	return good;
}

static void each_mapping(void **state)
{
	static const struct {
		const char *options[8];
		uint32_t channels, arrive;
		const char *first, *last; /* tributaries */
	} rows[] = {
		{{"mapping=AU-4/TU-12/E1"}, 64, 63, "trib-1", "trib-63"},
		{{"mapping=AU-4/TU-12/E1 byte-synchronous"}, 64, 63, "trib-1", "trib-63"},
		{{"mapping=AU-4/TU-11/T1"}, 85, 84, "trib-1", "trib-84"},
		{{"mapping=AU-4/TU-12/T1"}, 64, 63, "trib-1", "trib-63"},
		{{"mapping=AU-3/TU-11/T1"}, 85, 84, "trib-1", "trib-84"},
		{{"mapping=AU-3/TU-12/E1"}, 64, 63, "trib-1", "trib-63"},
		{{"mapping=AU-4/TU-12/E1, AU-4/TU-12/E1, AU-4/TU-3/VC-3"}, 44, 43, "trib-1",
			"vc3-1"},
		{{"mapping=AU-4/TU-12/E1, AU-4/TU-11/T1, AU-4/TU-3/VC-3"}, 51, 50, "e1-1", "vc3-1"},
		{{"mapping=AU-3/VC-3"}, 4, 3, "vc3-1", "vc3-3"},
		{{"mapping=AU-4/VC-4"}, 2, 1, "vc4-1", "vc4-1"},
		{{"rate=STM-4"}, 253, 252, "trib-1", "trib-252"},
		{{"rate=STM-4", "mapping=AU-3/TU-11/T1"}, 337, 336, "trib-1", "trib-336"},
		{{"rate=STM-4", "mapping=AU-4-4c/VC-4-4c"}, 2, 1, "vc4-4c-1", "vc4-4c-1"},
		{{"lines=2"}, 128, 126, "trib-1", "trib-126"},
		{{"lines=2", "mapping=AU-4/TU-11/T1"}, 170, 168, "trib-1", "trib-168"},
		{{"lines=2", "mapping.line-2=AU-4/TU-11/T1"}, 2 * (63 + 84) + 2, 63 + 84, "e1-1",
			"t1-168"},
		{{"lines=2", "rate=STM-4", "mapping=AU-4/VC-4"}, 10, 8, "vc4-1", "vc4-8"},
		{{"tributaries.E1=30"}, 31, 30, "trib-1", "trib-30"},
		{{"tributaries.T1=84"}, 63 + 84 + 1, 63, "e1-1", "t1-84"},
		{{"mapping=AU-4/empty", "tributaries.E1=3"}, 4, 0, "trib-1", "trib-3"},
		{{"numbering=klm-order", "mapping=AU-4/TU-11/T1"}, 85, 84, "trib-1", "trib-84"},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
		rig_open(&rig, "A", 1, rows[i].options);
		if (rig.count != rows[i].channels) {
			fail_msg("row %zu: %u channels", i, rig.count);
		}
		(void)rig_channel(&rig, rows[i].first);
		(void)rig_channel(&rig, rows[i].last);
		rig_take(&rig, 0, FRAMES, 64, NULL);
		if (arriving(&rig) != rows[i].arrive) {
			fail_msg("row %zu: %u arrive", i, arriving(&rig));
		}
		if (rig.event_count != 0) {
			fail_msg("row %zu: %s on %s", i,
				evl_alarm_name((enum evl_alarm)rig.events[0].alarm),
				rig.info[rig.events[0].channel].name);
		}
		rig_close(&rig);
	}
}

static struct evl_setting setting(
	uint32_t kind, const char *channel, const char *field, const char *text)
{
	struct evl_setting s = {.version = 1, .kind = kind, .channel = rig_channel(&rig, channel)};

	strcpy(s.field, field);
	strcpy(s.text, text);
	return s;
}

/* 63 E1 and 84 T1 ports; what the mapping does not reach is idle. */
static void mapping_at_run_time(void **state)
{
	struct evl_setting list[2];
	uint64_t at = 0;

	(void)state;
	rig_open(&rig, "A", 1,
		OPTIONS("tributaries.E1=63", "tributaries.T1=84", "tributaries.VC-3=3",
			"tributaries.VC-4=1"));
	assert_int_equal(rig.count, 63 + 84 + 3 + 1 + 1);
	static const struct {
		const char *text;
		uint32_t arrive;
	} rows[] = {
		{"AU-4/TU-12/E1", 63},
		{"AU-4/TU-11/T1", 84},
		{"AU-4/TU-12/E1, AU-4/TU-12/E1, AU-4/TU-3/VC-3", 43},
		{"AU-4/VC-4", 1},
		{"AU-3/VC-3, AU-3/TU-11/T1, AU-3/TU-12/E1", 1 + 28 + 21},
	};
	for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
		list[0] = setting(EVL_SETTING_MAPPING, "line", "", rows[i].text);
		rig_setup(&rig, list, 1);
		rig_take(&rig, at, FRAMES, 64, NULL);
		assert_int_equal(arriving(&rig), rows[i].arrive);
		assert_int_equal(rig.event_count, 0);
		at += 16 * MS; /* the next take begins where this one ended, set anew in between */
	}
	/* The empty list leads back. */
	rig_setup(&rig, NULL, 0);
	rig_take(&rig, at, FRAMES, 64, NULL);
	assert_int_equal(arriving(&rig), 63);
	rig_close(&rig);
}

/* Sent and expected traces: the unit sees its own line, so an expectation that is not met is TIM,
 * with AIS downstream and RDI back (G.783); met, it is silent. */
static void traces(void **state)
{
	static const struct {
		const char *channel, *field;
		uint32_t tim, rdi;
	} rows[] = {
		{"line", "J0", EVL_ALARM_RS_TIM, EVL_ALARM_MS_RDI},
		{"line", "J1", EVL_ALARM_HP_TIM, EVL_ALARM_HP_RDI},
		{"trib-5", "J2", EVL_ALARM_LP_TIM, EVL_ALARM_LP_RDI},
	};

	(void)state;
	for (size_t i = 0; i < 3; i++) {
		struct evl_setting list[2];
		uint32_t c;

		rig_open(&rig, "A", 1, NULL);
		c = rig_channel(&rig, rows[i].channel);
		list[0] = setting(EVL_SETTING_EXPECTED, rows[i].channel, rows[i].field, "node 1");
		list[1] = setting(EVL_SETTING_SENT, rows[i].channel, rows[i].field, "node 1");
		rig_setup(&rig, list, 2);
		rig_take(&rig, 0, 320, 64, NULL);
		assert_int_equal(rig.event_count, 0);
		assert_int_equal(arriving(&rig), 63);
		rig_setup(&rig, list, 1); /* now "evenlode" is sent */
		rig_take(&rig, 40 * MS, 320, 64, NULL);
		assert_non_null(rig_event(&rig, c, rows[i].tim, true));
		assert_non_null(rig_event(&rig, c, rows[i].rdi, true));
		assert_true(rig_is_ais(&rig, 4, 4 * MS, 40 * MS));
		assert_int_equal(rig_is_ais(&rig, 9, 4 * MS, 40 * MS), i < 2);
		rig_close(&rig);
	}
}

/* What the decoder of the room reads from the captured line: bytes that were set. */
static void overhead_is_sent(void **state)
{
	static const struct {
		const char *field, *text;
		uint32_t row, b, value; /* G.707 9.2.1 */
	} rows[] = {{"S1", "0B", 9, 1, 0x0b}, {"K1", "12", 5, 4, 0x12}, {"K2", "28", 5, 7, 0x28},
		{"F1", "A5", 2, 7, 0xa5}, {"E1", "5A", 2, 4, 0x5a}, {"E2", "77", 9, 7, 0x77}};
	struct evl_sdh_map map;
	struct evl_sdh_rx *rx = NULL;
	const struct evl_sdh_at path = {EVL_SDH_HIGH, 0}, client = {EVL_SDH_CLIENT, 2};
	struct evl_setting list[9];
	char text[EVL_TRACE_TEXT];
	uint8_t *none[EVL_SDH_MOST_CLIENTS] = {NULL};
	uint32_t bytes[EVL_SDH_MOST_CLIENTS];
	const size_t n = sizeof(rows) / sizeof(rows[0]);

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	for (size_t i = 0; i < n; i++) {
		list[i] = setting(EVL_SETTING_SENT, "line", rows[i].field, rows[i].text);
	}
	list[n] = setting(EVL_SETTING_SENT, "line", "J1", "64:a long trace of SONET");
	list[n + 1] = setting(EVL_SETTING_SENT, "line", "C2", "13");
	list[n + 2] = setting(EVL_SETTING_SENT, "trib-3", "V5", "04");
	rig_setup(&rig, list, (uint32_t)n + 3);
	rig_take(&rig, 0, 512, 64, NULL);
	evl_sdh_map_fill(&map, 1, EVL_SDH_AU4, EVL_SDH_E1);
	assert_int_equal(evl_sdh_rx_create(&rx, &map, NULL, NULL), 0);
	evl_sdh_decode(rx, rig.out[RIG_LINE], 512, none, bytes, NULL);
	for (size_t i = 0; i < n; i++) {
		/* K2 bits 6 to 8 tell MS-RDI and MS-AIS. */
		assert_int_equal(
			evl_sdh_rx_soh(rx, 1, rows[i].row, rows[i].b), (int32_t)rows[i].value);
	}
	assert_string_equal(
		evl_trace_text(evl_sdh_rx_trace(rx, path), text), "a long trace of SONET");
	assert_int_equal(evl_sdh_rx_poh(rx, path, EVL_SDH_C2), 0x13);
	assert_true((evl_sdh_rx_defects(rx, path) >> EVL_ALARM_HP_PLM & 1) != 0);
	(void)client;
	evl_sdh_rx_destroy(rx);
	rig_close(&rig);
}

/* Noise into the line, whatever it is taken for: no tributary comes out of it (ASan and UBSan watch
 * over the rest), and the unit is as before when a good line comes again. */
static void noise_on_the_line(void **state)
{
	static const char *const mappings[] = {"mapping=AU-4/TU-12/E1", "mapping=AU-3/TU-11/T1",
		"mapping=AU-4/TU-12/E1, AU-4/TU-11/T1 byte-synchronous, AU-4/TU-3/VC-3"};
	uint8_t *line = malloc(FRAMES * 2430);

	(void)state;
	for (uint32_t i = 0; i < 3; i++) {
		rig_open(&rig, "A", 1,
			(const char *[]){
				mappings[i], i == 0 ? "framing=CRC-4" : "clock.line_ppm=9", NULL});
		rig_pattern(line, FRAMES * 2430, 1000 + i);
		if (i > 0) {
			/* Frames that look right at first, with noise in them. */
			for (uint32_t f = 0; f < FRAMES; f++) {
				memset(line + f * 2430, 0xf6, 3);
				memset(line + f * 2430 + 3, 0x28, 3);
			}
		}
		rig.line_source = line;
		rig_take(&rig, 0, FRAMES, 64, NULL);
		/* LOF after 3 ms of OOF, or LOP, and what hangs on them. */
		for (uint32_t c = 0; c < rig.count; c++) {
			assert_true(rig.in[c] == NULL || rig_is_ais(&rig, c, 8 * MS, 16 * MS));
		}
		assert_int_not_equal(rig.event_count, 0);
		rig.line_source = NULL;
		rig_take(&rig, 100 * MS, FRAMES, 64, NULL);
		/* Framing that is not there makes AIS; the others come again. */
		if (i == 1) {
			uint32_t wrong, n = 0;

			for (uint32_t d = 5 * 193; d < 30 * 193 && n == 0; d++) {
				n = rig_arrives(&rig, 3, 3, d, 40 * 193, &wrong) ? d : 0;
			}
			assert_int_not_equal(n, 0);
		}
		rig_close(&rig);
	}
	free(line);
}

static void settings_refused(void **state)
{
	static const struct {
		uint32_t kind;
		const char *channel, *field, *text, *says;
	} rows[] = {
		{EVL_SETTING_MAPPING, "line", "", "AU-5/E1", "mapping"},
		{EVL_SETTING_MAPPING, "trib-1", "", "AU-4/TU-12/E1", "only a line has a mapping"},
		{EVL_SETTING_MAPPING, "line", "", "AU-4-4c/VC-4-4c", "mapping"},
		{EVL_SETTING_SENT, "line", "J2", "x", "a line has no such field"},
		{EVL_SETTING_SENT, "line", "J0", "a text of sixteen", "J0"},
		{EVL_SETTING_SENT, "line", "S1", "7", "two hexadecimal digits"},
		{EVL_SETTING_SENT, "trib-1", "V5", "08", "00 to 07"},
		{EVL_SETTING_SENT, "trib-1", "C2", "02", "a VC-12 or VC-11 has J2 and V5"},
		{EVL_SETTING_SENT, "trib-1", "X9", "02", "field is not known"},
		{EVL_SETTING_EXPECTED, "trib-1", "V5", "04", "the mapping says"},
		{EVL_SETTING_EXPECTED, "line", "S1", "0F", "can be expected"},
		{9, "line", "J0", "x", "not known"},
	};
	const struct evl_setup_extension *setup;
	struct evl_setting s[2];

	(void)state;
	rig_open(&rig, "A", 1, NULL);
	setup = rig.adapter->get_extension(EVL_SETUP_EXTENSION);
	assert_null(rig.adapter->get_extension("evl.other/1"));
	for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
		s[0] = setting(EVL_SETTING_SENT, "trib-9", "J2", "good");
		s[1] = setting(rows[i].kind, rows[i].channel, rows[i].field, rows[i].text);
		int rc = setup->apply(rig.self, s, 2, &rig.err);

		if (rc != EVL_ADAPTER_E_UNSUPPORTED || strstr(rig.err.text, rows[i].says) == NULL) {
			fail_msg("row %zu: got %d '%s'", i, rc, rig.err.text);
		}
	}
	s[0] = setting(EVL_SETTING_SENT, "line", "J1", "x");
	s[0].path = 2;
	assert_int_equal(setup->apply(rig.self, s, 1, &rig.err), EVL_ADAPTER_E_UNSUPPORTED);
	assert_non_null(strstr(rig.err.text, "no such path"));
	s[0].channel = 64;
	assert_int_equal(setup->apply(rig.self, s, 1, &rig.err), EVL_ADAPTER_E_UNSUPPORTED);
	/* Nothing of it holds. */
	rig_take(&rig, 0, FRAMES, 64, NULL);
	assert_int_equal(arriving(&rig), 63);
	rig_close(&rig);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(each_mapping),
		cmocka_unit_test(mapping_at_run_time),
		cmocka_unit_test(traces),
		cmocka_unit_test(overhead_is_sent),
		cmocka_unit_test(noise_on_the_line),
		cmocka_unit_test(settings_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}

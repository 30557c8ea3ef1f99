/* SPDX-License-Identifier: Apache-2.0 */
/*
 * An invented run for the report: 63 tributaries and a line; on build "B" tributaries 12 and 47 are
 * crossed and 33 has errors, and the line is cut for 300 ms in the last case. The wording of checks
 * is that of scripts/case.lua. No real equipment, place or company.
 */
#pragma once

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/base/digest.h"
#include "core/base/file.h"
#include "core/store/store_read.h"
#include "core/store/store_write.h"

#define OK(call)                                                                                   \
	do {                                                                                       \
		struct evl_err err_ = {0};                                                         \
		struct evl_err *err = &err_;                                                       \
		enum evl_status st_ = (call);                                                      \
		if (st_ != EVL_OK) {                                                               \
			fail_msg("%s: %d: %s", #call, st_, err->text);                             \
		}                                                                                  \
	} while (0)

/* The call must give `want`, and its message must hold `part`. */
#define REFUSED(call, want, part)                                                                  \
	do {                                                                                       \
		struct evl_err err_ = {0};                                                         \
		struct evl_err *err = &err_;                                                       \
		enum evl_status st_ = (call);                                                      \
		if (st_ != (want) || strstr(err->text, (part)) == NULL) {                          \
			fail_msg("%s: %d: \"%s\" instead of %d: \"%s\"", #call, st_, err->text,    \
				(int)(want), (part));                                              \
		}                                                                                  \
	} while (0)

enum { SECOND_BITS = 2048000 };

struct invented {
	const char *build;
	bool faulty;
	const char *title;   /* NULL: a harmless one */
	const char *caution; /* NULL: a harmless one */
	const char *notice;  /* NULL: "Invented scenario ..." */
	const char *state;   /* NULL: finished */
	int tribs;           /* 0: 63 */
};

/* The line is the channel after the tributaries. */
static inline int invented_tribs(const struct invented *in)
{
	return in->tribs == 0 ? 63 : in->tribs;
}

static inline void hex_of(const char *text, char out[EVL_SHA256_HEX])
{
	uint8_t md[EVL_SHA256_BYTES];
	evl_sha256_of(text, strlen(text), md);
	evl_hex(md, sizeof md, out);
}

static inline int64_t invented_begin(struct evl_store *store, const struct invented *in)
{
	static const char campaign[] =
		"-- Invented scenario.\ncampaign { name = \"acceptance-stm1\" }\n";
	static const char bench[] = "# Invented scenario.\nbench: software-bench-1\n";
	char campaign_hex[EVL_SHA256_HEX];
	char bench_hex[EVL_SHA256_HEX];
	int64_t run = 0;
	hex_of(campaign, campaign_hex);
	hex_of(bench, bench_hex);
	struct evl_row_run r = {.campaign_name = "acceptance-stm1",
		.campaign_title = in->title != NULL ? in->title
						    : "Acceptance of an STM-1 add/drop "
						      "multiplexer with 63 E1 tributaries",
		.campaign_version = "1",
		.campaign_source = campaign,
		.campaign_sha256 = campaign_hex,
		.bench_name = "software-bench-1",
		.bench_title = "Software STM-1 multiplexer, line looped through a tap",
		.bench_source = bench,
		.bench_sha256 = bench_hex,
		.notice = in->notice != NULL
				  ? in->notice
				  : "Invented scenario: no real equipment, operator or place.",
		.unit_json = "{\"description\":\"STM-1 add/drop multiplexer with 63 E1 tributaries "
			     "(simulated)\",\"serial\":\"0001\",\"type\":\"Example ADM-1/63\"}",
		.lab_json = "{\"address\":\"1 Example Street, Sampletown\",\"name\":\"Example "
			    "Transmission Laboratory (invented)\"}",
		.customer_json =
			"{\"contact\":\"acceptance desk\",\"name\":\"Example Network Operator "
			"(invented)\"}",
		.numbering = "column-order",
		.build = in->build,
		.seed = 42,
		.reference_run = -1,
		.clock = "virtual",
		.simulated = true,
		.software_version = "evenlode 0.1.0",
		.started_utc = "2026-11-25T09:12:33Z"};
	OK(evl_store_run_begin(store, &run, &r, err));
	OK(evl_store_add_adapter(store,
		&(struct evl_row_adapter){.instance = "mux",
			.driver = "simmux",
			.version = "0.1.0",
			.abi = "1.0",
			.description = "software STM-1 multiplexer",
			.capabilities = "virtual-time simulated"},
		err));
	for (int i = 0; i <= invented_tribs(in); i++) {
		char klm[32];
		char label[64];
		char channel[32];
		bool line = i == invented_tribs(in);
		/* A column order: number = 1 + (K-1) + 3 (L-1) + 21 (M-1). */
		snprintf(klm, sizeof klm, "%d-%d-%d", i % 3 + 1, i / 3 % 7 + 1, i / 21 + 1);
		/* As core/script words them. */
		snprintf(label, sizeof label, line ? "line" : "trib %d (%s)", i + 1, klm);
		snprintf(channel, sizeof channel, line ? "line" : "trib-%d", i + 1);
		OK(evl_store_add_channel(store,
			&(struct evl_row_channel){.ordinal = i,
				.role = line ? "line" : "trib",
				.number = line ? 1 : i + 1,
				.klm = line ? NULL : klm,
				.label = label,
				.adapter = "mux",
				.channel = channel,
				.rate = line ? "STM-1" : "E1"},
			err));
	}
	OK(evl_store_add_caution(store,
		&(struct evl_row_caution){
			.text = in->caution != NULL
					? in->caution
					: "The line loop has no attenuator: keep the transmitter "
					  "at low power."},
		err));
	return run;
}

static inline int invented_partner(const struct invented *in, int i)
{
	return !in->faulty || invented_tribs(in) < 63 ? i : i == 11 ? 46 : i == 46 ? 11 : i;
}

static inline void invented_measure(
	struct evl_store *store, const struct invented *in, int case_no, int take_no)
{
	for (int i = 0; i < invented_tribs(in); i++) {
		bool errored = in->faulty && i == 32;
		OK(evl_store_put_measurement(store,
			&(struct evl_row_measurement){.case_no = case_no,
				.take_no = take_no,
				.channel_no = i,
				.kind = "pattern",
				.pattern = "2^15-1",
				.in_sync = true,
				.bits = INT64_C(30000000),
				.errors = errored ? 354 : 0,
				.seconds = 15,
				.errored_seconds = errored ? 12 : 0,
				.background_block_errors = -1,
				.sync_bit = 47,
				.first_error_bit = errored ? 55123 : -1,
				.found_channel_no = invented_partner(in, i),
				.delay_bits = 512},
			err));
	}
	for (int s = 0; in->faulty && invented_tribs(in) == 63 && s < 15; s++) {
		int64_t n = s % 5 == 4 ? 0 : 10 + s * 3;
		if (n > 0) {
			OK(evl_store_put_second(store,
				&(struct evl_row_second){.case_no = case_no,
					.take_no = take_no,
					.channel_no = 32,
					.second = s,
					.bits = SECOND_BITS,
					.errors = n,
					.in_sync = true},
				err));
		}
	}
	if (in->faulty && invented_tribs(in) == 63) {
		OK(evl_store_put_mark(store,
			&(struct evl_row_error_mark){.case_no = case_no,
				.take_no = take_no,
				.channel_no = 32,
				.bit_offset = 55123},
			err));
	}
}

static inline void invented_streams(
	struct evl_store *store, const struct invented *in, int case_no, int take_no)
{
	static const char *const directions[] = {"sent", "received"};
	for (int i = 0; i < invented_tribs(in) * 2; i++) {
		char text[64];
		char hex[EVL_SHA256_HEX];
		snprintf(text, sizeof text, "pattern 2^15-1, phase %d", 97 * (i / 2));
		hex_of(text, hex);
		OK(evl_store_put_stream(store,
			&(struct evl_row_stream){.case_no = case_no,
				.take_no = take_no,
				.channel_no = i / 2,
				.direction = directions[i % 2],
				.description = text,
				.bits = INT64_C(30720000),
				.digest = hex},
			err));
	}
}

static inline void invented_checks(struct evl_store *store, const struct invented *in, int case_no)
{
	for (int i = 0; i < invented_tribs(in); i++) {
		int from = invented_partner(in, i);
		char value[32];
		char reason[96];
		snprintf(value, sizeof value, from == i ? "own pattern" : "pattern of trib %d",
			from + 1);
		snprintf(reason, sizeof reason,
			"the pattern that trib %d sends arrives here: crossed", from + 1);
		OK(evl_store_add_check(store, NULL,
			&(struct evl_row_check){.case_no = case_no,
				.title = "arrives on its own number",
				.kind = "arrival",
				.channel_no = i,
				.value = value,
				.limit = "own pattern",
				.relation = "is",
				.errors = -1,
				.bits = -1,
				.verdict = from == i ? "pass" : "fail",
				.rule = "pass when the channel's own pattern phase is found, "
					"within 64 "
					"bits of the delay that the channels have in common",
				.reason = from == i ? NULL : reason,
				.standard = "common practice, no source",
				.at_ns = 23000},
			err));
	}
	for (int i = 0; i < invented_tribs(in); i++) {
		bool errored = in->faulty && i == 32;
		OK(evl_store_add_check(store, NULL,
			&(struct evl_row_check){.case_no = case_no,
				.title = "bit error ratio",
				.kind = "bit-errors",
				.channel_no = i,
				.value = errored ? "1.2e-5" : "0",
				.unit = "1",
				.limit = "1.0e-7",
				.relation = "below",
				.confidence = "95 %",
				.lower = errored ? "1.1e-5" : "0",
				.upper = errored ? "1.3e-5" : "9.99e-8",
				.errors = errored ? 354 : 0,
				.bits = INT64_C(30000000),
				.verdict = errored ? "fail" : "pass",
				.rule = "exact Poisson limits, one-sided",
				.reason = errored ? "354 errors in 30.0 million bits; first error "
						    "26.9 ms "
						    "after the start, 12 errored s"
						  : "0 errors in 30.0 million bits",
				.standard = "exact Poisson limits (Garwood 1936)",
				.at_ns = errored ? 26915527 : -1},
			err));
	}
	OK(evl_store_add_check(store, NULL,
		&(struct evl_row_check){.case_no = case_no,
			.title = "no alarm",
			.kind = "no-alarms",
			.channel_no = invented_tribs(in),
			.value = "none",
			.limit = "none",
			.relation = "is",
			.errors = -1,
			.bits = -1,
			.verdict = "pass",
			.at_ns = -1,
			.rule = "no defect raised between start and end of the take"},
		err));
}

static inline void invented_errors_case(struct evl_store *store, const struct invented *in)
{
	int case_no = -1;
	int take_no = -1;
	OK(evl_store_case_begin(store, &case_no,
		&(struct evl_row_case){.name = "bit-errors",
			.title = "63 tributaries at once: own number, own timeslot, no errors",
			.purpose =
				"Each tributary arrives at the right place, error-free, while all "
				"others are busy.",
			.method = "Pattern 2^15-1 (ITU-T O.150 5.3) on all tributaries from one "
				  "instant; "
				  "exact Poisson limits."},
		err));
	OK(evl_store_take_begin(store, &take_no,
		&(struct evl_row_take){.case_no = case_no, .name = "take 1", .clock = "virtual"},
		err));
	OK(evl_store_tick_begin(store, err));
	invented_measure(store, in, case_no, take_no);
	OK(evl_store_tick_commit(store, err));
	invented_streams(store, in, case_no, take_no);
	OK(evl_store_take_end(store, case_no, take_no, EVL_STATE_FINISHED, 120000, err));
	invented_checks(store, in, case_no);
	OK(evl_store_case_end(store, case_no, EVL_STATE_FINISHED, in->faulty ? "fail" : "pass",
		NULL, INT64_C(15000000000), err));
}

static inline void invented_alarm(struct evl_store *store, int case_no, int take_no, int channel,
	const char *alarm, const char *source, int64_t at_ns, bool raised, const char *cause,
	int cause_channel_no)
{
	OK(evl_store_add_event(store, NULL,
		&(struct evl_row_event){.case_no = case_no,
			.take_no = take_no,
			.channel_no = channel,
			.at_ns = INT64_C(15000000000) + at_ns,
			.alarm = alarm,
			.raised = raised,
			.source = source,
			.consequence_of = cause,
			.cause_channel_no = cause_channel_no},
		err));
}

static inline void invented_loss_case(struct evl_store *store, const struct invented *in)
{
	int case_no = -1;
	int take_no = -1;
	const int64_t start = INT64_C(15000000000);
	OK(evl_store_case_begin(store, &case_no,
		&(struct evl_row_case){.name = "line-loss",
			.started_ns = start,
			.title = "Loss of the line is reported, AIS follows, both clear",
			.purpose = "The unit tells its neighbours of a broken fibre in time.",
			.method = "The line input is made dark for 300 ms (limits: example)."},
		err));
	OK(evl_store_take_begin(store, &take_no,
		&(struct evl_row_take){.case_no = case_no,
			.name = "take 1",
			.clock = "virtual",
			.start_ns = start},
		err));
	OK(evl_store_tick_begin(store, err));
	invented_alarm(store, case_no, take_no, invented_tribs(in), "LOS", "unit", 500062500, true,
		NULL, -1);
	for (int i = 0; i < invented_tribs(in); i++) {
		invented_alarm(store, case_no, take_no, i, "AIS", "tester", 501000000 + i * 1000,
			true, "LOS", invented_tribs(in));
	}
	invented_alarm(store, case_no, take_no, invented_tribs(in), "LOS", "unit", 800250000, false,
		NULL, -1);
	for (int i = 0; i < invented_tribs(in); i++) {
		invented_alarm(store, case_no, take_no, i, "AIS", "tester", 806000000 + i * 1000,
			false, NULL, -1);
		OK(evl_store_put_second(store,
			&(struct evl_row_second){.case_no = case_no,
				.take_no = take_no,
				.channel_no = i,
				.second = 0,
				.bits = 1400000,
				.errors = 700 + i,
				.in_sync = false,
				.sync_losses = 1},
			err));
	}
	OK(evl_store_tick_commit(store, err));
	int recording = -1;
	OK(evl_store_recording_begin(store, &recording,
		&(struct evl_row_recording){.case_no = case_no,
			.take_no = take_no,
			.name = "line loss, all tributaries",
			.path = "recordings/1.pcapng"},
		err));
	char hex[EVL_SHA256_HEX];
	hex_of("invented recording", hex);
	for (int i = 0; i < 2; i++) {
		OK(evl_store_put_recording_channel(store,
			&(struct evl_row_recording_channel){.recording_no = recording,
				.ordinal = i,
				.name = i == 0 ? "trib-1.in" : "trib-1.out",
				.direction = i == 0 ? "sent" : "received",
				.rate = "E1",
				.bits = 4096000,
				.digest = hex},
			err));
	}
	OK(evl_store_recording_end(store, recording,
		&(struct evl_row_recording){.file_sha256 = hex,
			.bytes = 1048576,
			.finished = true,
			.from_frame = 4000,
			.frames = 8000,
			.note = "three catches were asked for"},
		err));
	OK(evl_store_take_end(store, case_no, take_no, EVL_STATE_FINISHED, 16000, err));
	for (int i = 0; i <= invented_tribs(in); i++) {
		OK(evl_store_add_check(store, NULL,
			&(struct evl_row_check){.case_no = case_no,
				.title = i == invented_tribs(in) ? "LOS raised" : "AIS raised",
				.kind = "alarm",
				.channel_no = i,
				.value = i == invented_tribs(in) ? "62.5 us" : "1 ms",
				.limit = i == invented_tribs(in) ? "100 us" : "1.1 ms",
				.relation = "at most",
				.errors = -1,
				.bits = -1,
				.verdict = "pass",
				.rule = "time from the beginning of the injected defect",
				.at_ns = start + 500062500},
			err));
	}
	OK(evl_store_add_check(store, NULL,
		&(struct evl_row_check){.case_no = case_no,
			.title = "delay of the line",
			.kind = "delay",
			.channel_no = -1,
			.subject = "line loop",
			.value = "0.25",
			.unit = "ms",
			.limit = "1",
			.relation = "at most",
			.errors = -1,
			.bits = -1,
			.verdict = in->faulty ? "inconclusive" : "pass",
			.at_ns = -1,
			.rule = "example",
			.reason = in->faulty ? "the loop was not stable" : NULL},
		err));
	OK(evl_store_case_end(store, case_no, EVL_STATE_FINISHED,
		in->faulty ? "inconclusive" : "pass", NULL, start + INT64_C(2000000000), err));
}

static inline int64_t invented_run(struct evl_store *store, const struct invented *in)
{
	int64_t run = invented_begin(store, in);
	invented_errors_case(store, in);
	invented_loss_case(store, in);
	OK(evl_store_run_end(store, in->state == NULL ? EVL_STATE_FINISHED : in->state, NULL, NULL,
		"2026-11-25T09:12:41Z", err));
	return run;
}

/* A new folder below the build root; `invented_folder_remove` takes all of it away. */
static inline char *invented_folder(void)
{
	const char *root = getenv("EVL_BUILD_ROOT");
	char *path = malloc(4096);
	assert_non_null(path);
	snprintf(path, 4096, "%s/report-XXXXXX", root == NULL ? "/tmp" : root);
	assert_non_null(mkdtemp(path));
	return path;
}

static inline void invented_folder_remove(char *path)
{
	char command[4200];
	snprintf(command, sizeof command, "rm -rf '%s'", path);
	assert_int_equal(system(command), 0);
	free(path);
}

/* Runs a shell command within a folder; returns its exit status, output thrown away. */
static inline int run_in(const char *dir, const char *command)
{
	char line[10240];
	assert_true(strlen(dir) + strlen(command) < sizeof line - 100);
	snprintf(line, sizeof line, "cd '%.4200s' && { %.5900s; } >/dev/null 2>&1", dir, command);
	int rc = system(line);
	return rc < 0 ? -1 : rc >> 8;
}

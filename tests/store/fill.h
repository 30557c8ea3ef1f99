/* SPDX-License-Identifier: Apache-2.0 */
/* A small invented run that puts at least one row into every table of the store. */
#pragma once

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/base/personal.h"
#include "core/store/store_read.h"
#include "core/store/store_write.h"

/* Fails with the message of the call. */
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
				 (int)(want), (part));                                             \
		}                                                                                  \
	} while (0)

struct fill {
	const char *build;
	const char *started_utc;
	const char *folder; /* of recordings */
	int64_t errors;     /* of channel 1 */
	bool real_clock;
	int64_t skew_ns;
};

static inline void fill_setup(struct evl_store *store, int64_t *run, const struct fill *f)
{
	struct evl_row_run r = {.campaign_name = "acceptance",
				.campaign_title = "Acceptance (invented)",
				.campaign_version = "1",
				.campaign_source = "campaign {\n\tname = \"acceptance\"\n}\n",
				.campaign_sha256 = "c0",
				.bench_name = "bench 1",
				.bench_source = "bench: 1\n",
				.bench_sha256 = "b0",
				.notice = "invented scenario",
				.unit_json = "{\"maker\":\"invented\"}",
				.numbering = "klm",
				.build = f->build,
				.seed = UINT64_MAX,
				.reference_run = -1,
				.clock = f->real_clock ? "real" : "virtual",
				.simulated = true,
				.software_version = "0.1.0",
				.library_sha256 = "aa",
				.started_utc = f->started_utc};
	OK(evl_store_run_begin(store, run, &r, err));
	struct evl_row_adapter a = {.ordinal = 0,
				    .instance = "mux",
				    .driver = "simmux",
				    .version = "0.1.0",
				    .abi = "1.0",
				    .capabilities = "virtual-time simulated"};
	OK(evl_store_add_adapter(store, &a, err));
	for (int i = 0; i < 3; i++) {
		char name[16];
		snprintf(name, sizeof name, "e1-%d", i + 1);
		struct evl_row_channel c = {.ordinal = i,
					    .role = "trib",
					    .number = i + 1,
					    .klm = "1-1-1",
					    .label = name,
					    .adapter = "mux",
					    .channel = name,
					    .rate = "E1"};
		OK(evl_store_add_channel(store, &c, err));
	}
	OK(evl_store_add_caution(store, &(struct evl_row_caution){.ordinal = 0, .text = "Laser"},
				 err));
	OK(evl_store_add_file(store,
			      &(struct evl_row_file){.ordinal = 0,
						     .name = "idle.bin",
						     .purpose = "pattern",
						     .bytes = 150,
						     .sha256 = "f0"},
			      err));
}

/* One case with one take; `case_no` and `take_no` stay open. */
static inline void fill_case(struct evl_store *store, int *case_no, int *take_no,
			     const struct fill *f)
{
	OK(evl_store_case_begin(
		store, case_no,
		&(struct evl_row_case){
			.name = "bit-errors", .title = "Bit errors", .purpose = "p", .method = "m"},
		err));
	OK(evl_store_take_begin(store, take_no,
				&(struct evl_row_take){.case_no = *case_no,
						       .name = "first",
						       .clock = f->real_clock ? "real" : "virtual",
						       .start_ns = f->skew_ns,
						       .planned_frames = 40000,
						       .lead_in_frames = 8},
				err));
	OK(evl_store_tick_begin(store, err));
	OK(evl_store_put_second(store,
				&(struct evl_row_second){.case_no = *case_no,
							 .take_no = *take_no,
							 .channel_no = 1,
							 .second = 2,
							 .bits = 2048000,
							 .errors = f->errors,
							 .in_sync = true},
				err));
	for (int i = 0; i < 2; i++) {
		OK(evl_store_put_mark(store,
				      &(struct evl_row_error_mark){.case_no = *case_no,
								   .take_no = *take_no,
								   .channel_no = 1,
								   .bit_offset = 4096100 + i},
				      err));
	}
	OK(evl_store_add_event(store, NULL,
			       &(struct evl_row_event){.cause_channel_no = -1,
			.case_no = *case_no,
						       .take_no = *take_no,
						       .channel_no = 2,
						       .at_ns = 500000000 + f->skew_ns,
						       .alarm = "AIS",
						       .raised = true,
						       .source = "tester"},
			       err));
	for (int i = 0; i < 3; i++) {
		OK(evl_store_put_measurement(
			store,
			&(struct evl_row_measurement){.case_no = *case_no,
						      .take_no = *take_no,
						      .channel_no = i,
						      .kind = "pattern",
						      .pattern = "2^15-1",
						      .in_sync = true,
						      .bits = 8192000,
						      .seconds = 4,
						      .errors = i == 1 ? f->errors : 0,
						      .background_block_errors = -1,
						      .sync_bit = 40,
						      .first_error_bit = -1,
						      .found_channel_no = i,
						      .delay_bits = 513,
						      .moved_bits = -1,
						      .moved_least_bits = -9,
						      .blocks = 4000,
						      .errored_blocks = i == 1,
						      .recognised = i == 2 ? "all ones" : NULL},
			err));
	}
	for (int i = 0; i < 2; i++) {
		OK(evl_store_put_performance(
			store,
			&(struct evl_row_performance){.case_no = *case_no,
						      .take_no = *take_no,
						      .ordinal = i,
						      .place = "VC-4 1",
						      .code = i == 0 ? "B3" : "G1",
						      .end = i == 0 ? "near" : "far",
						      .path = "VC-4",
						      .available_seconds = 4,
						      .blocks = 32000},
			err));
	}
	OK(evl_store_take_progress(store, *case_no, *take_no, 32000, err));
	OK(evl_store_tick_commit(store, err));
}

static inline void fill_case_end(struct evl_store *store, int case_no, int take_no,
				 const struct fill *f)
{
	static const char *const directions[] = {"sent", "received"};
	int recording_no = -1;
	char path[256];
	snprintf(path, sizeof path, "%s/one.pcapng", f->folder);
	OK(evl_store_recording_begin(
		store, &recording_no,
		&(struct evl_row_recording){
			.case_no = case_no, .take_no = take_no, .name = "baseline", .path = path},
		err));
	OK(evl_store_put_recording_channel(
		store,
		&(struct evl_row_recording_channel){.recording_no = recording_no,
						    .ordinal = 0,
						    .name = "trib-1.out",
						    .direction = "received",
						    .rate = "E1",
						    .bits = 8192000,
						    .digest = "d1"},
		err));
	OK(evl_store_add_take_mark(store,
		&(struct evl_row_mark){.case_no = case_no,
			.take_no = take_no,
			.at_ns = 5,
			.channel_no = -1,
			.text = "protection switch",
			.recording = "baseline"},
		err));
	OK(evl_store_recording_end(store, recording_no,
		&(struct evl_row_recording){.file_sha256 = f->folder,
			.bytes = 1000,
			.finished = true,
			.frames = 32000},
		err));
	for (int i = 0; i < 6; i++) {
		char digest[16];
		const char *source = i % 2 == 0 ? "s" : NULL;
		snprintf(digest, sizeof digest, "%d-%d", i, i == 3 ? (int)f->errors : 0);
		OK(evl_store_put_stream(store,
					&(struct evl_row_stream){.case_no = case_no,
								 .take_no = take_no,
								 .channel_no = i / 2,
								 .direction = directions[i % 2],
								 .description = "pattern 2^15-1",
								 .start_skew_ns = f->skew_ns,
								 .bits = 8192000,
								 .digest = digest,
								 .source_digest = source},
					err));
	}
	OK(evl_store_take_end(store, case_no, take_no, EVL_STATE_FINISHED, 32000, err));
	for (int i = 0; i < 3; i++) {
		int64_t errors = i == 1 ? f->errors : 0;
		OK(evl_store_add_check(
			store, NULL,
			&(struct evl_row_check){.case_no = case_no,
						.title = "bit error ratio",
						.kind = "error-ratio",
						.channel_no = i,
						.value = "0",
						.limit = "1e-6",
						.relation = "<",
						.confidence = "0.95",
						.errors = errors,
						.bits = 8192000,
						.at_ns = -1,
						.verdict = errors > 100 ? "fail" : "pass",
						.standard = "ITU-T G.826"},
			err));
	}
	OK(evl_store_case_end(store, case_no, EVL_STATE_FINISHED, f->errors > 100 ? "fail" : "pass",
			      "called " EVL_PERSONAL_BEGIN "2125550147" EVL_PERSONAL_END,
			      4000000000 + f->skew_ns, err));
}

static inline int64_t fill_run(struct evl_store *store, const struct fill *f)
{
	int64_t run = 0;
	int case_no = -1;
	int take_no = -1;
	fill_setup(store, &run, f);
	fill_case(store, &case_no, &take_no, f);
	fill_case_end(store, case_no, take_no, f);
	OK(evl_store_run_end(store, EVL_STATE_FINISHED, NULL, NULL, "2026-11-25T10:00:00Z", err));
	return run;
}

static const struct fill fill_a = {
	.build = "A", .started_utc = "2026-11-25T09:00:00Z", .folder = "recordings"};

/* A new folder under the build root, removed by folder_destroy with the files in it. */
static inline char *folder_create(void)
{
	char *path = malloc(64);
	assert_non_null(path);
	snprintf(path, 64, "/tmp/evl-store-XXXXXX");
	assert_non_null(mkdtemp(path));
	return path;
}

static inline void folder_destroy(char *path)
{
	char command[128];
	snprintf(command, sizeof command, "rm -rf '%s'", path);
	assert_int_equal(system(command), 0);
	free(path);
}

static inline char *path_in(const char *folder, const char *name)
{
	char *path = malloc(256);
	assert_non_null(path);
	snprintf(path, 256, "%s/%s", folder, name);
	return path;
}

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A second invented run: a line in service for an hour, judged by error performance on 20 paths of
 * which two do not pass, then 22 short cases of which one fails and the last was interrupted. No
 * real equipment, place or company.
 */
#pragma once

#include "tests/report/invented.h"

#define MINUTE_NS INT64_C(60000000000)

enum { SERVICE_PATHS = 20 };

/* Path 3 has twice the errored seconds that are wanted, path 7 too few seconds to judge. */
static inline void service_check(struct evl_store *store, int path, int event)
{
	static const char *const title[] = {"errored second ratio", "severely errored second ratio",
		"background block error ratio"};
	static const char *const limit[] = {"0.04", "0.002", "2.0e-4"};
	static const char *const clean[] = {"0.004", "0", "2.0e-5"};
	static const char *const upper[] = {"0.006", "8.3e-4", "2.5e-5"};
	bool bad = path == 3 && event == 0;
	bool short_one = path == 7 && event == 1;
	char text[96];
	snprintf(text, sizeof text, "%s, VC-12 1-%d-%d, near end (BIP-2)", title[event],
		path / 3 % 7 + 1, path % 3 + 1);
	OK(evl_store_add_check(store, NULL,
		&(struct evl_row_check){.case_no = 0,
			.title = text,
			.kind = "performance",
			.channel_no = 63,
			.value = bad ? "0.08" : clean[event],
			.unit = "1",
			.limit = limit[event],
			.relation = "below",
			.confidence = "95 %",
			.lower = bad ? "0.07" : "0",
			.upper = bad         ? "0.09"
				 : short_one ? "0.008"
					     : upper[event],
			.errors = -1,
			.bits = -1,
			.verdict = bad         ? "fail"
				   : short_one ? "inconclusive"
					       : "pass",
			.rule = "exact limits of a share, one-sided",
			.reason = bad ? "288 errored seconds in 3600 available seconds" : NULL,
			.standard = "ITU-T G.828",
			.at_ns = -1},
		err));
}

static inline void service_case(struct evl_store *store)
{
	int case_no = -1;
	int take_no = -1;
	OK(evl_store_case_begin(store, &case_no,
		&(struct evl_row_case){.name = "in-service",
			.title = "An hour in service, judged by the signal's own parity",
			.method = "Non-intrusive, ITU-T G.828."},
		err));
	OK(evl_store_take_begin(store, &take_no,
		&(struct evl_row_take){.case_no = case_no, .name = "take 1", .clock = "virtual"},
		err));
	OK(evl_store_take_end(
		store, case_no, take_no, EVL_STATE_FINISHED, INT64_C(3600) * 8000, err));
	for (int path = 0; path < SERVICE_PATHS; path++) {
		for (int event = 0; event < 3; event++) {
			service_check(store, path, event);
		}
	}
	OK(evl_store_case_end(
		store, case_no, EVL_STATE_FINISHED, "fail", NULL, 60 * MINUTE_NS, err));
}

static inline int64_t invented_service(struct evl_store *store)
{
	int64_t run = invented_begin(store, &(struct invented){.build = "C"});
	service_case(store);
	for (int k = 0; k < 22; k++) {
		int case_no = -1;
		int take_no = -1;
		char name[32];
		char title[64];
		int64_t start = (60 + 2 * k) * MINUTE_NS;
		bool last = k == 21;
		snprintf(name, sizeof name, "short-%d", k + 1);
		snprintf(title, sizeof title, "Short case number %d", k + 1);
		OK(evl_store_case_begin(store, &case_no,
			&(struct evl_row_case){.name = name, .title = title, .started_ns = start},
			err));
		OK(evl_store_take_begin(store, &take_no,
			&(struct evl_row_take){.case_no = case_no,
				.name = "take 1",
				.clock = "virtual",
				.start_ns = start},
			err));
		OK(evl_store_take_end(store, case_no, take_no,
			last ? EVL_STATE_INTERRUPTED : EVL_STATE_FINISHED, 60 * 8000, err));
		OK(evl_store_add_check(store, NULL,
			&(struct evl_row_check){.case_no = case_no,
				.title = "no alarm",
				.kind = "no-alarms",
				.channel_no = 63,
				.value = k == 9 ? "LOF" : "none",
				.limit = "none",
				.relation = "is",
				.errors = -1,
				.bits = -1,
				.verdict = k == 9 ? "fail" : "pass",
				.rule = "no defect raised between start and end of the take",
				.at_ns = k == 9 ? start + 30 * (MINUTE_NS / 60) : -1},
			err));
		OK(evl_store_case_end(store, case_no,
			last ? EVL_STATE_INTERRUPTED : EVL_STATE_FINISHED,
			k == 9 ? "fail"
			: last ? "none"
			       : "pass",
			NULL, start + 2 * MINUTE_NS, err));
	}
	OK(evl_store_run_end(
		store, EVL_STATE_INTERRUPTED, NULL, NULL, "2026-11-25T11:02:41Z", err));
	return run;
}

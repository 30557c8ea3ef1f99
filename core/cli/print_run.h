/* SPDX-License-Identifier: Apache-2.0 */
/* A run of the store in plain text, for run and show. */
#pragma once

#include "core/store/store_read.h"

enum print_checks {
	PRINT_BAD_CHECKS, /* those that pass are counted by title, the others shown */
	PRINT_ALL_CHECKS,
};

void print_run_head(const struct evl_run *run);
/* "takes planned for 2 h, measured for 25.5 min, time saved ..." of a case, -1: of the run; nothing
 * when no take ended early. */
void print_time_saved(const struct evl_run *run, int case_no);
/* Root causes of each case with the number of their consequences; `all`: every defect. */
void print_run_alarms(const struct evl_run *run, bool all);
/* Shows at most `most` checks of each case; 0: all. */
void print_run_cases(const struct evl_run *run, enum print_checks which, size_t most);

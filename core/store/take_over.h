/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Finished cases of a run that did not come to its end, taken over into the run that continues it:
 * every row of the case is copied and chained anew, the old run stays as it was.
 *
 *	struct evl_done_case done;
 *	if (evl_store_done_case(&done, store, 3, "bit-errors", &err) == EVL_OK) {
 *		evl_store_take_case_over(&case_no, store, &done, "taken over from run 3", &err);
 *	}
 */
#pragma once

#include "core/store/store_write.h"

/* A case that finished. */
struct evl_done_case {
	int64_t run;
	int case_no;
	const char *verdict; /* a constant */
	int64_t ended_ns;    /* bench time; -1 unknown */
	int checks, failed, inconclusive;
};

/* EVL_E_NOTFOUND (without a message): the run has no finished case of that name. */
enum evl_status evl_store_done_case(struct evl_done_case *out, struct evl_store *store, int64_t run,
	const char *name, struct evl_err *err);

/* Into the run that is being written, which must have the same channels; between its cases. `note`
 * goes in front of the message of the case. *case_no gets its number. All or nothing. */
enum evl_status evl_store_take_case_over(int *case_no, struct evl_store *store,
	const struct evl_done_case *done, const char *note, struct evl_err *err);

/* The takes of such a case, in their order. */
struct evl_done_takes {
	struct evl_done_take {
		uint64_t planned_ns; /* from the begin of its lead-in */
		uint64_t lasted_ns;  /* likewise; of the last one, until the case ended */
	} * takes;
	size_t count;
};

enum evl_status evl_store_done_takes(struct evl_done_takes *out, struct evl_store *store,
	const struct evl_done_case *done, struct evl_err *err);
void evl_done_takes_finish(struct evl_done_takes *takes); /* takes a zeroed object */

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Reading runs: plain structs in arrays, in a fixed order.
 *
 *	struct evl_run *run = NULL;
 *	if (evl_store_load_run(&run, store, 7, &err) == 0) {
 *		for (size_t i = 0; i < run->check_count; i++) { ... run->checks[i].title ... }
 *	}
 *	evl_run_destroy(run);
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>

#include "core/store/rows.h"
#include "core/store/store.h"

/* One run of a list. Source texts are not loaded (NULL). */
struct evl_run_brief {
	struct evl_row_run run; /* state `interrupted` for a run that was killed */
	int cases;
	int cases_passed;
	int cases_failed;       /* verdict fail or error */
	int cases_inconclusive; /* verdict inconclusive or none */
	int recordings;         /* finished */
};

struct evl_run_list {
	struct evl_run_brief *runs; /* by number, oldest first */
	size_t count;
	void *memory; /* private */
};

enum evl_status evl_store_list_runs(struct evl_run_list *out, struct evl_store *store,
				    struct evl_err *err);
void evl_run_list_finish(struct evl_run_list *list); /* takes a zeroed object */

/* Everything of one run. All arrays are sorted by their keys: case, take, channel, then the rest
 * (direction, kind, second, offset, ordinal). So channels[i].ordinal == i, and the like for
 * adapters, cases and recordings. */
struct evl_run {
	struct evl_row_run run;
	bool killed; /* state was `running` but nobody writes: shown as interrupted */

	struct evl_row_adapter *adapters;
	size_t adapter_count;
	struct evl_row_file *files;
	size_t file_count;
	struct evl_row_channel *channels;
	size_t channel_count;
	struct evl_row_caution *cautions;
	size_t caution_count;
	struct evl_row_personal *personal;
	size_t personal_count;
	struct evl_row_case *cases;
	size_t case_count;
	struct evl_row_take *takes;
	size_t take_count;
	struct evl_row_stream *streams;
	size_t stream_count;
	struct evl_row_measurement *measurements;
	size_t measurement_count;
	struct evl_row_performance *performances;
	size_t performance_count;
	struct evl_row_second *seconds;
	size_t second_count;
	struct evl_row_error_mark *marks;
	size_t mark_count;
	struct evl_row_event *events;
	size_t event_count;
	struct evl_row_check *checks;
	size_t check_count;
	struct evl_row_mark *take_marks;
	size_t take_mark_count;
	struct evl_row_recording *recordings;
	size_t recording_count;
	struct evl_row_recording_channel *recording_channels;
	size_t recording_channel_count;

	int64_t chain_links;
	char chain_head[EVL_SHA256_HEX]; /* as recorded; evl_store_chain_verify checks it */
	char results_digest[EVL_SHA256_HEX];

	void *memory; /* private */
};

/* EVL_E_NOTFOUND: no such run; the message says which there are. */
enum evl_status evl_store_load_run(struct evl_run **out, struct evl_store *store, int64_t run,
				   struct evl_err *err);
void evl_run_destroy(struct evl_run *run); /* takes NULL */

/* What is withheld from a run's rows, in the order of their numbers: for the laboratory itself. */
struct evl_personal {
	struct evl_personal_text {
		char *salt; /* 16 bytes in hex */
		char *text;
	} * list;
	size_t count;
};
enum evl_status evl_store_personal(
	struct evl_personal *out, struct evl_store *store, int64_t run, struct evl_err *err);
void evl_personal_finish(struct evl_personal *p); /* takes a zeroed object */
/* A copy of a text of the run with what was withheld in its place; the caller frees. */
char *evl_personal_shown(const struct evl_personal *p, const char *text);
/* Puts it in its place in all texts of the run. */
void evl_run_reveal(struct evl_run *run, const struct evl_personal *p);

/* NULL when the ordinal is negative or does not exist. */
const struct evl_row_channel *evl_run_channel(const struct evl_run *run, int channel_no);
const struct evl_row_case *evl_run_case(const struct evl_run *run, int case_no);
const struct evl_row_take *evl_run_take(const struct evl_run *run, int case_no, int take_no);

/* Bench time of takes: as planned, as measured, and what was not needed because all was proved
 * before (finished takes only; one that was interrupted saves nothing). */
struct evl_run_time {
	int64_t planned_ns, measured_ns, saved_ns;
};
void evl_run_take_time(struct evl_run_time *out, const struct evl_row_take *take);
/* Of all takes of a case; case_no -1: of the run. */
void evl_run_time(struct evl_run_time *out, const struct evl_run *run, int case_no);

/* The checks of a case are checks[first] .. checks[first + result - 1]. */
size_t evl_run_case_checks(const struct evl_run *run, int case_no, size_t *first);

/* A recording to replay. */
struct evl_found_recording {
	struct evl_row_recording recording;
	struct evl_row_recording_channel *channels;
	size_t channel_count;
	const char *build; /* of the run that made it */
	void *memory;      /* private */
};

/* The finished recording of that name made by `run`, or, when `run` is 0, by the newest finished
 * run of the campaign with verdict pass that has it. EVL_E_NOTFOUND says what is missing. */
enum evl_status evl_store_find_recording(struct evl_found_recording *out, struct evl_store *store,
					 const char *campaign_name, const char *recording_name,
					 int64_t run, struct evl_err *err);
void evl_found_recording_finish(struct evl_found_recording *found); /* takes a zeroed object */

/* SPDX-License-Identifier: Apache-2.0 */
/* Continues runs that were broken off: what finished in them is taken over, not run again. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/text.h"
#include "core/script/internal.h"
#include "core/store/take_over.h"

static bool differs(const char *a, const char *b)
{
	return strcmp(a != NULL ? a : "", b != NULL ? b : "") != 0;
}

/* What must be the same, so that the cases of both belong into one run. NULL: all is. */
static const char *difference(const struct run_state *r, const struct evl_row_run *row)
{
	return differs(row->campaign_sha256, r->campaign->sha256) ? "another campaign file"
	       : differs(row->bench_sha256, r->lab.bench->sha256) ? "another bench file"
	       : differs(row->build, r->args->build)              ? "another build"
	       : row->seed != r->args->seed                       ? "another seed"
	       : differs(row->clock, r->lab.is_virtual ? "virtual" : "real") ? "another clock"
	       : differs(row->software_version, "evenlode " EVL_VERSION) ||
			       differs(row->library_sha256, r->campaign->library_sha256)
		       ? "another version of evenlode"
		       : NULL;
}

/* The files that the campaign read then must have the same bits now. */
static enum evl_status same_files(struct run_state *r, int64_t run, struct evl_err *err)
{
	struct evl_run *then = NULL;
	enum evl_status st = evl_store_load_run(&then, r->store, run, err);
	for (size_t i = 0; st == EVL_OK && i < r->campaign->file_count; i++) {
		const struct campaign_file *f = &r->campaign->files[i];
		if (i >= then->file_count || differs(then->files[i].name, f->name) ||
			differs(then->files[i].sha256, f->sha256)) {
			st = evl_err_set(err, EVL_E_INVALID,
				"%s: run %" PRId64 " was made with another %s file %s, so it "
				"cannot be continued; begin a new run",
				r->args->store, run, f->purpose, f->name);
		}
	}
	evl_run_destroy(then);
	return st;
}

enum evl_status evl_continue_begin(struct run_state *r, struct evl_err *err)
{
	struct evl_run_list list = {0};
	enum evl_status st = evl_store_list_runs(&list, r->store, err);
	for (size_t k = r->args->take_over_count; k-- > 0 && st == EVL_OK;) {
		int64_t wanted = r->args->take_over[k];
		const struct evl_row_run *row = NULL;
		for (size_t i = 0; i < list.count; i++) {
			row = list.runs[i].run.run == wanted ? &list.runs[i].run : row;
		}
		if (row == NULL) {
			st = evl_err_set(err, EVL_E_NOTFOUND,
				"%s has no run %" PRId64 "; `evenlode runs` lists them",
				r->args->store, wanted);
		} else if (difference(r, row) != NULL) {
			st = evl_err_set(err, EVL_E_INVALID,
				"%s: run %" PRId64 " was made with %s, so it cannot be continued; "
				"begin a new run",
				r->args->store, wanted, difference(r, row));
		} else if ((st = same_files(r, wanted, err)) == EVL_OK) {
			r->reference_run = row->reference_run > 0 ? row->reference_run : 0;
		}
	}
	evl_run_list_finish(&list);
	return st;
}

enum evl_status evl_continue_case(struct case_run *c, bool *taken, struct evl_err *err)
{
	struct run_state *r = c->r;
	const struct evl_run_args *args = r->args;
	struct evl_done_case done = {0};
	enum evl_status st = EVL_E_NOTFOUND;
	*taken = false;
	for (size_t k = 0; k < args->take_over_count && st == EVL_E_NOTFOUND; k++) {
		st = evl_store_done_case(&done, r->store, args->take_over[k],
			r->campaign->cases[c->index].name, err);
	}
	if (st == EVL_E_NOTFOUND) {
		return EVL_OK;
	}
	enum evl_verdict verdict = EVL_VERDICT_NONE;
	evl_verdict_by_name(&verdict, st == EVL_OK ? done.verdict : "none");
	if (st < 0 || (verdict == EVL_VERDICT_ERROR && done.run == args->again_of)) {
		return st;
	}
	char note[64];
	snprintf(note, sizeof note, "taken over from run %" PRId64, done.run);
	st = evl_store_take_case_over(&c->case_no, r->store, &done, note, err);
	if (st == EVL_OK && r->lab.is_virtual) {
		st = evl_store_done_takes(&c->kept, r->store, &done, err);
	}
	if (st < 0) {
		return st;
	}
	*taken = c->taken_over = true;
	r->outcome->cases_taken_over++;
	r->outcome->cases_in_error += verdict == EVL_VERDICT_ERROR;
	r->outcome->checks += (uint32_t)done.checks;
	r->outcome->failed += (uint32_t)done.failed;
	r->outcome->inconclusive += (uint32_t)done.inconclusive;
	r->outcome->verdict = evl_verdict_worse(r->outcome->verdict, verdict);
	return EVL_OK;
}

void evl_continue_tell(struct run_state *r)
{
	const struct evl_run_args *args = r->args;
	if (args->take_over_count == 0) {
		return;
	}
	struct evl_text t = {0};
	evl_text_addf(&t,
		"continues run %" PRId64 "; %" PRIu32 " cases were taken over, %" PRIu32
		" were run",
		args->take_over[0], r->outcome->cases_taken_over, r->outcome->cases_run);
	if (r->outcome->message != NULL) {
		evl_text_addf(&t, "; %s", r->outcome->message);
	}
	free(r->outcome->message);
	r->outcome->message = evl_xstrdup(evl_text_str(&t));
	evl_text_finish(&t);
}

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Which recording to replay to see again what a case did in a run.
 *
 *	struct evl_case_recording r = {0};
 *	evl_store_recording_of_case(&r, store, 9, "slips", &err);
 *	if (r.name != NULL) { ... evl_..., r.path ... }
 *	evl_case_recording_finish(&r);
 */
#pragma once

#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/store/store.h"

enum evl_case_recording_kind {
	EVL_RECORDING_MADE,     /* the case made it in that run */
	EVL_RECORDING_REPLAYED, /* the case played it in that run */
};

struct evl_case_recording {
	const char *name;  /* as the campaign names it; NULL: there is none */
	const char *path;  /* relative to the folder of the store, or absolute */
	const char *build; /* of the run that made it */
	int64_t run;       /* that made it */
	size_t more;       /* MADE: further finished recordings of the case in that run */
	enum evl_case_recording_kind kind;
	void *memory; /* private */
};

/* A finished recording that the case made in the run, the first one; else the one that it replayed
 * there. Without either, and when the run has no such case, out->name is NULL and that is no error.
 */
enum evl_status evl_store_recording_of_case(struct evl_case_recording *out, struct evl_store *store,
	int64_t run, const char *case_name, struct evl_err *err);
void evl_case_recording_finish(struct evl_case_recording *r); /* takes a zeroed object */

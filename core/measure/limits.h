/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Limits for bringing a path into service, in the manner of ITU-T M.2100 and M.2101 (from memory):
 *
 *	APO = objective * allocation * seconds		(the count that the path may have)
 *	BISPO = APO * ageing factor			(room for ageing: usually 0.5)
 *	D = width * sqrt(BISPO)				(usually 2)
 *	S1 = BISPO - D, S2 = BISPO + D
 *
 * At S1 or below: accept. Above S2: reject. Between: provisional, test longer. A negative S1 means
 * that the test is too short to accept anything.
 *
 *	struct evl_bis_limits l;
 *	evl_bis_limits(&l, 0.04, 0.01, 86400, 0.5, 2, &err);	// S1 8.97, S2 25.59
 *	if (evl_bis_judge(&l, errored_seconds) == EVL_BIS_ACCEPT) ...
 *
 * Objectives and allocations depend on the edition and the contract: they come from a file that can
 * be edited (core/bench/limits_file.h, campaigns/limits-m2100.yaml).
 */
#pragma once

#include <stdint.h>

#include "core/base/err.h"

enum evl_bis_event { EVL_BIS_ES, EVL_BIS_SES, EVL_BIS_BBE };
#define EVL_BIS_EVENTS 3
const char *evl_bis_event_name(enum evl_bis_event e); /* "es", "ses", "bbe" */

#define EVL_LIMITS_NAME_MAX 32
#define EVL_LIMITS_ROWS_MAX 64

struct evl_limits_row {
	char path[EVL_LIMITS_NAME_MAX]; /* "E1", "VC-12" */
	enum evl_bis_event event;
	double objective; /* ratio to seconds (ES, SES) or to blocks (BBE) */
	uint32_t line;    /* in the file */
};

/* A table as read from a file. */
struct evl_limits_table {
	char name[64];
	char source[256];
	double ageing_factor; /* above 0, at most 1 */
	double width;         /* of D, above 0 */
	struct evl_limits_row rows[EVL_LIMITS_ROWS_MAX];
	uint32_t row_count;
};

/* NULL when the table has no such row. */
const struct evl_limits_row *evl_limits_find(
	const struct evl_limits_table *t, const char *path, enum evl_bis_event event);

struct evl_bis_limits {
	double apo, bispo, d, s1, s2;
};

/* `exposure`: seconds of the test (ES, SES) or its blocks (BBE). EVL_E_INVALID when a value is out
 * of range: objective and allocation above 0 and at most 1, exposure above 0, factor above 0 and at
 * most 1, width 0 or more. */
enum evl_status evl_bis_limits(struct evl_bis_limits *out, double objective, double allocation,
	double exposure, double ageing_factor, double width, struct evl_err *err);

enum evl_bis_outcome { EVL_BIS_ACCEPT, EVL_BIS_PROVISIONAL, EVL_BIS_REJECT };
const char *evl_bis_outcome_name(enum evl_bis_outcome o);
enum evl_bis_outcome evl_bis_judge(const struct evl_bis_limits *l, uint64_t count);

/* Seconds (or blocks) from which on a count of 0 is accepted: where S1 reaches 0. */
double evl_bis_least_exposure(
	double objective, double allocation, double ageing_factor, double width);

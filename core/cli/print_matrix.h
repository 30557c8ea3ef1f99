/* SPDX-License-Identifier: Apache-2.0 */
/* Runs beside each other, as text (within 100 columns), as JSON, and for servers that run tests. */
#pragma once

#include <jansson.h>

#include "core/base/text.h"
#include "core/store/matrix.h"

/* Shows at most `most` checks under each finding; 0: all. */
void print_matrix(const struct evl_matrix *m, size_t most);
json_t *print_matrix_json(const struct evl_matrix *m);

/* The last run as a test of not being worse: a case is a test, which fails when the case or one of
 * its checks is newly failing, worse, no longer proved or missing. What still fails is skipped
 * (JUnit) or a failure that is known (TAP 14), saying since when. */
void print_matrix_junit(struct evl_text *out, const struct evl_matrix *m);
void print_matrix_tap(struct evl_text *out, const struct evl_matrix *m);

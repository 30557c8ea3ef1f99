/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A run of the store for the servers that run tests of software: JUnit XML, of which there is no
 * standard (the elements that are commonly used; common practice, no source), and TAP 14
 * (testanything.org, version 14 specification).
 *
 * A case is a test. pass is success; fail and inconclusive are failures, as nothing was proved;
 * error is an error; none (the case made no check) is skipped; a case that was cut short is an
 * error.
 */
#pragma once

#include "core/base/text.h"
#include "core/store/store_read.h"

void print_junit(struct evl_text *out, const struct evl_run *run);
void print_tap(struct evl_text *out, const struct evl_run *run);

/* ---- pieces of both, also for comparisons ---- */

void print_ci_attribute(struct evl_text *out, const char *name, const char *value);
void print_ci_property(struct evl_text *out, const char *name, const char *value);
/* ISO 8601 without a zone, as readers expect it: it is UTC. */
void print_ci_timestamp(struct evl_text *out, const char *utc);
/* A description of TAP: # and \ are escaped, a line feed would end it. */
void print_ci_escaped(struct evl_text *out, const char *s);
/* A JSON string is a YAML string too (YAML 1.2, 1.3). */
void print_ci_yaml(struct evl_text *out, const char *key, const char *value);

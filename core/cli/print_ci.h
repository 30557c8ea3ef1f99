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

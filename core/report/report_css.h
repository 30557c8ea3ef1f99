/* SPDX-License-Identifier: Apache-2.0 */
/* The style sheets as text, made by embed_css.py while building. */
#pragma once

extern const char evl_report_css[];
extern const char evl_matrix_css[]; /* beside it, for comparisons */

/* SPDX-License-Identifier: Apache-2.0 */
/* report.css as text, made by embed_css.py while building. */
#pragma once

extern const char evl_report_css[];

/* SPDX-License-Identifier: Apache-2.0 */
/* What the manifest says about the run, against the rows of the evidence. Within this room only. */
#pragma once

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

/* True when something differs; `text` then says what, in one line. `evidence` is a whole
 * evidence.json that evl_export_verify accepted. */
bool evl_verify_rows(const json_t *manifest, const json_t *evidence, char *text, size_t cap);

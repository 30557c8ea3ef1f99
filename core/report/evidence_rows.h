/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The rows of an evidence text (core/store/export.h) one after the other, without building all of
 * it in memory. Within this room only; for a text whose chain was verified, or was just made.
 *
 *	struct evl_evidence e;
 *	evl_evidence_begin(&e, json, len);
 *	while (evl_evidence_next(&e)) {
 *		... e.table, e.key, e.row, evl_text_str(&e.text) ...
 *	}
 *	bool whole = e.whole;
 *	evl_evidence_finish(&e);
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>

#include "core/base/digest.h"
#include "core/base/text.h"

struct evl_evidence {
	char table[64];
	char key[160];            /* "3/5" */
	char row[EVL_SHA256_HEX]; /* SHA-256 of the text */
	struct evl_text text;     /* canonical text of the row */
	bool whole;               /* the end was reached without anything unexpected */
	const char *at, *end;     /* private */
};

void evl_evidence_begin(struct evl_evidence *e, const char *json, size_t len);
bool evl_evidence_next(struct evl_evidence *e);
void evl_evidence_finish(struct evl_evidence *e);

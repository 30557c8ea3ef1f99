/* SPDX-License-Identifier: Apache-2.0 */
/*
 * One run as canonical JSON (one line, sorted keys, no blanks): the evidence of a dossier. It
 * carries the canonical text of every row, in chain order, with digests and links, so that
 * anybody can recompute the chain with a SHA-256 program alone:
 *
 *	{"format":"evenlode-run/1","head":LINK,"links":N,"open":[TEXT,...],"results":HEX,
 *	 "rows":[{"key":"3/5","link":HEX,"row":HEX,"table":"check_","text":TEXT},...],
 *	 "run":N,"schema":3,"software":TEXT}
 *
 * for each of `rows`: row = sha256(text), link = sha256(previous link || row), both as hex text,
 * the first previous link being 64 zeros. `open` has rows that were not final yet (empty for a
 * run that ended). All numbers inside the texts are strings.
 */
#pragma once

#include <jansson.h>
#include <stddef.h>

#include "core/store/store.h"

/* *json is NUL-terminated and belongs to the caller (free). EVL_E_CORRUPT when a row is missing,
 * altered or added: an altered run is not exported. */
enum evl_status evl_export_run(char **json, size_t *len, struct evl_store *store, int64_t run,
			       struct evl_err *err);

/* Checks such a text without a store: every row and link, the head, that the last row closes the
 * run, and the results digest. EVL_E_CORRUPT names the first row that does not fit (table, key);
 * EVL_E_VERSION: another format. `report` may be NULL and is filled as by chain_verify. `root` may
 * be NULL; when all fits it gets what was read, for the caller to release (json_decref), else
 * NULL. */
enum evl_status evl_export_verify(const char *json, size_t len, struct evl_chain_report *report,
				  json_t **root, struct evl_err *err);

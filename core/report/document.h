/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Files that people write for a report, as JSON values with the lines that they came from: YAML
 * (read with libyaml) and tables of comma-separated values (RFC 4180). Within this room only.
 *
 *	json_t *doc = NULL;
 *	if (evl_document_yaml(&doc, "statement.yaml", text, len, &err) == EVL_OK) {
 *		... evl_document_line(json_object_get(doc, "authorised")) ...
 *	}
 *	json_decref(doc);
 *
 * All scalars are strings, as they are written. Every mapping has the member EVL_DOCUMENT_LINE, an
 * integer. Anchors, aliases and further documents are refused: a report needs none, and they can
 * grow without bound.
 */
#pragma once

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "core/base/err.h"

#define EVL_DOCUMENT_LINE      "\n" /* a name that no file can give: see yaml_key */
#define EVL_DOCUMENT_BYTES_MAX (4u << 20)

/* EVL_E_INVALID and EVL_E_LIMIT say FILE:LINE: what is wrong. An empty document is an empty object.
 * The caller owns *out (json_decref). */
enum evl_status evl_document_yaml(
	json_t **out, const char *path, const char *text, size_t len, struct evl_err *err);

/* An array of objects, one for each row, named by the first row. Lines may end in LF or CR LF. */
enum evl_status evl_document_csv(
	json_t **out, const char *path, const char *text, size_t len, struct evl_err *err);

int evl_document_line(const json_t *mapping); /* 0 when it is none */

/* Refuses members that are not in `known` (ends with NULL), naming the line. */
enum evl_status evl_document_known(const json_t *mapping, const char *path,
	const char *const *known, const char *what, struct evl_err *err);
/* The text of a member, or NULL when it is not there or empty; EVL_E_INVALID when it is no text, or
 * when it is missing and `needed`. */
enum evl_status evl_document_text(const char **out, const json_t *mapping, const char *path,
	const char *member, bool needed, struct evl_err *err);

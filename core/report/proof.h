/* SPDX-License-Identifier: Apache-2.0 */
/*
 * One row of the evidence proved alone: a file with the row and the path from it to the root of the
 * Merkle tree that the signed manifest names (RFC 9162 2.1.3). Within this room; verify.h checks.
 *
 *	evl_proof_write("out/dossier", "bit-errors/33", "proof.json", &err);
 *
 * The file is canonical JSON: `format` evenlode-proof/1, `report`, `index`, `leaves`, `path` (hex,
 * from the leaf upwards), `root`, `table`, `text`. Leaf = SHA-256(0x00, text).
 */
#pragma once

#include <jansson.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"

#define EVL_PROOF_FORMAT "evenlode-proof/1"

/* `which` is CASE/NUMBER, a case by its name and a check by its number within it, from 1; or
 * TABLE:KEY for any other row, as they stand in evidence.json. Only a dossier that is unaltered
 * gives a proof. EVL_E_NOTFOUND says what there is. */
enum evl_status evl_proof_write(
	const char *dir, const char *which, const char *out_path, struct evl_err *err);

/* Does the proof fit this manifest? *text is the row, to be freed; in any case. EVL_E_CORRUPT says
 * what does not hold. */
enum evl_status evl_proof_check(
	char **text, const char *path, const json_t *manifest, struct evl_err *err);

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Checks a dossier folder: nothing altered, nothing missing, nothing added.
 *
 *	struct evl_dossier_report r = {0};
 *	enum evl_status st = evl_dossier_verify(&r, "out/dossier", NULL, &err);
 *	for (size_t i = 0; i < r.finding_count; i++) {
 *		printf("%s: %s\n", r.findings[i].file, r.findings[i].text);
 *	}
 *	evl_dossier_report_finish(&r);
 *
 * What is checked, in this order
 * - the signature over manifest.json (sign.h: strict, so that no byte of manifest.p7s or
 *   signer.pem may differ), and the chain to a certificate that the caller trusts, if one is given;
 * - manifest.json is canonical and complete;
 * - every file of the manifest: present, a regular file, size, SHA-256; no further file or folder;
 * - evidence.json: the chain over the rows is computed again from the rows and must equal the head
 *   in the manifest; so must the results digest;
 * - signatures of witnesses and a time-stamp, if there are any (attached.h);
 * - the root of the Merkle tree over the rows;
 * - what the manifest says about the run (verdict, build, seed, recordings, adapters) against the
 *   rows of the evidence.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/report/attached.h"
#include "core/report/sign.h"

struct evl_dossier_finding {
	char file[300]; /* name within the folder; "." for the folder itself */
	char text[600]; /* what is wrong with it, one line */
};

struct evl_dossier_report {
	bool good;                            /* no finding */
	struct evl_dossier_finding *findings; /* owned; in the order of the checks, at most 1000 */
	size_t finding_count;
	struct evl_signature_info signature; /* valid when `signature_good` */
	bool signature_good;
	/* What others added later; each is checked when it is there. */
	struct evl_signature_info witnesses[EVL_WITNESSES_MAX];
	size_t witness_count;
	bool stamped;
	struct evl_stamp_info stamp;
	bool trust_checked; /* a trusted certificate was given */
	uint32_t files;     /* files whose digest was computed */
	uint64_t bytes;     /* their size */
	uint64_t rows;      /* rows of evidence whose chain was computed again */
	/* As the manifest says; "" when it could not be read or is not what was signed. */
	char report_id[80], run[24], campaign[256], build[128], verdict[24];
	char chain_head[EVL_SHA256_HEX];
	char results_digest[EVL_SHA256_HEX];
};

/* `trusted_pem_path` is a PEM file of certificates that the caller trusts, or NULL: then the
 * signature proves only that the dossier is as the holder of signer.pem's key made it.
 * EVL_OK: unaltered. EVL_E_CORRUPT: altered; all findings are in the report, the first one in
 * `err`. EVL_E_NOTFOUND, EVL_E_IO, EVL_E_INVALID: the folder or the trusted file cannot be used.
 * The report needs evl_dossier_report_finish in every case. */
enum evl_status evl_dossier_verify(struct evl_dossier_report *report, const char *dir,
	const char *trusted_pem_path, struct evl_err *err);

/* Checks a proof of one row (proof.h) against the signed manifest of `dir`, of which manifest.json,
 * manifest.p7s and signer.pem are enough. *text is the proved row as evidence.json has it, to be
 * freed; NULL unless EVL_OK. */
enum evl_status evl_dossier_verify_proof(struct evl_dossier_report *report, char **text,
	const char *dir, const char *proof_path, const char *trusted_pem_path, struct evl_err *err);
void evl_dossier_report_finish(struct evl_dossier_report *report); /* takes a zeroed one */

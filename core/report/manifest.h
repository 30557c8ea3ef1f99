/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The manifest of a dossier: canonical JSON (RFC 8785) that names everything the signature covers.
 *
 *	json_t *m = evl_manifest_make(run, before, &facts);
 *	struct evl_text text = {0};
 *	evl_canonical_json(&text, m);
 *
 * Within the report room only; docs/dossier.md lists the members. Numbers that may grow beyond
 * 2^53 (seed, counts of bits) are strings, as RFC 8785 wants; sizes and row counts are integers.
 */
#pragma once

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/digest.h"
#include "core/base/text.h"
#include "core/store/store_read.h"

#define EVL_MANIFEST_FORMAT "evenlode-dossier/1"

/* Names of all files that a dossier may hold. */
#define EVL_DOSSIER_MANIFEST  "manifest.json"
#define EVL_DOSSIER_SIGNATURE "manifest.p7s"
#define EVL_DOSSIER_SIGNER    "signer.pem"
#define EVL_DOSSIER_REPORT    "report.html"
#define EVL_DOSSIER_PDF       "report.pdf"
#define EVL_DOSSIER_EVIDENCE  "evidence.json"
#define EVL_DOSSIER_CAMPAIGN  "campaign.lua"
#define EVL_DOSSIER_BENCH     "bench.yaml"
#define EVL_DOSSIER_STATEMENT "statement.yaml"
#define EVL_DOSSIER_WANTED    "requirements.yaml"
#define EVL_DOSSIER_WANTED2   "requirements.csv"
#define EVL_DOSSIER_PERSONAL  "personal.json"
#define EVL_DOSSIER_RECORDING "recording-%d.tar"
#define EVL_DOSSIER_HOWTO     "VERIFY.txt"
#define EVL_DOSSIER_SUMS      "SHA256SUMS"
bool evl_dossier_knows_file(const char *name);

struct evl_manifest_file {
	const char *name;
	size_t bytes;
	char sha256[EVL_SHA256_HEX];
};

struct evl_manifest_facts {
	int64_t issued_unix_s;
	bool demo_key;
	const char *subject;
	const char *fingerprint;
	const char *report_id;
	int64_t chain_links;
	const char *chain_head;
	const char *results_digest;
	const char *tree_root; /* hex; Merkle tree over the texts of the rows, one leaf for each */
	/* The PDF without its signature: its first bytes. The same for the same store and options.
	 */
	size_t pdf_unsigned_bytes;
	const char *pdf_unsigned_sha256;
	const struct evl_manifest_file *files;
	size_t file_count;
};

/* `before` may be NULL. The caller owns the result (json_decref). */
json_t *evl_manifest_make(const struct evl_run *run, const struct evl_run *before,
	const struct evl_manifest_facts *facts);

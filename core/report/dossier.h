/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Makes the dossier of a run: what the customer gets. It reads nothing but the store, so it can be
 * made again on any machine.
 *
 *	struct evl_dossier_options opt = {.key_pem = "lab-key.pem", .cert_pem = "lab-cert.pem"};
 *	struct evl_dossier_made made = {0};
 *	if (evl_dossier_write(&made, store, run, "out/dossier", &opt, &err) < 0) { ... }
 *
 * The folder holds
 * - report.html: the report; one file, no network, no script
 * - report.pdf: the same content on pages, signed by itself as well (pdf.h)
 * - evidence.json: every row of the run, in the order of its hash chain (core/store/export.h)
 * - campaign.lua, bench.yaml: as they were run (left out when the store does not hold them)
 * - statement.yaml, requirements.yaml or .csv: as they were given, if they were
 * - personal.json: what the report withholds otherwise, with the salts, if it was asked for
 * - recording-1.tar ...: bundles of the run's recordings, if they were given
 * - VERIFY.txt: how to check all of this without evenlode
 * - SHA256SUMS: digests of the files above, for `sha256sum -c`
 * - manifest.json: RFC 8785 canonical JSON: every file above with size and SHA-256, chain head,
 *   results digest, recordings with their digests, adapters, software, issue time
 * - manifest.p7s: detached CMS signature over manifest.json, DER
 * - signer.pem: the signer's certificate
 * docs/dossier.md describes them, docs/verify.md how a customer checks them.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/report/sign.h"
#include "core/store/store.h"

/* A bundle of a recording (core/recording/bundle.h): a file that the dossier takes to itself. */
struct evl_dossier_recording {
	int ordinal; /* of the run's recordings, from 0 */
	const char *path;
};

struct evl_dossier_options {
	const char *key_pem;   /* path of the private key, or NULL */
	const char *cert_pem;  /* path of its certificate; NULL: none, or the token's own */
	const char *p12;	   /* path of a PKCS#12 file in place of the two, or NULL */
	const char *token;	   /* URI (RFC 7512) of a key in place of key_pem, or NULL */
	const char *password_file; /* path of the password or PIN of these, or NULL */
	int64_t compare_run;   /* run of the same store to compare with (the earlier build); 0: none
				*/
	bool reveal; /* show what is withheld as personal data, and add personal.json to prove it */
	/* The run's recordings, in their order; moved into the dossier as recording-1.tar ... They
	 * must be on the same file system. */
	const struct evl_dossier_recording *recordings;
	size_t recording_count;
	const char *statement; /* path of the laboratory's statement, or NULL */
	const char *requirements; /* path of the requirements, or NULL; docs/dossier.md */
	int64_t issued_unix_s;    /* time of issue; 0: now. Goes into manifest and signature only */
};

struct evl_dossier_made {
	bool demo_key;
	char subject[512];
	char fingerprint[EVL_SHA256_HEX];
	char results_digest[EVL_SHA256_HEX];
	char chain_head[EVL_SHA256_HEX];
};

/* Writes the dossier of `run` into the folder `out_dir`. A folder that holds an earlier dossier is
 * replaced as a whole; an empty folder is used; anything else is EVL_E_CONFLICT and left alone.
 * All is written into a temporary folder beside it and renamed at the end, so that a full disk or
 * a kill leaves the old dossier or none. `made` may be NULL.
 * EVL_E_NOTFOUND: no such run. EVL_E_INVALID: key or certificate (see evl_signer_load).
 * EVL_E_CORRUPT: the evidence chain of the run does not hold; no dossier is made of it. */
enum evl_status evl_dossier_write(struct evl_dossier_made *made, struct evl_store *store,
	int64_t run, const char *out_dir, const struct evl_dossier_options *options,
	struct evl_err *err);

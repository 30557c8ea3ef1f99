/* SPDX-License-Identifier: Apache-2.0 */
/*
 * What others add to a dossier later, without touching what is signed: signatures of witnesses and
 * a time-stamp (RFC 3161), both over manifest.p7s, so over the laboratory's signature.
 *
 *	evl_dossier_witness("out/dossier", "w-key.pem", "w-cert.pem", now, &err);
 *	evl_dossier_stamp("out/dossier", "reply.tsr", &err);
 *
 * Files: witness-1.p7s and witness-1.pem (to 9), like manifest.p7s and signer.pem; timestamp.tst,
 * the time-stamp token in DER, of the certificates that it carried only the authority's own.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"
#include "core/report/sign.h"

#define EVL_WITNESSES_MAX 9
#define EVL_DOSSIER_STAMP "timestamp.tst"

struct evl_stamp_info {
	bool trusted;   /* the authority leads to a certificate that the caller trusts */
	int64_t unix_s; /* as the authority says */
	char authority[512];
};

/* Key and certificate as for evl_signer_load, both needed. EVL_E_CORRUPT: the dossier does not
 * verify, so it is not signed. EVL_E_LIMIT: there are nine witnesses already. */
enum evl_status evl_dossier_witness(const char *dir, const char *key_pem, const char *cert_pem,
	int64_t at_unix_s, struct evl_err *err);

/* `reply_path`: the authority's answer (DER, a time-stamp response or a token alone) to
 * `openssl ts -query -data DIR/manifest.p7s -sha256 -cert`. EVL_E_INVALID: it refuses, or is about
 * something else. EVL_E_CONFLICT: the dossier has a time-stamp. */
enum evl_status evl_dossier_stamp(const char *dir, const char *reply_path, struct evl_err *err);

/* Within this room: for verify.c. */
bool evl_attached_knows(const char *name);
/* Checks a token over `data`. `trusted_pem` may be NULL: then the authority's own certificate,
 * which the token carries, is taken as it is. */
enum evl_status evl_stamp_check(struct evl_stamp_info *info, const void *token, size_t len,
	const void *data, size_t data_len, const char *trusted_pem, struct evl_err *err);

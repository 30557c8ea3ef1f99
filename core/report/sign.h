/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The signature of a dossier: a detached CMS SignedData (RFC 5652) in DER over the bytes of the
 * manifest, made and checked with OpenSSL. SHA-256; EC and RSA keys.
 *
 *	struct evl_signer *signer = NULL;
 *	if (evl_signer_load(&signer, "lab-key.pem", "lab-cert.pem", now, &err) == EVL_OK &&
 *		evl_signer_sign(&der, &der_len, signer, manifest, len, now, &err) == EVL_OK) {
 *		...
 *	}
 *	evl_signer_destroy(signer);
 *
 * Any CMS tool checks the result; with OpenSSL's own:
 *	openssl cms -verify -binary -inform DER -in manifest.p7s -content manifest.json \
 *		-CAfile signer.pem -purpose any -out /dev/null
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/digest.h"
#include "core/base/err.h"

/* Said wherever a key made on the spot was used: subject, report pages, manifest, VERIFY.txt. */
#define EVL_DEMO_KEY_MARK "DEMONSTRATION KEY, proves integrity only"

struct evl_signer; /* a private key with its certificate */

/* Loads a private key and its certificate (PEM files; the certificate file may carry the chain
 * after the signer's own certificate). With both paths NULL it makes a self-signed EC P-256
 * demonstration key, valid for ten years from `at_unix_s`, that is kept nowhere.
 * EVL_E_INVALID: only one of the two given, not PEM, encrypted, a kind of key that cannot sign
 * here, key and certificate do not belong together, certificate not valid at `at_unix_s`.
 * EVL_E_NOTFOUND, EVL_E_IO: a file is missing or cannot be read. The message names the file. */
enum evl_status evl_signer_load(struct evl_signer **out, const char *key_pem_path,
	const char *cert_pem_path, int64_t at_unix_s, struct evl_err *err);
/* The same from a PKCS#12 file (RFC 7292) with key, certificate and perhaps its issuers;
 * `password_path` names a file whose first line is the password, or is NULL. */
enum evl_status evl_signer_load_p12(struct evl_signer **out, const char *path,
	const char *password_path, int64_t at_unix_s, struct evl_err *err);
/* The same with a key in a PKCS#11 token that `uri` names (RFC 7512); the certificate is that of a
 * PEM file, or with NULL the token's own of the same URI. `pin_path` names a file whose first line
 * is the PIN, or is NULL when the URI has pin-source. */
enum evl_status evl_signer_load_token(struct evl_signer **out, const char *uri,
	const char *cert_pem_path, const char *pin_path, int64_t at_unix_s, struct evl_err *err);
void evl_signer_destroy(struct evl_signer *signer); /* takes NULL */

bool evl_signer_is_demo(const struct evl_signer *signer);
/* True when the signer's certificate is its own issuer: then signer.pem alone is an anchor. */
bool evl_signer_is_self_signed(const struct evl_signer *signer);
/* The certificate (and its chain) as PEM text; belongs to the signer. */
const char *evl_signer_pem(const struct evl_signer *signer, size_t *len);
/* Subject in RFC 2253 form; belongs to the signer. */
const char *evl_signer_subject(const struct evl_signer *signer);
/* SHA-256 of the DER certificate, in hex; belongs to the signer. */
const char *evl_signer_fingerprint(const struct evl_signer *signer);

/* Signs `data`; *out is DER and belongs to the caller (free). The signed attributes are content
 * type, signing time (`at_unix_s`), message digest and signing-certificate-v2 (RFC 5035); there are
 * no unsigned attributes. */
enum evl_status evl_signer_sign(uint8_t **out, size_t *out_len, const struct evl_signer *signer,
	const void *data, size_t len, int64_t at_unix_s, struct evl_err *err);

/* What a good signature says. */
struct evl_signature_info {
	bool demo;	       /* the certificate carries EVL_DEMO_KEY_MARK */
	bool self_signed;      /* no authority stands behind the certificate */
	bool trusted;	       /* it leads to a certificate that the caller trusts */
	int64_t signed_unix_s; /* as the signer claims; not witnessed by anybody else */
	char subject[512];
	char issuer[512];
	char serial[64];		    /* hex */
	char fingerprint[EVL_SHA256_HEX];   /* SHA-256 of the DER certificate */
	char not_before[32], not_after[32]; /* ISO 8601, UTC */
};

/* Checks that `der` is the one strict DER encoding that evl_signer_sign makes for `data`, with
 * exactly the certificates of `pem` inside: what a CMS tool would ignore or tolerate (other field
 * values, unsigned attributes, further certificates, lax encoding, the second valid form of an
 * ECDSA signature) is an error here. `trusted_pem` (text, or NULL) holds certificates that the
 * caller trusts; then the chain must lead to one of them and be valid at the signing time.
 * EVL_E_CORRUPT names what does not hold. `*part` (NULL: not wanted) says which of the three is
 * to blame: "manifest.p7s", "signer.pem" or "manifest.json". EVL_E_INVALID: `trusted_pem` is not
 * PEM, or the chain does not lead to it. */
enum evl_status evl_signature_check(struct evl_signature_info *info, const char **part,
	const void *der, size_t der_len, const void *data, size_t data_len, const char *pem,
	size_t pem_len, const char *trusted_pem, struct evl_err *err);

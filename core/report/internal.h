/* SPDX-License-Identifier: Apache-2.0 */
/* Shared by the files of this room only: certificates, the signer's insides. */
#pragma once

#include <openssl/evp.h>
#include <openssl/x509.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/digest.h"

struct evl_signer {
	EVP_PKEY *key;
	struct evl_token *token; /* that holds the key, or NULL */
	STACK_OF(X509) * certs; /* the signer's own first, then each one's issuer */
	char *pem;
	size_t pem_len;
	char *subject;
	char fingerprint[EVL_SHA256_HEX];
	bool demo;
	bool self_signed;
};

/* Why OpenSSL refused, for the end of a message. Static text. */
const char *evl_ossl_reason(void);
char *evl_x509_name_text(const X509_NAME *name); /* one line; the caller frees */
void evl_x509_fingerprint(const X509 *cert, char out[EVL_SHA256_HEX]);
bool evl_x509_is_demo(const X509 *cert);
void evl_asn1_time_text(const ASN1_TIME *t, char out[32]); /* ISO 8601, UTC */
void evl_unix_text(int64_t unix_s, char out[32]);	   /* ISO 8601, UTC */

/* Certificates of a PEM text, or NULL when there is none or one is damaged; the caller frees with
 * sk_X509_pop_free(list, X509_free). */
STACK_OF(X509) * evl_pem_certs(const char *pem, size_t len);
/* The one PEM form of a list of certificates; the caller frees. */
char *evl_pem_text(const STACK_OF(X509) * certs, size_t *len);

/* True unless this is an ECDSA signature whose s is in the upper half: of the two values that
 * verify, evenlode writes the lower, so that nobody can swap one for the other unseen. */
bool evl_ecdsa_is_low_s(EVP_PKEY *key, const uint8_t *sig, size_t len);

/* SPDX-License-Identifier: Apache-2.0 */
/* Makes the detached CMS signature (RFC 5652 clause 5). */
#include "core/report/sign.h"

#include <openssl/bn.h>
#include <openssl/cms.h>
#include <openssl/core_names.h>
#include <openssl/ecdsa.h>
#include <openssl/err.h>
#include <stdlib.h>
#include <string.h>

#include "core/report/internal.h"

/* n - s when s is in the upper half of the group order, else NULL; needs an EC key. */
static BIGNUM *lower_s(EVP_PKEY *key, const BIGNUM *s)
{
	BIGNUM *order = NULL;
	evl_require(EVP_PKEY_get_bn_param(key, OSSL_PKEY_PARAM_EC_ORDER, &order) == 1);
	BIGNUM *other = BN_new();
	evl_require(other != NULL && BN_sub(other, order, s) == 1);
	BN_free(order);
	if (BN_cmp(s, other) <= 0) {
		BN_free(other);
		other = NULL;
	}
	return other;
}

bool evl_ecdsa_is_low_s(EVP_PKEY *key, const uint8_t *sig, size_t len)
{
	if (!EVP_PKEY_is_a(key, "EC")) {
		return true;
	}
	const unsigned char *p = sig;
	ECDSA_SIG *parsed = d2i_ECDSA_SIG(NULL, &p, (long)len);
	if (parsed == NULL) {
		return false;
	}
	BIGNUM *other = lower_s(key, ECDSA_SIG_get0_s(parsed));
	bool low = other == NULL;
	BN_free(other);
	ECDSA_SIG_free(parsed);
	return low;
}

static bool lower_signature(CMS_SignerInfo *si, EVP_PKEY *key)
{
	ASN1_OCTET_STRING *value = CMS_SignerInfo_get0_signature(si);
	if (!EVP_PKEY_is_a(key, "EC")) {
		return true;
	}
	const unsigned char *p = ASN1_STRING_get0_data(value);
	ECDSA_SIG *sig = d2i_ECDSA_SIG(NULL, &p, ASN1_STRING_length(value));
	if (sig == NULL) {
		return false;
	}
	bool ok = true;
	BIGNUM *s = lower_s(key, ECDSA_SIG_get0_s(sig));
	if (s != NULL) {
		unsigned char *der = NULL;
		BIGNUM *r = BN_dup(ECDSA_SIG_get0_r(sig));
		ok = r != NULL && ECDSA_SIG_set0(sig, r, s) == 1;
		int n = ok ? i2d_ECDSA_SIG(sig, &der) : -1;
		ok = n > 0 && ASN1_OCTET_STRING_set(value, der, n) == 1;
		OPENSSL_free(der);
	}
	ECDSA_SIG_free(sig);
	return ok;
}

static bool set_signing_time(CMS_SignerInfo *si, int64_t at_unix_s)
{
	ASN1_TIME *t = ASN1_TIME_set(NULL, (time_t)at_unix_s);
	bool ok = t != NULL && CMS_signed_add1_attr_by_NID(
				       si, NID_pkcs9_signingTime, ASN1_STRING_type(t), t, -1) == 1;
	ASN1_TIME_free(t);
	return ok;
}

enum evl_status evl_signer_sign(uint8_t **out, size_t *out_len, const struct evl_signer *signer,
	const void *data, size_t len, int64_t at_unix_s, struct evl_err *err)
{
	/* CADES: the attribute signing-certificate-v2 (RFC 5035) binds the certificate itself. */
	const unsigned int flags = CMS_BINARY | CMS_DETACHED | CMS_NOSMIMECAP | CMS_CADES;
	enum evl_status st = EVL_OK;
	unsigned char *der = NULL;
	*out = NULL;
	*out_len = 0;
	BIO *content = BIO_new_mem_buf(data, (int)len);
	CMS_ContentInfo *cms = CMS_sign(NULL, NULL, NULL, NULL, flags | CMS_PARTIAL);
	evl_require(content != NULL && cms != NULL);
	CMS_SignerInfo *si = CMS_add1_signer(
		cms, sk_X509_value(signer->certs, 0), signer->key, EVP_sha256(), flags);
	bool ok = si != NULL && set_signing_time(si, at_unix_s);
	for (int i = 1; ok && i < sk_X509_num(signer->certs); i++) {
		ok = CMS_add1_cert(cms, sk_X509_value(signer->certs, i)) == 1;
	}
	ok = ok && CMS_final(cms, content, NULL, flags) == 1 &&
	     /* the public half: a key in a token does not tell its parameters */
	     lower_signature(si, X509_get0_pubkey(sk_X509_value(signer->certs, 0)));
	int n = ok ? i2d_CMS_ContentInfo(cms, &der) : -1;
	if (n <= 0) {
		st = evl_err_set(
			err, EVL_E_INVALID, "the manifest cannot be signed: %s", evl_ossl_reason());
	} else {
		*out = evl_xmalloc((size_t)n);
		memcpy(*out, der, (size_t)n);
		*out_len = (size_t)n;
	}
	OPENSSL_free(der);
	CMS_ContentInfo_free(cms);
	BIO_free(content);
	ERR_clear_error();
	return st;
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "core/report/attached.h"

#include <errno.h>
#include <openssl/err.h>
#include <openssl/ts.h>
#include <openssl/x509_vfy.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/base/file.h"
#include "core/report/internal.h"
#include "core/report/manifest.h"
#include "core/report/verify.h"

#define SMALL_MAX (1u << 20)

bool evl_attached_knows(const char *name)
{
	size_t n = strlen(name);
	return strcmp(name, EVL_DOSSIER_STAMP) == 0 ||
	       (n == 13 && strncmp(name, "witness-", 8) == 0 && name[8] >= '1' && name[8] <= '9' &&
		       (strcmp(name + 9, ".p7s") == 0 || strcmp(name + 9, ".pem") == 0));
}

static enum evl_status read_signature(
	char **data, size_t *len, const char *dir, struct evl_err *err)
{
	struct evl_dossier_report report = {0};
	enum evl_status st = evl_dossier_verify(&report, dir, NULL, err);
	evl_dossier_report_finish(&report);
	if (st == EVL_OK) {
		char *path = evl_file_join(dir, EVL_DOSSIER_SIGNATURE);
		st = evl_file_read(data, len, path, SMALL_MAX, err);
		free(path);
	}
	return st;
}

enum evl_status evl_dossier_witness(const char *dir, const char *key_pem, const char *cert_pem,
	int64_t at_unix_s, struct evl_err *err)
{
	struct evl_signer *signer = NULL;
	char *data = NULL;
	size_t len = 0;
	uint8_t *der = NULL;
	size_t der_len = 0;
	char name[20] = "";
	char *path = NULL;
	if (key_pem == NULL || cert_pem == NULL) {
		return evl_err_set(err, EVL_E_INVALID,
			"a witness signs with an own key: give --key and --cert");
	}
	enum evl_status st = evl_signer_load(&signer, key_pem, cert_pem, at_unix_s, err);
	st = st == EVL_OK ? read_signature(&data, &len, dir, err) : st;
	if (st == EVL_OK) {
		st = evl_signer_sign(&der, &der_len, signer, data, len, at_unix_s, err);
	}
	int number = 0;
	do {
		free(path);
		snprintf(name, sizeof name, "witness-%d.p7s", ++number);
		path = evl_file_join(dir, name);
	} while (number <= EVL_WITNESSES_MAX && access(path, F_OK) == 0);
	if (st == EVL_OK && number > EVL_WITNESSES_MAX) {
		st = evl_err_set(
			err, EVL_E_LIMIT, "%s: has %d witnesses already", dir, EVL_WITNESSES_MAX);
	}
	if (st == EVL_OK) {
		size_t pem_len = 0;
		const char *pem = evl_signer_pem(signer, &pem_len);
		st = evl_file_write(path, der, der_len, err);
		memcpy(path + strlen(path) - 3, "pem", 3);
		st = st == EVL_OK ? evl_file_write(path, pem, pem_len, err) : st;
	}
	evl_signer_destroy(signer);
	free(path);
	free(der);
	free(data);
	return st;
}

/* The token of a response, or a token alone; NULL with a message. */
static PKCS7 *take_token(const char *data, size_t len, const char *path, struct evl_err *err)
{
	const unsigned char *p = (const unsigned char *)data;
	TS_RESP *response = d2i_TS_RESP(NULL, &p, (long)len);
	PKCS7 *token = NULL;
	if (response != NULL) {
		TS_STATUS_INFO *info = TS_RESP_get_status_info(response);
		long status = ASN1_INTEGER_get(TS_STATUS_INFO_get0_status(info));
		token = TS_RESP_get_token(response);
		token = token == NULL ? NULL : PKCS7_dup(token);
		TS_RESP_free(response);
		if (token == NULL || (status != 0 && status != 1)) {
			PKCS7_free(token);
			evl_err_set(err, EVL_E_INVALID,
				"%s: the time-stamp authority refused (status %ld); ask again",
				path, status);
			return NULL;
		}
		return token;
	}
	p = (const unsigned char *)data;
	token = d2i_PKCS7(NULL, &p, (long)len);
	if (token == NULL) {
		evl_err_set(err, EVL_E_INVALID,
			"%s: is no time-stamp response and no token in DER (RFC 3161)", path);
	}
	return token;
}

/* Leaves of the certificates only the authority's own, which the signed attributes name: of others
 * nobody could say whether they were altered. */
static void keep_one_certificate(PKCS7 *token)
{
	STACK_OF(X509) *signers =
		PKCS7_type_is_signed(token) ? PKCS7_get0_signers(token, NULL, 0) : NULL;
	X509 *own = sk_X509_value(signers, 0); /* NULL of an empty list */
	if (own != NULL) {
		X509_up_ref(own);
		sk_X509_pop_free(token->d.sign->cert, X509_free);
		token->d.sign->cert = sk_X509_new_null();
		evl_require(sk_X509_push(token->d.sign->cert, own) > 0);
	}
	sk_X509_free(signers);
}

enum evl_status evl_dossier_stamp(const char *dir, const char *reply_path, struct evl_err *err)
{
	char *data = NULL;
	char *reply = NULL;
	size_t len = 0;
	size_t reply_len = 0;
	PKCS7 *token = NULL;
	unsigned char *der = NULL;
	struct evl_stamp_info info;
	char *path = evl_file_join(dir, EVL_DOSSIER_STAMP);
	enum evl_status st = evl_file_read(&reply, &reply_len, reply_path, SMALL_MAX, err);
	st = st == EVL_OK ? read_signature(&data, &len, dir, err) : st;
	if (st == EVL_OK && access(path, F_OK) == 0) {
		st = evl_err_set(err, EVL_E_CONFLICT, "%s: is there already", path);
	}
	if (st == EVL_OK) {
		token = take_token(reply, reply_len, reply_path, err);
		st = token == NULL ? EVL_E_INVALID : EVL_OK;
	}
	if (token != NULL) {
		keep_one_certificate(token);
	}
	int n = token == NULL ? 0 : i2d_PKCS7(token, &der);
	if (st == EVL_OK) {
		st = evl_stamp_check(&info, der, (size_t)n, data, len, NULL, err);
		st = st == EVL_OK ? EVL_OK : evl_err_prefix(err, "%s", reply_path);
	}
	if (st == EVL_OK) {
		st = evl_file_write(path, der, (size_t)n, err);
	}
	OPENSSL_free(der);
	PKCS7_free(token);
	ERR_clear_error();
	free(path);
	free(reply);
	free(data);
	return st;
}

static bool verify_token(
	PKCS7 *token, const void *data, size_t len, STACK_OF(X509) * anchors, int64_t at_unix_s)
{
	TS_VERIFY_CTX *ctx = TS_VERIFY_CTX_new();
	X509_STORE *store = X509_STORE_new();
	evl_require(ctx != NULL && store != NULL);
	for (int i = 0; i < sk_X509_num(anchors); i++) {
		X509_STORE_add_cert(store, sk_X509_value(anchors, i));
	}
	X509_STORE_set_flags(store, X509_V_FLAG_PARTIAL_CHAIN);
	X509_VERIFY_PARAM_set_time(X509_STORE_get0_param(store), (time_t)at_unix_s);
	TS_VERIFY_CTX_set_flags(ctx, TS_VFY_VERSION | TS_VFY_DATA | TS_VFY_SIGNATURE);
	TS_VERIFY_CTX_set_data(ctx, BIO_new_mem_buf(data, (int)len)); /* both belong to ctx now */
	TS_VERIFY_CTX_set_store(ctx, store);
	bool good = TS_RESP_verify_token(ctx, token) == 1;
	TS_VERIFY_CTX_free(ctx);
	return good;
}

/* Names compare equal in upper and lower case; here each byte counts. */
static bool same_name(const X509_NAME *a, const X509_NAME *b)
{
	const unsigned char *x = NULL;
	const unsigned char *y = NULL;
	size_t n = 0;
	size_t m = 0;
	return X509_NAME_get0_der(a, &x, &n) == 1 && X509_NAME_get0_der(b, &y, &m) == 1 && n == m &&
	       memcmp(x, y, n) == 0;
}

/* The algorithm that is named must be the one that is used: verifying would take another name. */
static bool right_algorithm(const PKCS7_SIGNER_INFO *si, X509 *cert)
{
	const ASN1_OBJECT *name = NULL;
	int parameter = V_ASN1_UNDEF;
	int digest = NID_undef;
	int key = NID_undef;
	EVP_PKEY *own = X509_get0_pubkey(cert);
	X509_ALGOR_get0(&name, &parameter, NULL, si->digest_enc_alg);
	int nid = OBJ_obj2nid(name);
	if (nid == NID_rsaEncryption) {
		return own != NULL && EVP_PKEY_is_a(own, "RSA") && parameter == V_ASN1_NULL;
	}
	if (own == NULL || OBJ_find_sigid_algs(nid, &digest, &key) != 1) {
		return false;
	}
	X509_ALGOR_get0(&name, NULL, NULL, si->digest_alg);
	return digest == OBJ_obj2nid(name) && key == EVP_PKEY_get_id(own) &&
	       parameter == (key == EVP_PKEY_RSA ? V_ASN1_NULL : V_ASN1_UNDEF);
}

/* Fields of SignedData that no signature covers have one value each (RFC 5652 5.1). */
static bool plain_fields(PKCS7 *token)
{
	if (!PKCS7_type_is_signed(token)) {
		return false;
	}
	PKCS7_SIGNED *s = token->d.sign;
	PKCS7_SIGNER_INFO *si = sk_PKCS7_SIGNER_INFO_value(s->signer_info, 0);
	return ASN1_INTEGER_get(s->version) == 3 && sk_PKCS7_SIGNER_INFO_num(s->signer_info) == 1 &&
	       ASN1_INTEGER_get(si->version) == 1 && sk_X509_ATTRIBUTE_num(si->unauth_attr) <= 0 &&
	       sk_X509_num(s->cert) == 1 && sk_X509_CRL_num(s->crl) <= 0 &&
	       same_name(si->issuer_and_serial->issuer,
		       X509_get_issuer_name(sk_X509_value(s->cert, 0))) &&
	       right_algorithm(si, sk_X509_value(s->cert, 0)) &&
	       sk_X509_ALGOR_num(s->md_algs) == 1 &&
	       X509_ALGOR_cmp(sk_X509_ALGOR_value(s->md_algs, 0), si->digest_alg) == 0;
}

enum evl_status evl_stamp_check(struct evl_stamp_info *info, const void *token_der, size_t len,
	const void *data, size_t data_len, const char *trusted_pem, struct evl_err *err)
{
	const unsigned char *p = token_der;
	unsigned char *again = NULL;
	PKCS7 *token = d2i_PKCS7(NULL, &p, (long)len);
	int n = token == NULL ? -1 : i2d_PKCS7(token, &again);
	TS_TST_INFO *tst = token == NULL ? NULL : PKCS7_to_TS_TST_INFO(token);
	enum evl_status st = EVL_OK;
	memset(info, 0, sizeof *info);
	if (tst == NULL || n < 0 || (size_t)n != len || memcmp(again, token_der, len) != 0 ||
		!plain_fields(token)) {
		st = evl_err_set(
			err, EVL_E_CORRUPT, "is no time-stamp token in plain DER (RFC 3161)");
		goto out;
	}
	ASN1_TIME *epoch = ASN1_TIME_set(NULL, 0);
	int days = 0;
	int seconds = 0;
	bool timed = ASN1_TIME_diff(&days, &seconds, epoch, TS_TST_INFO_get_time(tst)) == 1;
	info->unix_s = (int64_t)days * 86400 + seconds;
	ASN1_TIME_free(epoch);
	STACK_OF(X509) *embedded = token->d.sign->cert;
	if (!timed || !verify_token(token, data, data_len, embedded, info->unix_s)) {
		st = evl_err_set(err, EVL_E_CORRUPT,
			"is not a time-stamp over this manifest.p7s, or it was altered: %s",
			evl_ossl_reason());
		goto out;
	}
	STACK_OF(X509) *signers = PKCS7_get0_signers(token, NULL, 0);
	if (sk_X509_num(signers) > 0) {
		char *name = evl_x509_name_text(X509_get_subject_name(sk_X509_value(signers, 0)));
		snprintf(info->authority, sizeof info->authority, "%s", name);
		free(name);
	}
	sk_X509_free(signers);
	if (trusted_pem != NULL) {
		STACK_OF(X509) *trusted = evl_pem_certs(trusted_pem, strlen(trusted_pem));
		info->trusted = trusted != NULL &&
				verify_token(token, data, data_len, trusted, info->unix_s);
		sk_X509_pop_free(trusted, X509_free);
	}
out:
	TS_TST_INFO_free(tst);
	PKCS7_free(token);
	OPENSSL_free(again);
	ERR_clear_error();
	return st;
}

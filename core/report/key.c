/* SPDX-License-Identifier: Apache-2.0 */
/* The signer: private key and certificate from PEM files, or a demonstration key. */
#include "core/report/sign.h"

#include <openssl/bn.h>
#include <openssl/ec.h>
#include <openssl/err.h>
#include <openssl/evp.h>
#include <openssl/pem.h>
#include <openssl/pkcs12.h>
#include <openssl/rand.h>
#include <openssl/x509v3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core/base/file.h"
#include "core/report/internal.h"
#include "core/report/token.h"

#define PEM_MAX_BYTES   (1u << 20)
#define DEMO_VALID_S    (3653 * 86400LL) /* ten years */
#define RSA_MIN_BITS    2048
#define CHAIN_MAX_CERTS 10

const char *evl_ossl_reason(void)
{
	unsigned long e = ERR_peek_last_error();
	const char *text = e == 0 ? NULL : ERR_reason_error_string(e);
	return text == NULL ? "no further detail" : text;
}

/* What was printed into `bio`, which is freed; the caller frees the text. `len` may be NULL. */
static char *take_text(BIO *bio, size_t *len)
{
	char *text = NULL;
	size_t n = (size_t)BIO_get_mem_data(bio, &text);
	char *out = evl_xmalloc(n + 1);
	memcpy(out, text, n);
	out[n] = '\0';
	if (len != NULL) {
		*len = n;
	}
	BIO_free(bio);
	return out;
}

char *evl_x509_name_text(const X509_NAME *name)
{
	BIO *bio = BIO_new(BIO_s_mem());
	evl_require(bio != NULL);
	X509_NAME_print_ex(bio, name, 0, XN_FLAG_ONELINE & ~(unsigned long)ASN1_STRFLGS_ESC_MSB);
	return take_text(bio, NULL);
}

void evl_x509_fingerprint(const X509 *cert, char out[EVL_SHA256_HEX])
{
	uint8_t md[EVL_SHA256_BYTES];
	unsigned int n = 0;
	evl_require(X509_digest(cert, EVP_sha256(), md, &n) == 1 && n == sizeof md);
	evl_hex(md, sizeof md, out);
}

void evl_asn1_time_text(const ASN1_TIME *t, char out[32])
{
	struct tm tm;
	if (t == NULL || ASN1_TIME_to_tm(t, &tm) != 1) {
		snprintf(out, 32, "unreadable");
		return;
	}
	strftime(out, 32, "%Y-%m-%dT%H:%M:%SZ", &tm);
}

void evl_unix_text(int64_t unix_s, char out[32])
{
	time_t t = (time_t)unix_s;
	struct tm tm;
	if (gmtime_r(&t, &tm) == NULL || strftime(out, 32, "%Y-%m-%dT%H:%M:%SZ", &tm) == 0) {
		snprintf(out, 32, "out of range");
	}
}

bool evl_x509_is_demo(const X509 *cert)
{
	char cn[128] = "";
	X509_NAME_get_text_by_NID(X509_get_subject_name(cert), NID_commonName, cn, sizeof cn);
	return strcmp(cn, EVL_DEMO_KEY_MARK) == 0;
}

STACK_OF(X509) * evl_pem_certs(const char *pem, size_t len)
{
	STACK_OF(X509) *list = sk_X509_new_null();
	BIO *bio = BIO_new_mem_buf(pem, (int)len);
	evl_require(list != NULL && bio != NULL);
	X509 *cert;
	while (sk_X509_num(list) <= CHAIN_MAX_CERTS &&
		(cert = PEM_read_bio_X509(bio, NULL, NULL, NULL)) != NULL) {
		evl_require(sk_X509_push(list, cert) > 0);
	}
	bool clean = ERR_GET_REASON(ERR_peek_last_error()) == PEM_R_NO_START_LINE;
	ERR_clear_error();
	BIO_free(bio);
	if (!clean || sk_X509_num(list) == 0) {
		sk_X509_pop_free(list, X509_free);
		return NULL;
	}
	return list;
}

char *evl_pem_text(const STACK_OF(X509) * certs, size_t *len)
{
	BIO *bio = BIO_new(BIO_s_mem());
	evl_require(bio != NULL);
	for (int i = 0; i < sk_X509_num(certs); i++) {
		evl_require(PEM_write_bio_X509(bio, sk_X509_value(certs, i)) == 1);
	}
	return take_text(bio, len);
}

/* Never answers: a dossier is made in the night, nobody is there to type. Notes the question. */
static int refuse_password(char *buf, int size, int writing, void *asked)
{
	(void)buf;
	(void)size;
	(void)writing;
	*(bool *)asked = true;
	return -1;
}

static enum evl_status check_key(const struct evl_signer *s, const char *path, struct evl_err *err)
{
	bool rsa = EVP_PKEY_is_a(s->key, "RSA");
	if (!rsa && !EVP_PKEY_is_a(s->key, "EC")) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: a key of type %s cannot sign a dossier; use EC (P-256) or RSA (3072 "
			"bits)",
			path, EVP_PKEY_get0_type_name(s->key));
	}
	if (rsa && EVP_PKEY_get_bits(s->key) < RSA_MIN_BITS) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: an RSA key of %d bits is too weak; use at least %d, better 3072", path,
			EVP_PKEY_get_bits(s->key), RSA_MIN_BITS);
	}
	return EVL_OK;
}

static enum evl_status load_key(struct evl_signer *s, const char *path, struct evl_err *err)
{
	char *text = NULL;
	size_t len = 0;
	enum evl_status st = evl_file_read(&text, &len, path, PEM_MAX_BYTES, err);
	if (st != EVL_OK) {
		return evl_err_prefix(err, "signing key");
	}
	bool asked = false;
	BIO *bio = BIO_new_mem_buf(text, (int)len);
	evl_require(bio != NULL);
	s->key = PEM_read_bio_PrivateKey(bio, NULL, refuse_password, &asked);
	BIO_free(bio);
	ERR_clear_error();
	OPENSSL_cleanse(text, len);
	free(text);
	if (s->key == NULL && asked) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: the signing key is encrypted; decrypt it into a file that only you "
			"can read: openssl pkey -in %s -out PLAIN.pem",
			path, path);
	}
	if (s->key == NULL) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: holds no private key in PEM form (it would begin with -----BEGIN "
			"PRIVATE KEY-----)",
			path);
	}
	return check_key(s, path, err);
}

static enum evl_status check_validity(
	X509 *cert, const char *path, int64_t at_unix_s, struct evl_err *err)
{
	time_t at = (time_t)at_unix_s;
	char when[32];
	char now[32];
	evl_unix_text(at_unix_s, now);
	if (X509_cmp_time(X509_get0_notAfter(cert), &at) <= 0) {
		evl_asn1_time_text(X509_get0_notAfter(cert), when);
		return evl_err_set(err, EVL_E_INVALID,
			"%s: the certificate expired on %s, and it is %s; get a new one", path,
			when, now);
	}
	if (X509_cmp_time(X509_get0_notBefore(cert), &at) > 0) {
		evl_asn1_time_text(X509_get0_notBefore(cert), when);
		return evl_err_set(err, EVL_E_INVALID,
			"%s: the certificate is valid only from %s, and it is %s; check the clock",
			path, when, now);
	}
	return EVL_OK;
}

static enum evl_status check_leaf(
	X509 *leaf, const char *path, int64_t at_unix_s, struct evl_err *err)
{
	uint32_t usage = X509_get_key_usage(leaf); /* UINT32_MAX when not restricted */
	if ((usage & (KU_DIGITAL_SIGNATURE | KU_NON_REPUDIATION)) == 0) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: the certificate does not allow signatures (key usage); use another "
			"one",
			path);
	}
	return check_validity(leaf, path, at_unix_s, err);
}

static enum evl_status load_certs(struct evl_signer *s, const char *path, const char *key_path,
	int64_t at_unix_s, struct evl_err *err)
{
	char *text = NULL;
	size_t len = 0;
	enum evl_status st = evl_file_read(&text, &len, path, PEM_MAX_BYTES, err);
	if (st != EVL_OK) {
		return evl_err_prefix(err, "certificate");
	}
	s->certs = evl_pem_certs(text, len);
	free(text);
	if (s->certs == NULL) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: holds no certificate in PEM form (it would begin with -----BEGIN "
			"CERTIFICATE-----), or one that is damaged",
			path);
	}
	if (sk_X509_num(s->certs) > CHAIN_MAX_CERTS) {
		return evl_err_set(err, EVL_E_INVALID, "%s: holds more than %d certificates", path,
			CHAIN_MAX_CERTS);
	}
	X509 *leaf = sk_X509_value(s->certs, 0);
	if (X509_check_private_key(leaf, s->key) != 1) {
		ERR_clear_error();
		return evl_err_set(err, EVL_E_INVALID,
			"%s: the first certificate does not belong to the key %s; put the "
			"signer's own certificate first",
			path, key_path);
	}
	for (int i = 1; i < sk_X509_num(s->certs); i++) {
		if (X509_check_issued(sk_X509_value(s->certs, i), sk_X509_value(s->certs, i - 1)) !=
			X509_V_OK) {
			return evl_err_set(err, EVL_E_INVALID,
				"%s: certificate %d is not the issuer of certificate %d; give the "
				"chain in order, the signer's own first",
				path, i + 1, i);
		}
	}
	return check_leaf(leaf, path, at_unix_s, err);
}

static void add_extension(X509 *cert, int nid, const char *value)
{
	X509V3_CTX ctx;
	X509V3_set_ctx(&ctx, cert, cert, NULL, NULL, 0);
	X509_EXTENSION *ext = X509V3_EXT_conf_nid(NULL, &ctx, nid, value);
	evl_require(ext != NULL && X509_add_ext(cert, ext, -1) == 1);
	X509_EXTENSION_free(ext);
}

static void set_name(X509_NAME *name, int nid, const char *text)
{
	evl_require(X509_NAME_add_entry_by_NID(
			    name, nid, MBSTRING_UTF8, (const unsigned char *)text, -1, -1, 0) == 1);
}

static enum evl_status make_demo(struct evl_signer *s, int64_t at_unix_s, struct evl_err *err)
{
	unsigned char serial[16];
	s->key = EVP_EC_gen("P-256");
	if (s->key == NULL || RAND_bytes(serial, sizeof serial) != 1) {
		return evl_err_set(
			err, EVL_E_IO, "no demonstration key can be made: %s", evl_ossl_reason());
	}
	serial[0] = (unsigned char)((serial[0] & 0x3F) | 0x40); /* positive, always 16 bytes */
	X509 *cert = X509_new();
	BIGNUM *bn = BN_bin2bn(serial, sizeof serial, NULL);
	evl_require(cert != NULL && bn != NULL);
	evl_require(BN_to_ASN1_INTEGER(bn, X509_get_serialNumber(cert)) != NULL);
	BN_free(bn);
	evl_require(X509_set_version(cert, X509_VERSION_3) == 1);
	evl_require(ASN1_TIME_set(X509_getm_notBefore(cert), (time_t)(at_unix_s - 3600)) != NULL);
	evl_require(ASN1_TIME_set(X509_getm_notAfter(cert), (time_t)(at_unix_s + DEMO_VALID_S)) !=
		    NULL);
	X509_NAME *name = X509_get_subject_name(cert);
	set_name(name, NID_organizationName, "evenlode, key made on the spot, no laboratory");
	set_name(name, NID_commonName, EVL_DEMO_KEY_MARK);
	evl_require(X509_set_issuer_name(cert, name) == 1);
	evl_require(X509_set_pubkey(cert, s->key) == 1);
	add_extension(cert, NID_basic_constraints, "critical,CA:FALSE");
	add_extension(cert, NID_key_usage, "critical,digitalSignature");
	add_extension(cert, NID_subject_key_identifier, "hash");
	evl_require(X509_sign(cert, s->key, EVP_sha256()) > 0);
	s->certs = sk_X509_new_null();
	evl_require(s->certs != NULL && sk_X509_push(s->certs, cert) > 0);
	return EVL_OK;
}

/* Fills in what follows from key and certificates, or gives all back. */
static enum evl_status complete(struct evl_signer **out, struct evl_signer *s, enum evl_status st)
{
	ERR_clear_error();
	if (st != EVL_OK) {
		evl_signer_destroy(s);
		return st;
	}
	X509 *leaf = sk_X509_value(s->certs, 0);
	s->pem = evl_pem_text(s->certs, &s->pem_len);
	s->subject = evl_x509_name_text(X509_get_subject_name(leaf));
	evl_x509_fingerprint(leaf, s->fingerprint);
	s->demo = evl_x509_is_demo(leaf);
	s->self_signed = X509_self_signed(leaf, 0) == 1;
	*out = s;
	return EVL_OK;
}

enum evl_status evl_signer_load(struct evl_signer **out, const char *key_pem_path,
	const char *cert_pem_path, int64_t at_unix_s, struct evl_err *err)
{
	*out = NULL;
	if ((key_pem_path == NULL) != (cert_pem_path == NULL)) {
		return evl_err_set(err, EVL_E_INVALID,
			"a signing %s was given without its %s; give both, or none for a "
			"demonstration key",
			key_pem_path == NULL ? "certificate" : "key",
			key_pem_path == NULL ? "key" : "certificate");
	}
	struct evl_signer *s = evl_xcalloc(1, sizeof *s);
	enum evl_status st;
	if (key_pem_path == NULL) {
		st = make_demo(s, at_unix_s, err);
	} else {
		st = load_key(s, key_pem_path, err);
		if (st == EVL_OK) {
			st = load_certs(s, cert_pem_path, key_pem_path, at_unix_s, err);
		}
	}
	return complete(out, s, st);
}

/* The issuers of the signer's certificate that the file holds, in order. */
static void add_issuers(struct evl_signer *s, const STACK_OF(X509) * others)
{
	bool found = true;
	while (found && sk_X509_num(s->certs) < CHAIN_MAX_CERTS) {
		X509 *last = sk_X509_value(s->certs, sk_X509_num(s->certs) - 1);
		found = false;
		for (int i = 0; i < sk_X509_num(others) && !found; i++) {
			X509 *other = sk_X509_value(others, i);
			found = X509_cmp(other, last) != 0 && X509_self_signed(last, 0) != 1 &&
				X509_check_issued(other, last) == X509_V_OK;
			if (found) {
				X509_up_ref(other);
				evl_require(sk_X509_push(s->certs, other) > 0);
			}
		}
	}
}

static enum evl_status read_p12(struct evl_signer *s, const char *path, const char *data,
	size_t len, const char *password, struct evl_err *err)
{
	const unsigned char *p = (const unsigned char *)data;
	PKCS12 *p12 = d2i_PKCS12(NULL, &p, (long)len);
	X509 *leaf = NULL;
	STACK_OF(X509) *others = NULL;
	if (p12 == NULL) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: is no PKCS#12 file (RFC 7292); a key in PEM form is given with --key",
			path);
	}
	bool parsed = PKCS12_parse(p12, password, &s->key, &leaf, &others) == 1;
	PKCS12_free(p12);
	if (!parsed) {
		return evl_err_set(err, EVL_E_INVALID, "%s: %s", path,
			password == NULL || password[0] == '\0'
				? "wants a password; name a file with it by --password-file"
				: "the password does not open it, or its encryption is not known");
	}
	if (s->key == NULL || leaf == NULL) {
		X509_free(leaf);
		sk_X509_pop_free(others, X509_free);
		return evl_err_set(
			err, EVL_E_INVALID, "%s: holds no private key with its certificate", path);
	}
	s->certs = sk_X509_new_null();
	evl_require(s->certs != NULL && sk_X509_push(s->certs, leaf) > 0);
	add_issuers(s, others);
	sk_X509_pop_free(others, X509_free);
	return EVL_OK;
}

/* The first line of a file; the caller cleanses and frees. NULL path: NULL. */
static enum evl_status read_password(
	char **out, size_t *len, const char *path, struct evl_err *err)
{
	*out = NULL;
	*len = 0;
	if (path == NULL) {
		return EVL_OK;
	}
	enum evl_status st = evl_file_read(out, len, path, 4096, err);
	if (st < 0) {
		return evl_err_prefix(err, "password");
	}
	(*out)[strcspn(*out, "\r\n")] = '\0'; /* an editor ends the line */
	return EVL_OK;
}

static void forget_password(char *password, size_t len)
{
	if (password != NULL) {
		OPENSSL_cleanse(password, len);
	}
	free(password);
}

enum evl_status evl_signer_load_token(struct evl_signer **out, const char *uri,
	const char *cert_pem_path, const char *pin_path, int64_t at_unix_s, struct evl_err *err)
{
	struct evl_signer *s = evl_xcalloc(1, sizeof *s);
	char *pin = NULL;
	size_t len = 0;
	*out = NULL;
	enum evl_status st = read_password(&pin, &len, pin_path, err);
	st = st == EVL_OK ? evl_token_open(&s->token, uri, pin, err) : st;
	st = st == EVL_OK ? evl_token_key(&s->key, s->token, pin != NULL, err) : st;
	forget_password(pin, len);
	st = st == EVL_OK ? check_key(s, uri, err) : st;
	if (st == EVL_OK && cert_pem_path != NULL) {
		st = load_certs(s, cert_pem_path, uri, at_unix_s, err);
	} else if (st == EVL_OK) {
		X509 *leaf = NULL;
		st = evl_token_cert(&leaf, s->token, err);
		if (st == EVL_OK) {
			s->certs = sk_X509_new_null();
			evl_require(s->certs != NULL && sk_X509_push(s->certs, leaf) > 0);
			if (X509_check_private_key(leaf, s->key) != 1) {
				st = evl_err_set(err, EVL_E_INVALID,
					"%s: the token's certificate does not belong to the key",
					uri);
			} else {
				st = check_leaf(leaf, uri, at_unix_s, err);
			}
		}
	}
	return complete(out, s, st);
}

enum evl_status evl_signer_load_p12(struct evl_signer **out, const char *path,
	const char *password_path, int64_t at_unix_s, struct evl_err *err)
{
	struct evl_signer *s = evl_xcalloc(1, sizeof *s);
	char *data = NULL;
	char *password = NULL;
	size_t len = 0;
	size_t password_len = 0;
	*out = NULL;
	enum evl_status st = evl_file_read(&data, &len, path, PEM_MAX_BYTES, err);
	st = st == EVL_OK ? st : evl_err_prefix(err, "signing key");
	st = st == EVL_OK ? read_password(&password, &password_len, password_path, err) : st;
	st = st == EVL_OK ? read_p12(s, path, data, len, password, err) : st;
	st = st == EVL_OK ? check_key(s, path, err) : st;
	st = st == EVL_OK ? check_leaf(sk_X509_value(s->certs, 0), path, at_unix_s, err) : st;
	forget_password(password, password_len);
	free(data);
	return complete(out, s, st);
}

void evl_signer_destroy(struct evl_signer *s)
{
	if (s == NULL) {
		return;
	}
	EVP_PKEY_free(s->key);
	sk_X509_pop_free(s->certs, X509_free);
	evl_token_close(s->token);
	free(s->pem);
	free(s->subject);
	free(s);
}

bool evl_signer_is_demo(const struct evl_signer *s)
{
	return s->demo;
}

bool evl_signer_is_self_signed(const struct evl_signer *s)
{
	return s->self_signed;
}

const char *evl_signer_pem(const struct evl_signer *s, size_t *len)
{
	*len = s->pem_len;
	return s->pem;
}

const char *evl_signer_subject(const struct evl_signer *s)
{
	return s->subject;
}

const char *evl_signer_fingerprint(const struct evl_signer *s)
{
	return s->fingerprint;
}

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Checks the detached CMS signature strictly. CMS leaves many bytes outside the signature: version
 * numbers, algorithm names, the certificate list, unsigned attributes. Each of them has one
 * expected value here, so that a changed byte is found wherever it is.
 */
#include "core/report/sign.h"

#include <openssl/cms.h>
#include <openssl/err.h>
#include <openssl/ess.h>
#include <openssl/pem.h>
#include <openssl/x509_vfy.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/report/internal.h"

#define CONSTRUCTED 0x20

struct der {
	const uint8_t *p;
	size_t n;
};

struct cms_fields {
	struct der certificates; /* contents of [0], several certificates in a row */
	struct der issuer_serial;
	struct der signature_algorithm;
	struct der signature;
};

/* Takes one element of the wanted class and tag (class | CONSTRUCTED, as in the first byte) off
 * the front. `whole` gets it with its header, `body` without; both may be NULL. */
static bool take(struct der *in, int form, int tag, struct der *whole, struct der *body)
{
	const unsigned char *p = in->p;
	long len = 0;
	int got_tag = 0;
	int got_class = 0;
	if (in->n == 0) {
		return false;
	}
	int flags = ASN1_get_object(&p, &len, &got_tag, &got_class, (long)in->n);
	if ((flags & 0x80) != 0 || (flags & 1) != 0 || got_tag != tag ||
		((flags & CONSTRUCTED) | got_class) != form) {
		return false;
	}
	size_t head = (size_t)(p - in->p);
	if (whole != NULL) {
		*whole = (struct der){in->p, head + (size_t)len};
	}
	if (body != NULL) {
		*body = (struct der){p, (size_t)len};
	}
	in->p += head + (size_t)len;
	in->n -= head + (size_t)len;
	return true;
}

static bool is(struct der d, const void *bytes, size_t n)
{
	return d.n == n && memcmp(d.p, bytes, n) == 0;
}

/* Takes one element and wants it to be exactly these bytes. */
static bool take_exact(struct der *in, const uint8_t *bytes, size_t n)
{
	if (in->n < n || memcmp(in->p, bytes, n) != 0) {
		return false;
	}
	in->p += n;
	in->n -= n;
	return true;
}

static const uint8_t oid_signed_data[] = {6, 9, 0x2A, 0x86, 0x48, 0x86, 0xF7, 0x0D, 1, 7, 2};
/* EncapsulatedContentInfo: type data, no content (detached). */
static const uint8_t encap_data[] = {0x30, 11, 6, 9, 0x2A, 0x86, 0x48, 0x86, 0xF7, 0x0D, 1, 7, 1};
static const uint8_t version_1[] = {2, 1, 1};
static const uint8_t alg_sha256[] = {0x30, 11, 6, 9, 0x60, 0x86, 0x48, 1, 0x65, 3, 4, 2, 1};
static const uint8_t alg_ecdsa_sha256[] = {0x30, 10, 6, 8, 0x2A, 0x86, 0x48, 0xCE, 0x3D, 4, 3, 2};
static const uint8_t alg_rsa[] = {
	0x30, 13, 6, 9, 0x2A, 0x86, 0x48, 0x86, 0xF7, 0x0D, 1, 1, 1, 5, 0};

/* RFC 5652 5.1 and 5.3, as far as the shape goes. Returns NULL, or what is wrong. */
static const char *walk(struct cms_fields *f, const uint8_t *der, size_t len)
{
	struct der in = {der, len};
	struct der content_info, explicit0, sd, algs, infos, si, attrs;
	const int seq = CONSTRUCTED;
	const int context = V_ASN1_CONTEXT_SPECIFIC | CONSTRUCTED;
	if (!take(&in, seq, V_ASN1_SEQUENCE, NULL, &content_info) || in.n != 0) {
		return "is not one DER structure";
	}
	if (!take_exact(&content_info, oid_signed_data, sizeof oid_signed_data) ||
		!take(&content_info, context, 0, NULL, &explicit0) || content_info.n != 0 ||
		!take(&explicit0, seq, V_ASN1_SEQUENCE, NULL, &sd) || explicit0.n != 0) {
		return "is not CMS signed data";
	}
	if (!take_exact(&sd, version_1, sizeof version_1)) {
		return "has another version than 1";
	}
	if (!take(&sd, seq, V_ASN1_SET, NULL, &algs) || !is(algs, alg_sha256, sizeof alg_sha256)) {
		return "names another digest algorithm than SHA-256";
	}
	if (!take_exact(&sd, encap_data, sizeof encap_data)) {
		return "is not a detached signature over plain data";
	}
	if (!take(&sd, context, 0, NULL, &f->certificates)) {
		return "carries no certificate";
	}
	if (!take(&sd, seq, V_ASN1_SET, NULL, &infos) || sd.n != 0) {
		return "has fields that do not belong there (such as revocation lists)";
	}
	if (!take(&infos, seq, V_ASN1_SEQUENCE, NULL, &si) || infos.n != 0) {
		return "has not exactly one signer";
	}
	if (!take_exact(&si, version_1, sizeof version_1) ||
		!take(&si, seq, V_ASN1_SEQUENCE, &f->issuer_serial, NULL) ||
		!take_exact(&si, alg_sha256, sizeof alg_sha256) ||
		!take(&si, context, 0, NULL, &attrs) ||
		!take(&si, seq, V_ASN1_SEQUENCE, &f->signature_algorithm, NULL) ||
		!take(&si, 0, V_ASN1_OCTET_STRING, NULL, &f->signature)) {
		return "has a signer entry of another shape than evenlode writes";
	}
	return si.n == 0 ? NULL : "has unsigned attributes, which nothing protects";
}

static bool reencodes(CMS_ContentInfo *cms, const uint8_t *der, size_t len)
{
	unsigned char *again = NULL;
	int n = i2d_CMS_ContentInfo(cms, &again);
	bool same = n > 0 && (size_t)n == len && memcmp(again, der, len) == 0;
	OPENSSL_free(again);
	return same;
}

static int compare_der(const void *a, const void *b)
{
	const struct der *x = a;
	const struct der *y = b;
	int c = memcmp(x->p, y->p, x->n < y->n ? x->n : y->n);
	return c != 0 ? c : (x->n > y->n) - (x->n < y->n);
}

/* The DER certificates of a PEM text, not parsed further: parsing a certificate takes OpenSSL
 * longer than all other steps here together. Each `p` belongs to the list (ders_free). */
struct ders {
	struct der *at;
	size_t count;
};

static void ders_free(struct ders *list)
{
	for (size_t i = 0; i < list->count; i++) {
		OPENSSL_free((void *)(uintptr_t)list->at[i].p);
	}
	free(list->at);
}

/* True when the text is the one PEM form of at least one certificate and nothing else. */
static bool pem_ders(struct ders *list, const char *pem, size_t len)
{
	BIO *in = BIO_new_mem_buf(pem, (int)len);
	BIO *again = BIO_new(BIO_s_mem());
	evl_require(in != NULL && again != NULL);
	char *name = NULL;
	char *header = NULL;
	unsigned char *data = NULL;
	long n = 0;
	bool plain = true;
	while (plain && PEM_read_bio(in, &name, &header, &data, &n) == 1) {
		plain = strcmp(name, PEM_STRING_X509) == 0 && header[0] == '\0' && n > 0;
		list->at = evl_xrealloc(list->at, (list->count + 1) * sizeof *list->at);
		list->at[list->count++] = (struct der){data, (size_t)n};
		plain = plain && PEM_write_bio(again, name, header, data, n) > 0;
		OPENSSL_free(name);
		OPENSSL_free(header);
	}
	char *text = NULL;
	long text_len = BIO_get_mem_data(again, &text);
	plain = plain && list->count > 0 && (size_t)text_len == len && memcmp(text, pem, len) == 0;
	BIO_free(in);
	BIO_free(again);
	ERR_clear_error();
	return plain;
}

/* The certificate set must hold these certificates, each once, in DER order (X.690 11.6), and
 * nothing else. */
static bool same_certificates(struct der set, const struct ders *certs)
{
	struct der *want = evl_xcalloc(certs->count, sizeof *want);
	bool same = true;
	memcpy(want, certs->at, certs->count * sizeof *want);
	qsort(want, certs->count, sizeof *want, compare_der);
	for (size_t i = 0; i < certs->count && same; i++) {
		same = take_exact(&set, want[i].p, want[i].n);
	}
	free(want);
	return same && set.n == 0;
}

/* True when `cert` made this signature: its key fits, the signed attribute with the certificate's
 * digest (RFC 5035) names it, and issuer and serial number are its own. */
static bool made_by(CMS_SignerInfo *si, X509 *cert, const struct cms_fields *f)
{
	STACK_OF(X509) *chain = sk_X509_new_null();
	ESS_SIGNING_CERT_V2 *ess = NULL;
	ASN1_STRING *attr = CMS_signed_get0_data_by_OBJ(
		si, OBJ_nid2obj(NID_id_smime_aa_signingCertificateV2), -3, V_ASN1_SEQUENCE);
	evl_require(chain != NULL && sk_X509_push(chain, cert) > 0);
	bool ok = false;
	if (attr != NULL) {
		const unsigned char *p = ASN1_STRING_get0_data(attr);
		ess = d2i_ESS_SIGNING_CERT_V2(NULL, &p, ASN1_STRING_length(attr));
		ok = ess != NULL && OSSL_ESS_check_signing_certs(NULL, ess, chain, 1) == 1;
	}
	ESS_SIGNING_CERT_V2_free(ess);
	sk_X509_free(chain);
	if (ok) {
		unsigned char *issuer = NULL;
		unsigned char *serial = NULL;
		int issuer_n = i2d_X509_NAME(X509_get_issuer_name(cert), &issuer);
		int serial_n = i2d_ASN1_INTEGER(X509_get0_serialNumber(cert), &serial);
		struct der in = f->issuer_serial;
		struct der body;
		ok = issuer_n > 0 && serial_n > 0 &&
		     take(&in, CONSTRUCTED, V_ASN1_SEQUENCE, NULL, &body) &&
		     take_exact(&body, issuer, (size_t)issuer_n) &&
		     take_exact(&body, serial, (size_t)serial_n) && body.n == 0;
		OPENSSL_free(issuer);
		OPENSSL_free(serial);
	}
	if (!ok) {
		return false;
	}
	EVP_PKEY *key = X509_get0_pubkey(cert);
	bool ec = key != NULL && EVP_PKEY_is_a(key, "EC");
	bool rsa = key != NULL && EVP_PKEY_is_a(key, "RSA");
	if (!(ec && is(f->signature_algorithm, alg_ecdsa_sha256, sizeof alg_ecdsa_sha256)) &&
		!(rsa && is(f->signature_algorithm, alg_rsa, sizeof alg_rsa))) {
		return false;
	}
	CMS_SignerInfo_set1_signer_cert(si, cert);
	return CMS_SignerInfo_verify(si) == 1 &&
	       evl_ecdsa_is_low_s(key, f->signature.p, f->signature.n);
}

/* Each certificate is signed by one of the list: so no byte of a chain up to its root was altered.
 */
static bool is_sound(const STACK_OF(X509) * certs)
{
	for (int i = 0; i < sk_X509_num(certs); i++) {
		bool found = false;
		for (int k = 0; k < sk_X509_num(certs) && !found; k++) {
			EVP_PKEY *key = X509_get0_pubkey(sk_X509_value(certs, k));
			found = key != NULL && X509_verify(sk_X509_value(certs, i), key) == 1;
		}
		if (!found) {
			return false;
		}
	}
	return true;
}

static bool digest_matches(CMS_SignerInfo *si, const void *data, size_t len)
{
	uint8_t md[EVL_SHA256_BYTES];
	ASN1_STRING *attr = CMS_signed_get0_data_by_OBJ(
		si, OBJ_nid2obj(NID_pkcs9_messageDigest), -3, V_ASN1_OCTET_STRING);
	ASN1_OBJECT *type = CMS_signed_get0_data_by_OBJ(
		si, OBJ_nid2obj(NID_pkcs9_contentType), -3, V_ASN1_OBJECT);
	evl_sha256_of(data, len, md);
	return attr != NULL && type != NULL && OBJ_obj2nid(type) == NID_pkcs7_data &&
	       ASN1_STRING_length(attr) == (int)sizeof md &&
	       memcmp(ASN1_STRING_get0_data(attr), md, sizeof md) == 0;
}

/* OpenSSL's own verdict over all of it, as `openssl cms -verify` would give it. */
static bool cms_accepts(CMS_ContentInfo *cms, STACK_OF(X509) * certs, const void *data, size_t len)
{
	BIO *content = BIO_new_mem_buf(data, (int)len);
	BIO *out = BIO_new(BIO_s_null());
	evl_require(content != NULL && out != NULL);
	int rc = CMS_verify(cms, certs, NULL, content, out,
		CMS_BINARY | CMS_DETACHED | CMS_NO_SIGNER_CERT_VERIFY);
	BIO_free(content);
	BIO_free(out);
	return rc == 1;
}

static bool signing_time(CMS_SignerInfo *si, int64_t *unix_s)
{
	ASN1_OBJECT *name = OBJ_nid2obj(NID_pkcs9_signingTime);
	ASN1_TIME *t = CMS_signed_get0_data_by_OBJ(si, name, -3, V_ASN1_UTCTIME);
	if (t == NULL) {
		t = CMS_signed_get0_data_by_OBJ(si, name, -3, V_ASN1_GENERALIZEDTIME);
	}
	ASN1_TIME *epoch = ASN1_TIME_set(NULL, 0);
	int days = 0;
	int seconds = 0;
	bool ok = t != NULL && ASN1_TIME_diff(&days, &seconds, epoch, t) == 1;
	ASN1_TIME_free(epoch);
	*unix_s = (int64_t)days * 86400 + seconds;
	return ok;
}

static void describe(struct evl_signature_info *info, X509 *cert)
{
	char *subject = evl_x509_name_text(X509_get_subject_name(cert));
	char *issuer = evl_x509_name_text(X509_get_issuer_name(cert));
	BIGNUM *bn = ASN1_INTEGER_to_BN(X509_get0_serialNumber(cert), NULL);
	char *serial = bn == NULL ? NULL : BN_bn2hex(bn);
	snprintf(info->subject, sizeof info->subject, "%s", subject);
	snprintf(info->issuer, sizeof info->issuer, "%s", issuer);
	snprintf(info->serial, sizeof info->serial, "%s", serial == NULL ? "?" : serial);
	evl_x509_fingerprint(cert, info->fingerprint);
	evl_asn1_time_text(X509_get0_notBefore(cert), info->not_before);
	evl_asn1_time_text(X509_get0_notAfter(cert), info->not_after);
	info->demo = evl_x509_is_demo(cert);
	info->self_signed = X509_self_signed(cert, 0) == 1;
	OPENSSL_free(serial);
	BN_free(bn);
	free(subject);
	free(issuer);
}

static enum evl_status check_trust(struct evl_signature_info *info, STACK_OF(X509) * certs,
	const char *trusted_pem, struct evl_err *err)
{
	STACK_OF(X509) *trusted = evl_pem_certs(trusted_pem, strlen(trusted_pem));
	if (trusted == NULL) {
		return evl_err_set(err, EVL_E_INVALID,
			"the trusted certificates are not PEM (-----BEGIN CERTIFICATE-----)");
	}
	X509_STORE *store = X509_STORE_new();
	X509_STORE_CTX *ctx = X509_STORE_CTX_new();
	evl_require(store != NULL && ctx != NULL);
	for (int i = 0; i < sk_X509_num(trusted); i++) {
		evl_require(X509_STORE_add_cert(store, sk_X509_value(trusted, i)) == 1);
	}
	evl_require(X509_STORE_CTX_init(ctx, store, sk_X509_value(certs, 0), certs) == 1);
	X509_VERIFY_PARAM *param = X509_STORE_CTX_get0_param(ctx);
	X509_VERIFY_PARAM_set_flags(param, X509_V_FLAG_PARTIAL_CHAIN);
	X509_VERIFY_PARAM_set_time(param, (time_t)info->signed_unix_s);
	X509_VERIFY_PARAM_set_purpose(param, X509_PURPOSE_ANY);
	enum evl_status st = EVL_OK;
	info->trusted = X509_verify_cert(ctx) == 1;
	if (!info->trusted) {
		st = evl_err_set(err, EVL_E_INVALID,
			"the signer's certificate (%s) does not lead to a certificate that you "
			"trust: %s",
			info->subject,
			X509_verify_cert_error_string(X509_STORE_CTX_get_error(ctx)));
	}
	X509_STORE_CTX_free(ctx);
	X509_STORE_free(store);
	sk_X509_pop_free(trusted, X509_free);
	return st;
}

static bool within_validity(X509 *cert, int64_t unix_s)
{
	time_t t = (time_t)unix_s;
	return X509_cmp_time(X509_get0_notBefore(cert), &t) < 0 &&
	       X509_cmp_time(X509_get0_notAfter(cert), &t) > 0;
}

enum evl_status evl_signature_check(struct evl_signature_info *info, const char **part,
	const void *der, size_t der_len, const void *data, size_t data_len, const char *pem,
	size_t pem_len, const char *trusted_pem, struct evl_err *err)
{
	const char *blame = "manifest.p7s";
	enum evl_status st = EVL_OK;
	struct cms_fields f;
	struct ders ders = {0};          /* of signer.pem */
	STACK_OF(X509) *certs = NULL;    /* the same, parsed */
	STACK_OF(X509) *embedded = NULL; /* of the CMS structure */
	memset(info, 0, sizeof *info);
	CMS_ContentInfo *cms = NULL;
	const unsigned char *p = der;
	const char *wrong = walk(&f, der, der_len);
	/* Bytes are compared before anything is parsed or computed. */
	if (wrong == NULL && !pem_ders(&ders, pem, pem_len)) {
		blame = "signer.pem";
		st = evl_err_set(err, EVL_E_CORRUPT,
			"is not the plain PEM form of the signer's certificate");
		goto out;
	}
	cms = wrong == NULL ? d2i_CMS_ContentInfo(NULL, &p, (long)der_len) : NULL;
	if (cms == NULL || !reencodes(cms, der, der_len)) {
		st = evl_err_set(
			err, EVL_E_CORRUPT, "%s", wrong != NULL ? wrong : "is not strict DER");
		goto out;
	}
	CMS_SignerInfo *si = sk_CMS_SignerInfo_value(CMS_get0_SignerInfos(cms), 0);
	certs = evl_pem_certs(pem, pem_len);
	if (certs == NULL || si == NULL) {
		blame = certs == NULL ? "signer.pem" : blame;
		st = evl_err_set(err, EVL_E_CORRUPT, "%s",
			certs == NULL ? "holds a damaged certificate" : "has no signer");
		goto out;
	}
	X509 *leaf = sk_X509_value(certs, 0);
	bool same = same_certificates(f.certificates, &ders);
	bool leaf_signed = made_by(si, leaf, &f);
	embedded = CMS_get1_certs(cms);
	if (!leaf_signed) {
		/* Whichever of the two certificates fits the signature is the right one. */
		bool embedded_signed = false;
		for (int i = 0; i < sk_X509_num(embedded) && !embedded_signed; i++) {
			X509 *cert = sk_X509_value(embedded, i);
			embedded_signed = X509_cmp(cert, leaf) != 0 && made_by(si, cert, &f);
		}
		blame = embedded_signed ? "signer.pem" : "manifest.p7s";
		st = evl_err_set(err, EVL_E_CORRUPT, "%s",
			embedded_signed
				? "holds another certificate than the one that signed"
				: "the signature is not one by the certificate in signer.pem");
		goto out;
	}
	if (!same) {
		/* The list that still holds together is the right one. */
		bool pem_altered = !is_sound(certs) && is_sound(embedded);
		blame = pem_altered ? "signer.pem" : "manifest.p7s";
		st = evl_err_set(err, EVL_E_CORRUPT,
			"the certificates in manifest.p7s and signer.pem are not the same");
		goto out;
	}
	if (!digest_matches(si, data, data_len) || !cms_accepts(cms, certs, data, data_len)) {
		blame = "manifest.json";
		st = evl_err_set(err, EVL_E_CORRUPT,
			"is not what was signed: its digest differs from the one in manifest.p7s");
		goto out;
	}
	describe(info, leaf);
	if (!signing_time(si, &info->signed_unix_s) ||
		!within_validity(leaf, info->signed_unix_s)) {
		st = evl_err_set(err, EVL_E_CORRUPT,
			"the signing time is missing or outside the validity of the certificate "
			"(%s to %s)",
			info->not_before, info->not_after);
		goto out;
	}
	blame = "signer.pem";
	if (trusted_pem != NULL) {
		st = check_trust(info, certs, trusted_pem, err);
	}
out:
	if (part != NULL) {
		*part = blame;
	}
	sk_X509_pop_free(certs, X509_free);
	sk_X509_pop_free(embedded, X509_free);
	ders_free(&ders);
	CMS_ContentInfo_free(cms);
	ERR_clear_error();
	return st;
}

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The PDF's own signature. The file that Cairo wrote stays as it is; behind it comes an update with
 * the signature, its field, and new versions of the catalog and the first page that point at them.
 */
#include <inttypes.h>
#include <openssl/err.h>
#include <openssl/ess.h>
#include <openssl/pkcs7.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core/base/digest.h"
#include "core/base/text.h"
#include "core/report/internal.h"
#include "core/report/pdf.h"

#define SLACK 64 /* signatures of one key differ by a few bytes */

struct dictionary {
	const char *text; /* between << and >> */
	size_t len;
};

struct file {
	const char *data;
	size_t len;
	size_t xref; /* where the cross-reference table begins */
	struct dictionary trailer;
};

static const char *find(const char *in, size_t len, const char *what)
{
	size_t n = strlen(what);
	for (size_t i = 0; i + n <= len; i++) {
		if (memcmp(in + i, what, n) == 0) {
			return in + i;
		}
	}
	return NULL;
}

static bool dictionary_at(struct dictionary *d, const char *at, const char *end)
{
	int depth = 0;
	const char *from = find(at, (size_t)(end - at), "<<");
	if (from == NULL) {
		return false;
	}
	for (const char *c = from; c + 1 < end; c++) {
		if (c[0] == '<' && c[1] == '<') {
			depth++;
			c++;
		} else if (c[0] == '>' && c[1] == '>') {
			if (--depth == 0) {
				*d = (struct dictionary){from + 2, (size_t)(c - from) - 2};
				return true;
			}
			c++;
		}
	}
	return false;
}

/* The number behind a key, such as 44 of "/Root 44 0 R"; -1 when the key is not there. */
static long number_of(struct dictionary d, const char *key)
{
	const char *at = find(d.text, d.len, key);
	char digits[16] = "";
	size_t n = 0;
	if (at == NULL) {
		return -1;
	}
	at += strlen(key);
	while (at < d.text + d.len && (*at == ' ' || *at == '[')) {
		at++;
	}
	while (at < d.text + d.len && *at >= '0' && *at <= '9' && n + 1 < sizeof digits) {
		digits[n++] = *at++;
	}
	return n == 0 ? -1 : strtol(digits, NULL, 10);
}

static bool open_file(struct file *f, const uint8_t *pdf, size_t len)
{
	*f = (struct file){.data = (const char *)pdf, .len = len};
	const char *end = f->data + len;
	const char *at = len < 64 ? NULL : find(end - 64, 64, "startxref");
	if (at == NULL) {
		return false;
	}
	f->xref = (size_t)strtoul(at + 9, NULL, 10); /* "%%EOF" follows the digits */
	if (f->xref >= len || strncmp(f->data + f->xref, "xref", 4) != 0) {
		return false;
	}
	const char *trailer = find(f->data + f->xref, len - f->xref, "trailer");
	return trailer != NULL && dictionary_at(&f->trailer, trailer, end);
}

/* ISO 32000-1 7.5.4: entries of 20 bytes, the first 10 the offset. */
static bool object(const struct file *f, long number, struct dictionary *d)
{
	const char *end = f->data + f->len;
	const char *at = strchr(f->data + f->xref, '\n'); /* behind "xref" */
	at = at == NULL ? NULL : strchr(at + 1, '\n');    /* behind "0 N" */
	if (at == NULL || number < 0 || at + 1 + (number + 1) * 20 > end) {
		return false;
	}
	size_t offset = (size_t)strtoul(at + 1 + number * 20, NULL, 10);
	return offset < f->len && dictionary_at(d, f->data + offset, end);
}

/* Bytes between parentheses: ASCII only, so that it is the same in PDF's own character set. */
static void put_string(struct evl_text *t, const char *s)
{
	evl_text_add(t, "(");
	for (; *s != '\0'; s++) {
		bool plain = *s >= 0x20 && *s < 0x7F;
		if (*s == '(' || *s == ')' || *s == '\\') {
			evl_text_add(t, "\\");
		}
		evl_text_addn(t, plain ? s : "?", 1);
	}
	evl_text_add(t, ")");
}

struct update {
	struct evl_text t; /* the whole new file */
	struct {
		long number;
		size_t offset;
	} objects[4];
	size_t count;
};

static void begin_object(struct update *u, long number)
{
	u->objects[u->count].number = number;
	u->objects[u->count++].offset = u->t.len;
	evl_text_addf(&u->t, "%ld 0 obj\n<< ", number);
}

static void put_page(struct update *u, long number, struct dictionary page, long field)
{
	static const char key[] = "/Annots [";
	const char *at = find(page.text, page.len, key);
	begin_object(u, number);
	if (at == NULL) {
		evl_text_addn(&u->t, page.text, page.len);
		evl_text_addf(&u->t, " /Annots [ %ld 0 R ]", field);
	} else {
		size_t head = (size_t)(at - page.text) + sizeof key - 1;
		evl_text_addn(&u->t, page.text, head);
		evl_text_addf(&u->t, " %ld 0 R", field);
		evl_text_addn(&u->t, page.text + head, page.len - head);
	}
	evl_text_add(&u->t, " >>\nendobj\n");
}

static int compare_objects(const void *a, const void *b)
{
	const long *x = a;
	const long *y = b;
	return (*x > *y) - (*x < *y);
}

static void put_xref(struct update *u, const struct file *f, long size, const char id[33])
{
	size_t at = u->t.len;
	qsort(u->objects, u->count, sizeof u->objects[0], compare_objects);
	evl_text_add(&u->t, "xref\n");
	for (size_t i = 0; i < u->count; i++) {
		evl_text_addf(&u->t, "%ld 1\n%010zu 00000 n \n", u->objects[i].number,
			u->objects[i].offset);
	}
	evl_text_addf(&u->t,
		"trailer\n<< /Size %ld /Root %ld 0 R /Info %ld 0 R /Prev %zu /ID [<%s> <%s>] "
		">>\nstartxref\n%zu\n%%%%EOF\n",
		size, number_of(f->trailer, "/Root"), number_of(f->trailer, "/Info"), f->xref, id,
		id, at);
}

/* RFC 5652 SignedData with the signed attributes of PAdES B-B and no signing time, which OpenSSL's
 * own CMS calls would add. In ascending order of encoding, as DER wants a SET (X.690 11.6). */
static bool set_attributes(
	PKCS7_SIGNER_INFO *si, const struct evl_signer *signer, const uint8_t md[EVL_SHA256_BYTES])
{
	unsigned char *der = NULL;
	X509 *cert = sk_X509_value(signer->certs, 0);
	ESS_SIGNING_CERT_V2 *ess = OSSL_ESS_signing_cert_v2_new_init(EVP_sha256(), cert, NULL, 1);
	int n = ess == NULL ? -1 : i2d_ESS_SIGNING_CERT_V2(ess, &der);
	ASN1_STRING *value = ASN1_STRING_new();
	bool ok = n > 0 && value != NULL && ASN1_STRING_set(value, der, n) == 1 &&
		  PKCS7_add_attrib_content_type(si, NULL) == 1 &&
		  PKCS7_add1_attrib_digest(si, md, EVL_SHA256_BYTES) == 1;
	ESS_SIGNING_CERT_V2_free(ess);
	OPENSSL_free(der);
	if (!ok || PKCS7_add_signed_attribute(
			   si, NID_id_smime_aa_signingCertificateV2, V_ASN1_SEQUENCE, value) != 1) {
		ASN1_STRING_free(value);
		return false;
	}
	return true;
}

static enum evl_status sign_digest(uint8_t **out, size_t *out_len, const struct evl_signer *signer,
	const uint8_t md[EVL_SHA256_BYTES], struct evl_err *err)
{
	unsigned char *der = NULL;
	PKCS7 *p7 = PKCS7_new();
	evl_require(p7 != NULL);
	bool ok = PKCS7_set_type(p7, NID_pkcs7_signed) == 1 &&
		  PKCS7_content_new(p7, NID_pkcs7_data) == 1 && PKCS7_set_detached(p7, 1) == 1;
	PKCS7_SIGNER_INFO *si = ok ? PKCS7_add_signature(p7, sk_X509_value(signer->certs, 0),
					     signer->key, EVP_sha256())
				   : NULL;
	ok = si != NULL;
	for (int i = 0; ok && i < sk_X509_num(signer->certs); i++) {
		ok = PKCS7_add_certificate(p7, sk_X509_value(signer->certs, i)) == 1;
	}
	ok = ok && set_attributes(si, signer, md) && PKCS7_SIGNER_INFO_sign(si) == 1;
	int n = ok ? i2d_PKCS7(p7, &der) : -1;
	enum evl_status st = EVL_OK;
	if (n <= 0) {
		st = evl_err_set(
			err, EVL_E_INVALID, "the PDF cannot be signed: %s", evl_ossl_reason());
	} else {
		*out = evl_xmalloc((size_t)n);
		memcpy(*out, der, (size_t)n);
		*out_len = (size_t)n;
	}
	OPENSSL_free(der);
	PKCS7_free(p7);
	ERR_clear_error();
	return st;
}

static void put_signature(struct update *u, long number, const struct evl_signer *signer,
	int64_t at_unix_s, size_t room)
{
	char when[32] = "19700101000000";
	time_t t = (time_t)at_unix_s;
	struct tm tm;
	if (gmtime_r(&t, &tm) != NULL) {
		strftime(when, sizeof when, "%Y%m%d%H%M%S", &tm);
	}
	begin_object(u, number);
	/* The filter names a preferred handler; any that knows the SubFilter may be used (ISO
	 * 32000-1, table 252), so it is named after who wrote it. */
	evl_text_addf(&u->t,
		"/Type /Sig /Filter /Evenlode /SubFilter /ETSI.CAdES.detached /M (D:%s+00'00')\n"
		"/Name ",
		when);
	put_string(&u->t, evl_signer_subject(signer));
	evl_text_add(&u->t, "\n/ByteRange [0 0000000000 0000000000 0000000000]\n/Contents <");
	for (size_t i = 0; i < room; i++) {
		evl_text_add(&u->t, "00");
	}
	evl_text_add(&u->t, ">\n>>\nendobj\n");
}

static void digest_ranges(const struct evl_text *t, size_t from, size_t to, uint8_t *md)
{
	struct evl_sha256 *d = evl_sha256_create();
	evl_sha256_update(d, t->data, from);
	evl_sha256_update(d, t->data + to, t->len - to);
	evl_sha256_peek(d, md);
	evl_sha256_destroy(d);
}

enum evl_status evl_pdf_sign(uint8_t **out, size_t *out_len, const uint8_t *pdf, size_t len,
	const struct evl_signer *signer, int64_t at_unix_s, struct evl_err *err)
{
	struct file f;
	struct dictionary catalog, pages, page;
	struct update u = {.count = 0};
	uint8_t md[EVL_SHA256_BYTES];
	char id[EVL_SHA256_HEX];
	uint8_t *der = NULL;
	size_t der_len = 0;
	*out = NULL;
	*out_len = 0;
	if (!open_file(&f, pdf, len) || !object(&f, number_of(f.trailer, "/Root"), &catalog) ||
		!object(&f, number_of(catalog, "/Pages"), &pages) ||
		!object(&f, number_of(pages, "/Kids"), &page)) {
		return evl_err_set(err, EVL_E_INVALID,
			"the PDF has another structure than this version of evenlode can sign");
	}
	evl_sha256_of(pdf, len, md);
	evl_hex(md, sizeof md, id);
	id[32] = '\0';
	/* How long is a signature of this key? */
	enum evl_status st = sign_digest(&der, &der_len, signer, md, err);
	if (st != EVL_OK) {
		return st;
	}
	size_t room = der_len + SLACK;
	free(der);
	der = NULL;
	long size = number_of(f.trailer, "/Size");
	long field = size + 1;
	evl_text_addn(&u.t, f.data, len);
	put_signature(&u, size, signer, at_unix_s, room);
	begin_object(&u, field);
	evl_text_addf(&u.t,
		"/FT /Sig /T (Signature1) /V %ld 0 R /Type /Annot /Subtype /Widget /Rect [0 0 0 0] "
		"/F 132 /P %ld 0 R >>\nendobj\n",
		size, number_of(pages, "/Kids"));
	begin_object(&u, number_of(f.trailer, "/Root"));
	evl_text_addn(&u.t, catalog.text, catalog.len);
	evl_text_addf(&u.t,
		" /Version /1.7 /Lang (en) /MarkInfo << /Marked true >>"
		" /ViewerPreferences << /DisplayDocTitle true >>"
		" /AcroForm << /Fields [ %ld 0 R ] /SigFlags 3 >> >>\nendobj\n",
		field);
	put_page(&u, number_of(pages, "/Kids"), page, field);
	put_xref(&u, &f, size + 2, id);
	/* All but the hex digits and their angle brackets is signed (ISO 32000-1 12.8.1). */
	static const char key[] = "/Contents <00";
	size_t from =
		(size_t)(find(u.t.data + len, u.t.len - len, key) - u.t.data) + sizeof key - 4;
	size_t to = from + 2 * room + 2;
	char *range = u.t.data + len;
	range += find(range, u.t.len - len, "/ByteRange [0 ") - range + 14;
	char numbers[40];
	snprintf(numbers, sizeof numbers, "%010zu %010zu %010zu", from, to, u.t.len - to);
	memcpy(range, numbers, 32);
	digest_ranges(&u.t, from, to, md);
	st = sign_digest(&der, &der_len, signer, md, err);
	if (st == EVL_OK && der_len > room) {
		st = evl_err_set(err, EVL_E_LIMIT, "the signature of the PDF needs more room");
	}
	if (st == EVL_OK) {
		char *hex = evl_xmalloc(2 * der_len + 1);
		evl_hex(der, der_len, hex);
		memcpy(u.t.data + from + 1, hex, 2 * der_len);
		free(hex);
		*out = (uint8_t *)u.t.data;
		*out_len = u.t.len;
		u.t = (struct evl_text){0};
	}
	free(der);
	evl_text_finish(&u.t);
	return st;
}

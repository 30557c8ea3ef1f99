/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Signature over a text. Outside checks: the `openssl` program (Debian) makes the keys and
 * certificates and verifies the signatures; RFC 5652 for what is in one.
 */
#include "tests/report/invented.h"

#include <openssl/bn.h>
#include <openssl/cms.h>
#include <openssl/ec.h>
#include <openssl/ecdsa.h>
#include <openssl/pem.h>
#include <time.h>

#include "core/report/sign.h"

#define NOW     INT64_C(1795600000) /* in November 2026 */
#define CONTENT "{\"a\":1}\nsecond line\n"
#define VERIFY                                                                                     \
	"openssl cms -verify -binary -inform DER -in s.p7s -content c -CAfile signer.pem "         \
	"-purpose any -attime 1795600000 -out /dev/null"

static char *folder;

static char *at(const char *name)
{
	static char path[2][4200];
	static int turn;
	turn = !turn;
	snprintf(path[turn], sizeof path[turn], "%s/%s", folder, name);
	return path[turn];
}

/* Keys and certificates made by the openssl program. */
static int make_keys(void **state)
{
	(void)state;
	folder = invented_folder();
	static const char *const commands[] = {
		"openssl ecparam -name prime256v1 -genkey -noout -out ec.key",
		"openssl req -x509 -new -key ec.key -subj '/O=Example Lab (invented)/CN=Signer' "
		"-days 3650 -out ec.pem",
		"openssl genrsa -out rsa.key 2048",
		"openssl req -x509 -new -key rsa.key -subj '/CN=RSA signer' -days 3650 -out "
		"rsa.pem",
		"openssl genrsa -out weak.key 1024",
		"openssl req -x509 -new -key weak.key -subj '/CN=weak' -days 3650 -out weak.pem",
		"openssl genpkey -algorithm ed25519 -out ed.key",
		"openssl req -x509 -new -key ed.key -subj '/CN=ed' -days 3650 -out ed.pem",
		"openssl ec -in ec.key -aes256 -passout pass:secret -out locked.key",
		"openssl pkey -in ec.key -aes256 -passout pass:secret -out locked8.key",
		"openssl pkey -in ec.key -pubout -out public.key",
		"openssl req -new -key ec.key -subj /CN=old -out old.csr",
		"openssl x509 -req -in old.csr -signkey ec.key -days 1 -out old.pem",
		"openssl req -x509 -new -key ec.key -subj /CN=noSign -days 3650 "
		"-addext keyUsage=critical,keyEncipherment -out nosign.pem",
		"openssl ecparam -name prime256v1 -genkey -noout -out ca.key",
		"openssl req -x509 -new -key ca.key -subj '/CN=Example CA (invented)' -days 3650 "
		"-out ca.pem",
		"openssl req -new -key ec.key -subj '/CN=Issued signer' -out leaf.csr",
		"openssl x509 -req -in leaf.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days "
		"3650 "
		"-out leaf.pem",
		"cat leaf.pem ca.pem > chain.pem",
		"cat leaf.pem rsa.pem > wrongchain.pem",
		"head -c 200 ec.pem > cut.pem",
		"printf 'no PEM here\\n' > text.pem",
	};
	for (size_t i = 0; i < sizeof commands / sizeof *commands; i++) {
		if (run_in(folder, commands[i]) != 0) {
			fprintf(stderr, "%s failed\n", commands[i]);
			return -1;
		}
	}
	return 0;
}

static int remove_keys(void **state)
{
	(void)state;
	invented_folder_remove(folder);
	return 0;
}

/* The certificates above begin today: take a time within their validity. */
static int64_t now(void)
{
	return (int64_t)time(NULL) + 60;
}

struct signed_text {
	uint8_t *der;
	size_t len;
	char *pem;
	size_t pem_len;
};

static struct signed_text sign_with(const char *key, const char *cert, int64_t when)
{
	struct signed_text s = {0};
	struct evl_signer *signer = NULL;
	OK(evl_signer_load(&signer, key, cert, when, err));
	OK(evl_signer_sign(&s.der, &s.len, signer, CONTENT, strlen(CONTENT), when, err));
	const char *pem = evl_signer_pem(signer, &s.pem_len);
	s.pem = malloc(s.pem_len + 1);
	assert_non_null(s.pem);
	memcpy(s.pem, pem, s.pem_len + 1);
	evl_signer_destroy(signer);
	OK(evl_file_write(at("s.p7s"), s.der, s.len, err));
	OK(evl_file_write(at("signer.pem"), s.pem, s.pem_len, err));
	OK(evl_file_write(at("c"), CONTENT, strlen(CONTENT), err));
	return s;
}

static void signed_free(struct signed_text *s)
{
	free(s->der);
	free(s->pem);
}

static void demo_key(void **state)
{
	(void)state;
	struct signed_text s = sign_with(NULL, NULL, NOW);
	struct evl_signature_info info;
	assert_int_equal(run_in(folder, VERIFY), 0);
	assert_int_equal(run_in(folder, "openssl x509 -in signer.pem -noout -subject | "
					"grep -q 'DEMONSTRATION KEY, proves integrity only'"),
		0);
	OK(evl_signature_check(
		&info, NULL, s.der, s.len, CONTENT, strlen(CONTENT), s.pem, s.pem_len, NULL, err));
	assert_true(info.demo);
	assert_true(info.self_signed);
	assert_false(info.trusted);
	assert_int_equal(info.signed_unix_s, NOW);
	/* The same bytes elsewhere do not verify, and the command says so too. */
	OK(evl_file_write(at("c"), CONTENT "x", strlen(CONTENT) + 1, err));
	assert_int_not_equal(run_in(folder, VERIFY), 0);
	/* The fingerprint is what the openssl program prints. */
	char command[400];
	snprintf(command, sizeof command,
		"openssl x509 -in signer.pem -noout -fingerprint -sha256 | "
		"tr -d : | tr A-F a-f | grep -q '=%s$'",
		info.fingerprint);
	assert_int_equal(run_in(folder, command), 0);
	signed_free(&s);
}

static void two_demo_keys_differ(void **state)
{
	(void)state;
	struct signed_text a = sign_with(NULL, NULL, NOW);
	struct signed_text b = sign_with(NULL, NULL, NOW);
	const char *part = NULL;
	struct evl_signature_info info;
	assert_string_not_equal(a.pem, b.pem);
	/* The certificate of another dossier is found to be the wrong one. */
	REFUSED(evl_signature_check(&info, &part, a.der, a.len, CONTENT, strlen(CONTENT), b.pem,
			b.pem_len, NULL, err),
		EVL_E_CORRUPT, "another certificate");
	assert_string_equal(part, "signer.pem");
	signed_free(&a);
	signed_free(&b);
}

static void own_keys(void **state)
{
	(void)state;
	static const char *const pairs[][3] = {{"ec.key", "ec.pem", ""}, {"rsa.key", "rsa.pem", ""},
		{"ec.key", "chain.pem", ""}, {"ec.key", "leaf.pem", " -partial_chain"}};
	for (size_t i = 0; i < sizeof pairs / sizeof *pairs; i++) {
		struct evl_signature_info info;
		char command[400];
		struct signed_text s = sign_with(at(pairs[i][0]), at(pairs[i][1]), now());
		snprintf(command, sizeof command,
			"openssl cms -verify -binary -inform DER -in s.p7s "
			"-content c -CAfile signer.pem -purpose any%s -no_check_time -out "
			"/dev/null",
			pairs[i][2]);
		assert_int_equal(run_in(folder, command), 0);
		OK(evl_signature_check(&info, NULL, s.der, s.len, CONTENT, strlen(CONTENT), s.pem,
			s.pem_len, NULL, err));
		assert_false(info.demo);
		assert_int_equal(info.self_signed, i < 2);
		signed_free(&s);
	}
}

static void trust(void **state)
{
	(void)state;
	struct signed_text s = sign_with(at("ec.key"), at("leaf.pem"), now());
	struct evl_signature_info info;
	char *ca = NULL;
	size_t n = 0;
	OK(evl_file_read(&ca, &n, at("ca.pem"), 100000, err));
	OK(evl_signature_check(
		&info, NULL, s.der, s.len, CONTENT, strlen(CONTENT), s.pem, s.pem_len, ca, err));
	assert_true(info.trusted);
	free(ca);
	/* The signer's own certificate may be the trusted one. */
	OK(evl_signature_check(
		&info, NULL, s.der, s.len, CONTENT, strlen(CONTENT), s.pem, s.pem_len, s.pem, err));
	OK(evl_file_read(&ca, &n, at("rsa.pem"), 100000, err));
	REFUSED(evl_signature_check(&info, NULL, s.der, s.len, CONTENT, strlen(CONTENT), s.pem,
			s.pem_len, ca, err),
		EVL_E_INVALID, "does not lead to a certificate that you trust");
	REFUSED(evl_signature_check(&info, NULL, s.der, s.len, CONTENT, strlen(CONTENT), s.pem,
			s.pem_len, "nothing", err),
		EVL_E_INVALID, "not PEM");
	free(ca);
	signed_free(&s);
}

static void bad_keys(void **state)
{
	(void)state;
	static const struct {
		const char *key, *cert;
		enum evl_status status;
		const char *message;
	} bad[] = {
		{"ec.key", NULL, EVL_E_INVALID, "key was given without its certificate"},
		{NULL, "ec.pem", EVL_E_INVALID, "certificate was given without its key"},
		{"absent.key", "ec.pem", EVL_E_NOTFOUND, "absent.key"},
		{"ec.key", "absent.pem", EVL_E_NOTFOUND, "absent.pem"},
		{"ec.key", "rsa.pem", EVL_E_INVALID, "does not belong to the key"},
		{"locked.key", "ec.pem", EVL_E_INVALID, "is encrypted"},
		{"locked8.key", "ec.pem", EVL_E_INVALID, "is encrypted"},
		{"public.key", "ec.pem", EVL_E_INVALID, "holds no private key"},
		{"text.pem", "ec.pem", EVL_E_INVALID, "holds no private key"},
		{"ec.key", "text.pem", EVL_E_INVALID, "holds no certificate"},
		{"ec.key", "cut.pem", EVL_E_INVALID, "holds no certificate"},
		{"ec.key", "ec.key", EVL_E_INVALID, "holds no certificate"},
		{"weak.key", "weak.pem", EVL_E_INVALID, "too weak"},
		{"ed.key", "ed.pem", EVL_E_INVALID, "cannot sign a dossier"},
		{"ec.key", "nosign.pem", EVL_E_INVALID, "does not allow signatures"},
		{"ec.key", "wrongchain.pem", EVL_E_INVALID, "is not the issuer of"},
		{".", "ec.pem", EVL_E_INVALID, "not a regular file"},
	};
	struct evl_signer *signer = NULL;
	for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
		char key[4200];
		char cert[4200];
		snprintf(key, sizeof key, "%s/%s", folder, bad[i].key == NULL ? "" : bad[i].key);
		snprintf(
			cert, sizeof cert, "%s/%s", folder, bad[i].cert == NULL ? "" : bad[i].cert);
		REFUSED(evl_signer_load(&signer, bad[i].key == NULL ? NULL : key,
				bad[i].cert == NULL ? NULL : cert, now(), err),
			bad[i].status, bad[i].message);
		assert_null(signer);
	}
	REFUSED(evl_signer_load(&signer, at("ec.key"), at("old.pem"), now() + 3 * 86400, err),
		EVL_E_INVALID, "expired on");
	REFUSED(evl_signer_load(&signer, at("ec.key"), at("old.pem"), NOW - 900 * 86400, err),
		EVL_E_INVALID, "valid only from");
}

/* PKCS#12 files as the openssl program writes them (RFC 7292). */
static void pkcs12(void **state)
{
	(void)state;
	struct evl_signer *signer = NULL;
	size_t n = 0;
	assert_int_equal(
		run_in(folder,
			"printf 'secret\\r\\nmore\\n' > pass.txt && echo other > wrong.txt && "
			"openssl pkcs12 -export -inkey ec.key -in leaf.pem -certfile ca.pem "
			"-passout pass:secret -out key.p12 && openssl pkcs12 -export -inkey "
			"ec.key -in ec.pem -passout pass: -out open.p12 && openssl pkcs12 "
			"-export -nokeys -in ec.pem -passout pass:secret -out nokey.p12 && "
			"openssl pkcs12 -export -inkey weak.key -in weak.pem -passout "
			"pass:secret -out weak.p12"),
		0);
	OK(evl_signer_load_p12(&signer, at("key.p12"), at("pass.txt"), now(), err));
	assert_string_equal(evl_signer_subject(signer), "CN = Issued signer");
	const char *pem = evl_signer_pem(signer, &n);
	OK(evl_file_write(at("p12.pem"), pem, n, err));
	assert_int_equal(run_in(folder, "cmp p12.pem chain.pem"), 0);
	evl_signer_destroy(signer);
	OK(evl_signer_load_p12(&signer, at("open.p12"), NULL, now(), err));
	evl_signer_destroy(signer);
	static const struct {
		const char *file, *password, *message;
	} bad[] = {
		{"key.p12", NULL, "wants a password"},
		{"key.p12", "wrong.txt", "the password does not open it"},
		{"ec.key", "pass.txt", "is no PKCS#12 file"},
		{"nokey.p12", "pass.txt", "holds no private key"},
		{"weak.p12", "pass.txt", "too weak"},
	};
	for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
		char file[4200];
		char password[4200];
		snprintf(file, sizeof file, "%s/%s", folder, bad[i].file);
		snprintf(password, sizeof password, "%s/%s", folder,
			bad[i].password == NULL ? "" : bad[i].password);
		REFUSED(evl_signer_load_p12(&signer, file,
				bad[i].password == NULL ? NULL : password, now(), err),
			EVL_E_INVALID, bad[i].message);
		assert_null(signer);
	}
	REFUSED(evl_signer_load_p12(&signer, at("key.p12"), at("absent.txt"), now(), err),
		EVL_E_NOTFOUND, "absent.txt");
}

/* Any change of any byte, in either file, must be found, and blamed on the right file. */
static void every_byte(void **state)
{
	(void)state;
	static const uint8_t masks[] = {0x01, 0x20, 0x80, 0xFF};
	/* All masks on one certificate; a chain and RSA have the same fields, so one mask each. */
	static const char *const keys[][2] = {
		{"ec.key", "ec.pem"}, {"ec.key", "chain.pem"}, {"rsa.key", "rsa.pem"}};
	for (size_t k = 0; k < 3; k++) {
		struct signed_text s = sign_with(at(keys[k][0]), at(keys[k][1]), now());
		struct evl_signature_info info;
		for (size_t i = 0; i < s.len + s.pem_len; i++) {
			uint8_t *byte = i < s.len ? s.der + i : (uint8_t *)s.pem + (i - s.len);
			for (size_t m = 0; m < (k == 0 ? sizeof masks : 1); m++) {
				const char *part = NULL;
				*byte ^= masks[m];
				enum evl_status st = evl_signature_check(&info, &part, s.der, s.len,
					CONTENT, strlen(CONTENT), s.pem, s.pem_len, NULL, NULL);
				*byte ^= masks[m];
				if (st != EVL_E_CORRUPT ||
					strcmp(part, i < s.len ? "manifest.p7s" : "signer.pem") !=
						0) {
					fail_msg("%s, offset %zu mask %02X: %d, blames %s",
						keys[k][1], i < s.len ? i : i - s.len, masks[m], st,
						part);
				}
			}
		}
		signed_free(&s);
	}
}

/* RFC 5652 5.3 leaves unsigned attributes and extra certificates open to anybody; so does ECDSA the
 * second root (r, n - s). All three verify with the openssl program, and are refused here. */
static void what_cms_ignores(void **state)
{
	(void)state;
	for (int change = 0; change < 3; change++) {
		struct signed_text s = sign_with(at("ec.key"), at("ec.pem"), now());
		struct evl_signature_info info;
		const char *part = NULL;
		const unsigned char *p = s.der;
		CMS_ContentInfo *cms = d2i_CMS_ContentInfo(NULL, &p, (long)s.len);
		CMS_SignerInfo *si = sk_CMS_SignerInfo_value(CMS_get0_SignerInfos(cms), 0);
		if (change == 0) {
			assert_int_equal(CMS_unsigned_add1_attr_by_txt(
						 si, "1.2.3.4", V_ASN1_OCTET_STRING, "note", 4),
				1);
		} else if (change == 1) {
			char *pem = NULL;
			size_t n = 0;
			OK(evl_file_read(&pem, &n, at("rsa.pem"), 100000, err));
			BIO *bio = BIO_new_mem_buf(pem, (int)n);
			X509 *extra = PEM_read_bio_X509(bio, NULL, NULL, NULL);
			assert_int_equal(CMS_add1_cert(cms, extra), 1);
			X509_free(extra);
			BIO_free(bio);
			free(pem);
		} else {
			ASN1_OCTET_STRING *value = CMS_SignerInfo_get0_signature(si);
			const unsigned char *q = ASN1_STRING_get0_data(value);
			ECDSA_SIG *sig = d2i_ECDSA_SIG(NULL, &q, ASN1_STRING_length(value));
			EC_GROUP *group = EC_GROUP_new_by_curve_name(NID_X9_62_prime256v1);
			BIGNUM *other = BN_new();
			BN_sub(other, EC_GROUP_get0_order(group), ECDSA_SIG_get0_s(sig));
			ECDSA_SIG_set0(sig, BN_dup(ECDSA_SIG_get0_r(sig)), other);
			unsigned char *der = NULL;
			int n = i2d_ECDSA_SIG(sig, &der);
			ASN1_OCTET_STRING_set(value, der, n);
			OPENSSL_free(der);
			EC_GROUP_free(group);
			ECDSA_SIG_free(sig);
		}
		unsigned char *der = NULL;
		int n = i2d_CMS_ContentInfo(cms, &der);
		assert_true(n > 0);
		OK(evl_file_write(at("s.p7s"), der, (size_t)n, err));
		assert_int_equal(
			run_in(folder, "openssl cms -verify -binary -inform DER -in s.p7s "
				       "-content c -CAfile signer.pem -purpose any -out /dev/null"),
			0);
		assert_int_equal(evl_signature_check(&info, &part, der, (size_t)n, CONTENT,
					 strlen(CONTENT), s.pem, s.pem_len, NULL, NULL),
			EVL_E_CORRUPT);
		assert_string_equal(part, "manifest.p7s");
		OPENSSL_free(der);
		CMS_ContentInfo_free(cms);
		signed_free(&s);
	}
}

static void odd_sizes(void **state)
{
	(void)state;
	struct signed_text s = sign_with(at("ec.key"), at("ec.pem"), now());
	struct evl_signature_info info;
	/* Every shorter file, and one byte more. */
	for (size_t n = 0; n < s.len; n += n < 64 ? 1 : 13) {
		uint8_t *cut = malloc(n + 1);
		assert_non_null(cut);
		memcpy(cut, s.der, n);
		assert_int_equal(evl_signature_check(&info, NULL, cut, n, CONTENT, strlen(CONTENT),
					 s.pem, s.pem_len, NULL, NULL),
			EVL_E_CORRUPT);
		free(cut);
	}
	uint8_t *more = calloc(1, s.len + 1);
	assert_non_null(more);
	memcpy(more, s.der, s.len);
	assert_int_equal(evl_signature_check(&info, NULL, more, s.len + 1, CONTENT, strlen(CONTENT),
				 s.pem, s.pem_len, NULL, NULL),
		EVL_E_CORRUPT);
	free(more);
	assert_int_equal(evl_signature_check(&info, NULL, s.der, s.len, CONTENT, strlen(CONTENT),
				 "", 0, NULL, NULL),
		EVL_E_CORRUPT);
	assert_int_equal(
		evl_signature_check(&info, NULL, s.der, s.len, "", 0, s.pem, s.pem_len, NULL, NULL),
		EVL_E_CORRUPT);
	signed_free(&s);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(demo_key),
		cmocka_unit_test(two_demo_keys_differ),
		cmocka_unit_test(own_keys),
		cmocka_unit_test(trust),
		cmocka_unit_test(bad_keys),
		cmocka_unit_test(pkcs12),
		cmocka_unit_test(every_byte),
		cmocka_unit_test(what_cms_ignores),
		cmocka_unit_test(odd_sizes),
	};
	return cmocka_run_group_tests(tests, make_keys, remove_keys);
}

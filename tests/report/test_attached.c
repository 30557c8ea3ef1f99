/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Proofs of one row, witnesses and time-stamps. Outside checks: `openssl ts` makes and verifies the
 * time-stamps (RFC 3161), `openssl cms -verify` the witness's signature, and Python's hashlib walks
 * a proof by RFC 9162 2.1.3.2 (check_proof.py).
 */
#include "tests/report/invented.h"

#include <jansson.h>
#include <time.h>

#include "core/report/attached.h"
#include "core/report/dossier.h"
#include "core/report/proof.h"
#include "core/report/verify.h"

static char *folder;
static struct evl_store *store;
static int64_t run_b;

/* A time-stamp authority as the manual page of openssl-ts describes it. */
#define AUTHORITY                                                                                  \
	"printf '[tsa]\\nserial = serial\\nsigner_digest = sha256\\ndefault_policy = 1.2.3.4.1\\n" \
	"digests = sha256\\ness_cert_id_alg = sha256\\nsigner_cert = tsa.pem\\nsigner_key = "      \
	"tsa.key\\ncerts = tsa.pem\\n[ext]\\nextendedKeyUsage = critical,timeStamping\\nkeyUsage " \
	"= "                                                                                       \
	"critical,digitalSignature\\n[tsa0]\\n' > tsa.cnf && echo 01 > serial && "                 \
	"openssl ecparam -name prime256v1 -genkey -noout -out tsa.key && openssl req -new -key "   \
	"tsa.key -subj '/CN=Example TSA (invented)' -out tsa.csr && openssl x509 -req -in "        \
	"tsa.csr "                                                                                 \
	"-CA ca.pem -CAkey ca.key -CAcreateserial -days 3650 -extfile tsa.cnf -extensions ext "    \
	"-out tsa.pem"

#define STAMP(file)                                                                                \
	"openssl ts -query -data " file " -sha256 -cert -out q.tsq && openssl ts -reply -config "  \
	"tsa.cnf -section tsa -queryfile q.tsq -out r.tsr"

static int make_all(void **state)
{
	(void)state;
	char path[4200];
	folder = invented_folder();
	snprintf(path, sizeof path, "%s/lab.db", folder);
	OK(evl_store_open(&store, path, EVL_STORE_WRITE, err));
	run_b = invented_run(store, &(struct invented){.build = "B", .faulty = true, .tribs = 2});
	snprintf(path, sizeof path, "%s/good", folder);
	OK(evl_dossier_write(NULL, store, run_b, path, NULL, err));
	assert_int_equal(
		run_in(folder,
			"for n in ca w1 w2; do openssl ecparam -name prime256v1 -genkey -noout "
			"-out $n.key && openssl req -x509 -new -key $n.key -subj /CN=$n -days "
			"3650 -out $n.pem || exit 1; done"),
		0);
	assert_int_equal(run_in(folder, AUTHORITY), 0);
	return run_in(folder, "cp -r good d");
}

static int remove_all(void **state)
{
	(void)state;
	evl_store_close(store);
	invented_folder_remove(folder);
	return 0;
}

static const char *at(const char *name)
{
	static char path[8][4200];
	static int turn;
	turn = (turn + 1) % 8;
	snprintf(path[turn], sizeof path[turn], "%s/%s", folder, name);
	return path[turn];
}

static int64_t now(void)
{
	return (int64_t)time(NULL) + 60; /* the certificates above begin now */
}

static void again(void)
{
	assert_int_equal(run_in(folder, "rm -rf d && cp -r good d"), 0);
}

/* Altered, with `file` in the first finding. */
static void must_blame(const char *file, const char *how)
{
	struct evl_dossier_report r;
	struct evl_err err = {0};
	enum evl_status st = evl_dossier_verify(&r, at("d"), NULL, &err);
	if (st != EVL_E_CORRUPT || r.finding_count == 0 || strcmp(r.findings[0].file, file) != 0) {
		fail_msg("%s: %d, blames %s: %s", how, st,
			r.finding_count == 0 ? "nobody" : r.findings[0].file, err.text);
	}
	evl_dossier_report_finish(&r);
}

static void flip_each(const char *name, size_t step)
{
	char *data = NULL;
	size_t len = 0;
	char how[200];
	char path[4300];
	snprintf(path, sizeof path, "%s/d/%s", folder, name);
	OK(evl_file_read(&data, &len, path, 1 << 20, err));
	for (size_t i = 0; i < len; i += step) {
		static const char masks[] = {0x01, 0x20, (char)0x80};
		snprintf(how, sizeof how, "%s, byte %zu", name, i);
		data[i] ^= masks[i % 3];
		OK(evl_file_write(path, data, len, err));
		must_blame(name, how);
		data[i] ^= masks[i % 3];
	}
	OK(evl_file_write(path, data, len, err));
	free(data);
}

static void witnesses(void **state)
{
	(void)state;
	struct evl_dossier_report r;
	again();
	OK(evl_dossier_witness(at("d"), at("w1.key"), at("w1.pem"), now(), err));
	OK(evl_dossier_witness(at("d"), at("w2.key"), at("w2.pem"), now(), err));
	OK(evl_dossier_verify(&r, at("d"), NULL, err));
	assert_int_equal(r.witness_count, 2);
	assert_string_equal(r.witnesses[0].subject, "CN = w1");
	assert_string_equal(r.witnesses[1].subject, "CN = w2");
	evl_dossier_report_finish(&r);
	/* What the laboratory signed is as it was, and openssl accepts both signatures. */
	assert_int_equal(
		run_in(folder,
			"for f in good/*; do cmp $f d/${f#good/} || exit 1; done; cd d && "
			"openssl cms -verify -binary -inform DER -in witness-2.p7s -content "
			"manifest.p7s -CAfile witness-2.pem -purpose any -no_check_time -out "
			"/dev/null && openssl cms -verify -binary -inform DER -in manifest.p7s "
			"-content manifest.json -CAfile signer.pem -purpose any -no_check_time "
			"-out /dev/null"),
		0);
	flip_each("witness-1.p7s", 5);
	flip_each("witness-2.pem", 5);
	assert_int_equal(run_in(folder, "mv d/witness-1.pem w"), 0);
	must_blame("witness-1.pem", "removed");
	assert_int_equal(run_in(folder, "mv w d/witness-1.pem"), 0);
	/* A witness of another dossier. */
	OK(evl_dossier_write(NULL, store, run_b, at("other"), NULL, err));
	OK(evl_dossier_witness(at("other"), at("w1.key"), at("w1.pem"), now(), err));
	assert_int_equal(run_in(folder, "cp other/witness-1.p7s d/"), 0);
	must_blame("witness-1.p7s", "of another dossier");
	/* An altered dossier gets no witness, nor does a tenth find room. */
	REFUSED(evl_dossier_witness(at("d"), at("w1.key"), at("w1.pem"), now(), err), EVL_E_CORRUPT,
		"witness-1.p7s");
	again();
	for (int i = 0; i < EVL_WITNESSES_MAX; i++) {
		OK(evl_dossier_witness(at("d"), at("w1.key"), at("w1.pem"), now(), err));
	}
	REFUSED(evl_dossier_witness(at("d"), at("w1.key"), at("w1.pem"), now(), err), EVL_E_LIMIT,
		"9 witnesses already");
	REFUSED(evl_dossier_witness(at("d"), NULL, NULL, now(), err), EVL_E_INVALID, "own key");
	/* A witnessed dossier is not replaced unseen. */
	REFUSED(evl_dossier_write(NULL, store, run_b, at("d"), NULL, err), EVL_E_CONFLICT,
		"witness-");
}

static void stamps(void **state)
{
	(void)state;
	struct evl_dossier_report r;
	again();
	assert_int_equal(run_in(folder, STAMP("d/manifest.p7s")), 0);
	OK(evl_dossier_stamp(at("d"), at("r.tsr"), err));
	OK(evl_dossier_verify(&r, at("d"), NULL, err));
	assert_true(r.stamped && !r.stamp.trusted);
	assert_string_equal(r.stamp.authority, "CN = Example TSA (invented)");
	assert_true(llabs((long long)r.stamp.unix_s - (long long)time(NULL)) < 120);
	evl_dossier_report_finish(&r);
	assert_int_equal(
		run_in(folder,
			"openssl ts -verify -token_in -in d/timestamp.tst -data d/manifest.p7s "
			"-CAfile ca.pem && cat d/signer.pem ca.pem > both.pem"),
		0);
	OK(evl_dossier_verify(&r, at("d"), at("both.pem"), err));
	assert_true(r.stamped && r.stamp.trusted);
	evl_dossier_report_finish(&r);
	REFUSED(evl_dossier_stamp(at("d"), at("r.tsr"), err), EVL_E_CONFLICT, "is there already");
	flip_each(EVL_DOSSIER_STAMP, 1);
	/* A stamp over something else, a refusal, and no stamp at all. */
	again();
	assert_int_equal(run_in(folder, STAMP("d/manifest.json")), 0);
	REFUSED(evl_dossier_stamp(at("d"), at("r.tsr"), err), EVL_E_CORRUPT,
		"not a time-stamp over this manifest.p7s");
	assert_int_equal(
		run_in(folder, "openssl ts -query -data d/manifest.p7s -sha512 -out q.tsq; "
			       "openssl ts -reply -config tsa.cnf -section tsa -queryfile "
			       "q.tsq -out r.tsr; test -s r.tsr"),
		0);
	REFUSED(evl_dossier_stamp(at("d"), at("r.tsr"), err), EVL_E_INVALID, "authority refused");
	REFUSED(evl_dossier_stamp(at("d"), at("ca.pem"), err), EVL_E_INVALID,
		"is no time-stamp response");
	assert_int_equal(run_in(folder, "! test -e d/timestamp.tst"), 0);
}

static void by_python(const char *proof)
{
	char command[9000];
	const char *root = getenv("EVL_SOURCE_ROOT");
	snprintf(command, sizeof command,
		"/usr/bin/python3 '%s/tests/report/check_proof.py' '%s' '%s/d/manifest.json' >&2",
		root == NULL ? "." : root, proof, folder);
	assert_int_equal(system(command), 0);
}

static void proofs(void **state)
{
	(void)state;
	struct evl_dossier_report r;
	static const char *const rows[] = {"bit-errors/1", "bit-errors/5", "line-loss/4", "run:1",
		"recording:0", "second_:1/0/0/0"};
	again();
	/* Of the dossier only what is signed. */
	assert_int_equal(run_in(folder, "rm -rf light && mkdir light && cp d/manifest.json "
					"d/manifest.p7s d/signer.pem light"),
		0);
	for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
		char *text = NULL;
		OK(evl_proof_write(at("d"), rows[i], at("p.json"), err));
		by_python(at("p.json"));
		OK(evl_dossier_verify_proof(&r, &text, at("light"), at("p.json"), NULL, err));
		assert_true(r.good);
		assert_non_null(strstr(text, "[\""));
		if (i == 0) {
			assert_non_null(strstr(text, "\"arrives on its own number\""));
		}
		free(text);
		evl_dossier_report_finish(&r);
	}
	/* Any byte of a proof. */
	char *data = NULL;
	size_t len = 0;
	OK(evl_proof_write(at("d"), "line-loss/3", at("p.json"), err));
	OK(evl_file_read(&data, &len, at("p.json"), 1 << 20, err));
	for (size_t i = 0; i < len; i += 3) {
		char *text = NULL;
		data[i] ^= 1;
		OK(evl_file_write(at("p.json"), data, len, err));
		enum evl_status st =
			evl_dossier_verify_proof(&r, &text, at("light"), at("p.json"), NULL, NULL);
		if (st != EVL_E_CORRUPT || text != NULL) {
			fail_msg("byte %zu of the proof: %d", i, st);
		}
		evl_dossier_report_finish(&r);
		data[i] ^= 1;
	}
	free(data);
	/* Of another dossier, of no row, in no form. */
	char *text = NULL;
	OK(evl_dossier_write(NULL, store, run_b, at("more"),
		&(struct evl_dossier_options){.statement = NULL}, err));
	REFUSED(evl_proof_write(at("d"), "bit-errors/999", at("x.json"), err), EVL_E_NOTFOUND,
		"cases are: bit-errors, line-loss");
	REFUSED(evl_proof_write(at("d"), "frost/1", at("x.json"), err), EVL_E_NOTFOUND, "frost/1");
	REFUSED(evl_proof_write(at("d"), "bit-errors", at("x.json"), err), EVL_E_INVALID,
		"CASE/NUMBER");
	REFUSED(evl_proof_write(at("d"), "bit-errors/0", at("x.json"), err), EVL_E_INVALID,
		"CASE/NUMBER");
	REFUSED(evl_dossier_verify_proof(&r, &text, at("light"), at("ca.pem"), NULL, err),
		EVL_E_CORRUPT, "is no proof of the format");
	evl_dossier_report_finish(&r);
	assert_int_equal(run_in(folder, "! test -e x.json && printf x >> d/report.html"), 0);
	REFUSED(evl_proof_write(at("d"), "bit-errors/1", at("x.json"), err), EVL_E_CORRUPT,
		"report.html");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(proofs),
		cmocka_unit_test(witnesses),
		cmocka_unit_test(stamps),
	};
	return cmocka_run_group_tests(tests, make_all, remove_all);
}

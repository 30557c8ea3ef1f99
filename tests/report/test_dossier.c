/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Whole dossiers. Outside checks: `openssl cms -verify`, `openssl x509`, `sha256sum -c`, and the
 * chain recomputed by Python's hashlib with the very commands of VERIFY.txt.
 */
#include "tests/report/invented.h"

#include <signal.h>
#include <sys/resource.h>
#include <time.h>

#include "core/base/text.h"
#include "core/report/dossier.h"
#include "core/report/manifest.h"
#include "core/report/verify.h"

static char *folder;
static struct evl_store *store;
static int64_t run_a, run_b;

static int make_runs(void **state)
{
	(void)state;
	char path[4200];
	folder = invented_folder();
	snprintf(path, sizeof path, "%s/lab.db", folder);
	OK(evl_store_open(&store, path, EVL_STORE_WRITE, err));
	run_a = invented_run(store, &(struct invented){.build = "A"});
	run_b = invented_run(store, &(struct invented){.build = "B", .faulty = true});
	return run_in(folder,
		"openssl ecparam -name prime256v1 -genkey -noout -out lab.key && openssl req -x509 "
		"-new -key lab.key -subj '/O=Example Lab (invented)/CN=Signer' -days 3650 -out "
		"lab.pem "
		"&& openssl req -x509 -newkey rsa:2048 -nodes -keyout other.key -subj /CN=other "
		"-days 30 -out other.pem");
}

static int remove_runs(void **state)
{
	(void)state;
	evl_store_close(store);
	invented_folder_remove(folder);
	return 0;
}

static const char *in_folder(const char *name)
{
	static char path[4][4200];
	static int turn;
	turn = (turn + 1) % 4;
	snprintf(path[turn], sizeof path[turn], "%s/%s", folder, name);
	return path[turn];
}

static void verified(const char *dir, struct evl_dossier_report *report)
{
	OK(evl_dossier_verify(report, dir, NULL, err));
	assert_true(report->good);
	assert_int_equal(report->finding_count, 0);
}

/* The commands of VERIFY.txt, cut out of it by their indent, in a shell. */
static void by_the_book(const char *dir)
{
	assert_int_equal(
		run_in(dir, "grep '^   ' VERIFY.txt | sed 's/^   //' | "
			    "sed -n '/^openssl cms/,/dev.null$/p;/^sha256sum -c/p;"
			    "/^openssl x509/p;/^pdfsig/p;/^python3/,/^END/p' > ../book.sh"),
		0);
	assert_int_equal(run_in(dir, "test $(grep -c . ../book.sh) -ge 14 && sh -e ../book.sh"), 0);
	assert_int_equal(
		run_in(dir, "grep -q $(sha256sum SHA256SUMS | cut -c1-64) manifest.json"), 0);
}

/* docs/verify.md, line by line; cases are numbered there as in the report. */
static void the_document(void **state)
{
	(void)state;
	char dir[4200];
	char command[5000];
	const char *root = getenv("EVL_SOURCE_ROOT");
	snprintf(dir, sizeof dir, "%s", in_folder("document"));
	OK(evl_dossier_write(NULL, store, run_b, dir, NULL, err));
	snprintf(command, sizeof command,
		"sed -n '/^```sh/,/^```/p' '%s/docs/verify.md' | grep -v '^```' > ../document.sh "
		"&& "
		"test $(grep -c . ../document.sh) -gt 40 && sh -ex ../document.sh > "
		"../document.txt",
		root == NULL ? "." : root);
	assert_true(strlen(command) + 1 < sizeof command);
	assert_int_equal(run_in(dir, command), 0);
	assert_int_equal(
		run_in(folder,
			"grep -q '^case 1 bit error ratio 32 1.2e-5 1.0e-7 fail$' "
			"document.txt && grep -q '^case 2 delay of the line' document.txt && "
			"grep -q 'report.html good' document.txt && "
			"! grep -Eq 'ALTERED|False|^case 0' document.txt"),
		0);
}

static void demonstration(void **state)
{
	(void)state;
	char dir[4200];
	snprintf(dir, sizeof dir, "%s", in_folder("demo"));
	struct evl_dossier_made made;
	struct evl_dossier_report report;
	OK(evl_dossier_write(&made, store, run_a, dir, NULL, err));
	assert_true(made.demo_key);
	by_the_book(dir);
	verified(dir, &report);
	assert_true(report.signature.demo);
	assert_string_equal(report.run, "1");
	assert_int_equal(strlen(report.report_id), 20);
	assert_string_equal(report.build, "A");
	assert_string_equal(report.verdict, "pass");
	assert_string_equal(report.chain_head, made.chain_head);
	assert_string_equal(report.signature.fingerprint, made.fingerprint);
	assert_int_equal(report.files, 7);
	assert_true(report.rows > 500);
	assert_int_equal(run_in(dir, "grep -q 'DEMONSTRATION KEY' VERIFY.txt"), 0);
	assert_int_equal(run_in(dir, "grep -q 'DEMONSTRATION KEY' report.html"), 0);
	assert_int_equal(run_in(dir, "grep -q 'DEMONSTRATION KEY' manifest.json"), 0);
	evl_dossier_report_finish(&report);
}

static void own_key_and_comparison(void **state)
{
	(void)state;
	char dir[4200];
	snprintf(dir, sizeof dir, "%s", in_folder("deep/er/signed/"));
	struct evl_dossier_report report;
	struct evl_dossier_options opt = {.key_pem = in_folder("lab.key"),
		.cert_pem = in_folder("lab.pem"),
		.compare_run = run_a};
	OK(evl_dossier_write(NULL, store, run_b, dir, &opt, err));
	by_the_book(dir);
	verified(dir, &report);
	assert_false(report.signature.demo);
	assert_string_equal(report.verdict, "fail");
	evl_dossier_report_finish(&report);
	assert_int_not_equal(run_in(dir, "grep -rq DEMONSTRATION ."), 0);
	OK(evl_dossier_verify(&report, dir, in_folder("lab.pem"), err));
	assert_true(report.trust_checked && report.signature.trusted);
	evl_dossier_report_finish(&report);
	REFUSED(evl_dossier_verify(&report, dir, in_folder("other.pem"), err), EVL_E_CORRUPT,
		"does not lead to a certificate that you trust");
	evl_dossier_report_finish(&report);
	REFUSED(evl_dossier_verify(&report, dir, in_folder("lab.key"), err), EVL_E_INVALID,
		"holds no certificate");
	evl_dossier_report_finish(&report);
}

static void same_page_twice(void **state)
{
	(void)state;
	OK(evl_dossier_write(NULL, store, run_b, in_folder("one"), NULL, err));
	OK(evl_dossier_write(NULL, store, run_b, in_folder("two"), NULL, err));
	assert_int_equal(run_in(folder, "cmp one/report.html two/report.html"), 0);
	assert_int_equal(run_in(folder, "cmp one/evidence.json two/evidence.json"), 0);
	/* With an own key and a given time of issue the manifest is the same too. */
	struct evl_dossier_options opt = {.key_pem = in_folder("lab.key"),
		.cert_pem = in_folder("lab.pem"),
		.issued_unix_s = (int64_t)time(NULL) + 60};
	OK(evl_dossier_write(NULL, store, run_b, in_folder("one"), &opt, err));
	OK(evl_dossier_write(NULL, store, run_b, in_folder("two"), &opt, err));
	/* So is the manifest, but for the PDF with its signature: ECDSA signs with a random number.
	 */
	assert_int_equal(
		run_in(folder,
			"for d in one two; do sed 's/{\"bytes\":[0-9]*,\"name\":\"report.pdf\""
			"[^}]*}//;s/{[^}]*\"name\":\"SHA256SUMS\"[^}]*}//' $d/manifest.json > "
			"$d.json; done; cmp one.json two.json && ! grep -q SHA256SUMS one.json"),
		0);
}

static void places(void **state)
{
	(void)state;
	/* An empty folder and an earlier dossier are used; nothing else is touched. */
	assert_int_equal(run_in(folder, "mkdir empty"), 0);
	OK(evl_dossier_write(NULL, store, run_a, in_folder("empty"), NULL, err));
	OK(evl_dossier_write(NULL, store, run_b, in_folder("empty/"), NULL, err));
	assert_int_equal(run_in(folder, "grep -q '\"build\":\"B\"' empty/manifest.json"), 0);
	assert_int_equal(run_in(folder, "mkdir mine && echo precious > mine/notes.txt"), 0);
	REFUSED(evl_dossier_write(NULL, store, run_a, in_folder("mine"), NULL, err), EVL_E_CONFLICT,
		"notes.txt");
	assert_int_equal(run_in(folder, "touch empty/notes.txt"), 0);
	REFUSED(evl_dossier_write(NULL, store, run_a, in_folder("empty"), NULL, err),
		EVL_E_CONFLICT, "notes.txt");
	assert_int_equal(run_in(folder, "mkdir pages && echo x > pages/report.html"), 0);
	REFUSED(evl_dossier_write(NULL, store, run_a, in_folder("pages"), NULL, err),
		EVL_E_CONFLICT, "no manifest.json");
	REFUSED(evl_dossier_write(NULL, store, run_a, in_folder("lab.pem"), NULL, err),
		EVL_E_CONFLICT, "is no folder");
	REFUSED(evl_dossier_write(NULL, store, run_a, in_folder("lab.pem/below"), NULL, err),
		EVL_E_IO, "lab.pem");
	REFUSED(evl_dossier_write(NULL, store, run_a, "", NULL, err), EVL_E_INVALID, "empty");
	assert_int_equal(run_in(folder, "ln -s mine link"), 0);
	REFUSED(evl_dossier_write(NULL, store, run_a, in_folder("link"), NULL, err), EVL_E_CONFLICT,
		"is no folder");
	assert_int_equal(run_in(folder, "test \"$(ls mine)\" = notes.txt"), 0);
	/* Nothing unfinished is left beside them. */
	assert_int_equal(run_in(folder, "! ls -d *.unfinished *.earlier"), 0);
}

static void bad_runs_and_keys(void **state)
{
	(void)state;
	struct evl_dossier_options opt = {
		.key_pem = in_folder("lab.key"), .cert_pem = in_folder("other.pem")};
	REFUSED(evl_dossier_write(NULL, store, 99, in_folder("x"), NULL, err), EVL_E_NOTFOUND,
		"99");
	REFUSED(evl_dossier_write(NULL, store, run_a, in_folder("x"), &opt, err), EVL_E_INVALID,
		"does not belong to the key");
	opt.cert_pem = NULL;
	REFUSED(evl_dossier_write(NULL, store, run_a, in_folder("x"), &opt, err), EVL_E_INVALID,
		"without its certificate");
	opt = (struct evl_dossier_options){.compare_run = run_a};
	REFUSED(evl_dossier_write(NULL, store, run_a, in_folder("x"), &opt, err), EVL_E_INVALID,
		"compared with itself");
	opt.compare_run = 77;
	REFUSED(evl_dossier_write(NULL, store, run_a, in_folder("x"), &opt, err), EVL_E_NOTFOUND,
		"77");
	int64_t running = invented_begin(store, &(struct invented){.build = "A"});
	REFUSED(evl_dossier_write(NULL, store, running, in_folder("x"), NULL, err), EVL_E_CONFLICT,
		"still running");
	OK(evl_store_run_end(
		store, EVL_STATE_INTERRUPTED, NULL, NULL, "2026-11-25T10:00:00Z", err));
	OK(evl_dossier_write(NULL, store, running, in_folder("stopped"), NULL, err));
	assert_int_equal(run_in(folder, "! test -e x"), 0);
}

/* A disk that fills up: here a limit on the size of files, which fails in the middle of one. */
static void full_disk(void **state)
{
	(void)state;
	OK(evl_dossier_write(NULL, store, run_a, in_folder("kept"), NULL, err));
	assert_int_equal(run_in(folder, "cp -r kept kept.copy"), 0);
	struct rlimit old;
	assert_int_equal(getrlimit(RLIMIT_FSIZE, &old), 0);
	signal(SIGXFSZ, SIG_IGN);
	struct rlimit low = {.rlim_cur = 50000, .rlim_max = old.rlim_max};
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &low), 0);
	struct evl_err first = {0};
	struct evl_err second = {0};
	enum evl_status a = evl_dossier_write(NULL, store, run_b, in_folder("kept"), NULL, &first);
	enum evl_status b = evl_dossier_write(NULL, store, run_b, in_folder("new"), NULL, &second);
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &old), 0);
	assert_int_equal(a, EVL_E_IO);
	assert_int_equal(b, EVL_E_IO);
	assert_non_null(strstr(second.text, "cannot be written"));
	assert_int_equal(run_in(folder, "diff -r kept kept.copy"), 0);
	assert_int_equal(run_in(folder, "! test -e new && ! ls -d *.unfinished"), 0);
}

/* A store row altered with another program: no dossier is made of it. */
static void altered_store(void **state)
{
	(void)state;
	struct evl_store *copy = NULL;
	char path[4200];
	snprintf(path, sizeof path, "%s/altered.db", folder);
	OK(evl_store_open(&copy, path, EVL_STORE_WRITE, err));
	int64_t run = invented_run(copy, &(struct invented){.build = "B", .tribs = 2});
	evl_store_close(copy);
	assert_int_equal(
		run_in(folder,
			"/usr/bin/python3 -c \"import sqlite3; d = sqlite3.connect('altered.db'); "
			"d.execute(\\\"update check_ set verdict = 'fail' where ordinal = "
			"1\\\"); d.commit()\""),
		0);
	OK(evl_store_open(&copy, path, EVL_STORE_READ, err));
	REFUSED(evl_dossier_write(NULL, copy, run, in_folder("lie"), NULL, err), EVL_E_CORRUPT,
		"check_");
	evl_store_close(copy);
	assert_int_equal(run_in(folder, "! test -e lie"), 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_document),
		cmocka_unit_test(demonstration),
		cmocka_unit_test(own_key_and_comparison),
		cmocka_unit_test(same_page_twice),
		cmocka_unit_test(places),
		cmocka_unit_test(bad_runs_and_keys),
		cmocka_unit_test(full_disk),
		cmocka_unit_test(altered_store),
	};
	return cmocka_run_group_tests(tests, make_runs, remove_runs);
}

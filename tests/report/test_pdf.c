/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The report as PDF. Outside checks: tests/report/check_pdf.py, which asks poppler (pdfsig,
 * pdftotext, pdfinfo, pdffonts), qpdf and openssl.
 */
#include "tests/report/invented.h"

#include <time.h>

#include "core/base/text.h"
#include "core/report/dossier.h"
#include "core/report/pdf.h"
#include "core/report/markup.h"

#define HOSTILE "<b>&lt;(\\) R >> endobj</b>&'"

static char *folder;
static struct evl_store *store;
static int64_t run_a, run_b, run_hostile;

static int make_runs(void **state)
{
	(void)state;
	char path[4200];
	folder = invented_folder();
	snprintf(path, sizeof path, "%s/lab.db", folder);
	OK(evl_store_open(&store, path, EVL_STORE_WRITE, err));
	run_a = invented_run(store, &(struct invented){.build = "A"});
	run_b = invented_run(store, &(struct invented){.build = "B", .faulty = true});
	run_hostile = invented_run(
		store, &(struct invented){.build = HOSTILE, .title = HOSTILE, .notice = HOSTILE});
	return run_in(folder,
		"openssl genrsa -out rsa.key 3072 && openssl req -x509 -new -key rsa.key -subj "
		"'/O=Example Lab (invented)/CN=Root' -days 3650 -out root.pem && "
		"openssl ecparam -name prime256v1 -genkey -noout -out lab.key && openssl req -new "
		"-key lab.key -subj '/CN=Signer (with) \\\\slash' -out lab.csr && openssl x509 "
		"-req "
		"-in lab.csr -CA root.pem -CAkey rsa.key -CAcreateserial -days 3650 -out leaf.pem "
		"&& cat leaf.pem root.pem > chain.pem");
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

static void check(const char *dir)
{
	char command[9000];
	const char *root = getenv("EVL_SOURCE_ROOT");
	snprintf(command, sizeof command,
		"cd '%s/%s' && /usr/bin/python3 '%s/tests/report/check_pdf.py' report.pdf "
		"report.html signer.pem $(sed 's/.*\"unsigned_bytes\":\\([0-9]*\\).*/\\1/' "
		"manifest.json) >&2",
		folder, dir, root == NULL ? "." : root);
	assert_int_equal(system(command), 0);
}

static void demonstration(void **state)
{
	(void)state;
	OK(evl_dossier_write(NULL, store, run_a, in_folder("demo"), NULL, err));
	check("demo");
	/* On every page. */
	assert_int_equal(
		run_in(folder,
			"n=$(pdfinfo demo/report.pdf | sed -n 's/Pages: *//p'); test $n -gt 3; "
			"for i in $(seq $n); do pdftotext -f $i -l $i -layout demo/report.pdf - "
			"| grep -q 'DEMONSTRATION KEY, proves integrity only' || exit 1; done"),
		0);
}

static void own_keys(void **state)
{
	(void)state;
	static const char *const pairs[][2] = {
		{"rsa.key", "root.pem"}, {"lab.key", "leaf.pem"}, {"lab.key", "chain.pem"}};
	for (size_t i = 0; i < sizeof pairs / sizeof *pairs; i++) {
		struct evl_dossier_options opt = {.key_pem = in_folder(pairs[i][0]),
			.cert_pem = in_folder(pairs[i][1]),
			.compare_run = run_a,
			.issued_unix_s = (int64_t)time(NULL) + 60};
		OK(evl_dossier_write(NULL, store, run_b, in_folder("own"), &opt, err));
		check("own");
		assert_int_not_equal(
			run_in(folder, "pdftotext own/report.pdf - | grep -q DEMONSTRATION"), 0);
	}
}

static void hostile_text(void **state)
{
	(void)state;
	OK(evl_dossier_write(NULL, store, run_hostile, in_folder("hostile"), NULL, err));
	check("hostile");
}

/* The same store and options: the same bytes before the signature, which are the first ones. */
static void same_bytes_twice(void **state)
{
	(void)state;
	OK(evl_dossier_write(NULL, store, run_b, in_folder("one"), NULL, err));
	assert_int_equal(run_in(folder, "sleep 1.1"), 0); /* a clock would show */
	OK(evl_dossier_write(NULL, store, run_b, in_folder("two"), NULL, err));
	assert_int_equal(
		run_in(folder,
			"for d in one two; do n=$(sed 's/.*\"unsigned_bytes\":\\([0-9]*\\).*/"
			"\\1/' $d/manifest.json); head -c $n $d/report.pdf > $d.pdf; "
			"grep -q $(sha256sum < $d.pdf | cut -c1-64) $d/manifest.json || exit 1; "
			"done; cmp one.pdf two.pdf && ! cmp one/report.pdf two/report.pdf"),
		0);
}

/* More than a page: tables go on with their heads, a paragraph longer than a page is not lost. */
static void long_page(void **state)
{
	(void)state;
	struct evl_text html = {0};
	uint8_t *pdf = NULL;
	size_t len = 0;
	struct evl_pdf_facts facts = {.title = "long", .report_id = "0"};
	evl_text_add(&html, "<html><body><h1 id='a'>Long</h1><p><a href='#z'>to z</a> <a "
			    "href='#nowhere'>nowhere</a></p><p>");
	for (int i = 0; i < 3000; i++) {
		evl_text_addf(&html, "word%d ", i);
	}
	evl_text_add(
		&html, "</p><table><thead><tr><th>Head1</th><th>Head2</th></tr></thead><tbody>");
	for (int i = 0; i < 200; i++) {
		evl_text_addf(&html, "<tr><td>row%d</td><td>value%d</td></tr>", i, i);
	}
	evl_text_add(&html, "</tbody></table><p id='z'>z</p></body></html>");
	OK(evl_pdf_make(&pdf, &len, evl_text_str(&html), html.len, &facts, err));
	OK(evl_file_write(in_folder("long.pdf"), pdf, len, err));
	assert_int_equal(
		run_in(folder, "qpdf --check long.pdf && pdftotext long.pdf - > long.txt && "
			       "test $(grep -c Head1 long.txt) -ge 4 && "
			       "test $(grep -o 'word[0-9]*' long.txt | sort -u | wc -l) = 3000 && "
			       "test $(grep -o 'row[0-9]*' long.txt | sort -u | wc -l) = 200"),
		0);
	free(pdf);
	evl_text_finish(&html);
}

/* What is taller than a page goes on over the next ones, and nothing of it is lost: a row of a
 * table (its cells side by side), an item of a list, a description, a box, a map, a picture. */
static void tall_parts(void **state)
{
	(void)state;
	static const char *const open[] = {
		"<table><thead><tr><th>Head</th><th>Why</th></tr></thead>"
		"<tbody><tr><td>",
		"<ul><li>", "<dl><dt>term</dt><dd>", "<div class='facts'><div><p>",
		"<p class='notice'>", "<section class='verdict'><h2>h</h2><p>"};
	static const char *const close[] = {"</td><td>short</td></tr><tr><td>next row</td><td>"
					    "x</td></tr></tbody></table>",
		"</li></ul>", "</dd></dl>", "</p></div><div><p>x</p></div></div>", "</p>",
		"</p></section>"};
	struct evl_pdf_facts facts = {.title = "tall", .report_id = "0"};
	for (size_t k = 0; k < sizeof open / sizeof *open; k++) {
		struct evl_text html = {0};
		uint8_t *pdf = NULL;
		size_t len = 0;
		evl_text_addf(&html, "<html><body><p>before</p>%s", open[k]);
		for (int i = 0; i < 2500; i++) {
			evl_text_addf(&html, "word%d ", i);
		}
		evl_text_addf(&html, "%s<p>behind</p></body></html>", close[k]);
		OK(evl_pdf_make(&pdf, &len, evl_text_str(&html), html.len, &facts, err));
		OK(evl_file_write(in_folder("tall.pdf"), pdf, len, err));
		/* pdftotext -bbox tells where each word stands: all of them on the paper. */
		assert_int_equal(
			run_in(folder,
				"qpdf --check tall.pdf >&2 && pdftotext -bbox tall.pdf tall.xml && "
				"test $(grep -o '>word[0-9]*<' tall.xml | sort -u | wc -l) = 2500 "
				"&& grep -q '>behind<' tall.xml && "
				"awk -F'\"' '/<word/ { if ($8 > 806 && !/Report|page|of|>[0-9]+</) "
				"bad = 1 } END { exit bad }' tall.xml"),
			0);
		free(pdf);
		evl_text_finish(&html);
	}
}

static void tall_map_and_picture(void **state)
{
	(void)state;
	struct evl_pdf_facts facts = {.title = "tall", .report_id = "0"};
	struct evl_text html = {0};
	uint8_t *pdf = NULL;
	size_t len = 0;
	evl_text_add(&html, "<html><body><table class='map plain'><caption>role</caption><tbody>");
	for (int i = 0; i < 800; i++) {
		evl_text_addf(&html, "%s<td class='cell is-fail'><b>cell%d</b></td>%s",
			i % 8 == 0 ? "<tr>" : "", i, i % 8 == 7 ? "</tr>" : "");
	}
	evl_text_add(&html, "</tbody></table><figure><svg class='plot' viewBox='0 0 900 4000'>");
	for (int i = 0; i < 100; i++) {
		evl_text_addf(
			&html, "<text class='name' x='0' y='%d'>lane%d</text>", i * 40 + 20, i);
	}
	evl_text_add(&html, "</svg></figure></body></html>");
	OK(evl_pdf_make(&pdf, &len, evl_text_str(&html), html.len, &facts, err));
	OK(evl_file_write(in_folder("tall.pdf"), pdf, len, err));
	assert_int_equal(
		run_in(folder,
			"qpdf --check tall.pdf >&2 && pdftotext -bbox tall.pdf tall.xml && "
			"test $(grep -o '>cell[0-9]*<' tall.xml | sort -u | wc -l) = 800 && "
			"test $(grep -o '>lane[0-9]*<' tall.xml | sort -u | wc -l) = 100 && "
			"awk -F'\"' '/>(cell|lane)/ { if ($8 > 806) bad = 1 } END { exit bad }' "
			"tall.xml"),
		0);
	free(pdf);
	evl_text_finish(&html);
}

static void bad_input(void **state)
{
	(void)state;
	static const char *const bad[] = {"", "<html>", "<html><body><p></body></html>", "text",
		"<html><body>&nbsp;</body></html>"};
	struct evl_pdf_facts facts = {.title = "", .report_id = ""};
	uint8_t *out = NULL;
	size_t len = 0;
	for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
		REFUSED(evl_pdf_make(&out, &len, bad[i], strlen(bad[i]), &facts, err),
			EVL_E_INVALID, "not well-formed: line 1");
	}
	struct evl_signer *signer = NULL;
	OK(evl_signer_load(&signer, NULL, NULL, 1795600000, err));
	static const char *const no_pdf[] = {"", "%PDF-1.4\n",
		"%PDF-1.4\n                                                          "
		"startxref\n99999\n%%EOF\n",
		"%PDF-1.4\nxref\n0 1\n0000000000 65535 f \ntrailer\n<< /Size 1 /Root 9 0 R >>\n"
		"startxref\n9\n%%EOF\n"};
	for (size_t i = 0; i < sizeof no_pdf / sizeof *no_pdf; i++) {
		REFUSED(evl_pdf_sign(&out, &len, (const uint8_t *)no_pdf[i], strlen(no_pdf[i]),
				signer, 1795600000, err),
			EVL_E_INVALID, "another structure");
		assert_null(out);
	}
	evl_signer_destroy(signer);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(demonstration),
		cmocka_unit_test(own_keys),
		cmocka_unit_test(hostile_text),
		cmocka_unit_test(same_bytes_twice),
		cmocka_unit_test(long_page),
		cmocka_unit_test(tall_parts),
		cmocka_unit_test(tall_map_and_picture),
		cmocka_unit_test(bad_input),
	};
	return cmocka_run_group_tests(tests, make_runs, remove_runs);
}

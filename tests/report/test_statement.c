/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Files that people write: YAML 1.1 (the expectations are docs/dossier.md), tables by RFC 4180 2,
 * whose rules are named at each case; and the matrix from requirement to evidence, whose digests
 * are recomputed with sha256sum from evidence.json by Python's json.
 */
#include "tests/report/invented.h"

#include "core/report/document.h"
#include "core/report/dossier.h"
#include "core/report/statement.h"

static char *folder;
static struct evl_store *store;
static int64_t run_b;

static int make_runs(void **state)
{
	(void)state;
	char path[4200];
	folder = invented_folder();
	snprintf(path, sizeof path, "%s/lab.db", folder);
	OK(evl_store_open(&store, path, EVL_STORE_WRITE, err));
	run_b = invented_run(store, &(struct invented){.build = "B", .faulty = true});
	return 0;
}

static int remove_runs(void **state)
{
	(void)state;
	evl_store_close(store);
	invented_folder_remove(folder);
	return 0;
}

static const char *file(const char *name, const char *text)
{
	static char path[16][4200];
	static int turn;
	turn = (turn + 1) % 16;
	snprintf(path[turn], sizeof path[turn], "%s/%s", folder, name);
	if (text != NULL) {
		OK(evl_file_write(path[turn], text, strlen(text), err));
	}
	return path[turn];
}

static void tables(void **state)
{
	(void)state;
	json_t *t = NULL;
	/* RFC 4180 2: 1 lines end in CRLF, 2 the last may lack it, 5 quotes, 6 commas and line
	 * ends within quotes, 7 doubled quotes. */
	static const char csv[] = "id,text,cases\r\nR1,\"a, \"\"b\"\"\r\nc\",x; y\r\n\r\nR2,plain,";
	OK(evl_document_csv(&t, "t.csv", csv, strlen(csv), err));
	assert_int_equal(json_array_size(t), 2);
	const json_t *row = json_array_get(t, 0);
	assert_string_equal(json_string_value(json_object_get(row, "text")), "a, \"b\"\r\nc");
	assert_string_equal(json_string_value(json_object_get(row, "cases")), "x; y");
	assert_int_equal(evl_document_line(row), 2);
	row = json_array_get(t, 1);
	assert_string_equal(json_string_value(json_object_get(row, "cases")), "");
	assert_int_equal(evl_document_line(row), 5);
	json_decref(t);
	static const struct {
		const char *text, *message;
	} bad[] = {
		{"", "t.csv:1: is empty"},
		{"a,b\n1\n", "t.csv:2: has 1 fields where the first row has 2"},
		{"a\n1,2\n", "t.csv:2: has 2 fields where the first row has 1"},
		{"a\n\"x\n", "t.csv:2: a field in quotes does not end"},
		{"a\n\"x\"y\n", "t.csv:2: a field in quotes does not end"},
		{"a\n\xFF\n", "t.csv:2:"},
	};
	for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
		REFUSED(evl_document_csv(&t, "t.csv", bad[i].text, strlen(bad[i].text), err),
			EVL_E_INVALID, bad[i].message);
		assert_null(t);
	}
}

static void documents(void **state)
{
	(void)state;
	json_t *d = NULL;
	static const char yaml[] = "a: 017\nb: [x, {c: y}]\n";
	OK(evl_document_yaml(&d, "t.yaml", yaml, strlen(yaml), err));
	assert_string_equal(json_string_value(json_object_get(d, "a")), "017");
	assert_int_equal(evl_document_line(json_array_get(json_object_get(d, "b"), 1)), 2);
	json_decref(d);
	OK(evl_document_yaml(&d, "t.yaml", "", 0, err));
	assert_true(json_is_object(d));
	json_decref(d);
	static const struct {
		const char *text, *message;
	} bad[] = {
		{"a: [", "is not YAML"},
		{"a: 1\na: 2\n", "t.yaml:2: \"a\" is given twice"},
		{"a: &x 1\nb: *x\n", "t.yaml:1: anchors and aliases"},
		{"[a]: b\n", "t.yaml:1: a key must be a word"},
		{"\"\\n\": b\n", "t.yaml:1: a key must be a word"},
		{"a: 1\n---\nb: 2\n", "t.yaml:2: a second document"},
		{"a: \"\xFF\"\n", "t.yaml:1: is not YAML"},
	};
	for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
		REFUSED(evl_document_yaml(&d, "t.yaml", bad[i].text, strlen(bad[i].text), err),
			EVL_E_INVALID, bad[i].message);
		assert_null(d);
	}
	char deep[200] = "";
	for (int i = 0; i < 40; i++) {
		strcat(deep, "[");
	}
	REFUSED(evl_document_yaml(&d, "t.yaml", deep, strlen(deep), err), EVL_E_LIMIT, "deeper");
	assert_null(d);
}

#define R1 "requirements:\n- {id: R1, text: t, cases: [bit-errors]}\n"

static void bad_files(void **state)
{
	(void)state;
	static const struct {
		const char *text, *message;
	} wanted[] = {
		{"x: 1\n", ":1: \"x\" is not known of this file"},
		{"[a]\n", "must be a mapping"},
		{"requirements: {}\n", "must be a list"},
		{"requirements: [a]\n", "a requirement must be a mapping"},
		{"requirements:\n- {text: t}\n", ":2: \"id\" is missing"},
		{"requirements:\n- {id: R1}\n", ":2: \"text\" is missing"},
		{"requirements:\n- {id: R1, text: [t]}\n", ":2: \"text\" must be a text"},
		{"requirements:\n- {id: R1, text: t, case: x}\n", ":2: \"case\" is not known"},
		{"requirements:\n- {id: R1, text: t, cases: {a: b}}\n",
			":2: \"cases\" must be a list"},
		{"requirements:\n- {id: R1, text: t, cases: [[a]]}\n",
			":2: \"cases\" must be a list"},
		{R1 "- {id: R1, text: u}\n", ":3: requirement \"R1\" is given twice"},
		{R1 "waivers:\n- {requirement: R2, reason: r, author: a}\n",
			":4: there is no requirement \"R2\""},
		{R1 "waivers:\n- {requirement: R1, author: a}\n", ":4: \"reason\" is missing"},
		{R1 "waivers:\n- {requirement: R1, reason: r}\n", ":4: \"author\" is missing"},
		{R1 "waivers:\n- {requirement: R1, reason: r, author: a, expires: soon}\n",
			":4: \"expires\" must be a date such as 2026-12-31, not \"soon\""},
		{R1 "waivers:\n- {requirement: R1, reason: r, author: a, expires: 2026-13-01}\n",
			":4: \"expires\" must be a date"},
		{R1 "observations:\n- {author: a}\n", ":4: \"text\" is missing"},
		{R1 "observations: x\n", "are lists"},
	};
	static const struct {
		const char *text, *message;
	} stated[] = {
		{"who: me\n", ":1: \"who\" is not known of a statement"},
		{"authorised: me\n", "authorised must be {name"},
		{"authorised: {function: f}\n", ":1: \"name\" is missing"},
		{"opinions: x\n", "opinions must be a list"},
		{"opinions:\n- {text: t}\n", ":2: \"author\" is missing"},
		{"conditions: warm\n", "conditions must be a mapping"},
		{"conditions: {t: [1]}\n", ":1: \"t\" must be a text"},
		{"deviations: {a: b}\n", "\"deviations\" must be a list"},
		{"replaces: {report: x}\n", ":1: \"reason\" is missing"},
	};
	struct evl_statement s;
	for (size_t i = 0; i < sizeof wanted / sizeof *wanted; i++) {
		REFUSED(evl_statement_load(&s, NULL, file("w.yaml", wanted[i].text), err),
			EVL_E_INVALID, wanted[i].message);
	}
	for (size_t i = 0; i < sizeof stated / sizeof *stated; i++) {
		REFUSED(evl_statement_load(&s, file("s.yaml", stated[i].text), NULL, err),
			EVL_E_INVALID, stated[i].message);
	}
	REFUSED(evl_statement_load(&s, file("absent.yaml", NULL), NULL, err), EVL_E_NOTFOUND,
		"absent.yaml");
	REFUSED(evl_statement_load(&s, NULL, file("w.csv", "id,text\nR1,t\nR1,t\n"), err),
		EVL_E_INVALID, ":3: requirement \"R1\" is given twice");
}

/* `shown` is shell-quoted; see check_html.py. */
static void check_page(const char *dir, const char *shown)
{
	char command[9000];
	const char *root = getenv("EVL_SOURCE_ROOT");
	snprintf(command, sizeof command,
		"cd '%s/%s' && /usr/bin/python3 '%s/tests/report/check_html.py' report.html %s >&2",
		folder, dir, root == NULL ? "." : root, shown);
	assert_int_equal(system(command), 0);
}

static void matrix(void **state)
{
	(void)state;
	struct evl_dossier_options opt = {
		.statement = file("s.yaml",
			"authorised: {name: Jo Example, function: head}\n"
			"conditions: {temperature: 22 C}\nsampling: one unit\nexternal: none\n"
			"deviations: [The fan was off.]\nuncertainty: 0.1 ppm of the clock\n"
			"opinions:\n- {text: Ship it not., author: Jo Example}\n"
			"replaces: {report: 0123, reason: a typo}\n"),
		.requirements = file("r.yaml",
			"requirements:\n"
			"- {id: R1, text: Own number., cases: [bit-errors], checks: [arrives on "
			"its own "
			"number]}\n"
			"- {id: R2, text: Delay., source: clause 7, cases: [line-loss], checks: "
			"[delay of "
			"the line]}\n"
			"- {id: R3, text: Battery.}\n"
			"- {id: R4, text: Cold., cases: [frost]}\n"
			"waivers:\n"
			"- {requirement: R3, reason: by the maker, author: customer, expires: "
			"2027-01-01}\n"
			"- {requirement: R4, reason: old, author: customer, expires: 2026-11-24}\n"
			"observations:\n- {text: A quiet day., author: Jo}\n")};
	char plain[4200];
	snprintf(plain, sizeof plain, "%s", file("plain", NULL));
	OK(evl_dossier_write(NULL, store, run_b, plain, NULL, err));
	OK(evl_dossier_write(NULL, store, run_b, file("d", NULL), &opt, err));
	check_page("d", "'R1 Own number.' 'arrives on its own number: 63 checks' "
			"'delay of the line: 1 check' 'no case' 'is not in this run' "
			"'waived, see below' 'its waiver has expired' 'expired on 2026-11-24' "
			"'until 2027-01-01' 'Every case serves a requirement.' 'A quiet day.' "
			"'Jo Example, head; signed with' 'temperature: 22 C' 'The fan was off.' "
			"'Ship it not.' 'it replaces report 0123. a typo' '0.1 ppm of the clock' "
			"'one unit'");
	check_page("plain", "'no person is named' 'None. All above is results.'");
	assert_int_not_equal(run_in(folder, "grep -q 'id=\"trace\"' plain/report.html"), 0);
	/* Both files are under the signature, and other statements are another report. */
	assert_int_equal(
		run_in(folder, "cmp s.yaml d/statement.yaml && cmp r.yaml d/requirements.yaml && "
			       "grep -q '\"name\":\"statement.yaml\"' d/manifest.json && "
			       "! cmp -s plain/report.html d/report.html && "
			       "test $(grep -o '\"report\":\"[0-9a-f-]*\"' plain/manifest.json) != "
			       "$(grep -o '\"report\":\"[0-9a-f-]*\"' d/manifest.json)"),
		0);
	/* The digests, computed again from the evidence. */
	file("check.py", "import hashlib, json\n"
			 "rows = [r for r in json.load(open('d/evidence.json'))['rows']\n"
			 "        if r['table'] == 'check_']\n"
			 "def of(title):\n"
			 "    return [r['row'] for r in rows if title in json.loads(r['text'])]\n"
			 "many, one = of('arrives on its own number'), of('delay of the line')\n"
			 "assert len(many) == 63 and len(one) == 1\n"
			 "page = open('d/report.html').read()\n"
			 "all = ''.join(m + chr(10) for m in many)\n"
			 "assert hashlib.sha256(all.encode()).hexdigest() in page\n"
			 "assert one[0] in page\n");
	assert_int_equal(run_in(folder, "/usr/bin/python3 check.py"), 0);
	/* A table of the same requirements. */
	opt.requirements = file("r.csv", "id,text,source,cases,checks\n"
					 "R1,Own number.,,bit-errors,arrives on its own number\n"
					 "R2,Both.,,bit-errors;line-loss,\n");
	OK(evl_dossier_write(NULL, store, run_b, file("t", NULL), &opt, err));
	check_page("t", "'R2 Both.' 'R2, also' 'Waivers: none.'");
	assert_int_equal(run_in(folder, "cmp r.csv t/requirements.csv"), 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(tables),
		cmocka_unit_test(documents),
		cmocka_unit_test(bad_files),
		cmocka_unit_test(matrix),
	};
	return cmocka_run_group_tests(tests, make_runs, remove_runs);
}

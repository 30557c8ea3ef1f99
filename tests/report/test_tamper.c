/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A dossier with one byte changed anywhere, more than 2000 times. Every byte of the files that are
 * parsed to decide (manifest, signature, certificate), a sample of those that stand or fall with
 * their SHA-256; files removed, added, swapped, replaced by links; and a manifest that is signed
 * well but does not fit its evidence.
 */
#include "tests/report/invented.h"

#include <dirent.h>

#include "core/report/dossier.h"
#include "core/report/manifest.h"
#include "core/report/verify.h"

enum { SAMPLES = 250 };

static char *folder;
static struct evl_store *store;
static char dir[4200];
static int64_t run;
static unsigned flips;

static int make_dossier(void **state)
{
	(void)state;
	char path[4200];
	folder = invented_folder();
	snprintf(path, sizeof path, "%s/lab.db", folder);
	snprintf(dir, sizeof dir, "%s/d", folder);
	OK(evl_store_open(&store, path, EVL_STORE_WRITE, err));
	run = invented_run(store, &(struct invented){.build = "B", .faulty = true, .tribs = 1});
	char tar[4200], statement[4200], wanted[4200];
	const char *root = getenv("EVL_SOURCE_ROOT");
	snprintf(tar, sizeof tar, "%s/1.tar", folder);
	snprintf(statement, sizeof statement, "%s/campaigns/statement.yaml",
		root == NULL ? "." : root);
	snprintf(wanted, sizeof wanted, "%s/campaigns/requirements.yaml",
		root == NULL ? "." : root);
	OK(evl_file_write(tar, "what a bundle of a recording may hold", 37, err));
	const struct evl_dossier_recording recording = {0, tar};
	const struct evl_dossier_options all = {.statement = statement,
		.requirements = wanted,
		.reveal = true,
		.recordings = &recording,
		.recording_count = 1};
	OK(evl_dossier_write(NULL, store, run, dir, &all, err));
	return run_in(folder, "cp -r d good");
}

static int remove_dossier(void **state)
{
	(void)state;
	evl_store_close(store);
	invented_folder_remove(folder);
	return 0;
}

/* Verifies; must be altered, with `file` in the first finding. */
static void must_blame(const char *file, const char *how)
{
	struct evl_dossier_report r;
	struct evl_err err = {0};
	enum evl_status st = evl_dossier_verify(&r, dir, NULL, &err);
	if (st != EVL_E_CORRUPT || r.good || r.finding_count == 0 ||
		strcmp(r.findings[0].file, file) != 0 || strstr(err.text, file) == NULL) {
		fail_msg("%s: status %d, blames %s: %s", how, st,
			r.finding_count == 0 ? "nobody" : r.findings[0].file, err.text);
	}
	/* One cause, one finding; of evidence.json a second one may name the row. */
	for (size_t i = 1; i < r.finding_count; i++) {
		if (i > 1 || strcmp(file, "evidence.json") != 0 ||
			strcmp(r.findings[i].file, file) != 0) {
			fail_msg("%s: %zu findings, one too many: %s: %s", how, r.finding_count,
				r.findings[i].file, r.findings[i].text);
		}
	}
	evl_dossier_report_finish(&r);
}

/* The masks take turns; tests/report/test_sign.c tries all on each byte of the signature. */
static void flip_file(const char *name, bool each)
{
	static const uint8_t masks[] = {0x01, 0x20, 0x80};
	char path[8500];
	char how[400];
	char *data = NULL;
	size_t len = 0;
	snprintf(path, sizeof path, "%s/%s", dir, name);
	OK(evl_file_read(&data, &len, path, 1 << 24, err));
	size_t step = each || len <= SAMPLES ? 1 : len / SAMPLES;
	FILE *f = fopen(path, "r+b");
	assert_non_null(f);
	setvbuf(f, NULL, _IONBF, 0);
	for (size_t i = 0; i < len; i += step) {
		flips++;
		uint8_t mask = masks[i / step % sizeof masks];
		snprintf(how, sizeof how, "%s, byte %zu, mask %02X", name, i, mask);
		fseek(f, (long)i, SEEK_SET);
		fputc((unsigned char)data[i] ^ mask, f);
		must_blame(name, how);
		fseek(f, (long)i, SEEK_SET);
		fputc((unsigned char)data[i], f);
	}
	fclose(f);
	free(data);
}

static void every_byte(void **state)
{
	(void)state;
	static const char *const names[] = {"manifest.json", "manifest.p7s", "signer.pem",
		"SHA256SUMS", "VERIFY.txt", "campaign.lua", "bench.yaml", "evidence.json",
		"report.html", "report.pdf", "statement.yaml", "requirements.yaml", "personal.json",
		"recording-1.tar"};
	for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
		flip_file(names[i], i < 3);
	}
	assert_true(flips >= 2000);
	struct evl_dossier_report r;
	OK(evl_dossier_verify(&r, dir, NULL, err));
	evl_dossier_report_finish(&r);
}

static void whole_files(void **state)
{
	(void)state;
	static const struct {
		const char *command, *file;
	} changes[] = {
		{"rm d/report.html", "report.html"},
		{"rm d/evidence.json", "evidence.json"},
		{"rm d/manifest.json", "manifest.json"},
		{"rm d/manifest.p7s", "manifest.p7s"},
		{"rm d/signer.pem", "signer.pem"},
		{"rm d/SHA256SUMS", "SHA256SUMS"},
		{"touch d/more.txt", "more.txt"},
		{"touch d/.hidden", ".hidden"},
		{"mkdir d/folder", "folder"},
		{"cp d/report.html d/report2.html", "report2.html"},
		{": > d/report.html", "report.html"},
		{": > d/manifest.json", "manifest.json"},
		{": > d/manifest.p7s", "manifest.p7s"},
		{": > d/signer.pem", "signer.pem"},
		{"printf x >> d/report.html", "report.html"},
		{"printf x >> d/manifest.p7s", "manifest.p7s"},
		{"printf '\\n' >> d/manifest.json", "manifest.json"},
		{"printf '\\n' >> d/signer.pem", "signer.pem"},
		{"cp d/bench.yaml d/campaign.lua", "campaign.lua"},
		{"mv d/report.html r.html; "
		 "ln -s ../r.html d/report.html",
			"report.html"},
		{"mv d/signer.pem s.pem; ln -s ../s.pem d/signer.pem", "signer.pem"},
		{"rm d/bench.yaml; mkdir d/bench.yaml", "bench.yaml"},
		{"rm d/VERIFY.txt; mkfifo d/VERIFY.txt", "VERIFY.txt"},
	};
	for (size_t i = 0; i < sizeof changes / sizeof *changes; i++) {
		assert_int_equal(run_in(folder, changes[i].command), 0);
		must_blame(changes[i].file, changes[i].command);
		assert_int_equal(run_in(folder, "rm -rf d && cp -r good d"), 0);
	}
}

static void not_a_dossier(void **state)
{
	(void)state;
	struct evl_dossier_report r;
	char path[4300];
	snprintf(path, sizeof path, "%s/nothing", folder);
	REFUSED(evl_dossier_verify(&r, path, NULL, err), EVL_E_NOTFOUND, "nothing");
	evl_dossier_report_finish(&r);
	snprintf(path, sizeof path, "%s/lab.db", folder);
	REFUSED(evl_dossier_verify(&r, path, NULL, err), EVL_E_INVALID, "is no folder");
	evl_dossier_report_finish(&r);
	assert_int_equal(run_in(folder, "mkdir void"), 0);
	snprintf(path, sizeof path, "%s/void", folder);
	REFUSED(evl_dossier_verify(&r, path, NULL, err), EVL_E_CORRUPT, "is missing");
	assert_int_equal(r.finding_count, 3);
	evl_dossier_report_finish(&r);
}

/* Somebody re-signs an altered manifest with a key of their own: the files fit then, but the
 * manifest must still fit the evidence, whose chain anybody can recompute. */
static void signed_lie(void **state)
{
	(void)state;
	static const struct {
		const char *from, *to, *file;
	} lies[] = {
		{"\"verdict\":\"fail\"", "\"verdict\":\"pass\"", "manifest.json"},
		{"\"build\":\"B\"", "\"build\":\"C\"", "manifest.json"},
		{"\"driver\":\"simmux\"", "\"driver\":\"real\"", "manifest.json"},
		{"\"bytes\":1048576", "\"bytes\":1048577", "manifest.json"},
		{"\"simulated\":true", "\"simulated\":false", "manifest.json"},
		{"\"results_digest\":\"", "\"results_digest\":\"0", "manifest.json"},
		{"\"head\":\"", "\"head\":\"0", "evidence.json"},
		{"evenlode-dossier/1", "evenlode-dossier/2", "manifest.json"},
		{",\"run\":{", ", \"run\":{", "manifest.json"},
	};
	for (size_t i = 0; i < sizeof lies / sizeof *lies; i++) {
		char path[4300];
		char *text = NULL;
		size_t len = 0;
		snprintf(path, sizeof path, "%s/manifest.json", dir);
		OK(evl_file_read(&text, &len, path, 1 << 20, err));
		char *at = strstr(text, lies[i].from);
		assert_non_null(at);
		char *lie = malloc(len + 100);
		assert_non_null(lie);
		snprintf(lie, len + 100, "%.*s%s%s", (int)(at - text), text, lies[i].to,
			at + strlen(lies[i].from));
		OK(evl_file_write(path, lie, strlen(lie), err));
		struct evl_signer *signer = NULL;
		uint8_t *der = NULL;
		size_t der_len = 0;
		OK(evl_signer_load(&signer, NULL, NULL, 1795600000, err));
		OK(evl_signer_sign(&der, &der_len, signer, lie, strlen(lie), 1795600000, err));
		snprintf(path, sizeof path, "%s/manifest.p7s", dir);
		OK(evl_file_write(path, der, der_len, err));
		size_t pem_len = 0;
		const char *pem = evl_signer_pem(signer, &pem_len);
		snprintf(path, sizeof path, "%s/signer.pem", dir);
		OK(evl_file_write(path, pem, pem_len, err));
		must_blame(lies[i].file, lies[i].to);
		evl_signer_destroy(signer);
		free(der);
		free(lie);
		free(text);
		assert_int_equal(run_in(folder, "rm -rf d && cp -r good d"), 0);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(whole_files),
		cmocka_unit_test(not_a_dossier),
		cmocka_unit_test(signed_lie),
		cmocka_unit_test(every_byte),
	};
	return cmocka_run_group_tests(tests, make_dossier, remove_dossier);
}

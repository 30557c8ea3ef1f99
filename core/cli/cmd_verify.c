/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <time.h>

#include "core/cli/cli.h"
#include "core/report/verify.h"

static const char help[] =
	"usage: evenlode verify DIR [--trust PEM]\n"
	"\n"
	"Checks a dossier: signature, digest of every file, chain over the evidence; nothing\n"
	"altered, missing or added.\n"
	"\n"
	"  --trust PEM  certificates that you trust and got by another way; without it the\n"
	"               signature shows only that the dossier is as its signer made it\n"
	"  --help       this text\n"
	"\n"
	"Exit status: 0 nothing was altered, 1 something was, 3 error, 64 usage\n";

enum { OPT_TRUST };
static const struct cli_option options[] = {[OPT_TRUST] = {"trust", true}, {NULL, false}};

static void print_signature(const struct evl_dossier_report *r)
{
	const struct evl_signature_info *s = &r->signature;
	char when[32] = "";
	time_t at = (time_t)s->signed_unix_s;
	struct tm utc;

	if (gmtime_r(&at, &utc) != NULL) {
		strftime(when, sizeof(when), "%Y-%m-%dT%H:%M:%SZ", &utc);
	}
	cli_out("signer      %s\n", s->subject);
	cli_out("certificate SHA-256 %s, valid %s to %s\n", s->fingerprint, s->not_before,
		s->not_after);
	cli_out("signed      %s, as the signer says\n", when);
	if (s->demo) {
		cli_out("%s\n", EVL_DEMO_KEY_MARK);
	} else if (!r->trust_checked) {
		cli_out("Whether the certificate is the signer's was not checked; see --trust.\n");
	}
}

static int verify(int argc, char **argv)
{
	struct cli_args a = {.verb = &cli_verb_verify,
		.options = options,
		.argc = argc,
		.argv = argv,
		.operands_min = 1,
		.operands_max = 1};
	struct evl_dossier_report report = {0};
	struct evl_err err = {0};
	const char *trust = NULL;
	int status;

	while (cli_next(&a)) {
		trust = a.value;
	}
	if (a.exit >= 0) {
		return a.exit;
	}
	enum evl_status st = evl_dossier_verify(&report, a.operands[0], trust, &err);
	if (st != EVL_OK && st != EVL_E_CORRUPT) {
		status = cli_error(&err);
		goto out;
	}
	if (report.run[0] != '\0') {
		cli_out("run         %s of campaign %s, build %s: %s\n", report.run,
			report.campaign, report.build, report.verdict);
	}
	if (report.signature_good) {
		print_signature(&report);
	}
	cli_out("checked     %s, %s bytes, %s of evidence\n", cli_number_of(report.files, "file").s,
		cli_count(report.bytes).s, cli_number_of(report.rows, "row").s);
	for (size_t i = 0; i < report.finding_count; i++) {
		cli_out("%s: %s\n", report.findings[i].file, report.findings[i].text);
	}
	cli_out("%s\n", st == EVL_OK ? "Nothing was altered." : "ALTERED: do not rely on it.");
	status = st == EVL_OK ? CLI_GOOD : CLI_NO;
out:
	evl_dossier_report_finish(&report);
	return status;
}

const struct cli_verb cli_verb_verify = {"verify", "was a dossier altered?", help, verify};

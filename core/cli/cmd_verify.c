/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <stdlib.h>
#include <time.h>

#include "core/cli/cli.h"
#include "core/report/attached.h"
#include "core/report/proof.h"
#include "core/report/verify.h"

static const char help[] =
	"usage: evenlode verify DIR [--trust PEM] [OPTIONS]\n"
	"\n"
	"Checks a dossier: signature, digest of every file, chain over the evidence; nothing\n"
	"altered, missing or added. What others added (witnesses, a time-stamp) is checked as "
	"well.\n"
	"\n"
	"  --trust PEM    certificates that you trust and got by another way; without it the\n"
	"                 signature shows only that the dossier is as its signer made it\n"
	"  --prove ROW --out FILE\n"
	"                 then writes a proof of one row alone: CASE/NUMBER for a check of a "
	"case,\n"
	"                 from 1, or TABLE:KEY as in evidence.json\n"
	"  --proof FILE   checks such a proof instead; of DIR it needs manifest.json, "
	"manifest.p7s\n"
	"                 and signer.pem only\n"
	"  --witness --key PEM --cert PEM\n"
	"                 then signs the laboratory's signature as a witness, beside it\n"
	"  --stamp FILE   then adds the answer of a time-stamp authority to\n"
	"                 openssl ts -query -data DIR/manifest.p7s -sha256 -cert\n"
	"  --help         this text\n"
	"\n"
	"Exit status: 0 nothing was altered, 1 something was, 3 error, 64 usage\n";

enum { OPT_TRUST, OPT_PROVE, OPT_OUT, OPT_PROOF, OPT_WITNESS, OPT_KEY, OPT_CERT, OPT_STAMP };
static const struct cli_option options[] = {[OPT_TRUST] = {"trust", true},
	[OPT_PROVE] = {"prove", true},
	[OPT_OUT] = {"out", true},
	[OPT_PROOF] = {"proof", true},
	[OPT_WITNESS] = {"witness", false},
	[OPT_KEY] = {"key", true},
	[OPT_CERT] = {"cert", true},
	[OPT_STAMP] = {"stamp", true},
	{NULL, false}};

struct asked {
	const char *dir, *trust, *prove, *out, *proof, *key, *cert, *stamp;
	bool witness;
};

static void print_time(const char *what, int64_t unix_s, const char *more)
{
	char when[32] = "";
	time_t at = (time_t)unix_s;
	struct tm utc;

	if (gmtime_r(&at, &utc) != NULL) {
		strftime(when, sizeof(when), "%Y-%m-%dT%H:%M:%SZ", &utc);
	}
	cli_out("%-11s %s, %s\n", what, when, more);
}

static void print_signature(const struct evl_dossier_report *r)
{
	const struct evl_signature_info *s = &r->signature;
	cli_out("signer      %s\n", s->subject);
	cli_out("certificate SHA-256 %s, valid %s to %s\n", s->fingerprint, s->not_before,
		s->not_after);
	print_time("signed", s->signed_unix_s, "as the signer says");
	if (s->demo) {
		cli_out("%s\n", EVL_DEMO_KEY_MARK);
	} else if (!r->trust_checked) {
		cli_out("Whether the certificate is the signer's was not checked; see --trust.\n");
	}
}

static void print_attached(const struct evl_dossier_report *r)
{
	for (size_t i = 0; i < r->witness_count; i++) {
		const struct evl_signature_info *w = &r->witnesses[i];
		cli_out("witness     %s, certificate SHA-256 %s\n", w->subject, w->fingerprint);
		print_time("", w->signed_unix_s, "as the witness says");
	}
	if (r->stamped) {
		print_time("time-stamp", r->stamp.unix_s, r->stamp.authority);
		cli_out("            %s\n",
			r->stamp.trusted ? "The authority leads to a certificate that you trust."
			: r->trust_checked
				? "The authority does not lead to a certificate that you trust."
				: "Whether the authority is to be trusted was not checked.");
	}
}

static void print_report(const struct evl_dossier_report *r)
{
	if (r->run[0] != '\0') {
		cli_out("run         %s of campaign %s, build %s: %s\n", r->run, r->campaign,
			r->build, r->verdict);
	}
	if (r->signature_good) {
		print_signature(r);
	}
	print_attached(r);
}

static void print_findings(const struct evl_dossier_report *r)
{
	for (size_t i = 0; i < r->finding_count; i++) {
		cli_out("%s: %s\n", r->findings[i].file, r->findings[i].text);
	}
}

static int check_proof(const struct asked *q)
{
	struct evl_dossier_report report = {0};
	struct evl_err err = {0};
	char *text = NULL;
	int status = CLI_NO;
	enum evl_status st =
		evl_dossier_verify_proof(&report, &text, q->dir, q->proof, q->trust, &err);

	if (st != EVL_OK && st != EVL_E_CORRUPT) {
		status = cli_error(&err);
	} else {
		print_report(&report);
		print_findings(&report);
		if (st == EVL_OK) {
			cli_out("row         %s\n", text);
		}
		cli_out("%s\n", st == EVL_OK ? "The row is one of this run's, as it was signed."
					     : "NOT PROVED: do not rely on it.");
		status = st == EVL_OK ? CLI_GOOD : CLI_NO;
	}
	free(text);
	evl_dossier_report_finish(&report);
	return status;
}

/* What is asked for beyond checking; the dossier is good. */
static int go_on(const struct asked *q)
{
	struct evl_err err = {0};

	if (q->prove != NULL) {
		if (evl_proof_write(q->dir, q->prove, q->out, &err) != EVL_OK) {
			return cli_error(&err);
		}
		cli_out("proof       %s\n", q->out);
	}
	if (q->witness) {
		if (evl_dossier_witness(q->dir, q->key, q->cert, (int64_t)time(NULL), &err) !=
			EVL_OK) {
			return cli_error(&err);
		}
		cli_out("witnessed   with %s\n", q->cert);
	}
	if (q->stamp != NULL) {
		if (evl_dossier_stamp(q->dir, q->stamp, &err) != EVL_OK) {
			return cli_error(&err);
		}
		cli_out("stamped     %s\n", q->stamp);
	}
	return CLI_GOOD;
}

static int check_all(const struct asked *q)
{
	struct evl_dossier_report report = {0};
	struct evl_err err = {0};
	int status;
	enum evl_status st = evl_dossier_verify(&report, q->dir, q->trust, &err);

	if (st != EVL_OK && st != EVL_E_CORRUPT) {
		status = cli_error(&err);
		goto out;
	}
	print_report(&report);
	cli_out("checked     %s, %s bytes, %s of evidence\n", cli_number_of(report.files, "file").s,
		cli_count(report.bytes).s, cli_number_of(report.rows, "row").s);
	print_findings(&report);
	cli_out("%s\n", st == EVL_OK ? "Nothing was altered." : "ALTERED: do not rely on it.");
	status = st == EVL_OK ? go_on(q) : CLI_NO;
out:
	evl_dossier_report_finish(&report);
	return status;
}

static int verify(int argc, char **argv)
{
	struct cli_args a = {.verb = &cli_verb_verify,
		.options = options,
		.argc = argc,
		.argv = argv,
		.operands_min = 1,
		.operands_max = 1};
	struct asked q = {0};
	const char **const texts[] = {[OPT_TRUST] = &q.trust,
		[OPT_PROVE] = &q.prove,
		[OPT_OUT] = &q.out,
		[OPT_PROOF] = &q.proof,
		[OPT_KEY] = &q.key,
		[OPT_CERT] = &q.cert,
		[OPT_STAMP] = &q.stamp};

	while (cli_next(&a)) {
		if (a.index == OPT_WITNESS) {
			q.witness = true;
		} else {
			*texts[a.index] = a.value;
		}
	}
	if (a.exit >= 0) {
		return a.exit;
	}
	q.dir = a.operands[0];
	if ((q.prove == NULL) != (q.out == NULL)) {
		return cli_usage(a.verb, "--prove and --out belong together");
	}
	if (q.witness != (q.key != NULL && q.cert != NULL) || (q.key != NULL) != (q.cert != NULL)) {
		return cli_usage(a.verb, "--witness, --key and --cert belong together");
	}
	if (q.proof != NULL && (q.prove != NULL || q.witness || q.stamp != NULL)) {
		return cli_usage(a.verb, "--proof checks a proof and does nothing else");
	}
	return q.proof != NULL ? check_proof(&q) : check_all(&q);
}

const struct cli_verb cli_verb_verify = {"verify", "was a dossier altered?", help, verify};

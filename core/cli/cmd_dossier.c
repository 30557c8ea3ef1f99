/* SPDX-License-Identifier: Apache-2.0 */
#include <stdlib.h>

#include "core/base/file.h"
#include "core/cli/cli.h"
#include "core/cli/dossier_recordings.h"
#include "core/report/dossier.h"

static const char help[] =
	"usage: evenlode dossier RUN --store FILE --out DIR [OPTIONS]\n"
	"\n"
	"Writes the dossier of a run: report, evidence, manifest and signature. An earlier "
	"dossier\n"
	"in DIR is replaced as a whole.\n"
	"\n"
	"  --store FILE   the store that holds the run\n"
	"  --out DIR      the folder to make\n"
	"  --key PEM      private key to sign with\n"
	"  --cert PEM     its certificate; without the two a demonstration key is made, and the\n"
	"                 dossier says so\n"
	"  --p12 FILE     key and certificate in one PKCS#12 file instead\n"
	"  --token URI    key in a PKCS#11 token (RFC 7512), such as\n"
	"                 pkcs11:token=lab;object=sign; its certificate is --cert, else the "
	"token's\n"
	"  --password-file FILE\n"
	"                 password of the PKCS#12 file or PIN of the token, in the first line\n"
	"  --statement FILE\n"
	"                 what the laboratory states: who authorises, deviations, opinions (YAML)\n"
	"  --requirements FILE\n"
	"                 requirements to trace to cases and checks (YAML, or CSV by its name)\n"
	"  --recordings   put the recordings in, each as a tar archive; without it the dossier\n"
	"                 has their digests only. They may hold personal data\n"
	"  --reveal       show personal data that is withheld otherwise, and prove it\n"
	"  --compare RUN  run of an earlier build to compare with in the report\n"
	"  --help         this text\n"
	"\n"
	"Exit status: 0 written, 3 error, 64 usage\n";

enum {
	OPT_STORE,
	OPT_OUT,
	OPT_KEY,
	OPT_CERT,
	OPT_COMPARE,
	OPT_STATEMENT,
	OPT_REQUIREMENTS,
	OPT_P12,
	OPT_TOKEN,
	OPT_REVEAL,
	OPT_RECORDINGS,
	OPT_PASSWORD
};
static const struct cli_option options[] = {[OPT_STORE] = {"store", true},
	[OPT_OUT] = {"out", true},
	[OPT_KEY] = {"key", true},
	[OPT_CERT] = {"cert", true},
	[OPT_COMPARE] = {"compare", true},
	[OPT_STATEMENT] = {"statement", true},
	[OPT_REQUIREMENTS] = {"requirements", true},
	[OPT_P12] = {"p12", true},
	[OPT_TOKEN] = {"token", true},
	[OPT_REVEAL] = {"reveal", false},
	[OPT_RECORDINGS] = {"recordings", false},
	[OPT_PASSWORD] = {"password-file", true},
	{NULL, false}};

static int dossier(int argc, char **argv)
{
	struct cli_args a = {.verb = &cli_verb_dossier,
		.options = options,
		.argc = argc,
		.argv = argv,
		.operands_min = 1,
		.operands_max = 1};
	struct evl_dossier_options opt = {0};
	struct evl_dossier_made made = {0};
	struct evl_store *store = NULL;
	struct evl_err err = {0};
	const char *path = NULL, *out = NULL;
	int64_t number;
	int status = CLI_GOOD;
	bool recordings = false;

	while (cli_next(&a)) {
		switch (a.index) {
		case OPT_STORE:
			path = a.value;
			break;
		case OPT_OUT:
			out = a.value;
			break;
		case OPT_KEY:
			opt.key_pem = a.value;
			break;
		case OPT_CERT:
			opt.cert_pem = a.value;
			break;
		case OPT_P12:
			opt.p12 = a.value;
			break;
		case OPT_TOKEN:
			opt.token = a.value;
			break;
		case OPT_RECORDINGS:
			recordings = true;
			break;
		case OPT_REVEAL:
			opt.reveal = true;
			break;
		case OPT_PASSWORD:
			opt.password_file = a.value;
			break;
		case OPT_STATEMENT:
			opt.statement = a.value;
			break;
		case OPT_REQUIREMENTS:
			opt.requirements = a.value;
			break;
		case OPT_COMPARE:
			if (!cli_parse_run(&opt.compare_run, a.value)) {
				a.exit = cli_usage(
					a.verb, "--compare \"%s\" is no number of a run", a.value);
			}
			break;
		}
	}
	if (a.exit >= 0) {
		return a.exit;
	}
	if (path == NULL || out == NULL) {
		return cli_usage(a.verb, "%s is missing", path == NULL ? "--store" : "--out");
	}
	if (opt.token == NULL && (opt.key_pem == NULL) != (opt.cert_pem == NULL)) {
		return cli_usage(a.verb, "--key and --cert belong together; %s is missing",
			opt.key_pem == NULL ? "--key" : "--cert");
	}
	if ((opt.p12 != NULL || opt.token != NULL) && opt.key_pem != NULL) {
		return cli_usage(a.verb, "--%s takes the place of --key",
			opt.p12 != NULL ? "p12" : "token");
	}
	if (opt.p12 != NULL && (opt.token != NULL || opt.cert_pem != NULL)) {
		return cli_usage(a.verb, "--p12 holds key and certificate; leave out --%s",
			opt.token != NULL ? "token" : "cert");
	}
	if (opt.password_file != NULL && opt.p12 == NULL && opt.token == NULL) {
		return cli_usage(a.verb, "--password-file belongs to --p12 or --token");
	}
	if (!cli_parse_run(&number, a.operands[0])) {
		return cli_usage(a.verb, "\"%s\" is no number of a run", a.operands[0]);
	}
	struct cli_dossier_recordings tars = {0};
	enum evl_status st = evl_store_open(&store, path, EVL_STORE_READ, &err);
	if (st == EVL_OK && recordings) {
		st = cli_dossier_recordings_make(&tars, store, path, number, out, &err);
		opt.recordings = tars.list;
		opt.recording_count = tars.count;
	}
	if (st != EVL_OK ||
		evl_dossier_write(&made, store, number, out, &opt, &err) != EVL_OK) {
		status = cli_error(&err);
	} else {
		char *report = evl_file_join(out, "report.html");
		cli_out("report    %s\n", report);
		cli_out("results   %s\n", made.results_digest);
		cli_out("chain     head %s\n", made.chain_head);
		cli_out("signed    %s\n", made.demo_key ? EVL_DEMO_KEY_MARK : made.subject);
		cli_out("          certificate SHA-256 %s\n", made.fingerprint);
		free(report);
	}
	cli_dossier_recordings_finish(&tars);
	evl_store_close(store);
	return status;
}

const struct cli_verb cli_verb_dossier = {
	"dossier", "write the signed dossier of a run", help, dossier};

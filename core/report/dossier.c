/* SPDX-License-Identifier: Apache-2.0 */
/* Makes a dossier: reads the run, renders, signs, checks its own work, and puts it in place. */
#include "core/report/dossier.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>

#include "core/base/file.h"
#include "core/base/text.h"
#include "core/report/document.h"
#include "core/report/evidence_rows.h"
#include "core/report/internal.h"
#include "core/report/canonical.h"
#include "core/report/manifest.h"
#include "core/report/merkle.h"
#include "core/report/page.h"
#include "core/report/pdf.h"
#include "core/report/place.h"
#include "core/store/compare.h"
#include "core/store/export.h"
#include "core/store/store_read.h"

#define COMPARE_ALPHA 0.05 /* chance of one false alarm in a whole comparison */
#define FILES_MAX     13 /* and the recordings */

struct part {
	const char *name;
	const char *what; /* for the report; NULL: not listed there */
	const char *data; /* or NULL: of a file ... */
	const char *from; /* ... that is moved */
	size_t len;
	char sha256[EVL_SHA256_HEX];
};

struct making {
	const struct evl_dossier_options *options;
	int64_t issued;
	struct evl_signer *signer;
	struct evl_run *run, *before;
	struct evl_compare compare;
	struct evl_chain_report chain;
	char results[EVL_SHA256_HEX];
	char id[80];
	char *evidence;
	size_t evidence_len;
	char (*check_digests)[EVL_SHA256_HEX];
	char tree_root[EVL_SHA256_HEX];
	struct evl_statement statement;
	json_t *bench;
	struct evl_personal personal;
	struct evl_text html, howto, sums, manifest, revealed;
	uint8_t *pdf; /* signed */
	size_t pdf_len;
	size_t pdf_unsigned_len;
	char pdf_unsigned_sha256[EVL_SHA256_HEX];
	uint8_t *signature;
	size_t signature_len;
	struct part *parts; /* room for FILES_MAX and the recordings */
	char (*recording_names)[32];
	size_t part_count;
};

static void add_part(
	struct making *m, const char *name, const char *what, const void *data, size_t len)
{
	uint8_t md[EVL_SHA256_BYTES];
	evl_require(m->part_count < FILES_MAX + m->options->recording_count);
	struct part *p = &m->parts[m->part_count++];
	*p = (struct part){.name = name, .what = what, .data = data, .len = len};
	evl_sha256_of(data, len, md);
	evl_hex(md, sizeof md, p->sha256);
}

/* Bundles that the caller made: large, so they are read once, for their digest. */
static enum evl_status add_recordings(struct making *m, struct evl_err *err)
{
	const struct evl_dossier_options *o = m->options;
	m->recording_names = evl_xcalloc(o->recording_count + 1, sizeof *m->recording_names);
	for (size_t i = 0; i < o->recording_count; i++) {
		uint8_t md[EVL_SHA256_BYTES];
		struct stat sb;
		struct part *p = &m->parts[m->part_count++];
		snprintf(m->recording_names[i], sizeof m->recording_names[i],
			EVL_DOSSIER_RECORDING, o->recordings[i].ordinal + 1);
		*p = (struct part){.name = m->recording_names[i],
			.what = "recording, a tar archive of its files with their digests",
			.from = o->recordings[i].path};
		enum evl_status st = evl_sha256_of_file(p->from, md, err);
		if (st == EVL_OK && stat(p->from, &sb) != 0) {
			st = evl_err_set(err, EVL_E_IO, "%s: cannot be read: %s", p->from,
				strerror(errno));
		}
		if (st != EVL_OK) {
			return st;
		}
		p->len = (size_t)sb.st_size;
		evl_hex(md, sizeof md, p->sha256);
	}
	return EVL_OK;
}

static enum evl_status check_state(const struct evl_run *run, struct evl_err *err)
{
	if (run->killed) {
		return evl_err_set(err, EVL_E_CONFLICT,
			"run %lld was killed and its last rows are not in the hash chain yet; "
			"open the store for writing once (any `evenlode run` on it does), then "
			"try again",
			(long long)run->run.run);
	}
	if (strcmp(run->run.state, EVL_STATE_RUNNING) == 0) {
		return evl_err_set(err, EVL_E_CONFLICT,
			"run %lld is still running; wait until it ends", (long long)run->run.run);
	}
	return EVL_OK;
}

/* The source text, kept in the store, must be the file whose digest the run names. */
static enum evl_status add_source(struct making *m, const char *name, const char *what,
	const char *source, const char *sha256, struct evl_err *err)
{
	if (source == NULL) {
		return EVL_OK;
	}
	add_part(m, name, what, source, strlen(source));
	if (sha256 != NULL && strcmp(sha256, m->parts[m->part_count - 1].sha256) != 0) {
		return evl_err_set(err, EVL_E_CORRUPT,
			"run %lld: the %s in the store is not the one whose SHA-256 the run names",
			(long long)m->run->run.run, what);
	}
	return EVL_OK;
}

/* Puts what is withheld in its place, and makes the file that proves it. */
static void reveal(struct making *m)
{
	json_t *list = json_array();
	for (size_t i = 0; i < m->personal.count; i++) {
		json_array_append_new(list,
			json_pack("{s:I, s:s, s:s}", "number", (json_int_t)i + 1, "salt",
				m->personal.list[i].salt, "text", m->personal.list[i].text));
	}
	evl_run_reveal(m->run, &m->personal);
	evl_require(evl_canonical_json(&m->revealed, list));
	json_decref(list);
}

static enum evl_status load(
	struct making *m, struct evl_store *store, int64_t run, struct evl_err *err)
{
	enum evl_status st = evl_store_load_run(&m->run, store, run, err);
	if (st == EVL_OK) {
		st = check_state(m->run, err);
	}
	if (st == EVL_OK) {
		st = evl_store_chain_verify(store, run, &m->chain, err);
	}
	if (st == EVL_OK) {
		st = evl_store_results_digest(store, run, m->results, err);
	}
	if (st == EVL_OK) {
		st = evl_export_run(&m->evidence, &m->evidence_len, store, run, err);
	}
	if (st == EVL_OK && m->options->reveal) {
		st = evl_store_personal(&m->personal, store, run, err);
	}
	if (st == EVL_OK && m->options->reveal) {
		reveal(m);
	}
	if (st == EVL_OK && m->options->compare_run != 0) {
		if (m->options->compare_run == run) {
			return evl_err_set(err, EVL_E_INVALID,
				"run %lld cannot be compared with itself; name an earlier run",
				(long long)run);
		}
		st = evl_store_load_run(&m->before, store, m->options->compare_run, err);
		if (st == EVL_OK) {
			st = check_state(m->before, err);
		}
		if (st == EVL_OK) {
			st = evl_store_chain_verify(store, m->options->compare_run, NULL, err);
		}
		if (st == EVL_OK) {
			st = evl_compare_runs(&m->compare, m->before, m->run, COMPARE_ALPHA, err);
		}
	}
	return st;
}

/* Digests of the rows: of each check, and the root of the tree over all. */
static enum evl_status take_digests(struct making *m, struct evl_err *err)
{
	struct evl_evidence e;
	struct evl_merkle tree = {0};
	uint8_t root[EVL_SHA256_BYTES];
	m->check_digests = evl_xcalloc(m->run->check_count + 1, sizeof *m->check_digests);
	evl_evidence_begin(&e, m->evidence, m->evidence_len);
	int of_case = -1; /* whose checks `first` and `n` are: they come case by case */
	size_t first = 0;
	size_t n = 0;
	while (evl_evidence_next(&e)) {
		int case_no = -1;
		int ordinal = -1;
		evl_merkle_add(&tree, e.text.data, e.text.len);
		if (strcmp(e.table, "check_") != 0 ||
			sscanf(e.key, "%d/%d", &case_no, &ordinal) != 2) {
			continue;
		}
		if (case_no != of_case) {
			n = evl_run_case_checks(m->run, case_no, &first);
			of_case = case_no;
		}
		if (ordinal >= 0 && (size_t)ordinal < n) {
			memcpy(m->check_digests[first + (size_t)ordinal], e.row, EVL_SHA256_HEX);
		}
	}
	bool whole = e.whole && (int64_t)tree.count == m->chain.links;
	evl_merkle_root(&tree, root);
	evl_hex(root, sizeof root, m->tree_root);
	evl_merkle_finish(&tree);
	evl_evidence_finish(&e);
	return whole ? EVL_OK
		     : evl_err_set(err, EVL_E_CORRUPT, "the evidence of run %lld is not whole",
			       (long long)m->run->run.run);
}

static void name_report(struct making *m)
{
	size_t n = (size_t)snprintf(m->id, sizeof m->id, "%.20s", m->chain.head);
	if (m->before != NULL) {
		n += (size_t)snprintf(m->id + n, sizeof m->id - n, "-%.8s", m->before->chain_head);
	}
	/* Another statement, other requirements or what is shown make another report (ISO/IEC
	 * 17025 7.8.8). */
	struct evl_sha256 *d = evl_sha256_create();
	uint8_t md[EVL_SHA256_BYTES];
	char hex[EVL_SHA256_HEX];
	const struct evl_statement *s = &m->statement;
	if (s->statement_source != NULL) {
		evl_sha256_update(d, s->statement_source, s->statement_len + 1);
	}
	if (s->requirements_source != NULL) {
		evl_sha256_update(d, s->requirements_source, s->requirements_len + 1);
	}
	if (m->options->reveal) {
		evl_sha256_update(d, evl_text_str(&m->revealed), m->revealed.len);
	}
	evl_sha256_peek(d, md);
	evl_sha256_destroy(d);
	evl_hex(md, sizeof md, hex);
	if (s->statement_source != NULL || s->requirements_source != NULL || m->options->reveal) {
		snprintf(m->id + n, sizeof m->id - n, "-%.8s", hex);
	}
}

static void render(struct making *m)
{
	struct evl_page_file *files = evl_xcalloc(m->part_count + 1, sizeof *files);
	struct evl_page_facts facts = {
		.demo_key = evl_signer_is_demo(m->signer),
		.report_id = m->id,
		.chain_links = m->chain.links,
		.chain_head = m->chain.head,
		.results_digest = m->results,
		.files = files,
		.file_count = m->part_count,
		.bench = m->bench,
		.statement = &m->statement,
		.revealed = m->options->reveal,
		.recordings = m->options->recording_count > 0,
		.check_digests = (const char(*)[EVL_SHA256_HEX])m->check_digests,
	};
	if (!facts.demo_key) {
		facts.subject = evl_signer_subject(m->signer);
		facts.fingerprint = evl_signer_fingerprint(m->signer);
	}
	for (size_t i = 0; i < m->part_count; i++) {
		files[i] = (struct evl_page_file){.name = m->parts[i].name,
			.what = m->parts[i].what,
			.bytes = m->parts[i].len};
		memcpy(files[i].sha256, m->parts[i].sha256, EVL_SHA256_HEX);
	}
	evl_page_write(&m->html, m->run, m->before, m->before == NULL ? NULL : &m->compare, &facts);
	free(files);
}

static enum evl_status make_pdf(struct making *m, struct evl_err *err)
{
	const struct evl_row_run *r = &m->run->run;
	char title[400];
	uint8_t md[EVL_SHA256_BYTES];
	uint8_t *plain = NULL;
	snprintf(title, sizeof title, "%.200s (build %.60s): %.20s",
		r->campaign_title == NULL ? r->campaign_name : r->campaign_title, r->build,
		r->verdict);
	struct evl_pdf_facts facts = {.title = title,
		.report_id = m->id,
		.created_utc = r->ended_utc == NULL ? r->started_utc : r->ended_utc,
		.mark = evl_signer_is_demo(m->signer) ? EVL_DEMO_KEY_MARK : NULL};
	enum evl_status st = evl_pdf_make(
		&plain, &m->pdf_unsigned_len, evl_text_str(&m->html), m->html.len, &facts, err);
	if (st == EVL_OK) {
		evl_sha256_of(plain, m->pdf_unsigned_len, md);
		evl_hex(md, sizeof md, m->pdf_unsigned_sha256);
		st = evl_pdf_sign(&m->pdf, &m->pdf_len, plain, m->pdf_unsigned_len, m->signer,
			m->issued, err);
	}
	free(plain);
	return st;
}

static void write_howto(struct making *m)
{
	struct evl_text *t = &m->howto;
	bool alone = evl_signer_is_self_signed(m->signer);
	evl_text_addf(t, "How to check this dossier without evenlode\nReport %s\n\n", m->id);
	if (evl_signer_is_demo(m->signer)) {
		evl_text_add(t, EVL_DEMO_KEY_MARK "\nThe key was made when the dossier was written "
						  "and thrown away: the checks below show "
						  "that\nnothing was altered since, not "
						  "who made it.\n\n");
	}
	evl_text_addf(t,
		"You need OpenSSL 1.1.1 or newer and sha256sum. Run these in this folder.\n\n"
		"1. The signature over manifest.json:\n\n"
		"   openssl cms -verify -binary -inform DER -in manifest.p7s -content "
		"manifest.json \\\n     -CAfile signer.pem -purpose any%s -out /dev/null\n\n"
		"   It must say \"CMS Verification successful\". After the certificate has "
		"expired add\n   -no_check_time, and judge the date yourself.\n\n",
		alone ? "" : " -partial_chain");
	evl_text_add(t,
		"2. Whose signature it is:\n\n"
		"   openssl x509 -in signer.pem -noout -subject -issuer -dates -fingerprint "
		"-sha256\n\n"
		"   Compare the fingerprint with one that the laboratory gave you by another "
		"way. signer.pem\n"
		"   came with the dossier, so by itself it proves nothing about who signed.\n\n"
		"3. The files:\n\n   sha256sum -c SHA256SUMS\n   sha256sum SHA256SUMS\n\n"
		"   Every line of the first must end in OK. The digest of the second must stand "
		"in\n   manifest.json as the one of SHA256SUMS, and so must each digest in "
		"SHA256SUMS:\n   manifest.json is what the signature covers.\n\n"
		"4. No file may be missing or added. The folder holds what manifest.json lists, "
		"and\n   manifest.json, manifest.p7s and signer.pem.\n\n"
		"5. The hash chain of evidence.json, with Python's standard library:\n\n"
		"   python3 - <<'END'\n   import hashlib, json\n"
		"   sha = lambda s: hashlib.sha256(s.encode()).hexdigest()\n"
		"   e = json.load(open('evidence.json'))\n   link = '0' * 64\n"
		"   for row in e['rows']:\n       assert sha(row['text']) == row['row'], row\n"
		"       link = sha(link + row['row'])\n       assert link == row['link'], row\n"
		"   assert link == e['head'] == "
		"json.load(open('manifest.json'))['chain']['head']\n"
		"   print('chain of', len(e['rows']), 'rows holds')\n   END\n\n"
		"6. The signature within report.pdf, which has the same content as report.html: "
		"with pdfsig\n   (poppler), or a viewer that shows signatures:\n\n"
		"   pdfsig -nocert report.pdf\n\n"
		"   It must say \"Signature is Valid\" and \"Total document signed\".\n\n"
		"7. A recording, if the laboratory gave you one: sha256sum FILE, and compare it "
		"with\n   \"recordings\" in manifest.json. A file recording-1.tar is an archive "
		"that holds the\n   digests of its files in its own SHA256SUMS.\n\n"
		"With evenlode, `evenlode verify FOLDER` does 1 to 5 at once and names what was "
		"altered.\n");
}

/* Signed through the manifest: SHA256SUMS itself is a file of the manifest. */
static void write_sums(struct making *m)
{
	for (size_t i = 0; i < m->part_count; i++) {
		evl_text_addf(&m->sums, "%s  %s\n", m->parts[i].sha256, m->parts[i].name);
	}
}

static enum evl_status write_manifest(struct making *m, struct evl_err *err)
{
	struct evl_manifest_file *files = evl_xcalloc(m->part_count + 1, sizeof *files);
	struct evl_manifest_facts facts = {
		.issued_unix_s = m->issued,
		.demo_key = evl_signer_is_demo(m->signer),
		.subject = evl_signer_subject(m->signer),
		.fingerprint = evl_signer_fingerprint(m->signer),
		.report_id = m->id,
		.chain_links = m->chain.links,
		.chain_head = m->chain.head,
		.results_digest = m->results,
		.tree_root = m->tree_root,
		.pdf_unsigned_bytes = m->pdf_unsigned_len,
		.pdf_unsigned_sha256 = m->pdf_unsigned_sha256,
		.files = files,
		.file_count = m->part_count,
	};
	for (size_t i = 0; i < m->part_count; i++) {
		files[i] = (struct evl_manifest_file){
			.name = m->parts[i].name, .bytes = m->parts[i].len};
		memcpy(files[i].sha256, m->parts[i].sha256, EVL_SHA256_HEX);
	}
	json_t *json = evl_manifest_make(m->run, m->before, &facts);
	bool ok = evl_canonical_json(&m->manifest, json);
	json_decref(json);
	free(files);
	return ok ? EVL_OK
		  : evl_err_set(err, EVL_E_LIMIT, "a number of the manifest is beyond 2^53");
}

static enum evl_status sign(struct making *m, struct evl_err *err)
{
	struct evl_signature_info info;
	size_t pem_len = 0;
	const char *pem = evl_signer_pem(m->signer, &pem_len);
	const char *text = evl_text_str(&m->manifest);
	enum evl_status st = evl_signer_sign(
		&m->signature, &m->signature_len, m->signer, text, m->manifest.len, m->issued, err);
	if (st == EVL_OK) {
		/* A signature that would not verify must not leave the house. */
		st = evl_signature_check(&info, NULL, m->signature, m->signature_len, text,
			m->manifest.len, pem, pem_len, NULL, err);
		if (st != EVL_OK) {
			evl_err_prefix(err, "the new signature does not hold");
		}
	}
	if (st == EVL_OK) {
		add_part(m, EVL_DOSSIER_MANIFEST, NULL, text, m->manifest.len);
		add_part(m, EVL_DOSSIER_SIGNATURE, NULL, m->signature, m->signature_len);
		add_part(m, EVL_DOSSIER_SIGNER, NULL, pem, pem_len);
	}
	return st;
}

static enum evl_status make(struct making *m, struct evl_err *err)
{
	const struct evl_row_run *r = &m->run->run;
	add_part(m, EVL_DOSSIER_EVIDENCE, "every row of the run, in the order of the hash chain",
		m->evidence, m->evidence_len);
	enum evl_status st = add_source(
		m, EVL_DOSSIER_CAMPAIGN, "campaign", r->campaign_source, r->campaign_sha256, err);
	if (st == EVL_OK) {
		st = add_source(
			m, EVL_DOSSIER_BENCH, "bench file", r->bench_source, r->bench_sha256, err);
	}
	if (st == EVL_OK) {
		st = take_digests(m, err);
	}
	if (st != EVL_OK) {
		return st;
	}
	const struct evl_statement *s = &m->statement;
	if (s->statement_source != NULL) {
		add_part(m, EVL_DOSSIER_STATEMENT, "what the laboratory states",
			s->statement_source, s->statement_len);
	}
	if (s->requirements_source != NULL) {
		add_part(m, s->requirements_csv ? EVL_DOSSIER_WANTED2 : EVL_DOSSIER_WANTED,
			"requirements", s->requirements_source, s->requirements_len);
	}
	if (r->bench_source != NULL) {
		struct evl_err unread = {0}; /* then nothing of it is stated */
		(void)evl_document_yaml(
			&m->bench, "bench.yaml", r->bench_source, strlen(r->bench_source), &unread);
	}
	st = add_recordings(m, err);
	if (st != EVL_OK) {
		return st;
	}
	if (m->options->reveal) {
		add_part(m, EVL_DOSSIER_PERSONAL, "personal data and the salts of its digests",
			evl_text_str(&m->revealed), m->revealed.len);
	}
	name_report(m);
	render(m);
	add_part(m, EVL_DOSSIER_REPORT, NULL, evl_text_str(&m->html), m->html.len);
	st = make_pdf(m, err);
	if (st != EVL_OK) {
		return st;
	}
	add_part(m, EVL_DOSSIER_PDF, NULL, m->pdf, m->pdf_len);
	write_howto(m);
	add_part(m, EVL_DOSSIER_HOWTO, NULL, evl_text_str(&m->howto), m->howto.len);
	write_sums(m);
	add_part(m, EVL_DOSSIER_SUMS, NULL, evl_text_str(&m->sums), m->sums.len);
	st = write_manifest(m, err);
	return st == EVL_OK ? sign(m, err) : st;
}

static enum evl_status put_in_place(struct making *m, const char *out_dir, struct evl_err *err)
{
	struct evl_place place = {0};
	enum evl_status st = evl_place_begin(&place, out_dir, err);
	for (size_t i = 0; st == EVL_OK && i < m->part_count; i++) {
		char *path = evl_file_join(place.temporary, m->parts[i].name);
		if (m->parts[i].from == NULL) {
			st = evl_file_write(path, m->parts[i].data, m->parts[i].len, err);
		} else if (rename(m->parts[i].from, path) != 0) {
			st = evl_err_set(err, EVL_E_IO, "%s: cannot be moved to %s: %s",
				m->parts[i].from, path, strerror(errno));
		}
		free(path);
	}
	if (st == EVL_OK) {
		st = evl_place_commit(&place, err);
	}
	evl_place_finish(&place);
	return st;
}

static void tell(struct evl_dossier_made *made, const struct making *m)
{
	memset(made, 0, sizeof *made);
	made->demo_key = evl_signer_is_demo(m->signer);
	snprintf(made->subject, sizeof made->subject, "%s", evl_signer_subject(m->signer));
	snprintf(made->fingerprint, sizeof made->fingerprint, "%s",
		evl_signer_fingerprint(m->signer));
	memcpy(made->results_digest, m->results, sizeof made->results_digest);
	memcpy(made->chain_head, m->chain.head, sizeof made->chain_head);
}

static enum evl_status load_signer(struct making *m, struct evl_err *err)
{
	const struct evl_dossier_options *o = m->options;
	if (o->token != NULL) {
		return evl_signer_load_token(
			&m->signer, o->token, o->cert_pem, o->password_file, m->issued, err);
	}
	return o->p12 != NULL ? evl_signer_load_p12(
					&m->signer, o->p12, o->password_file, m->issued, err)
			      : evl_signer_load(
					&m->signer, o->key_pem, o->cert_pem, m->issued, err);
}

enum evl_status evl_dossier_write(struct evl_dossier_made *made, struct evl_store *store,
	int64_t run, const char *out_dir, const struct evl_dossier_options *options,
	struct evl_err *err)
{
	static const struct evl_dossier_options none;
	struct making m = {.options = options == NULL ? &none : options};
	m.parts = evl_xcalloc(FILES_MAX + m.options->recording_count, sizeof *m.parts);
	m.issued = m.options->issued_unix_s != 0 ? m.options->issued_unix_s : (int64_t)time(NULL);
	/* Cheap refusals first: the key and the place, before anything is read. */
	enum evl_status st = load_signer(&m, err);
	if (st == EVL_OK) {
		st = evl_statement_load(
			&m.statement, m.options->statement, m.options->requirements, err);
	}
	if (st == EVL_OK) {
		st = evl_place_check(out_dir, err);
	}
	if (st == EVL_OK) {
		st = load(&m, store, run, err);
	}
	if (st == EVL_OK) {
		st = make(&m, err);
	}
	if (st == EVL_OK) {
		st = put_in_place(&m, out_dir, err);
	}
	if (st == EVL_OK && made != NULL) {
		tell(made, &m);
	}
	evl_text_finish(&m.html);
	free(m.parts);
	free(m.recording_names);
	evl_text_finish(&m.howto);
	evl_text_finish(&m.revealed);
	evl_personal_finish(&m.personal);
	evl_text_finish(&m.sums);
	evl_text_finish(&m.manifest);
	evl_compare_finish(&m.compare);
	evl_run_destroy(m.before);
	evl_run_destroy(m.run);
	evl_signer_destroy(m.signer);
	evl_statement_finish(&m.statement);
	json_decref(m.bench);
	free(m.check_digests);
	free(m.evidence);
	free(m.pdf);
	free(m.signature);
	return st;
}

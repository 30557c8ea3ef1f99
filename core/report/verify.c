/* SPDX-License-Identifier: Apache-2.0 */
/* Checks a dossier folder: signature, files, evidence, and the manifest against the evidence. */
#include "core/report/verify.h"

#include <dirent.h>
#include <errno.h>
#include <jansson.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "core/base/digest.h"
#include "core/base/file.h"
#include "core/base/text.h"
#include "core/report/internal.h"
#include "core/report/attached.h"
#include "core/report/canonical.h"
#include "core/report/evidence_rows.h"
#include "core/report/manifest.h"
#include "core/report/merkle.h"
#include "core/report/proof.h"
#include "core/report/verify_rows.h"
#include "core/store/export.h"

#define SMALL_MAX    (64u << 20) /* manifest, signature, certificates */
#define EVIDENCE_MAX (4ull << 30)
#define FINDINGS_MAX 1000

struct bytes {
	char *data;
	size_t len;
};

struct check {
	struct evl_dossier_report *r;
	const char *dir;
	json_t *manifest; /* NULL: unreadable, or not what was signed */
	struct bytes evidence;
	bool evidence_good; /* as the manifest wants it */
};

static void finding(struct check *c, const char *file, const char *format, ...)
	__attribute__((format(printf, 3, 4)));

static void finding(struct check *c, const char *file, const char *format, ...)
{
	struct evl_dossier_report *r = c->r;
	if (r->finding_count == FINDINGS_MAX) {
		return;
	}
	r->findings = evl_xrealloc(r->findings, (r->finding_count + 1) * sizeof *r->findings);
	struct evl_dossier_finding *f = &r->findings[r->finding_count++];
	va_list ap;
	va_start(ap, format);
	vsnprintf(f->text, sizeof f->text, format, ap);
	va_end(ap);
	snprintf(f->file, sizeof f->file, "%s", file);
}

/* Removes "DIR/NAME: " where a message of a lower layer begins with it: the finding has the name.
 */
static const char *without_path(const char *text, const char *path)
{
	size_t n = strlen(path);
	return strncmp(text, path, n) == 0 && strncmp(text + n, ": ", 2) == 0 ? text + n + 2 : text;
}

/* False, with a finding, when it is missing, not a plain file, or unreadable. */
static bool read_part(struct check *c, const char *name, size_t cap, struct bytes *out)
{
	struct stat sb;
	struct evl_err err = {0};
	char *path = evl_file_join(c->dir, name);
	bool ok = false;
	if (lstat(path, &sb) != 0) {
		finding(c, name, errno == ENOENT ? "is missing" : "cannot be read");
	} else if (!S_ISREG(sb.st_mode)) {
		finding(c, name, "is not a regular file");
	} else if (evl_file_read(&out->data, &out->len, path, cap, &err) != EVL_OK) {
		finding(c, name, "%s", without_path(err.text, path));
	} else {
		ok = true;
	}
	free(path);
	return ok;
}

static void copy_text(char *out, size_t cap, const json_t *object, const char *name)
{
	const char *text = json_string_value(json_object_get(object, name));
	snprintf(out, cap, "%s", text == NULL ? "" : text);
}

static void tell_manifest(struct check *c)
{
	struct evl_dossier_report *r = c->r;
	const json_t *run = json_object_get(c->manifest, "run");
	copy_text(r->report_id, sizeof r->report_id, c->manifest, "report");
	snprintf(r->run, sizeof r->run, "%lld",
		(long long)json_integer_value(json_object_get(run, "number")));
	copy_text(r->campaign, sizeof r->campaign, run, "campaign_name");
	copy_text(r->build, sizeof r->build, run, "build");
	copy_text(r->verdict, sizeof r->verdict, run, "verdict");
	copy_text(
		r->chain_head, sizeof r->chain_head, json_object_get(c->manifest, "chain"), "head");
	copy_text(r->results_digest, sizeof r->results_digest, c->manifest, "results_digest");
}

static void parse_manifest(struct check *c, const struct bytes *text)
{
	struct evl_text again = {0};
	json_error_t e;
	json_t *m = json_loadb(text->data, text->len, JSON_REJECT_DUPLICATES, &e);
	const char *format = json_string_value(json_object_get(m, "format"));
	if (m == NULL) {
		finding(c, EVL_DOSSIER_MANIFEST, "is not JSON: line %d: %s", e.line, e.text);
	} else if (format == NULL || strcmp(format, EVL_MANIFEST_FORMAT) != 0) {
		finding(c, EVL_DOSSIER_MANIFEST,
			"has format \"%.60s\", where this version of evenlode reads \"%s\"",
			format == NULL ? "" : format, EVL_MANIFEST_FORMAT);
	} else if (!evl_canonical_json(&again, m) || again.len != text->len ||
		   memcmp(evl_text_str(&again), text->data, text->len) != 0) {
		finding(c, EVL_DOSSIER_MANIFEST, "is not canonical JSON (RFC 8785)");
	} else {
		c->manifest = json_incref(m);
		tell_manifest(c);
	}
	evl_text_finish(&again);
	json_decref(m);
}

/* Signature and manifest. A manifest that is not what was signed says nothing about the files. */
static void check_signature(struct check *c, const char *trusted_pem)
{
	struct bytes manifest = {0};
	struct bytes signature = {0};
	struct bytes pem = {0};
	bool have = read_part(c, EVL_DOSSIER_MANIFEST, SMALL_MAX, &manifest);
	bool whole = have;
	whole = read_part(c, EVL_DOSSIER_SIGNATURE, SMALL_MAX, &signature) && whole;
	whole = read_part(c, EVL_DOSSIER_SIGNER, SMALL_MAX, &pem) && whole;
	bool manifest_signed = true;
	if (whole) {
		struct evl_err err = {0};
		const char *part = "";
		enum evl_status st =
			evl_signature_check(&c->r->signature, &part, signature.data, signature.len,
				manifest.data, manifest.len, pem.data, pem.len, trusted_pem, &err);
		c->r->signature_good = st == EVL_OK;
		if (st != EVL_OK) {
			finding(c, part, "%s", err.text);
			manifest_signed = strcmp(part, EVL_DOSSIER_MANIFEST) != 0;
		}
	}
	if (have && manifest_signed) {
		parse_manifest(c, &manifest);
	}
	free(manifest.data);
	free(signature.data);
	free(pem.data);
}

static void check_file(struct check *c, const json_t *entry)
{
	const char *name = json_string_value(json_object_get(entry, "name"));
	const char *want = json_string_value(json_object_get(entry, "sha256"));
	json_int_t bytes = json_integer_value(json_object_get(entry, "bytes"));
	struct evl_err err = {0};
	struct stat sb;
	uint8_t md[EVL_SHA256_BYTES];
	char hex[EVL_SHA256_HEX];
	if (name == NULL || want == NULL || !evl_dossier_knows_file(name)) {
		finding(c, EVL_DOSSIER_MANIFEST,
			"lists a file \"%.100s\" that a dossier cannot hold",
			name == NULL ? "" : name);
		return;
	}
	bool evidence = strcmp(name, EVL_DOSSIER_EVIDENCE) == 0;
	char *path = evl_file_join(c->dir, name);
	if (lstat(path, &sb) != 0) {
		finding(c, name, errno == ENOENT ? "is missing" : "cannot be read");
	} else if (!S_ISREG(sb.st_mode)) {
		finding(c, name, "is not a regular file");
	} else if (evidence && !read_part(c, name, EVIDENCE_MAX, &c->evidence)) {
		; /* has its finding */
	} else if (!evidence && evl_sha256_of_file(path, md, &err) != EVL_OK) {
		finding(c, name, "%s", without_path(err.text, path));
	} else {
		if (evidence) {
			evl_sha256_of(c->evidence.data, c->evidence.len, md);
		}
		evl_hex(md, sizeof md, hex);
		c->r->files++;
		c->r->bytes += (uint64_t)sb.st_size;
		if (strcmp(hex, want) != 0) {
			finding(c, name,
				"was altered: SHA-256 is %s, the signed manifest says %s (%lld "
				"bytes, the manifest says %lld)",
				hex, want, (long long)sb.st_size, (long long)bytes);
		} else if ((json_int_t)sb.st_size != bytes) {
			finding(c, name, "has %lld bytes, the manifest says %lld",
				(long long)sb.st_size, (long long)bytes);
		} else if (evidence) {
			c->evidence_good = true;
		}
	}
	free(path);
}

static bool is_listed(const json_t *manifest, const char *name)
{
	const json_t *files = json_object_get(manifest, "files");
	for (size_t i = 0; i < json_array_size(files); i++) {
		const char *have =
			json_string_value(json_object_get(json_array_get(files, i), "name"));
		if (have != NULL && strcmp(have, name) == 0) {
			return true;
		}
	}
	return false;
}

static void check_files(struct check *c)
{
	static const char *const always[] = {
		EVL_DOSSIER_REPORT, EVL_DOSSIER_EVIDENCE, EVL_DOSSIER_HOWTO, EVL_DOSSIER_SUMS};
	const json_t *files = json_object_get(c->manifest, "files");
	for (size_t i = 0; i < json_array_size(files); i++) {
		check_file(c, json_array_get(files, i));
	}
	for (size_t i = 0; i < sizeof always / sizeof *always; i++) {
		if (!is_listed(c->manifest, always[i])) {
			finding(c, EVL_DOSSIER_MANIFEST, "does not list %s", always[i]);
		}
	}
}

static int compare_names(const void *a, const void *b)
{
	return strcmp(*(char *const *)a, *(char *const *)b);
}

/* Whatever is in the folder and not signed for; in order of names, as folders have none. */
static enum evl_status check_extra(struct check *c, struct evl_err *err)
{
	DIR *d = opendir(c->dir);
	if (d == NULL) {
		return evl_err_set(
			err, EVL_E_IO, "%s: cannot be read: %s", c->dir, strerror(errno));
	}
	char **names = NULL;
	size_t count = 0;
	struct dirent *e;
	while ((e = readdir(d)) != NULL) {
		const char *n = e->d_name;
		bool ours = strcmp(n, EVL_DOSSIER_MANIFEST) == 0 ||
			    strcmp(n, EVL_DOSSIER_SIGNATURE) == 0 ||
			    strcmp(n, EVL_DOSSIER_SIGNER) == 0 || evl_attached_knows(n);
		if (strcmp(n, ".") == 0 || strcmp(n, "..") == 0 || ours ||
			(c->manifest == NULL ? evl_dossier_knows_file(n)
					     : is_listed(c->manifest, n))) {
			continue;
		}
		names = evl_xrealloc(names, (count + 1) * sizeof *names);
		names[count++] = evl_xstrdup(n);
	}
	closedir(d);
	if (count > 1) {
		qsort(names, count, sizeof *names, compare_names);
	}
	for (size_t i = 0; i < count; i++) {
		finding(c, names[i], "was added: the signed manifest does not list it");
		free(names[i]);
	}
	free(names);
	return EVL_OK;
}

/* A witness signs manifest.p7s as the laboratory signs manifest.json. */
static void check_witness(struct check *c, int number, const struct bytes *signed_part)
{
	char p7s[20];
	char pem[20];
	struct bytes signature = {0};
	struct bytes cert = {0};
	struct evl_signature_info info;
	struct evl_err err = {0};
	const char *part = NULL;
	snprintf(p7s, sizeof p7s, "witness-%d.p7s", number);
	snprintf(pem, sizeof pem, "witness-%d.pem", number);
	if (read_part(c, p7s, SMALL_MAX, &signature) && read_part(c, pem, SMALL_MAX, &cert)) {
		if (evl_signature_check(&info, &part, signature.data, signature.len,
			    signed_part->data, signed_part->len, cert.data, cert.len, NULL,
			    &err) != EVL_OK) {
			bool of_cert = strcmp(part, EVL_DOSSIER_SIGNER) == 0;
			finding(c, of_cert ? pem : p7s, "%s",
				strcmp(part, EVL_DOSSIER_MANIFEST) == 0
					? "is not a signature over this manifest.p7s"
					: err.text);
		} else {
			c->r->witnesses[c->r->witness_count++] = info;
		}
	}
	free(signature.data);
	free(cert.data);
}

static bool is_there(const struct check *c, const char *name)
{
	struct stat sb;
	char *path = evl_file_join(c->dir, name);
	bool there = lstat(path, &sb) == 0;
	free(path);
	return there;
}

static void check_attached(struct check *c, const char *trusted)
{
	struct bytes signature = {0};
	struct bytes token = {0};
	struct evl_err err = {0};
	if (!c->r->signature_good || !read_part(c, EVL_DOSSIER_SIGNATURE, SMALL_MAX, &signature)) {
		return;
	}
	for (int i = 1; i <= EVL_WITNESSES_MAX; i++) {
		char name[2][20];
		snprintf(name[0], sizeof name[0], "witness-%d.p7s", i);
		snprintf(name[1], sizeof name[1], "witness-%d.pem", i);
		if (is_there(c, name[0]) || is_there(c, name[1])) {
			check_witness(c, i, &signature);
		}
	}
	if (is_there(c, EVL_DOSSIER_STAMP) && read_part(c, EVL_DOSSIER_STAMP, SMALL_MAX, &token)) {
		c->r->stamped = evl_stamp_check(&c->r->stamp, token.data, token.len, signature.data,
					signature.len, trusted, &err) == EVL_OK;
		if (!c->r->stamped) {
			finding(c, EVL_DOSSIER_STAMP, "%s", err.text);
		}
	}
	free(token.data);
	free(signature.data);
}

/* The root of the tree over the rows, computed again. */
static void check_tree(struct check *c)
{
	struct evl_evidence e;
	struct evl_merkle tree = {0};
	uint8_t root[EVL_SHA256_BYTES];
	char hex[EVL_SHA256_HEX];
	const json_t *wanted = json_object_get(c->manifest, "tree");
	const char *want = json_string_value(json_object_get(wanted, "root"));
	evl_evidence_begin(&e, c->evidence.data, c->evidence.len);
	while (evl_evidence_next(&e)) {
		evl_merkle_add(&tree, e.text.data, e.text.len);
	}
	evl_merkle_root(&tree, root);
	evl_hex(root, sizeof root, hex);
	if (want == NULL || strcmp(want, hex) != 0 ||
		json_integer_value(json_object_get(wanted, "leaves")) != (json_int_t)tree.count) {
		finding(c, EVL_DOSSIER_MANIFEST,
			"names another root of the tree over the rows than the evidence has");
	}
	evl_merkle_finish(&tree);
	evl_evidence_finish(&e);
}

/* Each text that is shown must be the one whose salted digest is in the evidence. */
static void check_personal(struct check *c)
{
	struct bytes text = {0};
	struct evl_evidence e;
	if (!is_listed(c->manifest, EVL_DOSSIER_PERSONAL) ||
		!read_part(c, EVL_DOSSIER_PERSONAL, SMALL_MAX, &text)) {
		return;
	}
	json_t *list = json_loadb(text.data, text.len, JSON_REJECT_DUPLICATES, NULL);
	size_t proved = 0;
	evl_evidence_begin(&e, c->evidence.data, c->evidence.len);
	while (evl_evidence_next(&e)) {
		if (strcmp(e.table, "personal") != 0) {
			continue;
		}
		/* ["personal","run","1","ordinal","0","sha256","..."] */
		json_t *row = json_loadb(e.text.data, e.text.len, 0, NULL);
		const char *want = json_string_value(json_array_get(row, 6));
		const json_t *one = json_array_get(list, (size_t)strtoul(e.key, NULL, 10));
		const char *salt = json_string_value(json_object_get(one, "salt"));
		const char *clear = json_string_value(json_object_get(one, "text"));
		uint8_t bytes[16], md[EVL_SHA256_BYTES];
		char hex[EVL_SHA256_HEX] = "";
		if (salt != NULL && clear != NULL &&
			evl_unhex(salt, bytes, sizeof bytes) == EVL_OK) {
			struct evl_sha256 *d = evl_sha256_create();
			evl_sha256_update(d, bytes, sizeof bytes);
			evl_sha256_update(d, clear, strlen(clear));
			evl_sha256_peek(d, md);
			evl_sha256_destroy(d);
			evl_hex(md, sizeof md, hex);
		}
		if (want == NULL || strcmp(want, hex) != 0) {
			finding(c, EVL_DOSSIER_PERSONAL,
				"number %lu is not the text whose digest the evidence holds",
				strtoul(e.key, NULL, 10) + 1);
		}
		proved++;
		json_decref(row);
	}
	evl_evidence_finish(&e);
	if (json_array_size(list) != proved) {
		finding(c, EVL_DOSSIER_PERSONAL, "lists other texts than the evidence withholds");
	}
	json_decref(list);
	free(text.data);
}

static void check_evidence(struct check *c)
{
	struct evl_chain_report chain;
	struct evl_err err = {0};
	char text[400];
	if (c->evidence.data == NULL) {
		return;
	}
	memset(&chain, 0, sizeof chain);
	json_t *evidence = NULL;
	enum evl_status st =
		evl_export_verify(c->evidence.data, c->evidence.len, &chain, &evidence, &err);
	c->r->rows = (uint64_t)(chain.links < 0 ? 0 : chain.links);
	if (st != EVL_OK) {
		finding(c, EVL_DOSSIER_EVIDENCE, "%s", err.text);
		return;
	}
	const json_t *signed_chain = json_object_get(c->manifest, "chain");
	if (strcmp(chain.head, c->r->chain_head) != 0) {
		finding(c, EVL_DOSSIER_EVIDENCE,
			"its hash chain ends in %s, the signed manifest says %s", chain.head,
			c->r->chain_head);
	} else if (chain.links != json_integer_value(json_object_get(signed_chain, "links"))) {
		finding(c, EVL_DOSSIER_EVIDENCE,
			"has %lld rows, the signed manifest says otherwise",
			(long long)chain.links);
	}
	if (!c->evidence_good) {
		; /* altered: what it says of the run proves nothing */
	} else if (evl_verify_rows(c->manifest, evidence, text, sizeof text)) {
		finding(c, EVL_DOSSIER_MANIFEST, "%s", text);
	} else {
		check_tree(c);
		check_personal(c);
	}
	json_decref(evidence);
}

/* Looks at the folder and reads the trusted certificates. */
static enum evl_status begin(struct evl_dossier_report *report, char **trusted, const char *dir,
	const char *trusted_pem_path, struct evl_err *err)
{
	struct stat sb;
	size_t len = 0;
	*trusted = NULL;
	memset(report, 0, sizeof *report);
	if (stat(dir, &sb) != 0) {
		return evl_err_set(err, errno == ENOENT ? EVL_E_NOTFOUND : EVL_E_IO,
			"%s: cannot be opened: %s", dir, strerror(errno));
	}
	if (!S_ISDIR(sb.st_mode)) {
		return evl_err_set(
			err, EVL_E_INVALID, "%s: is no folder; name the dossier's folder", dir);
	}
	if (trusted_pem_path == NULL) {
		return EVL_OK;
	}
	enum evl_status st = evl_file_read(trusted, &len, trusted_pem_path, SMALL_MAX, err);
	if (st != EVL_OK) {
		return st;
	}
	STACK_OF(X509) *certs = evl_pem_certs(*trusted, len);
	bool usable = certs != NULL;
	sk_X509_pop_free(certs, X509_free);
	if (!usable) {
		free(*trusted);
		*trusted = NULL;
		return evl_err_set(err, EVL_E_INVALID,
			"%s: holds no certificate in PEM form (it would begin with "
			"-----BEGIN CERTIFICATE-----), or one that is damaged",
			trusted_pem_path);
	}
	report->trust_checked = true;
	return EVL_OK;
}

static enum evl_status first_finding(
	const struct evl_dossier_report *report, const char *dir, struct evl_err *err)
{
	return evl_err_set(err, EVL_E_CORRUPT, "%s/%s: %s", dir, report->findings[0].file,
		report->findings[0].text);
}

enum evl_status evl_dossier_verify(struct evl_dossier_report *report, const char *dir,
	const char *trusted_pem_path, struct evl_err *err)
{
	struct check c = {.r = report, .dir = dir};
	char *trusted = NULL;
	enum evl_status st = begin(report, &trusted, dir, trusted_pem_path, err);
	if (st != EVL_OK) {
		return st;
	}
	check_signature(&c, trusted);
	check_attached(&c, trusted);
	if (c.manifest != NULL) {
		check_files(&c);
	}
	st = check_extra(&c, err);
	if (c.manifest != NULL) {
		check_evidence(&c);
	}
	report->good = st == EVL_OK && report->finding_count == 0 && report->signature_good;
	if (st == EVL_OK && !report->good) {
		st = first_finding(report, dir, err);
	}
	free(c.evidence.data);
	json_decref(c.manifest);
	free(trusted);
	return st;
}

enum evl_status evl_dossier_verify_proof(struct evl_dossier_report *report, char **text,
	const char *dir, const char *proof_path, const char *trusted_pem_path, struct evl_err *err)
{
	struct check c = {.r = report, .dir = dir};
	char *trusted = NULL;
	*text = NULL;
	enum evl_status st = begin(report, &trusted, dir, trusted_pem_path, err);
	if (st != EVL_OK) {
		return st;
	}
	check_signature(&c, trusted);
	check_attached(&c, trusted);
	struct evl_err wrong = {0};
	if (report->finding_count == 0) {
		st = evl_proof_check(text, proof_path, c.manifest, &wrong);
		if (st == EVL_E_CORRUPT) {
			finding(&c, proof_path, "%s", wrong.text);
		}
	}
	report->good = st == EVL_OK && report->finding_count == 0 && report->signature_good;
	if (st == EVL_E_CORRUPT) {
		st = evl_err_set(err, st, "%s: %s", proof_path, wrong.text);
	} else if (report->finding_count > 0) {
		st = first_finding(report, dir, err);
	} else if (st != EVL_OK) {
		st = evl_err_set(err, st, "%s", wrong.text);
	}
	json_decref(c.manifest);
	free(trusted);
	return st;
}

void evl_dossier_report_finish(struct evl_dossier_report *report)
{
	free(report->findings);
	memset(report, 0, sizeof *report);
}

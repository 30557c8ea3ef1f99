/* SPDX-License-Identifier: Apache-2.0 */
#include "core/report/manifest.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"
#include "core/report/internal.h"
#include "core/report/sign.h"

bool evl_dossier_knows_file(const char *name)
{
	static const char *const names[] = {EVL_DOSSIER_MANIFEST, EVL_DOSSIER_SIGNATURE,
		EVL_DOSSIER_SIGNER, EVL_DOSSIER_REPORT, EVL_DOSSIER_PDF, EVL_DOSSIER_EVIDENCE,
		EVL_DOSSIER_CAMPAIGN, EVL_DOSSIER_BENCH, EVL_DOSSIER_STATEMENT, EVL_DOSSIER_WANTED,
		EVL_DOSSIER_WANTED2, EVL_DOSSIER_PERSONAL, EVL_DOSSIER_HOWTO, EVL_DOSSIER_SUMS};
	for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
		if (strcmp(name, names[i]) == 0) {
			return true;
		}
	}
	int number = 0, end = 0;
	return sscanf(name, EVL_DOSSIER_RECORDING "%n", &number, &end) == 1 && end > 0 &&
	       name[end] == '\0';
}

static void set(json_t *object, const char *name, json_t *value)
{
	evl_require(value != NULL && json_object_set_new(object, name, value) == 0);
}

static void set_text(json_t *object, const char *name, const char *value)
{
	set(object, name, value == NULL ? json_null() : json_string(value));
}

static void set_big(json_t *object, const char *name, uint64_t value)
{
	char digits[24];
	snprintf(digits, sizeof digits, "%llu", (unsigned long long)value);
	set_text(object, name, digits);
}

static json_t *object(void)
{
	json_t *o = json_object();
	evl_require(o != NULL);
	return o;
}

static void append(json_t *array, json_t *value)
{
	evl_require(json_array_append_new(array, value) == 0);
}

static json_t *run_object(const struct evl_row_run *r)
{
	json_t *o = object();
	set(o, "number", json_integer(r->run));
	set_text(o, "campaign_name", r->campaign_name);
	set_text(o, "campaign_title", r->campaign_title);
	set_text(o, "campaign_version", r->campaign_version);
	set_text(o, "campaign_sha256", r->campaign_sha256);
	set_text(o, "bench_name", r->bench_name);
	set_text(o, "bench_sha256", r->bench_sha256);
	set_text(o, "numbering", r->numbering);
	set_text(o, "notice", r->notice);
	set_text(o, "build", r->build);
	set_big(o, "seed", r->seed);
	set_text(o, "clock", r->clock);
	set(o, "simulated", json_boolean(r->simulated));
	set_text(o, "software_version", r->software_version);
	set_text(o, "library_sha256", r->library_sha256);
	set_text(o, "started_utc", r->started_utc);
	set_text(o, "ended_utc", r->ended_utc);
	set_text(o, "state", r->state);
	set_text(o, "verdict", r->verdict);
	return o;
}

static json_t *adapter_list(const struct evl_run *run)
{
	json_t *list = json_array();
	evl_require(list != NULL);
	for (size_t i = 0; i < run->adapter_count; i++) {
		const struct evl_row_adapter *a = &run->adapters[i];
		json_t *o = object();
		set_text(o, "instance", a->instance);
		set_text(o, "driver", a->driver);
		set_text(o, "version", a->version);
		set_text(o, "abi", a->abi);
		append(list, o);
	}
	return list;
}

static json_t *recording_list(const struct evl_run *run)
{
	json_t *list = json_array();
	evl_require(list != NULL);
	size_t c = 0;
	for (size_t i = 0; i < run->recording_count; i++) {
		const struct evl_row_recording *r = &run->recordings[i];
		json_t *o = object();
		json_t *channels = json_array();
		evl_require(channels != NULL);
		set_text(o, "name", r->name);
		set(o, "bytes", json_integer(r->bytes));
		set_text(o, "sha256", r->file_sha256);
		set(o, "finished", json_boolean(r->finished));
		for (; c < run->recording_channel_count &&
			run->recording_channels[c].recording_no == r->ordinal;
			c++) {
			const struct evl_row_recording_channel *rc = &run->recording_channels[c];
			json_t *one = object();
			set_text(one, "name", rc->name);
			set_text(one, "direction", rc->direction);
			set_text(one, "rate", rc->rate);
			set_big(one, "bits", (uint64_t)rc->bits);
			set_text(one, "sha256", rc->digest);
			append(channels, one);
		}
		set(o, "channels", channels);
		append(list, o);
	}
	return list;
}

json_t *evl_manifest_make(const struct evl_run *run, const struct evl_run *before,
	const struct evl_manifest_facts *facts)
{
	char issued[32];
	json_t *m = object();
	evl_unix_text(facts->issued_unix_s, issued);
	set_text(m, "format", EVL_MANIFEST_FORMAT);
	set_text(m, "report", facts->report_id);
	set_text(m, "software", "evenlode " EVL_VERSION);
	set_text(m, "issued_utc", issued);
	json_t *signer = object();
	set_text(signer, "subject", facts->subject);
	set_text(signer, "certificate_sha256", facts->fingerprint);
	set_text(signer, "mark", facts->demo_key ? EVL_DEMO_KEY_MARK : NULL);
	set(m, "signer", signer);
	set(m, "run", run_object(&run->run));
	json_t *chain = object();
	set_text(chain, "head", facts->chain_head);
	set(chain, "links", json_integer(facts->chain_links));
	set(m, "chain", chain);
	json_t *tree = object();
	set_text(tree, "root", facts->tree_root);
	set(tree, "leaves", json_integer(facts->chain_links));
	set(m, "tree", tree);
	set_text(m, "results_digest", facts->results_digest);
	set(m, "adapters", adapter_list(run));
	set(m, "recordings", recording_list(run));
	if (before == NULL) {
		set(m, "compared_with", json_null());
	} else {
		json_t *o = object();
		set(o, "number", json_integer(before->run.run));
		set_text(o, "build", before->run.build);
		set_text(o, "chain_head", before->chain_head);
		set_text(o, "results_digest", before->results_digest);
		set(m, "compared_with", o);
	}
	json_t *pdf = object();
	set(pdf, "unsigned_bytes", json_integer((json_int_t)facts->pdf_unsigned_bytes));
	set_text(pdf, "unsigned_sha256", facts->pdf_unsigned_sha256);
	set(m, "pdf", pdf);
	json_t *files = json_array();
	evl_require(files != NULL);
	for (size_t i = 0; i < facts->file_count; i++) {
		json_t *o = object();
		set_text(o, "name", facts->files[i].name);
		set(o, "bytes", json_integer((json_int_t)facts->files[i].bytes));
		set_text(o, "sha256", facts->files[i].sha256);
		append(files, o);
	}
	set(m, "files", files);
	return m;
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "core/report/verify_rows.h"

#include <stdio.h>
#include <string.h>

#include "core/report/manifest.h"

/* The value of a column in the canonical text of a row (core/store/store.h): an array of the
 * table's name, then name, value, name, value ... NULL when there is no such column. */
static const json_t *column(const json_t *row, const char *name)
{
	for (size_t i = 1; i + 1 < json_array_size(row); i += 2) {
		const char *have = json_string_value(json_array_get(row, i));
		if (have != NULL && strcmp(have, name) == 0) {
			return json_array_get(row, i + 1);
		}
	}
	return NULL;
}

/* The manifest keeps some numbers and flags as such, the rows have text throughout. */
static bool same(const json_t *in_manifest, const json_t *in_row)
{
	char digits[32];
	const char *want = json_string_value(in_row);
	switch (json_typeof(in_manifest)) {
	case JSON_NULL:
		return json_is_null(in_row);
	case JSON_STRING:
		return want != NULL && strcmp(json_string_value(in_manifest), want) == 0;
	case JSON_INTEGER:
		snprintf(digits, sizeof digits, "%lld", (long long)json_integer_value(in_manifest));
		return want != NULL && strcmp(digits, want) == 0;
	case JSON_TRUE:
		return want != NULL && strcmp(want, "1") == 0;
	case JSON_FALSE:
		return want != NULL && strcmp(want, "0") == 0;
	default:
		return false;
	}
}

struct pair {
	const char *member; /* of the manifest's object */
	const char *column; /* of the row */
};

static bool differs(const json_t *object, const json_t *row, const struct pair *pairs, size_t count,
	const char *what, char *text, size_t cap)
{
	for (size_t i = 0; i < count; i++) {
		const json_t *have = json_object_get(object, pairs[i].member);
		const json_t *want = column(row, pairs[i].column);
		if (have == NULL || want == NULL || !same(have, want)) {
			snprintf(text, cap, "says of the %s another %s than the evidence", what,
				pairs[i].member);
			return true;
		}
	}
	return false;
}

static const struct pair run_pairs[] = {
	{"number", "run"},
	{"campaign_name", "campaign_name"},
	{"campaign_title", "campaign_title"},
	{"campaign_version", "campaign_version"},
	{"campaign_sha256", "campaign_sha256"},
	{"bench_name", "bench_name"},
	{"bench_sha256", "bench_sha256"},
	{"numbering", "numbering"},
	{"notice", "notice"},
	{"build", "build"},
	{"seed", "seed"},
	{"clock", "clock"},
	{"simulated", "simulated"},
	{"software_version", "software_version"},
	{"library_sha256", "library_sha256"},
	{"started_utc", "started_utc"},
	{"ended_utc", "ended_utc"},
	{"state", "state"},
	{"verdict", "verdict"},
};

static const struct pair adapter_pairs[] = {
	{"instance", "instance"}, {"driver", "driver"}, {"version", "version"}, {"abi", "abi"}};

static const struct pair recording_pairs[] = {
	{"name", "name"}, {"bytes", "bytes"}, {"sha256", "file_sha256"}, {"finished", "finished"}};

static const struct pair channel_pairs[] = {{"name", "name"}, {"direction", "direction"},
	{"rate", "rate"}, {"bits", "bits"}, {"sha256", "digest"}};

#define COUNT(list) (sizeof(list) / sizeof *(list))

static long long ordinal_of(const json_t *row, const char *name)
{
	const char *text = json_string_value(column(row, name));
	long long n = -1;
	return text != NULL && sscanf(text, "%lld", &n) == 1 ? n : -1;
}

/* Which object of the manifest a row stands for, and how to compare them. */
static bool row_differs(
	const json_t *manifest, const json_t *row, size_t seen[3], char *text, size_t cap)
{
	const char *table = json_string_value(json_array_get(row, 0));
	if (table == NULL) {
		return false;
	}
	if (strcmp(table, "run") == 0) {
		seen[0]++;
		return differs(json_object_get(manifest, "run"), row, run_pairs, COUNT(run_pairs),
			"run", text, cap);
	}
	if (strcmp(table, "run_adapter") == 0) {
		seen[1]++;
		return differs(json_array_get(json_object_get(manifest, "adapters"),
				       (size_t)ordinal_of(row, "ordinal")),
			row, adapter_pairs, COUNT(adapter_pairs), "adapters", text, cap);
	}
	const json_t *recordings = json_object_get(manifest, "recordings");
	if (strcmp(table, "recording") == 0) {
		seen[2]++;
		return differs(json_array_get(recordings, (size_t)ordinal_of(row, "ordinal")), row,
			recording_pairs, COUNT(recording_pairs), "recordings", text, cap);
	}
	if (strcmp(table, "recording_channel") == 0) {
		const json_t *r =
			json_array_get(recordings, (size_t)ordinal_of(row, "recording_no"));
		return differs(json_array_get(json_object_get(r, "channels"),
				       (size_t)ordinal_of(row, "ordinal")),
			row, channel_pairs, COUNT(channel_pairs), "recorded channels", text, cap);
	}
	return false;
}

static const char *file_digest(const json_t *manifest, const char *name)
{
	const json_t *files = json_object_get(manifest, "files");
	for (size_t i = 0; i < json_array_size(files); i++) {
		const json_t *f = json_array_get(files, i);
		const char *have = json_string_value(json_object_get(f, "name"));
		if (have != NULL && strcmp(have, name) == 0) {
			return json_string_value(json_object_get(f, "sha256"));
		}
	}
	return NULL;
}

static bool source_differs(
	const json_t *manifest, const char *file, const char *member, char *text, size_t cap)
{
	const char *have = file_digest(manifest, file);
	const char *want =
		json_string_value(json_object_get(json_object_get(manifest, "run"), member));
	if (have == NULL || want == NULL || strcmp(have, want) == 0) {
		return false;
	}
	snprintf(text, cap, "%s is not the file that the run names (%s)", file, member);
	return true;
}

/* Most rows are measurements, of which the manifest says nothing: not worth parsing. */
static bool is_about_run(const char *canonical)
{
	return strncmp(canonical, "[\"run", 5) == 0 || strncmp(canonical, "[\"recording", 11) == 0;
}

bool evl_verify_rows(const json_t *manifest, const json_t *evidence, char *text, size_t cap)
{
	size_t seen[3] = {0};
	const json_t *rows = json_object_get(evidence, "rows");
	const char *results = json_string_value(json_object_get(evidence, "results"));
	const char *want = json_string_value(json_object_get(manifest, "results_digest"));
	if (results == NULL || want == NULL || strcmp(results, want) != 0) {
		snprintf(text, cap, "says another results digest than the evidence");
		return true;
	}
	for (size_t i = 0; i < json_array_size(rows); i++) {
		const char *canonical =
			json_string_value(json_object_get(json_array_get(rows, i), "text"));
		if (canonical == NULL || !is_about_run(canonical)) {
			continue;
		}
		json_t *row = json_loads(canonical, 0, NULL);
		bool bad = row != NULL && row_differs(manifest, row, seen, text, cap);
		json_decref(row);
		if (bad) {
			return true;
		}
	}
	if (seen[0] != 1 || seen[1] != json_array_size(json_object_get(manifest, "adapters")) ||
		seen[2] != json_array_size(json_object_get(manifest, "recordings"))) {
		snprintf(text, cap, "lists other adapters or recordings than the evidence");
		return true;
	}
	return source_differs(manifest, EVL_DOSSIER_CAMPAIGN, "campaign_sha256", text, cap) ||
	       source_differs(manifest, EVL_DOSSIER_BENCH, "bench_sha256", text, cap);
}

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The night file: which campaigns run on which benches and builds while nobody is there, within
 * which hours, and when to give up. YAML, one document; docs/night.md is its reference.
 *
 *	struct evl_night_file *night;
 *	if (evl_night_file_load(&night, "night.yaml", &err) < 0) {
 *		fprintf(stderr, "evenlode: %s\n", err.text);	// night.yaml:7: ...
 *		return 3;
 *	}
 *	evl_night_file_destroy(night);
 *
 * All of it is read-only after loading; pointers live until evl_night_file_destroy. Paths are
 * joined to the folder of the night file. Lines count from 1.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/digest.h"
#include "core/base/err.h"

#define EVL_NIGHT_BYTES_MAX   (256u * 1024u)
#define EVL_NIGHT_ENTRIES_MAX 200u
#define EVL_NIGHT_BENCHES_MAX 32u
#define EVL_NIGHT_BUILDS_MAX  64u
#define EVL_NIGHT_CASES_MAX   200u /* named by one entry */
#define EVL_NIGHT_REPEATS_MAX 1000u
#define EVL_NIGHT_RETRIES_MAX 10u
#define EVL_NIGHT_NAME_MAX    48u /* bytes with the NUL */
#define EVL_NIGHT_BUILD_MAX   100u

struct evl_night_bench {
	const char *name;
	const char *path; /* of the bench file */
	uint32_t line;
};

struct evl_night_build {
	const char *label;
	uint32_t line;
};

/* One campaign of the night. */
struct evl_night_entry {
	const char *name;
	const char *campaign;    /* path of the Lua file */
	const uint32_t *benches; /* indices into evl_night_file.benches, in file order */
	size_t bench_count;
	const uint32_t *builds; /* likewise */
	size_t build_count;
	const char *const *cases; /* none: all */
	size_t case_count;
	const uint32_t *after; /* entries that must have ended before, on the same bench, build */
	size_t after_count;
	uint32_t priority; /* 0 .. 9; 9 first */
	uint32_t repeats;  /* at least 1 */
	uint32_t retries;  /* of cases with verdict error */
	uint32_t line;
};

enum evl_night_order {
	EVL_NIGHT_BY_NEED,    /* never run, changed, failed lately, longest untested */
	EVL_NIGHT_AS_WRITTEN, /* entry by entry within a priority */
};

struct evl_night_file {
	const char *path; /* as given; "FILE" of all messages */
	const char *name;
	const char *title;
	const char *store; /* path */
	const char *zone;  /* of the time zone database, such as Europe/London; "" without window */
	uint32_t zone_line;
	bool has_window;
	uint32_t from_minute, to_minute; /* of the local day; never equal */
	uint64_t seed;                   /* of the first repeat; the next has the next number */
	enum evl_night_order order;
	uint32_t stop_failed_runs; /* so many runs with verdict fail end the night; 0: never */
	uint32_t stop_error_runs;  /* likewise verdict error */
	const struct evl_night_bench *benches;
	size_t bench_count;
	const struct evl_night_build *builds;
	size_t build_count;
	const struct evl_night_entry *entries;
	size_t entry_count;
	char sha256[EVL_SHA256_HEX]; /* of the file */
};

/* On failure *out is NULL and err holds "FILE:LINE: ..." with what was found and what to write.
 * EVL_E_NOTFOUND, EVL_E_IO: no such file, not readable; EVL_E_INVALID: not a night file;
 * EVL_E_LIMIT: over a cap of this header. The files that it names are not opened. */
enum evl_status evl_night_file_load(
	struct evl_night_file **out, const char *path, struct evl_err *err);
/* The same for text in memory; `path` is for the messages and the folder. */
enum evl_status evl_night_file_parse(struct evl_night_file **out, const char *path,
	const char *text, size_t bytes, struct evl_err *err);
void evl_night_file_destroy(struct evl_night_file *night); /* takes NULL */

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The bench file: which adapters a laboratory has, which of their channels make up which role, and
 * what the unit under test is. YAML, one document; docs/bench.md is its reference.
 *
 *	struct evl_bench *bench;
 *	struct evl_err err = {0};
 *	if (evl_bench_load(&bench, "lab.yaml", &err) < 0) {
 *		fprintf(stderr, "evenlode: %s\n", err.text);	// lab.yaml:12: ...
 *		return 3;
 *	}
 *	evl_bench_destroy(bench);
 *
 * All of a bench is read-only after loading; pointers live until evl_bench_destroy. Text that the
 * file does not give is "" (never NULL). Lines count from 1.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/digest.h"
#include "core/base/err.h"
#include "core/base/text.h"
#include "core/bench/numbering.h"

#define EVL_BENCH_BYTES_MAX    (1024u * 1024u)
#define EVL_BENCH_DEPTH_MAX    16u
#define EVL_BENCH_NODES_MAX    20000u
#define EVL_BENCH_CHANNELS_MAX 4096u /* in all roles together */
#define EVL_BENCH_NAME_MAX     48u   /* bytes with the NUL, of benches, instances, roles */

/* One leaf of an adapter's `options`, flattened: "builds.B.faults[0].kind". An empty mapping or
 * list gives no leaf. The values are as written; the adapter checks them. */
struct evl_bench_option {
	const char *path;
	const char *value;
	uint32_t line;
};

struct evl_bench_adapter {
	const char *name;                       /* of the instance: "mux" */
	const char *driver;                     /* the adapter to load: "simmux" */
	const struct evl_bench_option *options; /* in file order */
	size_t option_count;
	/* `calibration` of the file is checked, and read by the report from the file's source. */
	uint32_t line;
};

struct evl_bench_channel {
	const char *name; /* as the adapter names it: "trib-17" */
	uint32_t number;  /* shown to people: 17 */
	uint32_t line;
};

/* On which line of the unit the numbers of a role ride. */
struct evl_bench_ride {
	uint32_t first, last;     /* numbers; 0 and 0: all of the role */
	const char *line_channel; /* of the same adapter */
	uint32_t line;            /* in the file */
};

struct evl_bench_role {
	const char *name;
	uint32_t adapter;                         /* index into evl_bench.adapters */
	const struct evl_bench_channel *channels; /* in file order; names and numbers are unique */
	size_t channel_count;                     /* at least 1 */
	bool numbered; /* `numbers` was given, or there is more than one channel */
	/* By which the numbers mean places, where E1 or T1: its own, or that of the bench; NULL
	 * when they mean none. */
	const struct evl_numbering *numbering;
	const char *mapping; /* of its channels, which are lines (core/frame/sdh_map_text.h) */
	uint32_t mapping_line;
	const struct evl_bench_ride *rides; /* in file order */
	size_t ride_count;
	uint32_t line;
};

struct evl_bench_unit {
	const char *description;
	const char *type;
	const char *serial;
	const char *owner;
	const char *condition; /* in which it came, if that matters */
	const char *received;  /* date */
};

struct evl_bench_party {
	const char *name;
	const char *address; /* of the laboratory */
	const char *place;   /* where the work is done, if not at that address */
	const char *contact; /* of the customer */
};

struct evl_bench {
	const char *path; /* as given to evl_bench_load; "FILE" of all messages */
	const char *name;
	const char *title;
	const char *notice;
	struct evl_bench_unit unit;
	struct evl_bench_party laboratory;
	struct evl_bench_party customer;
	struct evl_numbering numbering; /* kind EVL_NUMBERING_NONE when the file has none */
	const struct evl_bench_adapter *adapters; /* in file order, at least 1 */
	size_t adapter_count;
	const struct evl_bench_role *roles; /* in file order, at least 1 */
	size_t role_count;
	const char *const *cautions; /* local ones only */
	size_t caution_count;
	uint32_t roles_line; /* where `roles:` is */
	const char *source;  /* the file as read, for the evidence */
	size_t source_bytes;
	char sha256[EVL_SHA256_HEX]; /* of the source, lower-case hex */
};

/* Reads and checks a bench file. On failure *out is NULL and err holds "FILE:LINE: ..." with what
 * was found and what to write. EVL_E_NOTFOUND, EVL_E_IO: no such file, not readable;
 * EVL_E_INVALID: not a bench file; EVL_E_LIMIT: over a cap of this header. */
enum evl_status evl_bench_load(struct evl_bench **out, const char *path, struct evl_err *err);

/* The same for text in memory; `path` is for the messages. For tests and fuzzing. */
enum evl_status evl_bench_parse(struct evl_bench **out, const char *path, const char *text,
	size_t bytes, struct evl_err *err);

void evl_bench_destroy(struct evl_bench *bench); /* takes NULL */

/* NULL when the bench does not say on which line the channel rides. */
const struct evl_bench_ride *evl_bench_ride_of(
	const struct evl_bench_role *role, const struct evl_bench_channel *channel);

/* The number of a channel on its line: where a role says its lines by ranges of numbers, each range
 * begins with 1 on its line. */
uint32_t evl_bench_line_number(
	const struct evl_bench_role *role, const struct evl_bench_channel *channel);

/* What people call a channel: "trib 17 (2-6-1)", "trib 64 (line-2 1-1-1)" where the role rides on
 * several lines, "trib 17" without a place, "line" of a role without numbers. `unit` is what the
 * channel rides in, BY_RATE: none; *place is zero when there is none. Adds to `out`. */
void evl_bench_label(struct evl_text *out, struct evl_numbering_place *place,
	const struct evl_bench_role *role, const struct evl_bench_channel *channel,
	enum evl_numbering_unit unit);

/* NULL when there is no such role, no such instance. */
const struct evl_bench_role *evl_bench_role(const struct evl_bench *bench, const char *name);
const struct evl_bench_adapter *evl_bench_adapter(const struct evl_bench *bench, const char *name);

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The store: one SQLite file (WAL mode) with runs, cases, checks, counts and a hash chain.
 *
 *	struct evl_store *store = NULL;
 *	if (evl_store_open(&store, "lab.evl", EVL_STORE_WRITE, &err) == 0) {
 *		...
 *	}
 *	evl_store_close(store);
 *
 * One process may write at a time; it holds a lock on "<store>.lock" as long as the store is open.
 * Any number may read meanwhile. A run that is `running` while nobody holds the lock was killed:
 * readers show it as interrupted, and the next opening for writing closes and chains it.
 *
 * Hash chain: when a row is final, row = SHA-256(canonical text) and
 * link = SHA-256(previous link in hex || row in hex), the first previous link being 64 zeros. The
 * canonical text is a JSON array (strings as RFC 8785, 3.2.2.2): the table, then name and value of
 * each column in order, integers as decimal strings, NULL as null:
 *	["run_caution","run","1","ordinal","0","text","Class 1 laser"]
 * The chain shows alterations only to whoever kept its head, as a signed dossier does.
 */
#pragma once

#include <stdint.h>

#include "core/base/digest.h"
#include "core/base/err.h"

#define EVL_STORE_SCHEMA 3 /* PRAGMA user_version */

struct evl_store; /* used from one thread */

enum evl_store_mode {
	EVL_STORE_READ,  /* must exist; never written to, may lie in a read-only folder */
	EVL_STORE_WRITE, /* created when missing; runs that were killed become `interrupted` */
};

/* EVL_E_NOTFOUND: no such file, or one whose writer was killed before anything was recorded
 * (reading), or no such folder (writing). EVL_E_INVALID: no SQLite file, or another program's.
 * EVL_E_VERSION: a newer evenlode made it. EVL_E_CONFLICT: another process writes. EVL_E_IO:
 * cannot be read or written, full disk. EVL_E_CORRUPT: damaged. The message names the file. The
 * caller owns *out and closes it. */
enum evl_status evl_store_open(struct evl_store **out, const char *path, enum evl_store_mode mode,
			       struct evl_err *err);

/* Rolls back an open tick, closes. A run that is still running is left so. Takes NULL. */
void evl_store_close(struct evl_store *store);

/* As given to evl_store_open; valid while the store is open. */
const char *evl_store_path(const struct evl_store *store);

struct evl_chain_report {
	int64_t links;             /* checked, up to the first fault */
	char head[EVL_SHA256_HEX]; /* last link: 64 zeros for an empty chain */
	int64_t open_rows;         /* not final yet: 0 unless the run is running */
	char fault[32];            /* "altered", "missing", "added", "chain"; "" when sound */
	char table[32];            /* of the first fault */
	char key[128];             /* its key, such as "3/5": case 3, ordinal 5 */
};

/* Recomputes the chain of one run from the rows. EVL_E_CORRUPT names the first row that was
 * altered, removed or added after it was final. `report` may be NULL. EVL_E_NOTFOUND: no such
 * run. */
enum evl_status evl_store_chain_verify(struct evl_store *store, int64_t run,
				       struct evl_chain_report *report, struct evl_err *err);

/* Digest over the results alone: equal for two runs of the same campaign, bench, seed and build on
 * a virtual clock, on any machine. Left out: run numbers, wall-clock times, messages, paths, texts
 * and sizes of files, versions of software; on a real clock all times (docs/store.md has the list).
 * SHA-256 over the sorted SHA-256 hex digests of the reduced canonical rows, each and a newline. */
enum evl_status evl_store_results_digest(struct evl_store *store, int64_t run,
					 char hex[EVL_SHA256_HEX], struct evl_err *err);

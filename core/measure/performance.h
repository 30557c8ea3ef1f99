/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Error performance of a path, second by second, both directions: ITU-T G.821 (from bits), G.826,
 * G.828 and G.829 (from blocks).
 *
 *	struct evl_performance p;
 *	evl_performance_init(&p, evl_performance_path("E1"), EVL_PERFORMANCE_BLOCKS, false);
 *	for (each second) {
 *		evl_performance_add(&p, &(struct evl_performance_second){
 *			.units = 1000, .errored = 3, .defect = false}, NULL);
 *	}
 *	evl_performance_finish(&p);
 *	printf("ESR %g\n", evl_performance_esr(&p.near));
 *
 * A second is errored (ES) with at least one bit error or errored block or a defect; severely
 * errored (SES) from the threshold on, or with a defect, or when nothing at all was received. A
 * background block error (BBE) is an errored block outside an SES. Ten SES in a row begin
 * unavailable time and belong to it; ten seconds in a row that are none end it and are available
 * (G.821, G.826 Annex A). A path of two directions is unavailable while either is. ES, SES and BBE
 * count in available time only. The decision lags by up to nine seconds; until then seconds wait.
 * No allocation; the sum of a very long run is as cheap as a short one.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define EVL_PERFORMANCE_QUARTERS 96 /* bins of 15 minutes kept: one day */
#define EVL_PERFORMANCE_DAYS     31 /* bins of 24 hours kept: one month */

/* How blocks are checked (error detection code). */
enum evl_edc {
	EVL_EDC_NONE = 0, /* out of service, by comparison with what was sent */
	EVL_EDC_CRC4,     /* ITU-T G.704 2.3.3: 2048 bits */
	EVL_EDC_CRC6,     /* ITU-T G.704 2.1.3: 4632 bits */
	EVL_EDC_BIP2,     /* V5: one block of VC-11, VC-12 or VC-2 */
	EVL_EDC_BIP8,     /* B3: one block of VC-3 or VC-4 */
	EVL_EDC_B1,       /* one block is a whole STM frame (G.829) */
	EVL_EDC_B2,       /* BIP-24xN: each of its bits checks a block of its own (G.829) */
};

/* Errored blocks that one check of this code tells: how many of its bits were violated (CRC: 0 when
 * equal, else anything above) or, at the far end, the number that the REI or E bit carried. A code
 * over one block tells one errored block at most; each bit of B2 is a block. */
uint32_t evl_edc_errored_blocks(enum evl_edc edc, uint32_t violated_bits);

/* Block size and thresholds of a kind of path. All figures are from memory of the Recommendations
 * (G.826 12/2002 Table 1, G.828 03/2000, G.829): copy the entry and change it where an edition or a
 * contract says otherwise. */
struct evl_performance_path {
	const char *name;     /* "E1", "VC-12", "MS-1" */
	const char *standard; /* "ITU-T G.826" */
	enum evl_edc edc;     /* in service */
	uint32_t block_bits;
	uint32_t blocks_per_second; /* whole ones */
	uint32_t ses_blocks;        /* errored blocks in a second that make it severe */
	uint32_t ses_in_service;    /* the same where the code cannot see several errors of a
				     * block; equal to ses_blocks when not known */
	double esr, sesr, bber;     /* end-to-end objectives; 0: not set */
};

/* NULL when not known. evl_performance_paths gives all, in the order of the sheets. */
const struct evl_performance_path *evl_performance_path(const char *name);
const struct evl_performance_path *evl_performance_paths(size_t *count);

enum evl_performance_basis {
	EVL_PERFORMANCE_BITS,       /* units are bits; severe from an error ratio of 1e-3 (G.821) */
	EVL_PERFORMANCE_BLOCKS,     /* units are blocks; severe from ses_blocks */
	EVL_PERFORMANCE_IN_SERVICE, /* units are blocks seen by the code; severe from ses_in_service
				     */
};

/* What one direction showed in one second. */
struct evl_performance_second {
	uint64_t units;   /* bits or blocks that were checked; 0 is as a defect */
	uint64_t errored; /* of these */
	bool defect;      /* loss of signal, AIS, loss of frame or pattern ... */
	bool unread;      /* far end: its report could not be read, because of a near-end defect;
			   * then it counts as a clean second, apart (common practice, no source) */
};

struct evl_performance_totals {
	uint64_t available; /* seconds decided */
	uint64_t unavailable;
	uint64_t es, ses;    /* in available time; each SES is an ES */
	uint64_t errored;    /* bits or blocks in available time, SES included */
	uint64_t background; /* BBE: errored blocks (or bits) in available time outside SES */
	uint64_t units;      /* bits or blocks in available time outside SES */
	uint64_t unread;     /* seconds in available time without a far-end report */
};

/* Ratios; NaN while there is no available time (or no units). */
double evl_performance_esr(const struct evl_performance_totals *t);
double evl_performance_sesr(const struct evl_performance_totals *t);
double evl_performance_bber(const struct evl_performance_totals *t);

struct evl_performance_bin {
	uint64_t number; /* from 0: the first 15 minutes (or 24 hours) after the start */
	struct evl_performance_totals near, far;
};

/* One direction's part of the rule of ten seconds. */
struct evl_availability {
	bool down;
	uint32_t run; /* undecided: seconds of the other kind in a row, 0..9 */
};

#define EVL_PERFORMANCE_WAITING 16 /* a power of 2 above 10 */

struct evl_performance {
	const struct evl_performance_path *path; /* borrowed; NULL for BITS */
	enum evl_performance_basis basis;
	bool both; /* far end as well */
	struct evl_performance_totals near, far;
	uint64_t seconds; /* added */
	uint64_t decided; /* of these, counted in the totals */
	/* The latest bins: bin n is at [n % KEPT] when that has number n and n was reached. */
	struct evl_performance_bin quarters[EVL_PERFORMANCE_QUARTERS];
	struct evl_performance_bin days[EVL_PERFORMANCE_DAYS];

	/* Workings. */
	struct evl_availability state[2];
	uint64_t known[2]; /* seconds of each direction whose state is decided */
	struct {
		struct evl_performance_second s[2];
		bool severe[2];
		bool down[2]; /* valid below known[] */
	} waiting[EVL_PERFORMANCE_WAITING];
};

/* `path` outlives the object and may be NULL for BITS only. `both`: the path has two directions and
 * evl_performance_add gets a far end each second. */
void evl_performance_init(struct evl_performance *p, const struct evl_performance_path *path,
	enum evl_performance_basis basis, bool both);
/* far is NULL exactly when `both` was false. */
void evl_performance_add(struct evl_performance *p, const struct evl_performance_second *near,
	const struct evl_performance_second *far);
/* Counts the last seconds, which had no ten to decide, under the present state (common practice, no
 * source). Nothing may be added after it. */
void evl_performance_finish(struct evl_performance *p);

bool evl_performance_is_severe(
	const struct evl_performance *p, const struct evl_performance_second *s);

/* The bin of that number, or NULL when it is not reached or no longer kept. */
const struct evl_performance_bin *evl_performance_quarter(
	const struct evl_performance *p, uint64_t number);
const struct evl_performance_bin *evl_performance_day(
	const struct evl_performance *p, uint64_t number);

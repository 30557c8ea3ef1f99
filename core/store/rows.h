/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The rows of the store as plain structs, the same for writing (store_write.h) and reading
 * (store_read.h). docs/store.md describes each table.
 *
 * Conventions
 * - Text: UTF-8; NULL is an empty answer (SQL NULL). When writing, the caller keeps the text and
 *   the call copies it; when reading, it belongs to the loaded run.
 * - `run` is the number of the run in this store, from 1. Ordinals count from 0 in the order in
 *   which the rows were added; `case_no`, `take_no`, `channel_no`, `recording_no` are the ordinals
 *   of the case (in its run), take (in its case), channel (in its run), recording (in its run).
 * - Fields marked "or -1" are SQL NULL when negative.
 * - Numbers that are not whole (ratios, limits) are decimal text, worded once by whoever computed
 *   them, so that digests are the same on any machine.
 * - Verdicts are the names none, pass, inconclusive, fail, error (ETSI ES 201 873-1 clause 24).
 * - Times in ns are on the bench's clock: virtual time, or nanoseconds since the run began.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

/* State of a run, case or take: "running", "finished", "interrupted". */
#define EVL_STATE_RUNNING     "running"
#define EVL_STATE_FINISHED    "finished"
#define EVL_STATE_INTERRUPTED "interrupted"

struct evl_row_run {
	int64_t run; /* set by the store */
	const char *campaign_name;
	const char *campaign_title;
	const char *campaign_version;
	const char *campaign_source; /* the whole Lua file, or NULL */
	const char *campaign_sha256; /* hex, of the file's bytes */
	const char *bench_name;
	const char *bench_title;
	const char *bench_source; /* the whole YAML file, or NULL */
	const char *bench_sha256;
	const char *notice;        /* such as "invented scenario" */
	const char *unit_json;     /* unit under test, a JSON object */
	const char *lab_json;      /* who measures, a JSON object */
	const char *customer_json; /* for whom, a JSON object */
	const char *numbering;     /* name of the numbering map */
	const char *build;         /* label of the unit's version */
	uint64_t seed;
	int64_t reference_run; /* whose recordings are replayed, or -1 */
	const char *clock;     /* "virtual" or "real" */
	bool simulated;        /* some adapter has no equipment behind it */
	const char *software_version;
	const char *library_sha256; /* of the Lua library that campaigns require */
	const char *started_utc;    /* "2026-11-25T09:12:33Z" */
	const char *ended_utc;      /* NULL until the end, and for a run that was killed */
	const char *state;          /* set by the store */
	const char *verdict;
	const char *message; /* one line, or NULL */
};

struct evl_row_adapter {
	int64_t run;
	int ordinal;
	const char *instance; /* name in the bench file */
	const char *driver;   /* name of the shared object */
	const char *version;
	const char *abi; /* "1.0" */
	const char *description;
	const char *capabilities; /* words with a blank between, such as "virtual-time simulated" */
};

/* A file that the campaign read besides itself, such as the bits of a pattern. */
struct evl_row_file {
	int64_t run;
	int ordinal;
	const char *name;    /* as the campaign gives it, relative to its folder */
	const char *purpose; /* "pattern", "limits" */
	int64_t bytes;
	const char *sha256; /* hex, of the file's bytes */
};

/* One bound channel: what a campaign's role and number mean on this bench. */
struct evl_row_channel {
	int64_t run;
	int ordinal;
	const char *role;
	int number;          /* within the role, from 1 */
	const char *klm;     /* "1-2-3", or NULL */
	const char *label;   /* for people, such as "trib 17" */
	const char *adapter; /* instance */
	const char *channel; /* the adapter's name for it */
	const char *rate;    /* "E1", "T1", "STM-1" */
};

struct evl_row_caution {
	int64_t run;
	int ordinal;
	const char *text;
};

/* A text that is kept apart: SHA-256(salt || text); the two are in no dossier. */
struct evl_row_personal {
	int64_t run;
	int ordinal;
	const char *sha256;
};

struct evl_row_case {
	int64_t run;
	int ordinal; /* set by the store */
	const char *name;
	const char *title;
	const char *purpose;
	const char *method;
	const char *state; /* set by the store */
	const char *verdict;
	const char *message;
	int64_t started_ns;
	int64_t ended_ns; /* or -1 */
};

struct evl_row_take {
	int64_t run;
	int case_no;
	int ordinal; /* set by the store */
	const char *name;
	const char *state; /* set by the store */
	int64_t start_ns;
	int64_t frames;         /* of 125 us, so far or in all */
	int64_t planned_frames; /* a finished take of fewer frames ended early: all was proved,
				 * or a trigger fired */
	int64_t lead_in_frames;
	const char *clock; /* "virtual" or "real" */
};

/* Bits that went through one channel in one direction during a take. */
struct evl_row_stream {
	int64_t run;
	int case_no;
	int take_no;
	int channel_no;
	const char *direction;   /* "sent": into the unit; "received": from it */
	const char *description; /* such as "pattern 2^15-1 phase 1234" */
	int64_t start_skew_ns;
	int64_t bits;
	const char *digest;        /* SHA-256 in hex, or NULL when none was made */
	const char *source_digest; /* of what went into the emulated network; NULL: none */
};

/* Totals of one checker on one channel. May be put again while the take runs. */
struct evl_row_measurement {
	int64_t run;
	int case_no;
	int take_no;
	int channel_no;
	const char *kind;    /* "pattern", or another checker's name */
	const char *pattern; /* "2^15-1", or NULL */
	bool in_sync;        /* at the end */
	bool inverted;       /* the pattern was found with the other polarity */
	int64_t bits;        /* compared */
	int64_t errors;
	int64_t seconds; /* whole seconds observed */
	int64_t errored_seconds;
	int64_t severely_errored_seconds;
	int64_t unavailable_seconds;
	int64_t background_block_errors; /* or -1 when blocks were not counted */
	int64_t sync_losses;
	int64_t slips;
	int64_t sync_bit;        /* offset at which the checker first synchronised, or -1 */
	int64_t first_error_bit; /* or -1 */
	int found_channel_no;    /* whose pattern arrived here, or -1 */
	int64_t delay_bits;      /* from sent to received, or -1 */
	int64_t octet_slips;     /* of the slips, by whole octets */
	int64_t moved_bits;      /* delay at the end against that at the first lock, by slips ... */
	int64_t moved_least_bits, moved_most_bits; /* ... and its extremes in between */
	int64_t blocks;         /* in available seconds that are not severely errored, or -1 */
	int64_t errored_blocks; /* in available seconds, or -1 */
	const char *recognised; /* pattern never found: the name of what came instead, or NULL */
};

/* In-service error performance of one section or path at one end, by its parity: over the whole
 * take, and for each bin of 15 minutes and of 24 hours that a longer take came to. */
struct evl_row_performance {
	int64_t run;
	int case_no;
	int take_no;
	int channel_no;      /* of the line or tributary whose bits were read */
	int ordinal;         /* of place and end within the channel */
	int64_t bin_seconds; /* 0: the whole take, 900 or 86400 */
	int64_t bin;         /* number of the bin from the start of the take, from 0 */
	const char *place;   /* "RS", "MS", "VC-4 1", "VC-12 1-2-3", "E1" */
	const char *code;    /* "B1", "B2", "B3", "BIP-2", "CRC-4", "CRC-6"; far end: "M1", "G1",
			      * "V5", "E bits" */
	const char *end;     /* "near" or "far" */
	const char *path;    /* entry of core/measure/performance.h: "RS-1", "VC-12" */
	int64_t available_seconds, unavailable_seconds;
	int64_t errored_seconds, severely_errored_seconds; /* in available time */
	int64_t background_block_errors;
	int64_t errored_blocks; /* in available time */
	int64_t blocks;         /* in available time outside severely errored seconds */
	int64_t unread_seconds; /* far end: available seconds without a report */
};

/* One second of a channel that was not clean: errors, loss of sync, slips, or cut short. */
struct evl_row_second {
	int64_t run;
	int case_no;
	int take_no;
	int channel_no;
	int64_t second; /* from 0 = the first second of the take */
	int64_t bits;
	int64_t errors;
	bool in_sync;
	int64_t sync_losses;
	int64_t slips;
};

/* Where an error was: the first few of each channel. */
struct evl_row_error_mark {
	int64_t run;
	int case_no;
	int take_no;
	int channel_no;
	int64_t bit_offset; /* from the start of the take */
};

struct evl_row_event {
	int64_t run;
	int case_no;
	int ordinal; /* within the case; set by the store */
	int take_no; /* or -1 */
	int channel_no;
	int64_t at_ns;
	const char *alarm;  /* evl_alarm_name() */
	bool raised;        /* false: cleared */
	const char *place;  /* "path 2" of a line, "in line": a tributary seen inside it; or NULL */
	const char *source; /* "unit" reported it, or the "tester" saw it in the signal */
	/* The higher defect that stood and explains this one, and the channel where; NULL and -1
	 * for a root cause. */
	const char *consequence_of;
	int cause_channel_no;
};

struct evl_row_check {
	int64_t run;
	int case_no;
	int ordinal; /* within the case; set by the store */
	const char *title;
	const char *kind;       /* rule family, such as "error-ratio", "arrives", "alarm" */
	int channel_no;         /* or -1 */
	const char *subject;    /* what was judged, in words */
	const char *value;      /* measured, decimal text or a word; NULL when there is none */
	const char *unit;       /* of value and limit, or NULL */
	const char *limit;      /* or NULL */
	const char *relation;   /* value `relation` limit is wanted: "<", "<=", "=", ">=", ">" */
	const char *confidence; /* "0.95", or NULL */
	const char *lower;      /* confidence limits of the value, or NULL */
	const char *upper;
	int64_t errors; /* counts behind a ratio, or -1 */
	int64_t bits;   /* or -1 */
	const char *verdict;
	const char *rule;     /* how the verdict follows */
	const char *reason;   /* why it came out so this time */
	const char *standard; /* standard and clause of the limit, or NULL */
	int64_t at_ns;        /* located in time, or -1 */
};

struct evl_row_recording {
	int64_t run;
	int ordinal; /* set by the store */
	int case_no;
	int take_no;
	const char *name;        /* as the campaign names it */
	const char *path;        /* relative to the folder of the store, or absolute */
	const char *file_sha256; /* NULL until finished */
	int64_t bytes;
	bool finished;
	int64_t from_frame; /* of the take, where it begins ... */
	int64_t frames;     /* ... and how many of them it has; 0 until it ends */
	const char *note;   /* why it is shorter than was wanted, or NULL */
};

/* An instant of a take that fulfilled a condition: a trigger, or a mark only. */
struct evl_row_mark {
	int64_t run;
	int case_no;
	int ordinal; /* set by the store */
	int take_no;
	int64_t at_ns;
	int channel_no; /* or -1 */
	bool trigger;
	const char *text;
	const char *recording; /* name of the one that it is in, or NULL */
};

struct evl_row_recording_channel {
	int64_t run;
	int recording_no;
	int ordinal;      /* within the recording */
	const char *name; /* in the file, such as "trib-17.out" */
	const char *direction;
	const char *rate;
	int64_t bits;
	const char *digest;
};

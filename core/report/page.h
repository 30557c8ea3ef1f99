/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The report page: one HTML file from one run. Within this room only; dossier.h is the way in.
 *
 *	struct evl_page_facts facts = {.chain_head = head, ...};
 *	struct evl_text html = {0};
 *	evl_page_write(&html, run, NULL, &facts);
 *
 * The same run and facts give the same bytes.
 */
#pragma once

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/digest.h"
#include "core/base/text.h"
#include "core/report/statement.h"
#include "core/store/compare.h"
#include "core/store/store_read.h"

struct evl_page_file {
	const char *name;
	const char *what; /* for people */
	size_t bytes;
	char sha256[EVL_SHA256_HEX];
};

/* What the page says beside the rows of the run. */
struct evl_page_facts {
	bool demo_key;       /* every page carries EVL_DEMO_KEY_MARK */
	const char *subject; /* of the signer's certificate; NULL with a demonstration key, whose
			      * certificate is new each time */
	const char *fingerprint; /* likewise */
	const char *report_id;   /* which report this is */
	int64_t chain_links;
	const char *chain_head;     /* hex */
	const char *results_digest; /* hex */
	const struct evl_page_file *files;
	size_t file_count;
	const json_t *bench;                   /* the bench file, or NULL */
	bool revealed;   /* personal data is shown */
	bool recordings; /* they are in the dossier */
	const struct evl_statement *statement; /* or NULL */
	/* Digest of each check's row, as the hash chain has it: in the order of the run's checks.
	 */
	const char (*check_digests)[EVL_SHA256_HEX];
};

void evl_page_write(struct evl_text *out, const struct evl_run *run, const struct evl_run *before,
	const struct evl_compare *cmp, const struct evl_page_facts *facts);

/* ---- below: for the files page*.c and plot.c ---- */

/* Order of badness: none < pass < inconclusive < fail < error (ETSI ES 201 873-1 clause 24). */
enum evl_page_verdict { PV_NONE, PV_PASS, PV_INCONCLUSIVE, PV_FAIL, PV_ERROR, PV_COUNT };

struct evl_page {
	struct evl_text *t;
	const struct evl_run *run;
	const struct evl_run *before;
	const struct evl_compare *cmp; /* NULL: nothing to compare with */
	const struct evl_page_facts *facts;
	enum evl_page_verdict verdict;
	int64_t count[PV_COUNT];                 /* of all checks */
	enum evl_page_verdict *channel;          /* per channel: worst of its checks */
	const struct evl_row_check **worst;      /* per channel: the check behind it, or NULL */
	const struct evl_row_check *worst_check; /* of all, or NULL */
};

extern const char evl_page_symbols[]; /* what #v-pass and the like refer to */

enum evl_page_verdict evl_page_verdict_of(const char *name);
const char *evl_page_verdict_name(enum evl_page_verdict v); /* "pass" */

/* Copies `format`, each '$' replaced by the next argument (const char *; NULL counts as ""),
 * escaped. There are as many arguments as '$'. */
void evl_page_put(struct evl_page *p, const char *format, ...);
/* The verdict as shape and word. */
void evl_page_put_verdict(struct evl_page *p, enum evl_page_verdict v);
/* "trib 17", with its K-L-M if `klm` and there is one; "-" without a channel. */
struct evl_num evl_page_channel(const struct evl_page *p, int channel_no, bool klm);
/* "own pattern, unit" ready to read; value and limit of a check. */
void evl_page_put_value(struct evl_page *p, const struct evl_row_check *c);
void evl_page_put_wanted(struct evl_page *p, const struct evl_row_check *c);
/* Error performance is judged at many places of a line: where, as its title says behind the event
 * ("VC-12 1-2-3, near end (BIP-2)"); "" for all other checks. Points into the title. */
const char *evl_page_place(const struct evl_row_check *c);
/* Instant of a check or event from the start of its take, or "" when it has none. */
struct evl_num evl_page_instant(const struct evl_page *p, int case_no, int64_t at_ns);
/* Why a channel fails, in few words: "crossed with 47", "errors 9.8e-6". */
struct evl_num evl_page_why(const struct evl_page *p, int channel_no);

void evl_page_put_summary(struct evl_page *p);    /* page_summary.c */
void evl_page_put_glance(struct evl_page *p);     /* page_glance.c */
void evl_page_put_cautions(struct evl_page *p);   /* page_summary.c */
void evl_page_put_identity(struct evl_page *p);   /* page_identity.c */
void evl_page_put_map(struct evl_page *p);        /* page_map.c */
void evl_page_put_cases(struct evl_page *p);      /* page_case.c */
void evl_page_put_takes(struct evl_page *p, const struct evl_row_case *k); /* page_take.c */
void evl_page_put_rule(struct evl_page *p);       /* page_evidence.c */
void evl_page_put_comparison(struct evl_page *p); /* page_compare.c */
void evl_page_put_evidence(struct evl_page *p);   /* page_evidence.c */
void evl_page_put_methods(struct evl_page *p);    /* page_statement.c */
void evl_page_put_opinions(struct evl_page *p);   /* page_statement.c */
void evl_page_put_statement(struct evl_page *p);  /* page_statement.c */
void evl_page_put_trace(struct evl_page *p);      /* page_trace.c */
/* Errors per second and alarms of one take; nothing when it has neither. plot.c */
void evl_page_put_plot(struct evl_page *p, const struct evl_row_take *take);
/* Timetable of the run. plot_times.c */
void evl_page_put_times(struct evl_page *p);
/* The verdict of each channel in small. page_strip.c */
void evl_page_put_strips(struct evl_page *p);
/* Error performance of a case against its limits; nothing when it has none. plot_share.c */
void evl_page_put_shares(struct evl_page *p, const struct evl_row_case *k);
/* What changed since the earlier run; nothing when nothing did. plot_change.c */
void evl_page_put_changes(struct evl_page *p);
/* Measured ratios with their confidence intervals against the limit; nothing when the checks
 * have none. `checks` are of one claim. plot_interval.c */
void evl_page_put_intervals(struct evl_page *p, const struct evl_row_check *const *checks,
	size_t count, const char *id);

/* "not stated" where `value` is NULL or empty. page_identity.c */
void evl_page_put_stated(struct evl_page *p, const char *value);
/* A JSON value as text; `depth` 0. */
void evl_page_put_json(struct evl_page *p, const json_t *v, int depth);
/* A JSON object of the store, or NULL when there is none or it is empty; to be released. */
json_t *evl_page_parse(const char *text);

/* Inserts a JSON object's members as <dt>/<dd>; "not stated" when NULL or empty. */
void evl_page_put_json_list(struct evl_page *p, const char *title, const char *json);

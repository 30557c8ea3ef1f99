/* SPDX-License-Identifier: Apache-2.0 */
/*
 * What people say about a run, beside what was measured: the statement of the laboratory (who
 * authorises, deviations, opinions ...) and the customer's requirements with waivers and
 * observations. Within this room only; docs/dossier.md has the files.
 *
 *	struct evl_statement s = {0};
 *	if (evl_statement_load(&s, "statement.yaml", "requirements.csv", &err) == EVL_OK) { ... }
 *	evl_statement_finish(&s);
 *
 * Text that a file does not give is NULL. All texts live until evl_statement_finish.
 */
#pragma once

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#include "core/base/err.h"

struct evl_requirement {
	const char *id;
	const char *text;
	const char *source;       /* contract or standard, with clause */
	const char *const *cases; /* names of cases of the campaign */
	size_t case_count;
	const char *const *checks; /* titles of checks; none: all of the cases */
	size_t check_count;
};

/* A waiver: the customer accepts that a requirement is not met. An observation judges nothing. */
struct evl_remark {
	const char *requirement; /* id, or NULL for an observation of the whole */
	const char *text;        /* reason of a waiver */
	const char *author;
	const char *date;    /* YYYY-MM-DD, or NULL */
	const char *expires; /* YYYY-MM-DD, or NULL: does not */
};

struct evl_opinion {
	const char *text, *author;
};

struct evl_statement {
	/* of the statement file */
	const char *authorised_name, *authorised_function;
	const char *sampling, *external, *uncertainty, *replaces, *replaces_reason;
	const json_t *conditions; /* object of texts, or NULL */
	const json_t *deviations; /* array of texts, or NULL: not stated */
	struct evl_opinion *opinions;
	size_t opinion_count;
	/* of the requirements file */
	bool has_requirements;
	struct evl_requirement *requirements;
	size_t requirement_count;
	struct evl_remark *waivers, *observations;
	size_t waiver_count, observation_count;

	char *statement_source, *requirements_source; /* the files as read, or NULL */
	size_t statement_len, requirements_len;
	bool requirements_csv;
	json_t *documents[2]; /* private */
	void *lists;          /* private */
};

/* Either path may be NULL. A name that ends in .csv is a table, anything else YAML. EVL_E_INVALID
 * names file and line. */
enum evl_status evl_statement_load(struct evl_statement *s, const char *statement_path,
	const char *requirements_path, struct evl_err *err);
void evl_statement_finish(struct evl_statement *s); /* takes a zeroed object */

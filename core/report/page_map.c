/* SPDX-License-Identifier: Apache-2.0 */
/* Map of the channels: by K-L-M where they have one (ITU-T G.707 7.3), else by number. */
#include "core/report/page.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"
#include "core/report/number.h"

enum { K_MAX = 3, L_MAX = 7, M_MAX = 3 };

static void put_cell(struct evl_page *p, size_t channel_no, bool klm)
{
	const struct evl_row_channel *c = &p->run->channels[channel_no];
	enum evl_page_verdict v = p->channel[channel_no];
	const char *name = evl_page_verdict_name(v);
	char number[24];
	snprintf(number, sizeof number, "%d", c->number);
	evl_page_put(p,
		"<td class=\"cell is-$\"><svg aria-hidden=\"true\"><use "
		"href=\"#v-$\"/></svg><b>$</b>",
		name, name, number);
	if (klm) {
		evl_page_put(p, "<span class=\"klm\">$</span>", c->klm);
	}
	evl_page_put(p, "<span class=\"sr\"> $</span>", name);
	if (v >= PV_INCONCLUSIVE) {
		evl_page_put(p, "<span class=\"why\">$</span>", evl_page_why(p, (int)channel_no).s);
	}
	evl_page_put(p, "</td>");
}

static bool parse_klm(const char *text, int *k, int *l, int *m)
{
	char end;
	return text != NULL && sscanf(text, "%d-%d-%d%c", k, l, m, &end) == 3 && *k >= 1 &&
	       *k <= K_MAX && *l >= 1 && *l <= L_MAX && *m >= 1 && *m <= M_MAX;
}

/* Places of one role: channel ordinal + 1, or 0. False when not all of its channels fit. */
static bool place_role(
	const struct evl_page *p, const char *role, size_t grid[K_MAX][L_MAX][M_MAX], size_t *count)
{
	bool fits = true;
	*count = 0;
	memset(grid, 0, sizeof(size_t) * K_MAX * L_MAX * M_MAX);
	for (size_t i = 0; i < p->run->channel_count; i++) {
		const struct evl_row_channel *c = &p->run->channels[i];
		if (c->role == NULL || strcmp(c->role, role) != 0) {
			continue;
		}
		int k, l, m;
		(*count)++;
		if (!parse_klm(c->klm, &k, &l, &m) || grid[k - 1][l - 1][m - 1] != 0) {
			fits = false;
			continue;
		}
		grid[k - 1][l - 1][m - 1] = i + 1;
	}
	return fits && *count > 0;
}

static void put_block(struct evl_page *p, int k, size_t block[L_MAX][M_MAX])
{
	char n[4] = {(char)('1' + k), '\0'};
	evl_page_put(p,
		"<table class=\"map\"><caption>K = $ <span class=\"quiet\">(TUG-3 "
		"$)</span></caption>\n<thead><tr><td></td>",
		n, n);
	for (int m = 0; m < M_MAX; m++) {
		n[0] = (char)('1' + m);
		evl_page_put(p,
			"<th scope=\"col\"><abbr title=\"TU-12 in its TUG-2\">M</abbr> $</th>", n);
	}
	evl_page_put(p, "</tr></thead>\n<tbody>\n");
	for (int l = 0; l < L_MAX; l++) {
		n[0] = (char)('1' + l);
		evl_page_put(p,
			"<tr><th scope=\"row\"><abbr title=\"TUG-2 in its TUG-3\">L</abbr> $</th>",
			n);
		for (int m = 0; m < M_MAX; m++) {
			if (block[l][m] == 0) {
				evl_page_put(p, "<td class=\"cell free\">not used</td>");
			} else {
				put_cell(p, block[l][m] - 1, true);
			}
		}
		evl_page_put(p, "</tr>\n");
	}
	evl_page_put(p, "</tbody></table>\n");
}

static void put_plain(struct evl_page *p, const char *role)
{
	enum { ACROSS = 8 };
	int at = 0;
	evl_page_put(p, "<table class=\"map plain\"><caption>$</caption><tbody>\n<tr>", role);
	for (size_t i = 0; i < p->run->channel_count; i++) {
		const struct evl_row_channel *c = &p->run->channels[i];
		if (c->role == NULL || strcmp(c->role, role) != 0) {
			continue;
		}
		if (at > 0 && at % ACROSS == 0) {
			evl_page_put(p, "</tr>\n<tr>");
		}
		put_cell(p, i, false);
		at++;
	}
	evl_page_put(p, "</tr></tbody></table>\n");
}

/* Cells that say why need more height; all get it, so that the three blocks stay level. */
static bool has_reasons(const struct evl_page *p, const char *role)
{
	for (size_t i = 0; i < p->run->channel_count; i++) {
		if (p->channel[i] >= PV_INCONCLUSIVE && p->run->channels[i].role != NULL &&
			strcmp(p->run->channels[i].role, role) == 0) {
			return true;
		}
	}
	return false;
}

static bool is_first_of_role(const struct evl_page *p, size_t channel_no)
{
	const char *role = p->run->channels[channel_no].role;
	for (size_t i = 0; i < channel_no; i++) {
		if (p->run->channels[i].role != NULL &&
			strcmp(p->run->channels[i].role, role) == 0) {
			return false;
		}
	}
	return true;
}

static void put_role(struct evl_page *p, const char *role, bool placed)
{
	size_t grid[K_MAX][L_MAX][M_MAX];
	size_t count = 0;
	if (place_role(p, role, grid, &count) != placed) {
		return;
	}
	if (!placed) {
		put_plain(p, role);
		return;
	}
	evl_page_put(p, "<h3>$, $</h3>\n<div class=\"maps$\">\n", role,
		evl_num_of((int64_t)count, "channel").s, has_reasons(p, role) ? " tall" : "");
	for (int k = 0; k < K_MAX; k++) {
		put_block(p, k, grid[k]);
	}
	evl_page_put(p, "</div>\n");
}

void evl_page_put_map(struct evl_page *p)
{
	evl_page_put(p,
		"<section id=\"map\" class=\"whole\" aria-labelledby=\"h-map\">\n"
		"<h2 id=\"h-map\">Map of the channels</h2>\n"
		"<p>Each cell has the tributary's number, its place K-L-M in the STM-1 (ITU-T "
		"G.707 7.3: K the TUG-3, L the TUG-2, M the TU-12) and the worst verdict over all "
		"its checks. Numbering map: <strong>$</strong>.</p>\n"
		"<ul class=\"legend\" aria-label=\"Signs\">",
		p->run->run.numbering == NULL ? "not stated" : p->run->run.numbering);
	for (int v = PV_PASS; v < PV_COUNT; v++) {
		evl_page_put(p, "<li>");
		evl_page_put_verdict(p, (enum evl_page_verdict)v);
		evl_page_put(p, "</li>");
	}
	evl_page_put(p, "<li>");
	evl_page_put_verdict(p, PV_NONE);
	evl_page_put(p, " not judged</li></ul>\n");
	/* Tributaries first, then what has no place in the line. */
	for (int pass = 0; pass < 2; pass++) {
		for (size_t i = 0; i < p->run->channel_count; i++) {
			if (p->run->channels[i].role != NULL && is_first_of_role(p, i)) {
				put_role(p, p->run->channels[i].role, pass == 0);
			}
		}
	}
	evl_page_put(p, "</section>\n");
}

/* SPDX-License-Identifier: Apache-2.0 */
/* Map of the channels: by K-L-M where they have one (ITU-T G.707 7.3), else by number. */
#include "core/report/page.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"
#include "core/report/number.h"

enum { A_MAX = 16, K_MAX = 3, L_MAX = 7, M_MAX = 4 };

/* Channel ordinal + 1, or 0, by place: AU-4 of its line, K, L, M. */
struct grid {
	size_t at[A_MAX][K_MAX][L_MAX][M_MAX];
	int aus;      /* in use, counted up to the last */
	int across;   /* M: 3 TU-12 or 4 TU-11 in a TUG-2 */
	size_t count; /* channels of the role */
};

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

/* "K-L-M", or "A-K-L-M" with the AU-4 of a line that carries several. */
static bool parse_klm(const char *text, int place[4])
{
	char end;
	place[0] = 1;
	bool four = text != NULL && sscanf(text, "%d-%d-%d-%d%c", &place[0], &place[1], &place[2],
					    &place[3], &end) == 4;
	if (!four) {
		place[0] = 1;
		if (text == NULL ||
			sscanf(text, "%d-%d-%d%c", &place[1], &place[2], &place[3], &end) != 3) {
			return false;
		}
	}
	return place[0] >= 1 && place[0] <= A_MAX && place[1] >= 1 && place[1] <= K_MAX &&
	       place[2] >= 1 && place[2] <= L_MAX && place[3] >= 1 && place[3] <= M_MAX;
}

/* False when not all channels of the role have a place of their own. */
static bool place_role(const struct evl_page *p, const char *role, struct grid *g)
{
	bool fits = true;
	memset(g, 0, sizeof *g);
	g->across = 3;
	for (size_t i = 0; i < p->run->channel_count; i++) {
		const struct evl_row_channel *c = &p->run->channels[i];
		int at[4];
		if (c->role == NULL || strcmp(c->role, role) != 0) {
			continue;
		}
		g->count++;
		if (!parse_klm(c->klm, at)) {
			fits = false;
			continue;
		}
		size_t *cell = &g->at[at[0] - 1][at[1] - 1][at[2] - 1][at[3] - 1];
		fits = fits && *cell == 0;
		*cell = i + 1;
		g->aus = at[0] > g->aus ? at[0] : g->aus;
		g->across = at[3] > g->across ? at[3] : g->across;
	}
	return fits && g->count > 0;
}

static void put_block(struct evl_page *p, const struct grid *g, int a, int k)
{
	char n[16];
	evl_page_put(p, "<table class=\"map\"><caption>");
	if (g->aus > 1) {
		snprintf(n, sizeof n, "%d", a + 1);
		evl_page_put(p, "AU-4 $, ", n);
	}
	snprintf(n, sizeof n, "%d", k + 1);
	evl_page_put(p, "K = $</caption>\n<thead><tr><td></td>", n);
	for (int m = 0; m < g->across; m++) {
		snprintf(n, sizeof n, "%d", m + 1);
		evl_page_put(p,
			"<th scope=\"col\"><abbr title=\"tributary unit in its TUG-2\">M</abbr> "
			"$</th>",
			n);
	}
	evl_page_put(p, "</tr></thead>\n<tbody>\n");
	for (int l = 0; l < L_MAX; l++) {
		snprintf(n, sizeof n, "%d", l + 1);
		evl_page_put(p,
			"<tr><th scope=\"row\"><abbr title=\"TUG-2 in its TUG-3\">L</abbr> $</th>",
			n);
		for (int m = 0; m < g->across; m++) {
			if (g->at[a][k][l][m] == 0) {
				evl_page_put(p, "<td class=\"cell free\">not used</td>");
			} else {
				put_cell(p, g->at[a][k][l][m] - 1, true);
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
	struct grid g;
	if (place_role(p, role, &g) != placed) {
		return;
	}
	if (!placed) {
		put_plain(p, role);
		return;
	}
	evl_page_put(p, "<h3>$, $</h3>\n", role, evl_num_of((int64_t)g.count, "channel").s);
	for (int a = 0; a < g.aus; a++) {
		evl_page_put(p, "<div class=\"maps$\">\n", has_reasons(p, role) ? " tall" : "");
		for (int k = 0; k < K_MAX; k++) {
			put_block(p, &g, a, k);
		}
		evl_page_put(p, "</div>\n");
	}
}

void evl_page_put_map(struct evl_page *p)
{
	evl_page_put(p,
		"<section id=\"map\" class=\"whole\" aria-labelledby=\"h-map\">\n"
		"<h2 id=\"h-map\">Map of the channels</h2>\n"
		"<p>Each cell has the tributary's number, its place K-L-M in the line (ITU-T "
		"G.707 7.3: K the TUG-3, or the AU-3, L the TUG-2, M the TU-12 or TU-11; the "
		"number of the AU-4 stands in "
		"front where the line carries several) and the worst verdict over all "
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

/* SPDX-License-Identifier: Apache-2.0 */
/* All channels at one glance: a small cell each, in the order of their numbers. A list and no
 * picture, so that it wraps on a narrow page. */
#include "core/report/page.h"

#include <stdio.h>
#include <string.h>

#include "core/report/number.h"

enum {
	ROLES_MAX = 24,
	CELLS_MAX = 1680, /* of a role: 40 rows of 42 in the PDF */
};

struct group {
	const char *role;
	size_t count;
};

/* `placed`: roles whose channels have a place in the line; then the others. */
static size_t find_groups(const struct evl_page *p, struct group *groups, size_t n, bool placed)
{
	for (size_t i = 0; i < p->run->channel_count; i++) {
		const struct evl_row_channel *c = &p->run->channels[i];
		size_t g = 0;
		if (c->role == NULL || (c->klm != NULL) != placed) {
			continue;
		}
		while (g < n && strcmp(groups[g].role, c->role) != 0) {
			g++;
		}
		if (g == n && n == ROLES_MAX) {
			continue;
		}
		if (g == n) {
			groups[n++] = (struct group){.role = c->role};
		}
		groups[g].count++;
	}
	return n;
}

static void put_cell(struct evl_page *p, size_t i)
{
	enum evl_page_verdict v = p->channel[i];
	const char *name = evl_page_verdict_name(v);
	evl_page_put(p, "<li class=\"is-$\">", name);
	if (v >= PV_INCONCLUSIVE) {
		evl_page_put(p, "<svg aria-hidden=\"true\"><use href=\"#v-$\"/></svg>", name);
	}
	evl_page_put(p, "$<span class=\"sr\"> $</span></li>",
		evl_num_count(p->run->channels[i].number).s, v == PV_NONE ? "not judged" : name);
}

static void put_group(struct evl_page *p, const struct group *g, size_t number)
{
	char id[40];
	size_t at = 0;
	snprintf(id, sizeof id, "strip-%zu", number + 1);
	evl_page_put(p,
		"<p class=\"of\" id=\"$\">$ $</p>\n<ul class=\"channels$\" aria-labelledby=\"$\">",
		id, evl_num_count((int64_t)g->count).s, g->role, g->count > 130 ? " many" : "", id);
	for (size_t i = 0; i < p->run->channel_count && at < CELLS_MAX; i++) {
		const char *role = p->run->channels[i].role;
		if (role != NULL && strcmp(role, g->role) == 0) {
			put_cell(p, i);
			at++;
		}
	}
	evl_page_put(p, "</ul>\n");
}

void evl_page_put_strips(struct evl_page *p)
{
	struct group groups[ROLES_MAX];
	size_t drawn = 0;
	size_t count = find_groups(p, groups, 0, true);
	count = find_groups(p, groups, count, false);
	if (count == 0) {
		return;
	}
	for (size_t g = 0; g < count; g++) {
		put_group(p, &groups[g], g);
		drawn += groups[g].count < CELLS_MAX ? groups[g].count : CELLS_MAX;
	}
	evl_page_put(p, "<p class=\"quiet\">A cell for each channel. Plain: every check of it "
			"passes. Dashed: not judged. With a sign: the worst verdict of its "
			"checks.");
	if (drawn < p->run->channel_count) {
		evl_page_put(p, " $ have no cell for want of room; the map has them.",
			evl_num_of((int64_t)(p->run->channel_count - drawn), "more channel").s);
	}
	evl_page_put(p, "</p>\n");
}

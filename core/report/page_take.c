/* SPDX-License-Identifier: Apache-2.0 */
/* A take: how long, what was sent, what was recorded, errors and alarms over time, its streams. */
#include "core/report/page.h"

#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"
#include "core/report/number.h"

enum { KINDS_MAX = 8 };

/* What several channels of a role were sent alike. */
struct kind {
	const char *role;
	char *key;
	const char *text; /* of the first one */
	bool same;        /* all have that very text */
	int64_t count;
};

static bool is_of(const struct evl_row_stream *s, const struct evl_row_take *take)
{
	return s->case_no == take->case_no && s->take_no == take->ordinal;
}

/* Leaves out what is each channel's own: ", phase 1234" and ", trib-1.sent". */
static char *key_of(const char *text)
{
	char *key = evl_xcalloc(strlen(text) + 1, 1);
	size_t n = 0;
	for (const char *at = text; *at != '\0';) {
		bool begins = at[0] == ',' && at[1] == ' ';
		size_t word = begins ? 2 + strcspn(at + 2, ",; ") : 0;
		if (strncmp(at, ", phase ", 8) == 0) {
			at += 8 + strspn(at + 8, "0123456789");
		} else if ((word > 7 && strncmp(at + word - 5, ".sent", 5) == 0) ||
			   (word > 11 && strncmp(at + word - 9, ".received", 9) == 0)) {
			at += word;
		} else {
			key[n++] = *at++;
		}
	}
	return key;
}

static void add_kind(
	struct kind *kinds, size_t *count, int64_t *others, const char *role, const char *text)
{
	char *key = key_of(text);
	size_t k = 0;
	while (k < *count && (strcmp(kinds[k].role, role) != 0 || strcmp(kinds[k].key, key) != 0)) {
		k++;
	}
	if (k == KINDS_MAX) {
		(*others)++;
		free(key);
		return;
	}
	if (k == *count) {
		kinds[(*count)++] =
			(struct kind){.role = role, .key = key, .text = text, .same = true};
	} else {
		kinds[k].same = kinds[k].same && strcmp(kinds[k].text, text) == 0;
		free(key);
	}
	kinds[k].count++;
}

static void put_sent(struct evl_page *p, const struct evl_row_take *take)
{
	struct kind kinds[KINDS_MAX];
	size_t count = 0;
	int64_t others = 0;
	for (size_t i = 0; i < p->run->stream_count; i++) {
		const struct evl_row_stream *s = &p->run->streams[i];
		const struct evl_row_channel *c = evl_run_channel(p->run, s->channel_no);
		if (is_of(s, take) && c != NULL && c->role != NULL && s->description != NULL &&
			s->description[0] != '\0' && strcmp(s->direction, "sent") == 0) {
			add_kind(kinds, &count, &others, c->role, s->description);
		}
	}
	for (size_t k = 0; k < count; k++) {
		evl_page_put(p, k == 0 ? "<p><span class=\"label\">Sent</span> $ $: $" : "; $ $: $",
			evl_num_count(kinds[k].count).s, kinds[k].role,
			kinds[k].same ? kinds[k].text : kinds[k].key);
		free(kinds[k].key);
	}
	if (others > 0) {
		evl_page_put(p, "; $ else, see the streams", evl_num_of(others, "channel").s);
	}
	evl_page_put(p, count > 0 ? ".</p>\n" : "");
}

/* Which part of the take it holds, unless all of it; and why it is shorter than was wanted. */
static void put_part(
	struct evl_page *p, const struct evl_row_take *take, const struct evl_row_recording *r)
{
	if (r->frames > 0 && (r->from_frame > 0 || r->frames < take->frames)) {
		evl_page_put(p, " ($ to $ of the take)", evl_num_time(r->from_frame * 125000).s,
			evl_num_time((r->from_frame + r->frames) * 125000).s);
	}
	if (r->note != NULL && r->note[0] != '\0') {
		evl_page_put(p, " ($)", r->note);
	}
}

static void put_recorded(struct evl_page *p, const struct evl_row_take *take)
{
	size_t shown = 0;
	for (size_t i = 0; i < p->run->recording_count; i++) {
		const struct evl_row_recording *r = &p->run->recordings[i];
		if (r->case_no == take->case_no && r->take_no == take->ordinal) {
			evl_page_put(p,
				shown++ == 0 ? "<p><span class=\"label\">Recorded</span> $$"
					     : ", $$",
				r->name, r->finished ? "" : " (not finished)");
			put_part(p, take, r);
		}
	}
	evl_page_put(p, shown > 0 ? "; see <a href=\"#h-recordings\">Recordings</a>.</p>\n" : "");
}

static void put_digest(struct evl_page *p, const struct evl_row_stream *s)
{
	evl_page_put(p, "<td><code class=\"hash\">$</code>",
		s->digest == NULL ? "none made" : s->digest);
	if (s->source_digest != NULL) {
		evl_page_put(p,
			"<br/><span class=\"quiet\">before the network</span> <code "
			"class=\"hash\">$</code>",
			s->source_digest);
	}
	evl_page_put(p, "</td></tr>\n");
}

static void put_streams(struct evl_page *p, const struct evl_row_take *take)
{
	size_t n = 0;
	size_t first = 0;
	for (size_t i = 0; i < p->run->stream_count; i++) {
		first = is_of(&p->run->streams[i], take) && n++ == 0 ? i : first;
	}
	if (n == 0) {
		return;
	}
	evl_page_put(p,
		"<details><summary>$ with digests</summary>\n"
		"<div class=\"wide\" tabindex=\"0\" role=\"group\" "
		"aria-label=\"Streams\"><table>\n"
		"<thead><tr><th scope=\"col\">Channel</th><th scope=\"col\">Direction</th><th "
		"scope=\"col\">What</th><th scope=\"col\" class=\"n\">Bits</th><th scope=\"col\" "
		"class=\"n\">Start skew</th><th scope=\"col\">SHA-256</th></tr></thead>\n<tbody>\n",
		evl_num_of((int64_t)n, "stream").s);
	for (size_t i = first; i < first + n; i++) {
		const struct evl_row_stream *s = &p->run->streams[i];
		evl_page_put(p,
			"<tr><th scope=\"row\" class=\"ch\">$</th><td>$</td><td>$</td><td "
			"class=\"n\">$</td><td class=\"n\">$</td>",
			evl_page_channel(p, s->channel_no, false).s, s->direction, s->description,
			evl_num_count(s->bits).s, evl_num_time(s->start_skew_ns).s);
		put_digest(p, s);
	}
	evl_page_put(p, "</tbody></table></div></details>\n");
}

void evl_page_put_takes(struct evl_page *p, const struct evl_row_case *k)
{
	for (size_t i = 0; i < p->run->take_count; i++) {
		const struct evl_row_take *take = &p->run->takes[i];
		if (take->case_no != k->ordinal) {
			continue;
		}
		evl_page_put(p,
			"<h4 class=\"take\">Take: $</h4>\n"
			"<p>Lasted $ on the $ clock, from $ after the start of the run",
			take->name, evl_num_time(take->frames * 125000).s, take->clock,
			evl_num_time(take->start_ns).s);
		if (take->lead_in_frames > 0) {
			evl_page_put(p, ", after a lead-in of $",
				evl_num_time(take->lead_in_frames * 125000).s);
		}
		evl_page_put(p,
			strcmp(take->state, EVL_STATE_FINISHED) == 0
				? ".</p>\n"
				: "; <strong>$</strong>.</p>\n",
			take->state);
		put_sent(p, take);
		put_recorded(p, take);
		evl_page_put_plot(p, take);
		put_streams(p, take);
	}
}

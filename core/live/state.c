/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <string.h>

#include "core/live/internal.h"

/* A JSON string; control characters are escaped, U+2028 and bytes that are no UTF-8 are left to the
 * rooms that clean text. */
static void add_string(struct evl_text *out, const char *s)
{
	evl_text_addn(out, "\"", 1);
	for (; *s != '\0'; s++) {
		unsigned char c = (unsigned char)*s;
		if (c == '"' || c == '\\') {
			const char pair[2] = {'\\', *s};
			evl_text_addn(out, pair, 2);
		} else if (c < 0x20 || c == 0x7F) {
			evl_text_addf(out, "\\u%04x", c);
		} else {
			evl_text_addn(out, s, 1);
		}
	}
	evl_text_addn(out, "\"", 1);
}

static void add_field(struct evl_text *out, const char *name, const char *value)
{
	evl_text_addf(out, "\"%s\":", name);
	add_string(out, value != NULL ? value : "");
	evl_text_addn(out, ",", 1);
}

void evl_live_json(struct evl_text *out, const struct evl_live_state *s)
{
	evl_text_addf(
		out, "{\"ended\":%s,\"run\":%" PRId64 ",", s->ended ? "true" : "false", s->run);
	add_field(out, "campaign", s->campaign);
	add_field(out, "title", s->title);
	add_field(out, "bench", s->bench);
	add_field(out, "build", s->build);
	add_field(out, "clock", s->clock);
	add_field(out, "verdict", s->verdict);
	add_field(out, "message", s->message);
	add_field(out, "case", s->case_name);
	add_field(out, "case_title", s->case_title);
	add_field(out, "take", s->take_name);
	evl_text_addf(out,
		"\"case_number\":%" PRIu32 ",\"case_count\":%" PRIu32 ",\"done_ms\":%" PRIu64
		",\"all_ms\":%" PRIu64 ",\"left_ms\":%" PRId64 ",\"errors\":%" PRIu64
		",\"passed\":%" PRIu32 ",\"failed\":%" PRIu32 ",\"inconclusive\":%" PRIu32
		",\"cases\":[",
		s->case_number, s->case_count, s->done_ns / 1000000, s->all_ns / 1000000,
		s->left_ms, s->errors, s->passed, s->failed, s->inconclusive);
	for (size_t i = 0; i < s->case_list_count; i++) {
		evl_text_add(out, i > 0 ? ",[" : "[");
		add_string(out, s->cases[i].name);
		evl_text_addn(out, ",", 1);
		add_string(out, s->cases[i].verdict);
		evl_text_addn(out, "]", 1);
	}
	evl_text_add(out, "],\"channels\":[");
	for (size_t i = 0; i < s->channel_count; i++) {
		const struct evl_live_channel *c = &s->channels[i];
		evl_text_add(out, i > 0 ? ",[" : "[");
		add_string(out, c->label);
		evl_text_addn(out, ",", 1);
		add_string(out, c->rate);
		evl_text_addf(
			out, ",%d,%" PRIu64 ",%" PRIu64 ",", (int)c->sync, c->errors, c->bits);
		add_string(out, c->alarms);
		evl_text_addn(out, "]", 1);
	}
	evl_text_add(out, "]}");
}

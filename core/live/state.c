/* SPDX-License-Identifier: Apache-2.0 */
#include <jansson.h>
#include <stdlib.h>

#include "core/live/internal.h"

/* Texts come from rooms that clean them; what is no UTF-8 for all that is shown as "?". */
static json_t *text(const char *s)
{
	json_t *o = json_string(s != NULL ? s : "");
	return o != NULL ? o : json_string("?");
}

void evl_live_json(struct evl_text *out, const struct evl_live_state *s)
{
	json_t *cases = json_array();
	for (size_t i = 0; i < s->case_list_count; i++) {
		json_array_append_new(cases,
			json_pack("[o, o]", text(s->cases[i].name), text(s->cases[i].verdict)));
	}
	json_t *channels = json_array();
	for (size_t i = 0; i < s->channel_count; i++) {
		const struct evl_live_channel *c = &s->channels[i];
		json_array_append_new(channels,
			json_pack("[o, o, i, I, I, o]", text(c->label), text(c->rate), (int)c->sync,
				(json_int_t)c->errors, (json_int_t)c->bits, text(c->alarms)));
	}
	json_t *o = json_pack("{s:b, s:I, s:I, s:I, s:I, s:I, s:I, s:I, s:I, s:I, s:I}", "ended",
		(int)s->ended, "run", (json_int_t)s->run, "case_number", (json_int_t)s->case_number,
		"case_count", (json_int_t)s->case_count, "done_ms",
		(json_int_t)(s->done_ns / 1000000), "all_ms", (json_int_t)(s->all_ns / 1000000),
		"left_ms", (json_int_t)s->left_ms, "errors", (json_int_t)s->errors, "passed",
		(json_int_t)s->passed, "failed", (json_int_t)s->failed, "inconclusive",
		(json_int_t)s->inconclusive);
	const struct {
		const char *name, *value;
	} texts[] = {{"campaign", s->campaign}, {"title", s->title}, {"bench", s->bench},
		{"build", s->build}, {"clock", s->clock}, {"verdict", s->verdict},
		{"message", s->message}, {"case", s->case_name}, {"case_title", s->case_title},
		{"take", s->take_name}};
	for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
		json_object_set_new(o, texts[i].name, text(texts[i].value));
	}
	json_object_set_new(o, "cases", cases);
	json_object_set_new(o, "channels", channels);
	char *all = json_dumps(o, JSON_COMPACT);
	evl_require(all != NULL);
	evl_text_add(out, all);
	free(all);
	json_decref(o);
}

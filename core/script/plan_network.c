/* SPDX-License-Identifier: Apache-2.0 */
/* Of the yielded plan: the networks that channels play through. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jansson.h>

#include "core/script/plan.h"

#define DENOMINATOR 1000000000000000u /* steps of 1e-15 keep any sensible ratio */

static uint64_t numerator(lua_State *L, int at)
{
	return (uint64_t)(evl_plan_number(L, at, "ratio") * (double)DENOMINATOR + 0.5);
}

int evl_plan_network_kind(const char *word)
{
	static const char *const words[] = {[EVL_NETWORK_DELAY] = "delay",
		[EVL_NETWORK_SLIP] = "slip",
		[EVL_NETWORK_ERRORS] = "errors",
		[EVL_NETWORK_BURST] = "burst",
		[EVL_NETWORK_INVERT] = "invert",
		[EVL_NETWORK_BIT] = "bit",
		[EVL_NETWORK_ALARM] = "alarm"};
	for (size_t i = EVL_NETWORK_DELAY; i < sizeof words / sizeof words[0]; i++) {
		if (strcmp(words[i], word) == 0) {
			return (int)i;
		}
	}
	return 0;
}

static struct evl_network_event event(lua_State *L, int at)
{
	const char *alarm = evl_plan_text(L, at, "alarm");
	return (struct evl_network_event){
		.kind = (enum evl_network_kind)evl_plan_network_kind(evl_plan_text(L, at, "kind")),
		.at_ns = (uint64_t)evl_plan_integer(L, at, "at_ns"),
		.lasting_ns = (uint64_t)evl_plan_integer(L, at, "lasting_ns"),
		.every_ns = (uint64_t)evl_plan_integer(L, at, "every_ns"),
		.times = (uint64_t)evl_plan_integer(L, at, "times"),
		.jitter_frames = (uint64_t)evl_plan_integer(L, at, "jitter_frames"),
		.numerator = numerator(L, at),
		.denominator = DENOMINATOR,
		.delay_frames = (uint32_t)evl_plan_integer(L, at, "delay_frames"),
		.slip_bits = evl_plan_integer(L, at, "slip_bits"),
		.alarm = alarm != NULL ? evl_alarm_by_name(alarm) : EVL_ALARM_NONE};
}

static void network(struct build *b, int at, struct plan_network *n)
{
	lua_State *L = b->L;
	n->role = evl_binding_role(b->r->lab.binding, evl_plan_text(L, at, "role"));
	n->number = evl_plan_integer(L, at, "number");
	lua_getfield(L, at, "events");
	const uint32_t count = (uint32_t)lua_rawlen(L, -1);
	n->events = evl_xcalloc(count, sizeof *n->events);
	for (uint32_t i = 0; i < count; i++) {
		lua_rawgeti(L, -1, (lua_Integer)i + 1);
		n->events[i] = event(L, lua_gettop(L));
		lua_pop(L, 1);
	}
	lua_pop(L, 1);
	n->plan = (struct evl_network_plan){.seed = b->r->args->seed,
		.delay_frames = (uint32_t)evl_plan_integer(L, at, "delay_frames"),
		.numerator = numerator(L, at),
		.denominator = DENOMINATOR,
		.events = n->events,
		.event_count = count};
}

/* Says in the description of what is played what it goes through. */
static void describe(struct evl_take_part *p)
{
	char *source = p->played.source;
	size_t used = strlen(source);
	char text[EVL_NETWORK_TEXT];
	evl_network_text(text, sizeof text, p->network);
	snprintf(source + used, sizeof p->played.source - used, ", through: %s", text);
}

enum evl_status evl_plan_networks(struct build *b, struct evl_err *err)
{
	lua_State *L = b->L;
	lua_getfield(L, b->table, "network");
	const size_t count = lua_rawlen(L, -1);
	b->networks = evl_xcalloc(count, sizeof *b->networks);
	for (size_t i = 1; i <= count; i++) {
		struct plan_network *n = &b->networks[b->network_count++];
		uint32_t first, channels;
		lua_rawgeti(L, -1, (lua_Integer)i);
		network(b, lua_gettop(L), n);
		enum evl_status st =
			evl_plan_numbered(b, n->role, n->number, "network", &first, &channels, err);
		if (st < 0) {
			return st;
		}
		for (uint32_t c = 0; c < channels; c++) {
			struct evl_take_part *p = evl_plan_part(b, first + c);
			p->network = p->play ? &n->plan : NULL;
		}
		lua_pop(L, 1);
	}
	lua_pop(L, 1);
	for (uint32_t i = 0; i < b->plan.part_count; i++) {
		if (b->plan.parts[i].network != NULL) {
			describe(&b->plan.parts[i]);
		}
	}
	return EVL_OK;
}

#define META_BYTES 16000u /* of all texts; the metadata of a recording has room for 60000 */

void evl_plan_networks_meta(const struct build *b, json_t *meta)
{
	json_t *list = json_array();
	size_t bytes = 0;
	for (size_t i = 0; i < b->network_count; i++) {
		const struct plan_network *n = &b->networks[i];
		char text[EVL_NETWORK_TEXT], number[24] = "";
		evl_network_text(text, sizeof text, &n->plan);
		if (n->number != 0) {
			snprintf(number, sizeof number, " %" PRId64, n->number);
		}
		bytes += strlen(n->role->name) + strlen(number) + strlen(text);
		if (bytes > META_BYTES) {
			json_array_append_new(
				list, json_sprintf("and %d more", (int)(b->network_count - i)));
			break;
		}
		json_array_append_new(list, json_sprintf("%s%s: %s", n->role->name, number, text));
	}
	if (b->network_count > 0) {
		json_object_set(meta, "network", list);
	}
	json_decref(list);
}

void evl_plan_networks_finish(struct build *b)
{
	for (size_t i = 0; i < b->network_count; i++) {
		free(b->networks[i].events);
	}
	free(b->networks);
}

/* SPDX-License-Identifier: Apache-2.0 */
/* What of a recording a channel plays or is expected to return: which recorded channel, which bits
 * of it. The instants were laid out by scripts/replay.lua. */
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "core/base/text.h"
#include "core/recording/align.h"
#include "core/script/plan.h"

/* How long a unit may take that is found by itself, and in which steps it is looked for: content
 * that repeats itself then gives the least delay, to a step. */
#define SETTLE_MOST_NS 600000000u
#define SETTLE_STEP_NS 8000000u

/* The replay at stack index `at`. */
struct asked {
	struct open_recording *rec;
	const char *role; /* of the recording */
	uint32_t number;  /* there */
	bool numbered;    /* the campaign said which */
	bool sent;
	int window; /* stack index, or 0: all of it */
};

/* The number of the channel at place `index` among those of the role there, in their order;
 * UINT32_MAX when there are not so many. */
static uint32_t number_in_order(const struct asked *a, size_t index)
{
	const size_t n = strlen(a->role);
	for (uint32_t i = 0; i < evl_rec_channel_count(a->rec->reader); i++) {
		const struct evl_rec_channel *c = &evl_rec_info(a->rec->reader, i)->channel;
		uint64_t number = 0;
		const char *p = c->name + n + 1;
		if (strncmp(c->name, a->role, n) != 0 || c->name[n] != '-' ||
			(c->direction == EVL_REC_SENT) != a->sent) {
			continue;
		}
		for (; *p >= '0' && *p <= '9' && number < UINT32_MAX; p++) {
			number = number * 10 + (uint64_t)(*p - '0');
		}
		if (*p == '.' && p > c->name + n + 1 && number < UINT32_MAX && index-- == 0) {
			return (uint32_t)number;
		}
	}
	return UINT32_MAX;
}

static uint32_t number_there(
	lua_State *L, int at, const struct asked *a, size_t index, uint32_t here, bool *said)
{
	int64_t there = here;
	int type = lua_getfield(L, at, "numbers");
	if (type == LUA_TTABLE) {
		lua_rawgeti(L, -1, here);
		*said = lua_isinteger(L, -1);
		there = *said ? lua_tointeger(L, -1) : there;
		lua_pop(L, 1);
	} else if (type == LUA_TSTRING) {
		there = number_in_order(a, index);
		*said = true;
	}
	lua_pop(L, 1);
	return there >= 0 && there <= UINT32_MAX ? (uint32_t)there : UINT32_MAX;
}

/* "trib-5.sent", or "line.sent" of a role with a single channel. */
static bool find(const struct asked *a, const struct evl_bound_role *role, bool sent,
	char name[EVL_REC_NAME_MAX], uint32_t *channel)
{
	const bool one = role->channel_count == 1 && !a->numbered;
	const char *direction = sent ? "sent" : "received";
	char plain[EVL_REC_NAME_MAX], numbered[EVL_REC_NAME_MAX];
	snprintf(plain, sizeof plain, "%.90s.%s", a->role, direction);
	snprintf(numbered, sizeof numbered, "%.90s-%" PRIu32 ".%s", a->role, a->number, direction);
	const char *first = one ? plain : numbered;
	const char *second = one ? numbered : a->numbered ? plain : first;
	bool found = evl_rec_find(a->rec->reader, first, channel);
	memcpy(name, first, EVL_REC_NAME_MAX);
	if (!found && evl_rec_find(a->rec->reader, second, channel)) {
		found = true;
		memcpy(name, second, EVL_REC_NAME_MAX);
	}
	return found;
}

static enum evl_status no_such_channel(const struct build *b, const struct asked *a,
	const char *name, const char *label, struct evl_err *err)
{
	struct evl_text has = {0};
	const uint32_t n = evl_rec_channel_count(a->rec->reader);
	for (uint32_t i = 0; i < n && i < 6; i++) {
		evl_text_addf(&has, "%s%s", i > 0 ? ", " : "",
			evl_rec_info(a->rec->reader, i)->channel.name);
	}
	if (n > 6) {
		evl_text_addf(&has, " and %" PRIu32 " more", n - 6);
	}
	enum evl_status st =
		a->number == UINT32_MAX
			? evl_err_set(err, EVL_E_INVALID,
				  "take %s: recording \"%s\" has fewer channels of role %s than "
				  "the "
				  "take: none is left for %s; it has %s",
				  b->name, a->rec->name, a->role, label, evl_text_str(&has))
			: evl_err_set(err, EVL_E_INVALID,
				  "take %s: recording \"%s\" has no channel %s for %s; it has %s: "
				  "say "
				  "role, numbers or direction in replay",
				  b->name, a->rec->name, name, label, evl_text_str(&has));
	evl_text_finish(&has);
	return st;
}

/* Numbers that nobody has would be passed over in silence. */
static enum evl_status check_numbers(
	struct build *b, int at, const struct evl_bound_role *role, struct evl_err *err)
{
	lua_State *L = b->L;
	enum evl_status st = EVL_OK;
	lua_getfield(L, at, "numbers");
	for (lua_pushnil(L); lua_istable(L, -2) && lua_next(L, -2) != 0; lua_pop(L, 1)) {
		int64_t here = lua_isinteger(L, -2) ? lua_tointeger(L, -2) : -1;
		bool known = false;
		for (size_t c = 0; c < role->channel_count; c++) {
			known = known || role->channels[c].number == here;
		}
		if (!known) {
			st = evl_err_set(err, EVL_E_INVALID,
				"take %s: replay: numbers: role %s has no number %" PRId64
				" on this bench",
				b->name, role->name, here);
			lua_pop(L, 2);
			break;
		}
	}
	lua_pop(L, 1);
	return st;
}

/* How long the unit took when it was recorded, by the bits themselves. */
static enum evl_status find_settle(struct build *b, const struct asked *a, uint32_t sent,
	uint32_t received, const struct evl_take_window *w, const char *label, uint64_t *out,
	struct evl_err *err)
{
	struct evl_rec *r = a->rec->reader;
	const struct evl_rec_info *info = evl_rec_info(r, sent);
	for (uint64_t ns = SETTLE_STEP_NS / 2; sent != received && ns < SETTLE_MOST_NS;
		ns += SETTLE_STEP_NS) {
		const uint64_t shift = evl_recording_bits(a->rec, info, ns);
		bool found = false;
		int64_t delay = 0;
		struct evl_rec_align_plan plan = {.range_ns = SETTLE_STEP_NS / 2,
			.a_part = {w->from_bit, w->from_bit + w->bits},
			.b_part = {w->from_bit + shift, 0}};
		enum evl_status st =
			evl_rec_find_delay(r, sent, r, received, &plan, &found, &delay, err);
		if (st < 0) {
			return evl_err_prefix(err, "take %s", b->name);
		}
		delay += (int64_t)shift;
		if (found && delay >= 0) {
			*out = ((uint64_t)delay + 7) & ~(uint64_t)7;
			return EVL_OK;
		}
	}
	return evl_err_set(err, EVL_E_INVALID,
		"take %s: expect: recording \"%s\" does not tell how long the unit took on %s; say "
		"settle = \"10 ms\" in replay: for so long from the beginning of each round "
		"nothing is compared, as what comes back then was sent before",
		b->name, a->rec->name, label);
}

static uint64_t field_ns(lua_State *L, int at, const char *name)
{
	int64_t v = evl_plan_integer(L, at, name);
	return v > 0 ? (uint64_t)v : 0;
}

/* The window of a channel by its clock. What the unit returns has as many bits as what it got, so
 * both directions have the same window: `both` are the channels, or one of them and NULL. */
static enum evl_status lay_window(struct build *b, const struct asked *a,
	const struct evl_rec_info *const both[2], const char *label, struct evl_take_window *w,
	struct evl_err *err)
{
	lua_State *L = b->L;
	const struct evl_rec_info *clock = both[0] != NULL ? both[0] : both[1];
	const uint64_t from_ns = field_ns(L, a->window, "from_ns");
	const uint64_t to_ns = from_ns + field_ns(L, a->window, "lasting_ns");
	uint64_t from = evl_recording_bits(a->rec, clock, from_ns);
	uint64_t end = evl_recording_bits(a->rec, clock, to_ns);
	w->lead_bits = evl_recording_bits(a->rec, clock, field_ns(L, a->window, "lead_ns"));
	if (field_ns(L, a->window, "mark_ns") > 0) { /* falls on its instant, to the byte */
		uint64_t at = evl_recording_bits(a->rec, clock, field_ns(L, a->window, "at_ns"));
		uint64_t into =
			evl_recording_bits(a->rec, clock, field_ns(L, a->window, "mark_ns")) - from;
		w->lead_bits = at > into ? at - into : 0;
	}
	w->seam_bits = evl_recording_bits(a->rec, clock, field_ns(L, a->window, "seam_ns"));
	w->times = field_ns(L, a->window, "times");
	w->then_idle = evl_plan_bool(L, a->window, "then_idle");
	/* Two clocks, and the rounding of slabs: the first bits may have come before the recording
	 * begins, the last after it ends. */
	const uint64_t slack =
		EVL_RECORDING_SLACK_BITS +
		(both[0] != NULL && both[1] != NULL ? end / 1000000 * (2 * EVL_CLOCK_PPB_MAX / 1000)
						    : 0);
	for (int k = 0; k < 2; k++) {
		const struct evl_rec_info *i = both[k];
		if (i == NULL) {
			continue;
		}
		if (from < i->first_bit && i->first_bit - from <= EVL_RECORDING_SLACK_BITS) {
			from = i->first_bit;
		}
		/* In rounds the one direction must not get ahead of the other. */
		bool counts = w->times > 1 || (k == 0) == a->sent;
		if (counts && end > i->end_bits && end - i->end_bits <= slack) {
			end = i->end_bits;
		}
	}
	const struct evl_rec_info *own = both[a->sent ? 0 : 1];
	if (end <= from || end > own->end_bits) {
		return evl_err_set(err, EVL_E_INVALID,
			"take %s: the window of %s ends at bit %" PRIu64
			" of channel %s, but recording \"%s\" has it to bit %" PRIu64 " only",
			b->name, label, end, own->channel.name, a->rec->name, own->end_bits);
	}
	w->from_bit = from;
	w->bits = end - from;
	return EVL_OK;
}

static enum evl_status settle(struct build *b, const struct asked *a, bool has_sent, uint32_t sent,
	uint32_t received, const char *label, struct evl_take_window *w, struct evl_err *err)
{
	lua_State *L = b->L;
	enum evl_status st = EVL_OK;
	lua_getfield(L, a->window, "settle_ns");
	const bool said = lua_isinteger(L, -1);
	lua_pop(L, 1);
	if (said) {
		const struct evl_rec_info *info = evl_rec_info(a->rec->reader, received);
		w->settle_bits =
			evl_recording_bits(a->rec, info, field_ns(L, a->window, "settle_ns"));
	} else if (!a->sent && (w->from_bit > 0 || w->times > 1)) {
		st = find_settle(
			b, a, has_sent ? sent : received, received, w, label, &w->settle_bits, err);
	}
	if (st == EVL_OK && w->settle_bits >= w->bits) {
		st = evl_err_set(err, EVL_E_INVALID,
			"take %s: expect: the window of %s has %" PRIu64
			" bits, and the first %" PRIu64
			" of it cannot be compared, as they were sent before; make it longer",
			b->name, label, w->bits, w->settle_bits);
	}
	return st;
}

enum evl_status evl_plan_recorded(struct build *b, int at, const struct evl_bound_role *role,
	size_t index, bool play, struct evl_take_content *out, struct evl_err *err)
{
	lua_State *L = b->L;
	const struct evl_bound_channel *c = &role->channels[index];
	const char *direction = evl_plan_text(L, at, "direction");
	const char *from_role = evl_plan_text(L, at, "from_role");
	struct asked a = {.rec = evl_recording_of(b->r, L, at),
		.role = from_role != NULL ? from_role : role->name,
		.sent = direction != NULL ? strcmp(direction, "sent") == 0 : play};
	char name[EVL_REC_NAME_MAX], other[EVL_REC_NAME_MAX];
	uint32_t channel;
	a.number = number_there(L, at, &a, index, c->number, &a.numbered);
	enum evl_status st = index == 0 ? check_numbers(b, at, role, err) : EVL_OK;
	if (st < 0) {
		return st;
	}
	if (!find(&a, role, a.sent, name, &channel)) {
		return no_such_channel(b, &a, name, c->label, err);
	}
	const struct evl_rec_info *info = evl_rec_info(a.rec->reader, channel);
	if (info->channel.rate != c->rate) {
		return evl_err_set(err, EVL_E_INVALID,
			"take %s: %s is %s, but channel %s of recording \"%s\" is %s; replay it on "
			"a role of that rate",
			b->name, c->label, evl_rate_name(c->rate), name, a.rec->name,
			evl_rate_name(info->channel.rate));
	}
	out->kind = EVL_CONTENT_RECORDING;
	out->reader = a.rec->reader;
	out->reader_channel = channel;
	uint32_t pair[2] = {channel, channel};
	const struct evl_rec_info *both[2] = {NULL, NULL}; /* sent, received */
	for (int k = 0; k < 2; k++) {
		if (find(&a, role, k == 0, other, &pair[k]) &&
			evl_rec_info(a.rec->reader, pair[k])->channel.rate == c->rate) {
			both[k] = evl_rec_info(a.rec->reader, pair[k]);
		}
	}
	lua_getfield(L, at, "window");
	a.window = lua_istable(L, -1) ? lua_gettop(L) : 0;
	if (a.window != 0) {
		st = lay_window(b, &a, both, c->label, &out->window, err);
		if (st == EVL_OK && !play) {
			st = settle(b, &a, both[0] != NULL, pair[0], channel, c->label,
				&out->window, err);
		}
	}
	lua_pop(L, 1);
	const char *says = evl_plan_text(L, at, "says");
	snprintf(out->source, sizeof out->source, "recording %.40s, %.40s%s%.110s", a.rec->name,
		name, says != NULL && says[0] != '\0' ? ", " : "", says != NULL ? says : "");
	return st;
}

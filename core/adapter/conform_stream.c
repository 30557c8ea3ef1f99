/* SPDX-License-Identifier: Apache-2.0 */
/* Items of the conformance kit about takes: streams, events, injections. */
#include <stdlib.h>
#include <string.h>

#include "core/adapter/conform_kit.h"
#include "core/adapter/internal.h"
#include "core/base/rate.h"

#define TAKE        320u /* frames of a short take, 40 ms */
#define CLOCK_TAKE  1600u /* 0.2 s: 2.5 bytes of an E1 more or less */
#define CLOCK_PPB   50000 /* ITU-T G.703: E1 within 50 ppm */
#define EVENTS_MAX  65536u
#define INJECT_AT   80u /* frames after the start */
#define INJECT_LONG 400u
#define INJECT_TAKE 1600u /* frames: 0.2 s, for the unit to see it and see it gone */

/* Runs `frames` in slabs of `slab` frames and ends the take. */
static bool whole_take(struct conform_kit *k, struct conform_take *t, uint64_t at_ns,
		       uint32_t frames, uint32_t slab, uint8_t prefill)
{
	bool good = take_begin(k, t, at_ns);
	for (uint32_t done = 0; good && done < frames; done += slab) {
		good = take_step(k, t, slab, prefill);
	}
	return good && kit_wants_good(k, kit_stop(k, t->self), "stop");
}

void conform_takes(struct conform_kit *k)
{
	void *self;
	struct conform_take first = {0}, other = {0};
	kit_begin(k, "take.cycles", "take after take works in one instance");
	if (kit_opened(k, &self)) {
		for (unsigned i = 0; i < 3 && kit_passes(k); i++) {
			struct conform_take t;
			take_init(&t, k, self, SLAB);
			whole_take(k, &t, (uint64_t)i * (TAKE * EVL_FRAME_NS + 1000000), TAKE, SLAB,
				   0);
			take_finish(&t);
		}
		k->adapter->close(self);
	}
	kit_begin(k, "take.close-in-take", "close ends a take that is going on");
	if (kit_opened(k, &self)) {
		struct conform_take t;
		take_init(&t, k, self, SLAB);
		if (take_begin(k, &t, 0)) {
			take_step(k, &t, SLAB, 0);
		}
		take_finish(&t);
		k->adapter->close(self);
	}
	static const struct {
		const char *name, *rule;
		uint32_t slab;
		uint8_t prefill;
		int32_t ppb;
		uint32_t frames;
	} items[] = {
		{"take.same-seed", "the same seed gives the same bits, and all of rx is written",
			SLAB, 0xFF, 0, TAKE},
		{"take.slab-size", "the size of slabs does not change the bits", 8, 0x5A, 0, TAKE},
		{"clock.fast", "a fast clock is played, and the size of slabs changes nothing", 8,
			0x5A, CLOCK_PPB, CLOCK_TAKE},
		{"clock.slow", "a slow clock is played, and the size of slabs changes nothing", 8,
			0x5A, -CLOCK_PPB, CLOCK_TAKE}};
	for (unsigned i = 0; i < sizeof items / sizeof items[0]; i++) {
		kit_begin(k, items[i].name, items[i].rule);
		if (!k->virtual_time) {
			kit_skip(k, "only asked of adapters with virtual time");
			continue;
		}
		void *again;
		take_init(&first, k, NULL, SLAB);
		bool any = take_set_clock(&first, k, items[i].ppb) > 0;
		take_finish(&first);
		if (items[i].ppb != 0 && !any) {
			kit_skip(k, "no channel takes a clock offset");
			continue;
		}
		if (!kit_opened(k, &self)) {
			continue;
		}
		take_init(&first, k, self, SLAB);
		take_set_clock(&first, k, items[i].ppb);
		bool good = whole_take(k, &first, 0, items[i].frames, SLAB, 0);
		k->adapter->close(self);
		if (good && kit_opened(k, &again)) {
			take_init(&other, k, again, SLAB);
			take_set_clock(&other, k, items[i].ppb);
			if (whole_take(k, &other, 0, items[i].frames, items[i].slab,
				    items[i].prefill)) {
				take_same(k, &first, &other, "the second time");
			}
			k->adapter->close(again);
			take_finish(&other);
		}
		take_finish(&first);
	}
}

void conform_independent(struct conform_kit *k)
{
	kit_begin(k, "instances.independent",
		  "a second instance does not change what the first does");
	if (!k->virtual_time) {
		kit_skip(k, "only asked of adapters with virtual time");
		return;
	}
	void *alone = NULL, *a = NULL, *b = NULL;
	struct conform_take t0 = {0}, ta = {0}, tb = {0};
	if (kit_opened(k, &alone)) {
		take_init(&t0, k, alone, SLAB);
		whole_take(k, &t0, 0, TAKE, SLAB, 0);
		k->adapter->close(alone);
	}
	bool good =
		kit_passes(k) && kit_opened(k, &a) &&
		kit_wants_good(k, kit_open(k, &b, true, k->args->seed + 1, false), "second open");
	if (good) {
		take_init(&ta, k, a, SLAB);
		take_init(&tb, k, b, SLAB);
		good = take_begin(k, &tb, 0) && take_begin(k, &ta, 0);
		for (uint32_t done = 0; good && done < TAKE; done += SLAB) {
			good = take_step(k, &ta, SLAB, 0) && take_step(k, &tb, SLAB, 0);
		}
		good = good && take_same(k, &t0, &ta, "beside a second instance");
	}
	if (b) {
		k->adapter->close(b);
	}
	if (a) {
		if (good) {
			take_step(k, &ta, SLAB, 0); /* goes on after the other is closed */
		}
		k->adapter->close(a);
	}
	take_finish(&t0);
	take_finish(&ta);
	take_finish(&tb);
}

struct seen {
	uint32_t channel, alarm;
	uint64_t from_ns;
	bool raised, cleared;
};

/* Polls with little room until nothing is left; false when the item failed. */
static bool drain(struct conform_kit *k, void *self, uint64_t until_ns, struct seen *seen)
{
	for (uint32_t rounds = 0; rounds < EVENTS_MAX; rounds++) {
		struct evl_event e[3];
		memset(e, 0, sizeof e);
		uint32_t n = UINT32_MAX;
		if (!kit_wants_good(k, kit_poll(k, self, e, 2, &n), "poll")) {
			return false;
		}
		const struct evl_event nothing = {0};
		if (n > 2 || memcmp(&e[2], &nothing, sizeof nothing) != 0) {
			return kit_fail(k, "poll: more than the room for 2 events (count %u)",
					(unsigned)n);
		}
		for (uint32_t i = 0; i < n; i++) {
			const char *problem = evl_event_problem(&e[i], k->channel_count,
								i ? e[i - 1].at_ns : 0, until_ns);
			if (problem) {
				return kit_fail(k, "poll: an event of alarm %u: %s",
						(unsigned)e[i].alarm, problem);
			}
			if (e[i].channel == seen->channel && e[i].alarm == seen->alarm &&
			    e[i].at_ns >= seen->from_ns) {
				seen->raised = seen->raised || e[i].raised;
				seen->cleared = seen->cleared || (seen->raised && !e[i].raised);
			}
		}
		if (n < 2) {
			n = UINT32_MAX;
			return kit_wants_good(k, kit_poll(k, self, e, 2, &n), "poll") &&
			       (n == 0 || kit_fail(k,
						   "poll gave fewer than there was room for, and "
						   "then %u more",
						   (unsigned)n));
		}
	}
	return kit_fail(k, "poll never ends");
}

void conform_poll(struct conform_kit *k)
{
	void *self;
	kit_begin(k, "poll.drains",
		  "poll forgets what it gave; events are in order and in the past");
	if (!kit_opened(k, &self)) {
		return;
	}
	struct conform_take t;
	struct seen seen = {.channel = UINT32_MAX};
	take_init(&t, k, self, SLAB);
	if (drain(k, self, k->virtual_time ? 0 : UINT64_MAX, &seen) && take_begin(k, &t, 0)) {
		bool good = true;
		for (uint32_t done = 0; good && done < TAKE; done += SLAB) {
			good = take_step(k, &t, SLAB, 0) &&
			       drain(k, self,
				     k->virtual_time ? t.frames * EVL_FRAME_NS : UINT64_MAX, &seen);
		}
		if (good && kit_wants_good(k, kit_stop(k, self), "stop")) {
			drain(k, self, UINT64_MAX, &seen);
		}
	}
	take_finish(&t);
	k->adapter->close(self);
}

static uint32_t find_able(const struct conform_kit *k, uint32_t abilities)
{
	for (uint32_t c = 0; c < k->channel_count; c++) {
		if ((k->channels[c].abilities & abilities) == abilities) {
			return c;
		}
	}
	return UINT32_MAX;
}

void conform_inject(struct conform_kit *k)
{
	static const struct {
		const char *name, *rule;
	} items[] = {{"inject.refused", "no such channel, kind or ratio: refused"},
		     {"inject.alarm", "an injected LOS is reported as raised, then as cleared"},
		     {"inject.dropped", "stop drops what has not begun"}};
	uint32_t channel = find_able(k, EVL_CH_INJECT);
	uint32_t seeing = find_able(k, EVL_CH_INJECT | EVL_CH_ALARMS);
	for (unsigned i = 0; i < 3; i++) {
		void *self;
		kit_begin(k, items[i].name, items[i].rule);
		if (channel == UINT32_MAX || (i > 0 && seeing == UINT32_MAX)) {
			kit_skip(k, i ? "no channel both injects and reports alarms"
				      : "no channel injects");
			continue;
		}
		if (i > 0 && !k->virtual_time) {
			kit_skip(k, "only asked of adapters with virtual time");
			continue;
		}
		if (!kit_opened(k, &self)) {
			continue;
		}
		struct conform_take t;
		take_init(&t, k, self, SLAB);
		struct evl_inject what = {.version = 1,
					  .kind = EVL_INJECT_ALARM,
					  .channel = i ? seeing : channel,
					  .alarm = EVL_ABI_LOS,
					  .at_ns = INJECT_AT * EVL_FRAME_NS,
					  .duration_ns = INJECT_LONG * EVL_FRAME_NS};
		struct seen seen = {
			.channel = what.channel, .alarm = EVL_ABI_LOS, .from_ns = what.at_ns};
		if (i == 0) {
			struct evl_inject bad = what;
			bad.channel = k->channel_count;
			kit_wants_refused(k, kit_inject(k, self, &bad), 0,
					  "a channel that is not there");
			bad = what;
			bad.kind = 99;
			kit_wants_refused(k, kit_inject(k, self, &bad), 0, "an unknown kind");
			bad.kind = EVL_INJECT_ERRORS;
			bad.numerator = 1;
			bad.denominator = 0;
			kit_wants_refused(k, kit_inject(k, self, &bad), 0, "the error ratio 1 / 0");
		} else if (i == 1) {
			int code = EVL_ADAPTER_OK;
			bool good = take_begin(k, &t, 0);
			if (good) {
				code = kit_inject(k, self, &what);
			}
			if (code == EVL_ADAPTER_E_UNSUPPORTED) {
				kit_skip(k, "the adapter does not inject LOS there");
				good = false;
			}
			good = good && kit_wants_good(k, code, "inject");
			for (uint32_t done = 0; good && done < INJECT_TAKE; done += SLAB) {
				good = take_step(k, &t, SLAB, 0) &&
				       drain(k, self, t.frames * EVL_FRAME_NS, &seen);
			}
			if (good && !seen.raised) {
				kit_fail(k, "channel %s reported no LOS within %u ms",
					 k->channels[what.channel].name, INJECT_TAKE / 8);
			} else if (good && !seen.cleared) {
				kit_fail(k, "channel %s did not report the end of LOS",
					 k->channels[what.channel].name);
			}
		} else {
			bool good = take_begin(k, &t, 0);
			int code = good ? kit_inject(k, self, &what) : 0;
			if (code == EVL_ADAPTER_E_UNSUPPORTED) {
				kit_skip(k, "the adapter does not inject LOS there");
				good = false;
			}
			good = good && kit_wants_good(k, code, "inject") &&
			       take_step(k, &t, SLAB, 0) &&
			       kit_wants_good(k, kit_stop(k, self), "stop") &&
			       whole_take(k, &t, SLAB * EVL_FRAME_NS, TAKE, SLAB, 0) &&
			       drain(k, self, UINT64_MAX, &seen);
			if (good && seen.raised) {
				kit_fail(k, "LOS came in the next take");
			}
		}
		take_finish(&t);
		k->adapter->close(self);
	}
}

/* SPDX-License-Identifier: Apache-2.0 */
/* What a network does, in words for people: the description of a stream in store and report. */
#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "core/base/text.h"
#include "core/engine/network.h"

/* Exact, in the largest unit of which it is a multiple of a thousandth. */
static void add_time(struct evl_text *t, uint64_t ns)
{
	static const struct {
		const char *unit;
		uint64_t ns;
	} units[] = {{"s", 1000000000u}, {"ms", 1000000u}, {"us", 1000u}, {"ns", 1u}};
	size_t i = 0;
	while (ns > 0 && i + 1 < sizeof units / sizeof *units &&
		(ns < units[i].ns || ns % (units[i].ns / 1000) != 0)) {
		i++;
	}
	const uint64_t rest = ns % units[i].ns * 1000 / units[i].ns % 1000; /* it is below 1000 */
	char tail[8] = "";
	if (rest > 0) {
		snprintf(tail, sizeof tail, ".%03u", (unsigned)rest);
		for (size_t n = strlen(tail); n > 1 && tail[n - 1] == '0'; n--) {
			tail[n - 1] = '\0';
		}
	}
	evl_text_addf(t, "%" PRIu64 "%s %s", ns / units[i].ns, tail, units[i].unit);
}

static double ratio(uint64_t numerator, uint64_t denominator)
{
	return (double)numerator / (double)denominator;
}

static void add_event(struct evl_text *t, const struct evl_network_event *e)
{
	switch (e->kind) {
	case EVL_NETWORK_DELAY:
		evl_text_add(t, "delay ");
		add_time(t, (uint64_t)e->delay_frames * EVL_FRAME_NS);
		break;
	case EVL_NETWORK_SLIP:
		evl_text_addf(t, "slip %+" PRId64 " bits", e->slip_bits);
		break;
	case EVL_NETWORK_ERRORS:
		evl_text_addf(t, "errors %.6g", ratio(e->numerator, e->denominator));
		break;
	case EVL_NETWORK_BURST:
		evl_text_addf(t, "burst %.6g", ratio(e->numerator, e->denominator));
		break;
	case EVL_NETWORK_INVERT:
		evl_text_add(t, "inverted");
		break;
	case EVL_NETWORK_BIT:
		evl_text_add(t, "one bit");
		break;
	case EVL_NETWORK_ALARM:
		evl_text_add(t, evl_alarm_name(e->alarm));
		break;
	}
	evl_text_add(t, " at ");
	add_time(t, e->at_ns);
	if (e->lasting_ns > 0) {
		evl_text_add(t, " for ");
		add_time(t, e->lasting_ns);
	}
	if (e->every_ns > 0) {
		evl_text_add(t, " every ");
		add_time(t, e->every_ns);
		if (e->times > 0) {
			evl_text_addf(t, " %" PRIu64 " times", e->times);
		}
	}
	if (e->jitter_frames > 0) {
		evl_text_add(t, " and up to ");
		add_time(t, e->jitter_frames * EVL_FRAME_NS);
		evl_text_add(t, " later");
	}
}

void evl_network_text(char *out, size_t cap, const struct evl_network_plan *plan)
{
	char more[24];
	struct evl_text t = {0}, one = {0};
	evl_text_add(&t, "delay ");
	add_time(&t, (uint64_t)plan->delay_frames * EVL_FRAME_NS);
	if (plan->numerator > 0) {
		evl_text_addf(&t, ", errors %.6g", ratio(plan->numerator, plan->denominator));
	}
	for (uint32_t i = 0; i < plan->event_count; i++) {
		one.len = 0;
		evl_text_add(&one, ", ");
		add_event(&one, &plan->events[i]);
		if (t.len + one.len + sizeof more > cap) {
			snprintf(more, sizeof more, " and %u more", plan->event_count - i);
			evl_text_add(&t, more);
			break;
		}
		evl_text_add(&t, evl_text_str(&one));
	}
	snprintf(out, cap, "%s", evl_text_str(&t));
	evl_text_finish(&t);
	evl_text_finish(&one);
}

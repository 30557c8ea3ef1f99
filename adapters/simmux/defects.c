/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/defects.h"

/* Queues a change of what the host is told, with what was planted into the telling. */
static void tell(
	struct simmux_defects *d, uint32_t channel, uint32_t alarm, bool raised, uint64_t at_ns)
{
	const struct simmux_report *how = d->planted != NULL ? &d->planted[channel][alarm] : NULL;
	uint32_t i = d->count;

	if (how != NULL && (how->hidden || (how->stuck && !raised))) {
		return;
	}
	if (((d->reported[channel] >> alarm & 1u) != 0) == raised) {
		return;
	}
	at_ns += how != NULL ? how->late_ns : 0;
	d->reported[channel] ^= 1u << alarm;
	if (d->count == SIMMUX_EVENTS) {
		d->lost++;
		return;
	}
	/* The decoder reports by layer within one frame: a later report may have an earlier
	 * instant. */
	for (; i > 0; i--) {
		struct evl_event *before = &d->queue[(d->head + i - 1) % SIMMUX_EVENTS];

		if (before->at_ns <= at_ns) {
			break;
		}
		d->queue[(d->head + i) % SIMMUX_EVENTS] = *before;
	}
	d->queue[(d->head + i) % SIMMUX_EVENTS] = (struct evl_event){
		.version = 1, .channel = channel, .alarm = alarm, .raised = raised, .at_ns = at_ns};
	d->count++;
}

void simmux_defects_set(
	struct simmux_defects *d, uint32_t channel, uint32_t alarm, uint32_t places, uint64_t at_ns)
{
	d->present[channel][alarm] = (uint8_t)places;
	tell(d, channel, alarm, places > 0, at_ns);
}

void simmux_defects_change(
	struct simmux_defects *d, uint32_t channel, uint32_t alarm, bool raised, uint64_t at_ns)
{
	uint32_t places = d->present[channel][alarm];

	simmux_defects_set(d, channel, alarm, raised ? places + 1 : places - (places > 0), at_ns);
}

void simmux_defects_note(
	struct simmux_defects *d, uint32_t channel, uint32_t alarm, bool raised, uint64_t at_ns)
{
	simmux_defects_set(d, channel, alarm, raised ? 1 : 0, at_ns);
}

bool simmux_defects_take(struct simmux_defects *d, uint64_t until_ns, struct evl_event *out)
{
	if (d->count == 0 || d->queue[d->head].at_ns > until_ns) {
		return false;
	}
	*out = d->queue[d->head];
	d->head = (d->head + 1) % SIMMUX_EVENTS;
	d->count--;
	return true;
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/defects.h"

void simmux_defects_note(struct simmux_defects *d, uint32_t channel, uint32_t alarm, bool raised,
			 uint64_t at_ns)
{
	uint32_t i = d->count;

	if (((d->present[channel] >> alarm & 1u) != 0) == raised) {
		return;
	}
	d->present[channel] ^= 1u << alarm;
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

bool simmux_defects_take(struct simmux_defects *d, struct evl_event *out)
{
	if (d->count == 0) {
		return false;
	}
	*out = d->queue[d->head];
	d->head = (d->head + 1) % SIMMUX_EVENTS;
	d->count--;
	return true;
}

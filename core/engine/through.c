/* SPDX-License-Identifier: Apache-2.0 */
/* Networks between what channels play and the adapters. */
#include "core/engine/internal.h"

enum evl_status evl_through_prepare(const struct take *t, struct part *p, struct evl_err *err)
{
	const struct evl_take_part *plan = p->plan;
	if (plan->network == NULL) {
		return EVL_OK;
	}
	evl_require(plan->play);
	const size_t room = evl_slab_room((uint32_t)p->slab_bytes);
	const uint64_t bits =
		(evl_pace_bytes(p->bound->rate, p->clock_ppb, t->frames_all) + EVL_SLAB_SLACK) * 8;
	if (evl_network_create(&p->network, plan->network, plan->channel, p->bound->rate,
		    p->framed_tx != NULL, bits, room, err) < 0) {
		return evl_err_prefix(
			err, "take %s: network of %s", t->plan->name, p->bound->label);
	}
	if (p->framed_tx != NULL) {
		p->framed_tx->network = p->network;
		/* The frames before the first slab; p->tx serves as room. */
		const size_t piece = evl_rate_bytes(p->bound->rate, EVL_SLAB_FRAMES_MIN);
		for (uint32_t left = evl_network_history_frames(p->network); left > 0;
			left -= EVL_SLAB_FRAMES_MIN) {
			evl_framed_tx_fill(p->framed_tx, NULL, p->tx, piece);
			evl_network_prime(p->network, p->tx, piece);
		}
	}
	if (plan->played.kind == EVL_CONTENT_RECORDING || plan->record_sent) {
		p->source_digest = evl_stream_digest_create();
	}
	return EVL_OK;
}

void evl_through_start(struct take *t)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		if (t->parts[i].network != NULL) {
			evl_network_start(t->parts[i].network);
		}
	}
}

void evl_through_pass(const struct take *t, struct part *p, size_t bytes)
{
	if (p->network == NULL) {
		return;
	}
	if (p->source_digest != NULL && !t->in_lead_in) {
		evl_stream_digest_update(p->source_digest, p->sent_bits, p->tx, bytes);
	}
	evl_network_pass(p->network, p->tx, bytes);
}

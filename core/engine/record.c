/* SPDX-License-Identifier: Apache-2.0 */
/* What a take keeps: its recording, and the digests of streams that are not recorded. */
#include <stdio.h>
#include <stdlib.h>

#include "core/engine/internal.h"

void evl_take_record_name(char *out, size_t cap, const struct evl_bound_role *role,
	const struct evl_bound_channel *channel, bool sent)
{
	if (role->channel_count > 1) {
		snprintf(out, cap, "%s-%u.%s", role->name, channel->number,
			sent ? "sent" : "received");
	} else {
		snprintf(out, cap, "%s.%s", role->name, sent ? "sent" : "received");
	}
}

enum evl_status evl_record_begin(struct take *t, struct evl_err *err)
{
	if (t->plan->record_path == NULL) {
		return EVL_OK;
	}
	uint32_t n = 0;
	struct evl_rec_channel *list = evl_xcalloc((size_t)t->plan->part_count * 2, sizeof *list);
	char(*names)[EVL_REC_NAME_MAX] =
		evl_xcalloc((size_t)t->plan->part_count * 2, sizeof *names);
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		for (int sent = 1; sent >= 0; sent--) {
			if (!(sent ? p->plan->record_sent : p->plan->record_received)) {
				continue;
			}
			evl_take_record_name(names[n], sizeof names[n],
				evl_binding_role(t->engine->args.binding, p->bound->role), p->bound,
				sent);
			list[n] = (struct evl_rec_channel){.name = names[n],
				.rate = p->bound->rate,
				.direction = sent ? EVL_REC_SENT : EVL_REC_RECEIVED,
				.start_ns = t->start_ns,
				.clock_ppb = sent ? p->clock_ppb : 0};
			*(sent ? &p->record_sent : &p->record_received) = (int32_t)n++;
		}
	}
	enum evl_status st = evl_rec_writer_create(
		&t->writer, t->plan->record_path, list, n, t->plan->record_meta, err);
	free(names);
	free(list);
	return st;
}

enum evl_status evl_record_slab(struct take *t, struct evl_err *err)
{
	for (uint32_t i = 0; i < t->plan->part_count; i++) {
		struct part *p = &t->parts[i];
		/* A channel that is recorded gets its digest from the recording. */
		if (p->sent_digest != NULL) {
			evl_stream_digest_update(p->sent_digest, p->sent_bits, p->tx, p->tx_bytes);
		}
		if (p->received_digest != NULL) {
			evl_stream_digest_update(
				p->received_digest, p->received_bits, p->rx, p->rx_bytes);
		}
		enum evl_status st = EVL_OK;
		if (p->record_sent >= 0) {
			st = evl_rec_write(t->writer, (uint32_t)p->record_sent, p->sent_bits, p->tx,
				p->tx_bytes, 0, err);
		}
		if (st == EVL_OK && p->record_received >= 0) {
			st = evl_rec_write(t->writer, (uint32_t)p->record_received,
				p->received_bits, p->rx, p->rx_bytes, p->rec_flags, err);
		}
		if (st < 0) {
			return st;
		}
	}
	return EVL_OK;
}

enum evl_status evl_record_finish(struct take *t, enum evl_status so_far, struct evl_err *err)
{
	if (t->writer == NULL) {
		return so_far;
	}
	struct evl_rec_writer *w = t->writer;
	t->writer = NULL;
	if (so_far < 0) {
		evl_rec_abandon(w); /* what is there stays readable, and is marked unfinished */
		return so_far;
	}
	struct evl_rec_totals totals;
	uint8_t(*digests)[EVL_SHA256_BYTES] =
		evl_xcalloc((size_t)t->plan->part_count * 2, sizeof *digests);
	enum evl_status st = evl_rec_finish(w, digests, &totals, err);
	t->record_digests = digests;
	if (st == EVL_OK) {
		evl_hex(totals.file_sha256, sizeof totals.file_sha256, t->result->record_sha256);
		t->result->record_bytes = totals.file_bytes;
	}
	return st;
}

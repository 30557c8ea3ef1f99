/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/elastic.h"

#include <stdlib.h>
#include <string.h>

#include "adapters/simmux/parts.h"

#define BATCHES 4u /* that a queue holds; at most 3 are used */

/* Bytes of a batch of a port at most: a tributary by its own clock, whole containers. */
static uint32_t batch_room(const struct simmux_unit *u, uint32_t c)
{
	return simmux_is_bulk(&u->ports->list[c])
		       ? simmux_unit_nominal(u, c) / SIMMUX_CHUNK_FRAMES * (SIMMUX_CHUNK_FRAMES + 2)
		       : simmux_unit_most(u, c);
}

bool simmux_elastic_create(struct simmux_unit *u)
{
	bool good = true;

	for (uint32_t c = 0; good && c < u->ports->first[SIMMUX_LINE]; c++) {
		struct simmux_elastic_port *p = &u->trib[c].elastic;

		p->in = malloc((size_t)BATCHES * batch_room(u, c));
		p->out = malloc((size_t)BATCHES * batch_room(u, c));
		good = p->in != NULL && p->out != NULL;
	}
	for (uint32_t n = 0; good && n < u->ports->lines; n++) {
		struct simmux_elastic *e = &u->elastic[n];
		const size_t bytes =
			simmux_unit_most(u, simmux_line_channel(u->ports, n)) * (size_t)BATCHES;

		e->out = malloc(bytes);
		e->in = malloc(bytes);
		good = e->out != NULL && e->in != NULL;
	}
	return good;
}

void simmux_elastic_destroy(struct simmux_unit *u)
{
	for (uint32_t c = 0; c < SIMMUX_CHANNELS; c++) {
		free(u->trib[c].elastic.in);
		free(u->trib[c].elastic.out);
	}
	for (uint32_t n = 0; n < SIMMUX_LINES; n++) {
		free(u->elastic[n].out);
		free(u->elastic[n].in);
	}
}

void simmux_elastic_start(struct simmux_unit *u)
{
	for (uint32_t c = 0; c < u->ports->first[SIMMUX_LINE]; c++) {
		struct simmux_elastic_port *p = &u->trib[c].elastic;

		p->in_bytes = p->out_bytes = p->fresh = p->taken = p->last = 0;
	}
	for (uint32_t n = 0; n < u->ports->lines; n++) {
		struct simmux_elastic *e = &u->elastic[n];

		e->chunks = e->batches = e->given = 0;
		e->out_bytes = e->in_bytes = 0;
	}
}

/* ---- towards the line ---- */

static void append(uint8_t *queue, uint32_t *have, const uint8_t *data, uint32_t bytes)
{
	if (data != NULL) {
		memcpy(queue + *have, data, bytes);
	} else {
		memset(queue + *have, 0xff, bytes);
	}
	*have += bytes;
}

static void drop(uint8_t *queue, uint32_t *have, uint32_t bytes)
{
	*have -= bytes;
	memmove(queue, queue + bytes, *have);
}

/* A batch that begins `part` (1e9: all) of a chunk after the chunk did takes what came until then
 * and was not taken yet. */
static void make_batch(struct simmux_unit *u, struct simmux_line *l, uint32_t part)
{
	struct simmux_elastic *e = &u->elastic[l->index];
	uint32_t take[EVL_SDH_MOST_CLIENTS];

	for (uint32_t i = 0; i < l->clients; i++) {
		const int32_t c = l->port_of[i];
		struct simmux_elastic_port *p = c >= 0 ? &u->trib[c].elastic : NULL;
		uint32_t least, most, came;

		take[i] = 0;
		l->data[i] = NULL;
		if (p == NULL) {
			continue;
		}
		came = (uint32_t)((uint64_t)p->fresh * part / 1000000000u);
		take[i] = p->in_bytes - (p->fresh - p->taken);
		take[i] += came > p->taken ? came - p->taken : 0;
		evl_sdh_limits(&l->client[i], SIMMUX_CHUNK_FRAMES, &least, &most);
		/* The first batch begins with the start: nothing came yet. */
		if (take[i] >= least && take[i] <= most && take[i] > 0) {
			l->data[i] = p->in;
			l->bytes[i] = take[i];
		}
	}
	evl_require(evl_sdh_encode(l->tx, l->data, l->bytes, SIMMUX_CHUNK_FRAMES,
			    e->out + e->out_bytes, NULL) == EVL_OK);
	e->out_bytes += l->chunk_bytes;
	e->batches++;
	for (uint32_t i = 0; i < l->clients; i++) {
		if (l->port_of[i] >= 0) {
			struct simmux_elastic_port *p = &u->trib[l->port_of[i]].elastic;
			uint32_t old = p->in_bytes - (p->fresh - p->taken);

			drop(p->in, &p->in_bytes, take[i]);
			p->taken += take[i] > old ? take[i] - old : 0;
		}
	}
}

/* How far into chunk `chunk` a batch begins, in 1e-9 of it; 1e9: later. A batch lasts 1e9 / (1e9 +
 * ppb) chunks. */
static uint32_t begin_of(uint64_t number, uint64_t chunk, int32_t ppb)
{
	const uint64_t rate = (uint64_t)(1000000000 + ppb);
	const uint64_t at = number * 1000000000u; /* fits for 200 days */

	return at / rate < chunk   ? 0
	       : at / rate > chunk ? 1000000000u
				   : (uint32_t)(at % rate * 1000000000u / rate);
}

uint32_t simmux_elastic_encode(
	struct simmux_unit *u, struct simmux_line *l, struct simmux_io *io, uint8_t *line)
{
	struct simmux_elastic *e = &u->elastic[l->index];
	const int32_t ppb = u->options->line_ppb;
	const uint64_t until = evl_clock_bytes((e->chunks + 1) * l->chunk_bytes, ppb);
	const uint32_t bytes = (uint32_t)(until - e->given);

	for (uint32_t i = 0; i < l->clients; i++) {
		const int32_t c = l->port_of[i];

		if (c >= 0) {
			struct simmux_elastic_port *p = &u->trib[c].elastic;

			p->fresh = io[c].tx_bytes;
			p->taken = 0;
			append(p->in, &p->in_bytes, l->data[i], io[c].tx_bytes);
		}
	}
	while (e->out_bytes < bytes) {
		make_batch(u, l, begin_of(e->batches, e->chunks, ppb));
	}
	memcpy(line, e->out, bytes);
	drop(e->out, &e->out_bytes, bytes);
	e->given = until;
	return bytes;
}

/* ---- from the line ---- */

static void take_batch(
	struct simmux_unit *u, struct simmux_line *l, const struct evl_sdh_events *events)
{
	struct simmux_elastic *e = &u->elastic[l->index];

	for (uint32_t i = 0; i < l->clients; i++) {
		const int32_t c = l->port_of[i];

		l->out[i] = NULL;
		if (c >= 0) {
			struct simmux_elastic_port *p = &u->trib[c].elastic;

			l->out[i] = p->out + p->out_bytes;
		}
	}
	evl_sdh_decode(l->rx, e->in, SIMMUX_CHUNK_FRAMES, l->out, l->out_bytes, events);
	for (uint32_t i = 0; i < l->clients; i++) {
		if (l->port_of[i] >= 0) {
			struct simmux_elastic_port *p = &u->trib[l->port_of[i]].elastic;

			p->last = l->out_bytes[i];
			p->out_bytes += p->last;
		}
	}
	drop(e->in, &e->in_bytes, l->chunk_bytes);
}

void simmux_elastic_decode(
	struct simmux_unit *u, struct simmux_line *l, const uint8_t *line, uint32_t bytes)
{
	struct simmux_hearer hearer = {u, l};
	const struct evl_sdh_events events = {simmux_on_defect, &hearer};
	struct simmux_elastic *e = &u->elastic[l->index];

	append(e->in, &e->in_bytes, line, bytes);
	while (e->in_bytes >= l->chunk_bytes) {
		take_batch(u, l, &events);
	}
	/* Of the last batch so much is due as of the next has come, in whole containers. */
	for (uint32_t i = 0; i < l->clients; i++) {
		const int32_t c = l->port_of[i];
		struct simmux_elastic_port *p = c >= 0 ? &u->trib[c].elastic : NULL;
		uint32_t kept, one = 1;

		l->out_bytes[i] = 0;
		if (p == NULL) {
			continue;
		}
		if (simmux_is_bulk(&u->ports->list[c])) {
			one = simmux_unit_nominal(u, (uint32_t)c) / SIMMUX_CHUNK_FRAMES;
		}
		kept = p->last -
		       (uint32_t)((uint64_t)(p->last / one) * e->in_bytes / l->chunk_bytes) * one;
		l->out_bytes[i] = p->out_bytes > kept ? p->out_bytes - kept : 0;
	}
	e->chunks++;
}

void simmux_elastic_collect(struct simmux_unit *u, struct simmux_io *io)
{
	for (uint32_t c = 0; c < u->ports->first[SIMMUX_LINE]; c++) {
		struct simmux_trib *t = &u->trib[c];
		struct simmux_elastic_port *p = &u->trib[t->source].elastic;
		const struct simmux_port *from = &u->ports->list[t->source];
		const int32_t client = u->trib[t->source].client;
		uint32_t n = client >= 0 ? u->line[from->line]->out_bytes[client] : 0;
		uint8_t *to = simmux_is_bulk(from) ? t->out + t->waiting
			      : io[c].rx != NULL   ? io[c].rx
						   : t->out;

		if (n > 0) {
			memcpy(to, p->out, n);
			drop(p->out, &p->out_bytes, n);
		}
	}
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/sdh_tx.h"

#include <stdlib.h>
#include <string.h>

#include "core/frame/interleave.h"
#include "core/frame/prefetch.h"

#define AU_POINTER   522 /* J1 at row 1, first column of the payload */
#define TU12_POINTER 105 /* V5 after V1 */
#define TU11_POINTER 78
#define TU3_POINTER  0
#define Y_BYTE       0x93 /* 1001SS11 with SS = 00 */
#define C2_BULK_VC3  0x04 /* 34 or 44 Mbit/s, asynchronous */

/* ---- building ---- */

static void path_init(struct evl_sdh_tx *tx, struct sdh_tx_path *p, uint32_t aug, uint32_t k,
	uint32_t hold, const struct evl_au_shape *shape)
{
	p->tx = tx;
	p->exists = true;
	p->hold = (uint8_t)hold;
	p->aug = (uint8_t)aug;
	p->k = (uint8_t)k;
	p->client = -1;
	p->columns = shape->columns;
	p->c2 = hold == EVL_SDH_TUG                                  ? EVL_C2_TUG
		: hold == EVL_SDH_EMPTY                              ? EVL_C2_UNEQUIPPED
		: shape == &evl_au3_shape || shape == &evl_tu3_shape ? C2_BULK_VC3
								     : EVL_C2_EQUIPPED;
	(void)evl_trace_set(&p->trace, EVL_TRACE_16, "evenlode", NULL);
	evl_au_tx_init(&p->au, shape, shape == &evl_tu3_shape ? TU3_POINTER : AU_POINTER);
	if (tx->map.sonet && shape != &evl_tu3_shape) {
		p->au.ptr.ss = 0;
	}
}

static enum evl_vc1_mode mode_of(uint32_t kind, bool tu11)
{
	switch (kind) {
	case EVL_SDH_T1:
		return tu11 ? EVL_VC1_T1_ASYNC : EVL_VC1_T1_ASYNC_TU12;
	case EVL_SDH_T1_BYTE:
		return tu11 ? EVL_VC1_T1_BYTE : EVL_VC1_T1_BYTE_TU12;
	case EVL_SDH_E1_BYTE:
		return EVL_VC1_E1_BYTE;
	default:
		return tu11 ? EVL_VC1_T1_ASYNC : EVL_VC1_E1_ASYNC;
	}
}

/* The TUs of one path, parts `first` to `last`; rows of the block as columns.h counts them. */
static void add_tus(struct evl_sdh_tx *tx, struct sdh_tx_path *p, uint32_t first, uint32_t last)
{
	const struct evl_sdh_aug *aug = &tx->map.aug[p->aug];
	const uint32_t wide = last - first + 1; /* TUG-3s that are interleaved */
	uint8_t *mask = tx->mask[p - tx->high];
	p->tu_first = (uint16_t)tx->tus;
	for (uint32_t i = 0; i < 28 * wide; i++) {
		uint32_t k = first + i % wide, l = i / wide % EVL_SDH_TUG2S, m = i / (7 * wide);
		const struct evl_sdh_part *part = &aug->part[k];
		const struct evl_sdh_tug2 *g = &part->tug2[l];
		if (part->hold != EVL_SDH_TUG || (!g->tu11 && m == 3)) {
			continue;
		}
		struct sdh_tx_tu *t = &tx->tu[tx->tus++];
		t->row = (uint8_t)i;
		t->tu11 = g->tu11;
		t->client = -1;
		p->any11 |= g->tu11;
		p->any12 |= !g->tu11;
		evl_tu1_tx_init(&t->tu, mode_of(g->kind[m], g->tu11),
			g->tu11 ? TU11_POINTER : TU12_POINTER, 0);
		(void)evl_trace_set(&t->trace, EVL_TRACE_16, "evenlode", NULL);
		memcpy(t->tu.vc.j2, t->trace.bytes, EVL_TRACE_16);
		if (g->kind[m] == EVL_SDH_NONE) {
			t->tu.vc.label = EVL_LABEL_UNEQUIPPED;
		}
		uint32_t at = wide == 3 ? EVL_TU12_FIRST : 0;
		for (uint32_t x = 0; g->tu11 && x < 3; x++) {
			mask[at + i + 28 * wide * x] = 0xff;
		}
	}
	p->take11 = mask;
	p->tu_count = (uint16_t)(tx->tus - p->tu_first);
}

static void add_aug(struct evl_sdh_tx *tx, uint32_t a)
{
	const struct evl_sdh_aug *aug = &tx->map.aug[a];
	struct sdh_tx_path *high = &tx->high[3 * a];
	if (aug->au == EVL_SDH_AU3) {
		for (uint32_t k = 0; k < EVL_SDH_PARTS; k++) {
			path_init(tx, &high[k], a, k, aug->part[k].hold, &evl_au3_shape);
			if (aug->part[k].hold == EVL_SDH_TUG) {
				add_tus(tx, &high[k], k, k);
			}
		}
		return;
	}
	path_init(tx, high, a, 0, aug->hold,
		aug->au == EVL_SDH_AU4 ? &evl_au4_shape : &evl_au4_4c_shape);
	for (uint32_t k = 0; aug->hold == EVL_SDH_TUG && k < EVL_SDH_PARTS; k++) {
		if (aug->part[k].hold == EVL_SDH_BULK) {
			path_init(tx, &tx->tu3[3 * a + k], a, k, EVL_SDH_BULK, &evl_tu3_shape);
		}
	}
	if (aug->hold == EVL_SDH_TUG) {
		add_tus(tx, high, 0, EVL_SDH_PARTS - 1);
	}
}

/* Index of the queue of a bulk client. */
static uint32_t queue_of(const struct evl_sdh_client *c)
{
	return 3u * (c->aug - 1u) + (c->k > 0 ? c->k - 1u : 0);
}

struct sdh_queue *sdh_tx_queue(struct evl_sdh_tx *tx, uint32_t client)
{
	return &tx->queue[queue_of(&tx->client[client])];
}

static void connect(struct evl_sdh_tx *tx, uint8_t *memory)
{
	for (uint32_t i = 0; i < tx->clients; i++) {
		const struct evl_sdh_client *c = &tx->client[i];
		tx->tu_of[i] = -1;
		if (c->kind >= EVL_SDH_VC3) {
			uint32_t q = queue_of(c);
			bool tu3 = tx->tu3[q].exists;
			(tu3 ? &tx->tu3[q] : &tx->high[c->high])->client = (int32_t)i;
			tx->queue[q].bytes = memory;
			tx->queue[q].size = SDH_QUEUE * c->frame_bits / 8;
			memory += tx->queue[q].size;
			continue;
		}
		const struct sdh_tx_path *p = &tx->high[c->high];
		bool au3 = p->columns == EVL_VC3_COLUMNS;
		uint32_t row = au3 ? (uint32_t)(c->l - 1 + 7 * (c->m - 1))
				   : (uint32_t)(c->k - 1 + 3 * (c->l - 1) + 21 * (c->m - 1));
		for (uint32_t t = p->tu_first; t < (uint32_t)p->tu_first + p->tu_count; t++) {
			if (tx->tu[t].row == row && tx->tu[t].tu11 == c->tu11) {
				tx->tu_of[i] = (int16_t)t;
				tx->tu[t].client = (int16_t)i;
			}
		}
	}
}

enum evl_status evl_sdh_tx_create(
	struct evl_sdh_tx **out, const struct evl_sdh_map *map, struct evl_err *err)
{
	struct evl_sdh_client list[EVL_SDH_MOST_CLIENTS];
	enum evl_status status = evl_sdh_map_check(map, err);
	if (status != EVL_OK) {
		return status;
	}
	size_t tus = (size_t)map->stm * EVL_SDH_MOST_TUS, queues = 0;
	uint32_t clients = evl_sdh_map_clients(map, list);
	for (uint32_t i = 0; i < clients; i++) {
		queues += list[i].kind >= EVL_SDH_VC3 ? SDH_QUEUE * list[i].frame_bits / 8 : 0;
	}
	size_t size = sizeof(struct evl_sdh_tx) + tus * sizeof(struct sdh_tx_tu) + queues;
	struct evl_sdh_tx *tx = calloc(1, size);
	if (tx == NULL) {
		return evl_err_set(
			err, EVL_E_NOMEM, "no memory for an SDH encoder (%zu bytes)", size);
	}
	tx->map = *map;
	tx->n = map->stm;
	tx->tu = (struct sdh_tx_tu *)(tx + 1);
	tx->clients = clients;
	memcpy(tx->client, list, sizeof(list[0]) * clients);
	evl_stm_tx_init(&tx->section, tx->n, 0);
	tx->section.row1 = map->row1;
	struct evl_trace trace;
	(void)evl_trace_set(&trace, EVL_TRACE_16, "evenlode", NULL);
	memcpy(tx->section.j0, trace.bytes, sizeof(tx->section.j0));
	for (uint32_t a = 0; a < tx->n && (a == 0 || map->aug[0].au != EVL_SDH_AU4_4C); a++) {
		add_aug(tx, a);
	}
	connect(tx, (uint8_t *)(tx->tu + tus));
	sdh_restart(tx, 0);
	*out = tx;
	return EVL_OK;
}

void evl_sdh_tx_destroy(struct evl_sdh_tx *tx)
{
	free(tx);
}

static void path_restart(struct sdh_tx_path *p, uint64_t frame_number)
{
	if (!p->exists) {
		return;
	}
	const struct evl_ptr_tx *ptr = &p->au.ptr;
	evl_au_tx_init(&p->au, p->au.shape, ptr->has_new ? ptr->new_value : ptr->value);
	p->number = frame_number;
	p->ready = 0;
	p->b3 = 0;
	p->rei = 0;
	p->behind = 0;
}

void sdh_restart(struct evl_sdh_tx *tx, uint64_t frame_number)
{
	evl_stm_tx_restart(&tx->section, frame_number);
	tx->started = false;
	for (uint32_t i = 0; i < EVL_SDH_MOST_HIGH; i++) {
		path_restart(&tx->high[i], frame_number);
		path_restart(&tx->tu3[i], frame_number);
		tx->queue[i].head = tx->queue[i].used = 0;
		tx->queue[i].starved = tx->queue[i].lost = 0;
	}
	for (uint32_t t = 0; t < tx->tus; t++) {
		evl_tu1_tx_restart(&tx->tu[t].tu, frame_number);
		tx->tu[t].behind = 0;
	}
}

/* ---- clients ---- */

void evl_sdh_limits(
	const struct evl_sdh_client *client, uint32_t frames, uint32_t *least, uint32_t *most)
{
	uint32_t nominal = (uint32_t)((uint64_t)client->frame_bits * frames / 8);
	bool bulk = client->kind >= EVL_SDH_VC3;
	*least = bulk ? 0 : nominal - frames;
	*most = bulk ? 2 * nominal : nominal + frames;
}

static void push_bulk(struct sdh_queue *q, const uint8_t *data, uint32_t bytes)
{
	uint32_t room = q->size - q->used;
	if (bytes > room) {
		q->lost += bytes - room;
		bytes = room;
	}
	uint32_t at = (q->head + q->used) % q->size;
	uint32_t part = q->size - at < bytes ? q->size - at : bytes;
	memcpy(q->bytes + at, data, part);
	memcpy(q->bytes, data + part, bytes - part);
	q->used += bytes;
}

static void push_all(struct evl_bitfifo *fifo, uint8_t value, uint32_t bytes)
{
	uint8_t fill[256];
	memset(fill, value, sizeof(fill));
	while (bytes > 0) {
		uint32_t part = bytes < sizeof(fill) ? bytes : (uint32_t)sizeof(fill);
		evl_bitfifo_push(fifo, fill, 0, 8 * part);
		bytes -= part;
	}
}

static void push_tu(struct sdh_tx_tu *t, const uint8_t *data, uint32_t bytes)
{
	struct evl_bitfifo *fifo = &t->tu.vc.fifo;
	const uint32_t frame = evl_vc1_shapes[t->tu.vc.mode].bits;
	/* While no VC is made nothing is taken out; old frames are dropped. */
	uint32_t level = evl_bitfifo_level(fifo);
	if (t->tu.vc.fresh && level > 2 * frame) {
		evl_bitfifo_set_level(fifo, frame + level % frame);
	}
	if (data != NULL && !t->client_ais) {
		evl_bitfifo_push(fifo, data, 0, 8 * bytes);
	} else {
		push_all(fifo, t->client < 0 ? 0x00 : 0xff, bytes);
	}
}

/* What came for 8 frames, an even share of the call's. */
static void take_in(struct evl_sdh_tx *tx, const uint8_t *const data[], const uint32_t *bytes,
	uint32_t frame, uint32_t frames)
{
	for (uint32_t i = 0; i < tx->clients; i++) {
		const struct evl_sdh_client *c = &tx->client[i];
		uint64_t all = (uint64_t)c->frame_bits * frames / 8;
		if (bytes != NULL && data[i] != NULL) {
			all = bytes[i];
		}
		size_t from = (size_t)(all * frame / frames);
		uint32_t n = (uint32_t)(all * (frame + SDH_BATCH) / frames - from);
		const uint8_t *at = data[i] != NULL ? data[i] + from : NULL;
		if (i + 1 < tx->clients && tx->tu_of[i + 1] >= 0 && data[i + 1] != NULL) {
			const struct evl_bitfifo *fifo = &tx->tu[tx->tu_of[i + 1]].tu.vc.fifo;
			evl_prefetch(data[i + 1] + from, n);
			evl_prefetch(fifo->buf + fifo->write / 8, n);
		}
		if (tx->tu_of[i] >= 0) {
			push_tu(&tx->tu[tx->tu_of[i]], at, n);
		} else if (at != NULL) {
			push_bulk(sdh_tx_queue(tx, i), at, n);
		}
	}
	for (uint32_t t = 0; t < tx->tus; t++) {
		if (tx->tu[t].client < 0) {
			push_tu(&tx->tu[t], NULL, evl_vc1_shapes[tx->tu[t].tu.vc.mode].bits);
		}
	}
}

/* ---- clock offsets ---- */

/* Pointer moves that are due: `bits` of the VC pass a frame, a move is worth `unit` bits. */
static void drift(
	struct evl_ptr_tx *ptr, int64_t *behind, int32_t ppb, uint32_t bits, uint32_t unit)
{
	const int64_t move = (int64_t)unit * 1000000000;
	*behind -= (int64_t)ppb * bits;
	if (*behind >= move) {
		*behind -= move;
		ptr->pending++;
	} else if (*behind <= -move) {
		*behind += move;
		ptr->pending--;
	}
}

static void drift_path(struct sdh_tx_path *p)
{
	if (p->exists && p->ppb != 0) {
		drift(&p->au.ptr, &p->behind, p->ppb, 72u * p->columns, 8u * p->au.shape->unit);
	}
}

static void drift_all(struct evl_sdh_tx *tx)
{
	for (uint32_t i = 0; i < EVL_SDH_MOST_HIGH; i++) {
		drift_path(&tx->high[i]);
		drift_path(&tx->tu3[i]);
	}
	for (uint32_t t = 0; t < tx->tus; t++) {
		struct sdh_tx_tu *tu = &tx->tu[t];
		drift(&tu->tu.ptr, &tu->behind, tu->ppb, 8u * tu->tu.shape->quarter, 8);
	}
}

/* ---- frames ---- */

/* The VC jumped to another place in the frame: the delay shall not follow it. */
static uint16_t path_frame(struct sdh_tx_path *p, const struct evl_au_room *room)
{
	p->jump = p->au.ptr.has_new;
	uint16_t word = evl_au_tx_frame(&p->au, room, sdh_make_vc, p);
	if (p->jump && !p->au.ptr.has_new) {
		for (uint32_t t = p->tu_first; t < (uint32_t)p->tu_first + p->tu_count; t++) {
			p->tx->tu[t].tu.vc.relevel = true;
		}
	}
	return p->ais ? EVL_PTR_ALL_ONES : p->word_forced ? p->word : word;
}

static void rows_of_ones(uint8_t *payload, uint32_t stride, uint32_t columns)
{
	for (uint32_t row = 0; row < EVL_STM1_ROWS; row++) {
		memset(payload + row * stride, 0xff, columns);
	}
}

/* Pointer bytes of AUG a (from 1) with columns b of H1, H2, H3. */
static uint8_t *soh_at(struct evl_sdh_tx *tx, uint8_t *frame, uint32_t b, uint32_t a)
{
	return frame + evl_stm_at(tx->n, 4, b, a);
}

static void au4(
	struct evl_sdh_tx *tx, uint8_t *frame, uint32_t a, uint8_t *payload, uint32_t stride)
{
	struct sdh_tx_path *p = &tx->high[3 * a];
	uint8_t h[9] = {0, Y_BYTE, Y_BYTE, 0, 0xff, 0xff, 0, 0, 0};
	const struct evl_au_room room = {payload, stride, h + 6};
	uint16_t word = path_frame(p, &room);
	h[0] = (uint8_t)(word >> 8);
	h[3] = (uint8_t)word;
	if (p->ais) {
		memset(h, 0xff, sizeof(h));
		rows_of_ones(payload, stride, EVL_VC4_COLUMNS);
	}
	for (uint32_t b = 0; b < 9; b++) {
		*soh_at(tx, frame, b + 1, a + 1) = h[b];
	}
}

static void au3(
	struct evl_sdh_tx *tx, uint8_t *frame, uint32_t a, uint8_t *payload, uint32_t stride)
{
	const uint8_t *parts[EVL_SDH_PARTS];
	for (uint32_t k = 0; k < EVL_SDH_PARTS; k++) {
		struct sdh_tx_path *p = &tx->high[3 * a + k];
		uint8_t h3 = 0;
		const struct evl_au_room room = {tx->au3[k], EVL_AU3_STRIDE, &h3};
		uint16_t word = path_frame(p, &room);
		if (p->ais) {
			h3 = 0xff;
			rows_of_ones(tx->au3[k], EVL_AU3_STRIDE, EVL_VC3_COLUMNS);
		}
		*soh_at(tx, frame, k + 1, a + 1) = (uint8_t)(word >> 8);
		*soh_at(tx, frame, k + 4, a + 1) = (uint8_t)word;
		*soh_at(tx, frame, k + 7, a + 1) = h3;
	}
	/* Put together at whole 16 bytes first: across them they are slow to write. */
	const uint32_t columns = EVL_SDH_PARTS * tx->high[3 * a].columns; /* 261 */
	_Alignas(16) uint8_t whole[EVL_STM1_ROWS][EVL_AU3_STRIDE * EVL_SDH_PARTS];
	for (uint32_t row = 0; row < EVL_STM1_ROWS; row++) {
		for (uint32_t k = 0; k < EVL_SDH_PARTS; k++) {
			parts[k] = tx->au3[k] + row * EVL_AU3_STRIDE;
		}
		evl_interleave(whole[row], parts, EVL_SDH_PARTS, EVL_VC3_COLUMNS);
	}
	for (uint32_t row = 0; row < EVL_STM1_ROWS; row++) {
		memcpy(payload + row * stride, whole[row], columns);
	}
}

static void au4_4c(struct evl_sdh_tx *tx, uint8_t *frame)
{
	struct sdh_tx_path *p = &tx->high[0];
	const uint32_t stride = 4 * EVL_STM1_COLUMNS;
	uint8_t *payload = frame + 4 * EVL_STM1_SOH;
	const struct evl_au_room room = {payload, stride, soh_at(tx, frame, 7, 1)};
	uint16_t word = path_frame(p, &room);
	/* Concatenation indication in all but the first, the same bytes as Y and 1. */
	memset(soh_at(tx, frame, 1, 1), Y_BYTE, 12);
	memset(soh_at(tx, frame, 4, 1), 0xff, 12);
	*soh_at(tx, frame, 1, 1) = (uint8_t)(word >> 8);
	*soh_at(tx, frame, 4, 1) = (uint8_t)word;
	if (p->ais) {
		memset(soh_at(tx, frame, 1, 1), 0xff, 36);
		rows_of_ones(payload, stride, EVL_VC4_4C_COLUMNS);
	}
}

static void make_frame(struct evl_sdh_tx *tx, uint8_t *frame)
{
	if (tx->map.aug[0].au == EVL_SDH_AU4_4C) {
		au4_4c(tx, frame);
		return;
	}
	const uint8_t *parts[EVL_SDH_AUGS];
	bool one = tx->n == 1;
	for (uint32_t a = 0; a < tx->n; a++) {
		uint8_t *payload = one ? frame + EVL_STM1_SOH : tx->payload[a];
		uint32_t stride = one ? EVL_STM1_COLUMNS : EVL_VC4_COLUMNS;
		if (tx->map.aug[a].au == EVL_SDH_AU4) {
			au4(tx, frame, a, payload, stride);
		} else {
			au3(tx, frame, a, payload, stride);
		}
	}
	for (uint32_t row = 0; !one && row < EVL_STM1_ROWS; row++) {
		for (uint32_t a = 0; a < EVL_SDH_AUGS; a++) {
			parts[a] = tx->payload[a] + row * EVL_VC4_COLUMNS;
		}
		evl_interleave(frame + 4 * (row * EVL_STM1_COLUMNS + EVL_STM1_SOH), parts,
			EVL_SDH_AUGS, EVL_VC4_COLUMNS);
	}
}

enum evl_status evl_sdh_encode(struct evl_sdh_tx *tx, const uint8_t *const data[],
	const uint32_t bytes[], uint32_t frames, uint8_t *line, struct evl_err *err)
{
	evl_require(frames % SDH_BATCH == 0);
	for (uint32_t i = 0; bytes != NULL && i < tx->clients; i++) {
		uint32_t least, most;
		evl_sdh_limits(&tx->client[i], frames, &least, &most);
		if (data[i] != NULL && (bytes[i] < least || bytes[i] > most)) {
			return evl_err_set(err, EVL_E_INVALID,
				"client %u brings %u bytes in %u frames; allowed are %u "
				"to %u",
				i, bytes[i], frames, least, most);
		}
	}
	tx->started = tx->started || frames > 0;
	for (uint32_t f = 0; f < frames; f++) {
		uint8_t *frame = line + (size_t)EVL_SDH_LINE_BYTES(tx->n) * f;
		if (f % SDH_BATCH == 0) {
			take_in(tx, data, bytes, f, frames);
		}
		tx->ahead = SDH_BATCH - 1 - f % SDH_BATCH;
		if (tx->offsets) {
			drift_all(tx);
		}
		make_frame(tx, frame);
		evl_stm_tx_frame(&tx->section, frame, tx->ms_ais);
	}
	return EVL_OK;
}

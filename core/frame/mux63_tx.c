/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/mux63.h"

#include <stdlib.h>
#include <string.h>

#include "core/frame/tu1.h"
#include "core/signal/bip.h"

#define AU_POINTER_DEFAULT 522 /* J1 at row 1 column 10 */
#define TU_POINTER_DEFAULT 105 /* V5 after V1 */
#define G1_RDI             0x08
#define G1_MAX             8    /* errors that G1 can report for one VC-4 */
#define H4_SPARE           0xfc /* bits 1-6, sent as ones */
#define NPI_1              0x93 /* null pointer indication: 1001SS11 11100000, SS = 00 */
#define NPI_2              0xe0
#define BATCH              8 /* frames; calls are a multiple of it */
#define TRACE_DEFAULT      "evenlode"

struct evl_mux63_tx {
	struct evl_stm_tx section;
	struct evl_au_tx au;
	bool started;
	uint32_t ahead; /* frames of E1 bits that were taken in ahead of the present one */
	bool ms_ais, au_ais;
	uint64_t tu_ais, e1_ais; /* bit i: tributary i */
	uint64_t vc4_number;     /* of the next VC-4; its TU multiframe phase is number mod 4 */
	uint8_t j1[EVL_TRACE_BYTES];
	uint8_t c2;
	bool hp_rdi;
	uint32_t hp_rei; /* B3 errors still to report */
	uint8_t b3;
	int32_t au_ppb, tu_ppb[EVL_MUX63_TRIBS];       /* clock offsets ... */
	int64_t au_behind, tu_behind[EVL_MUX63_TRIBS]; /* ... and 1e-9 bits that they add up to */
	bool tu_offsets;
	uint8_t block[EVL_TU12_ROWS][EVL_TU_STRIDE];
	struct evl_tu1_tx tu[EVL_MUX63_TRIBS];
};

/* The state of frame `frame_number`, with the settings as they are. */
static void start_at(struct evl_mux63_tx *tx, uint64_t frame_number)
{
	evl_stm_tx_restart(&tx->section, frame_number);
	evl_au_tx_init(&tx->au, &evl_au4_shape,
		tx->au.ptr.has_new ? tx->au.ptr.new_value : tx->au.ptr.value);
	tx->vc4_number = frame_number;
	tx->started = false;
	tx->hp_rei = 0;
	tx->b3 = 0;
	tx->au_behind = 0;
	memset(tx->tu_behind, 0, sizeof(tx->tu_behind));
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		evl_tu1_tx_restart(&tx->tu[t], frame_number);
	}
}

enum evl_status evl_mux63_tx_create(struct evl_mux63_tx **out, struct evl_err *err)
{
	struct evl_mux63_tx *tx = calloc(1, sizeof(*tx));
	if (tx == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "no memory for an STM-1 encoder (%zu bytes)",
			sizeof(*tx));
	}
	evl_stm_tx_init(&tx->section, 1, 0);
	evl_au_tx_init(&tx->au, &evl_au4_shape, AU_POINTER_DEFAULT);
	tx->c2 = EVL_C2_TUG;
	(void)evl_trace_make(tx->section.j0, TRACE_DEFAULT);
	(void)evl_trace_make(tx->j1, TRACE_DEFAULT);
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		evl_tu1_tx_init(&tx->tu[t], EVL_VC1_E1_ASYNC, TU_POINTER_DEFAULT, 0);
		(void)evl_trace_make(tx->tu[t].vc.j2, TRACE_DEFAULT);
	}
	start_at(tx, 0);
	*out = tx;
	return EVL_OK;
}

void evl_mux63_tx_destroy(struct evl_mux63_tx *tx)
{
	free(tx);
}

void evl_mux63_tx_reset(struct evl_mux63_tx *tx)
{
	start_at(tx, 0);
}

void evl_mux63_tx_set_frame(struct evl_mux63_tx *tx, uint64_t frame_number)
{
	start_at(tx, frame_number);
}

/* Columns 1..9 of the VC-4: path overhead, fixed stuff, null pointer indications. */
static void fill_columns(struct evl_mux63_tx *tx, uint8_t *vc4)
{
	for (uint32_t row = 0; row < EVL_STM1_ROWS; row++) {
		memset(vc4 + row * EVL_VC4_COLUMNS, 0, EVL_TU12_FIRST);
	}
	memset(vc4 + 3, NPI_1, 3);
	memset(vc4 + EVL_VC4_COLUMNS + 3, NPI_2, 3);
	vc4[EVL_VC4_J1] = tx->j1[tx->vc4_number % EVL_TRACE_BYTES];
	vc4[EVL_VC4_B3] = tx->b3;
	vc4[EVL_VC4_C2] = tx->c2;
	uint32_t rei = tx->hp_rei < G1_MAX ? tx->hp_rei : G1_MAX;
	tx->hp_rei -= rei;
	vc4[EVL_VC4_G1] = (uint8_t)(rei << 4 | (tx->hp_rdi ? G1_RDI : 0));
	vc4[EVL_VC4_H4] = (uint8_t)(H4_SPARE | ((tx->vc4_number + 1) & 3));
}

static const uint8_t *make_vc4(void *ctx, uint8_t *vc4, uint32_t start)
{
	struct evl_mux63_tx *tx = ctx;
	uint32_t phase = (uint32_t)(tx->vc4_number % 4);
	int32_t when = 4 * (int32_t)start - EVL_VC1_TICKS * (int32_t)tx->ahead;
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		evl_tu1_tx_frame(&tx->tu[t], phase, when, tx->block[t]);
	}
	for (uint32_t t = 0; tx->tu_ais >> t != 0; t++) {
		if (tx->tu_ais >> t & 1) {
			memset(tx->block[t], 0xff, EVL_TU12_BYTES);
		}
	}
	evl_columns_join(vc4, tx->block);
	fill_columns(tx, vc4);
	tx->b3 = evl_bip8(vc4, EVL_VC4_BYTES);
	tx->vc4_number++;
	return vc4;
}

/* E1 bits of 8 frames at once: that reads the many inputs in longer pieces. Of `bytes` in the whole
 * call (NULL: nominal) every 8 frames get an even share. */
static void take_e1(struct evl_mux63_tx *tx, const uint8_t *const e1[EVL_MUX63_TRIBS],
	const uint32_t *bytes, uint32_t frame, uint32_t frames)
{
	uint8_t ones[BATCH * EVL_MUX63_E1_BYTES];
	memset(ones, 0xff, sizeof(ones));
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		size_t from = (size_t)EVL_MUX63_E1_BYTES * frame;
		uint32_t n = BATCH * EVL_MUX63_E1_BYTES;
		if (bytes != NULL && e1[t] != NULL) {
			from = (size_t)((uint64_t)bytes[t] * frame / frames);
			n = (uint32_t)((uint64_t)bytes[t] * (frame + BATCH) / frames - from);
		}
		struct evl_bitfifo *fifo = &tx->tu[t].vc.fifo;
		/* While no VC-12 is made nothing is taken out; old bits are dropped. */
		if (tx->tu[t].vc.fresh && evl_bitfifo_level(fifo) > EVL_VC12_E1_BITS) {
			evl_bitfifo_set_level(fifo, EVL_VC12_E1_BITS);
		}
		if (e1[t] != NULL && (tx->e1_ais >> t & 1) == 0) {
			evl_bitfifo_push(fifo, e1[t] + from, 0, 8 * n);
			continue;
		}
		for (uint32_t left = n; left > 0;) { /* AIS has the clock of what it replaces */
			uint32_t part = left < sizeof(ones) ? left : (uint32_t)sizeof(ones);
			evl_bitfifo_push(fifo, ones, 0, 8 * part);
			left -= part;
		}
	}
}

/* Pointer moves that are due: `bits` of the VC pass a frame, a move is worth `unit` bits. */
static void drift(struct evl_ptr_tx *ptr, int64_t *behind, int32_t ppb, int32_t bits, int32_t unit)
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

static void drift_all(struct evl_mux63_tx *tx)
{
	if (tx->au_ppb != 0) {
		drift(&tx->au.ptr, &tx->au_behind, tx->au_ppb, 8 * EVL_VC4_BYTES, 24);
	}
	for (uint32_t t = 0; tx->tu_offsets && t < EVL_MUX63_TRIBS; t++) {
		drift(&tx->tu[t].ptr, &tx->tu_behind[t], tx->tu_ppb[t], 8 * EVL_VC12_QUARTER, 8);
	}
}

/* The VC-4 jumped to another place in the frame: the delay shall not follow it. */
static void level_again(struct evl_mux63_tx *tx)
{
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		tx->tu[t].vc.relevel = true;
	}
}

static void encode(struct evl_mux63_tx *tx, const uint8_t *const e1[EVL_MUX63_TRIBS],
	const uint32_t *bytes, uint32_t frames, uint8_t *line)
{
	evl_require(frames % BATCH == 0);
	tx->started = tx->started || frames > 0;
	for (uint32_t f = 0; f < frames; f++) {
		uint8_t *frame = line + (size_t)EVL_MUX63_LINE_BYTES * f;
		if (f % BATCH == 0) {
			take_e1(tx, e1, bytes, f, frames);
		}
		tx->ahead = BATCH - 1 - f % BATCH;
		drift_all(tx);
		bool jump = tx->au.ptr.has_new;
		evl_au4_tx_frame(&tx->au, frame, make_vc4, tx);
		if (jump && !tx->au.ptr.has_new) {
			level_again(tx);
		}
		if (tx->au_ais) {
			evl_au4_ais(frame);
		}
		evl_stm_tx_frame(&tx->section, frame, tx->ms_ais);
	}
}

void evl_mux63_encode(struct evl_mux63_tx *tx, const uint8_t *const e1[EVL_MUX63_TRIBS],
	uint32_t frames, uint8_t *line)
{
	encode(tx, e1, NULL, frames, line);
}

enum evl_status evl_mux63_encode_bytes(struct evl_mux63_tx *tx,
	const uint8_t *const e1[EVL_MUX63_TRIBS], const uint32_t bytes[EVL_MUX63_TRIBS],
	uint32_t frames, uint8_t *line, struct evl_err *err)
{
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		if (e1[t] != NULL && (bytes[t] < EVL_MUX63_LEAST_BYTES(frames) ||
					     bytes[t] > EVL_MUX63_MOST_BYTES(frames))) {
			return evl_err_set(err, EVL_E_INVALID,
				"tributary index %u brings %u bytes in %u frames; "
				"allowed are %u to %u",
				t, bytes[t], frames, EVL_MUX63_LEAST_BYTES(frames),
				EVL_MUX63_MOST_BYTES(frames));
		}
	}
	encode(tx, e1, bytes, frames, line);
	return EVL_OK;
}

enum evl_status evl_mux63_tx_set_au_offset(struct evl_mux63_tx *tx, int32_t ppb)
{
	if (ppb < -EVL_MUX63_MOST_PPB || ppb > EVL_MUX63_MOST_PPB) {
		return EVL_E_INVALID;
	}
	tx->au_ppb = ppb;
	return EVL_OK;
}

enum evl_status evl_mux63_tx_set_tu_offset(struct evl_mux63_tx *tx, uint32_t tributary, int32_t ppb)
{
	if (tributary >= EVL_MUX63_TRIBS || ppb < -EVL_MUX63_MOST_PPB || ppb > EVL_MUX63_MOST_PPB) {
		return EVL_E_INVALID;
	}
	tx->tu_ppb[tributary] = ppb;
	tx->tu_offsets = true;
	return EVL_OK;
}

enum evl_status evl_mux63_tx_set_au_pointer(struct evl_mux63_tx *tx, uint32_t value)
{
	if (value >= EVL_PTR_AU4_RANGE) {
		return EVL_E_INVALID;
	}
	if (tx->started) {
		tx->au.ptr.new_value = (uint16_t)value;
		tx->au.ptr.has_new = true;
	} else {
		evl_au_tx_init(&tx->au, &evl_au4_shape, (uint16_t)value);
	}
	return EVL_OK;
}

enum evl_status evl_mux63_tx_set_tu_pointer(
	struct evl_mux63_tx *tx, uint32_t tributary, uint32_t value)
{
	if (tributary >= EVL_MUX63_TRIBS || value >= EVL_PTR_TU12_RANGE) {
		return EVL_E_INVALID;
	}
	struct evl_ptr_tx *ptr = &tx->tu[tributary].ptr;
	ptr->new_value = (uint16_t)value;
	ptr->has_new = true;
	if (!tx->started) {
		start_at(tx, tx->vc4_number);
	}
	return EVL_OK;
}

void evl_mux63_tx_justify_au(struct evl_mux63_tx *tx, int32_t count)
{
	tx->au.ptr.pending += count;
}

void evl_mux63_tx_justify_tu(struct evl_mux63_tx *tx, uint32_t tributary, int32_t count)
{
	evl_require(tributary < EVL_MUX63_TRIBS);
	tx->tu[tributary].ptr.pending += count;
}

static enum evl_status set_trace(uint8_t trace[EVL_TRACE_BYTES], const char *text)
{
	uint8_t made[EVL_TRACE_BYTES];
	if (!evl_trace_make(made, text)) {
		return EVL_E_INVALID;
	}
	memcpy(trace, made, sizeof(made));
	return EVL_OK;
}

enum evl_status evl_mux63_tx_set_j0(struct evl_mux63_tx *tx, const char *text)
{
	return set_trace(tx->section.j0, text);
}

enum evl_status evl_mux63_tx_set_j1(struct evl_mux63_tx *tx, const char *text)
{
	return set_trace(tx->j1, text);
}

enum evl_status evl_mux63_tx_set_j2(struct evl_mux63_tx *tx, uint32_t tributary, const char *text)
{
	if (tributary >= EVL_MUX63_TRIBS) {
		return EVL_E_INVALID;
	}
	return set_trace(tx->tu[tributary].vc.j2, text);
}

void evl_mux63_tx_set_c2(struct evl_mux63_tx *tx, uint8_t c2)
{
	tx->c2 = c2;
}

void evl_mux63_tx_set_label(struct evl_mux63_tx *tx, uint32_t tributary, uint8_t label)
{
	evl_require(tributary < EVL_MUX63_TRIBS && label < 8);
	tx->tu[tributary].vc.label = label;
}

static void set_bit(uint64_t *set, uint32_t bit, bool on)
{
	evl_require(bit < EVL_MUX63_TRIBS);
	*set = on ? *set | UINT64_C(1) << bit : *set & ~(UINT64_C(1) << bit);
}

void evl_mux63_tx_insert_ms_ais(struct evl_mux63_tx *tx, bool on)
{
	tx->ms_ais = on;
}

void evl_mux63_tx_insert_au_ais(struct evl_mux63_tx *tx, bool on)
{
	tx->au_ais = on;
}

void evl_mux63_tx_insert_tu_ais(struct evl_mux63_tx *tx, uint32_t tributary, bool on)
{
	set_bit(&tx->tu_ais, tributary, on);
}

void evl_mux63_tx_insert_e1_ais(struct evl_mux63_tx *tx, uint32_t tributary, bool on)
{
	set_bit(&tx->e1_ais, tributary, on);
}

static uint32_t add_up_to(uint32_t a, uint32_t b, uint32_t max)
{
	return b > max - a ? max : a + b;
}

void evl_mux63_tx_set_remote(struct evl_mux63_tx *tx, const struct evl_mux63_remote *remote)
{
	tx->section.ms_rdi = remote->ms_rdi;
	tx->section.ms_rei = add_up_to(tx->section.ms_rei, remote->ms_rei, UINT32_MAX);
	tx->hp_rdi = remote->hp_rdi;
	tx->hp_rei = add_up_to(tx->hp_rei, remote->hp_rei, UINT32_MAX);
	for (uint32_t t = 0; t < EVL_MUX63_TRIBS; t++) {
		struct evl_vc1_tx *vc = &tx->tu[t].vc;
		vc->rdi = (remote->lp_rdi >> t & 1) != 0;
		vc->rei = (uint8_t)add_up_to(vc->rei, remote->lp_rei[t], UINT8_MAX);
	}
}

uint64_t evl_mux63_tx_slips(const struct evl_mux63_tx *tx, uint32_t tributary)
{
	evl_require(tributary < EVL_MUX63_TRIBS);
	return tx->tu[tributary].vc.slips;
}

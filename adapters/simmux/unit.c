/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/unit.h"

#include <stdlib.h>
#include <string.h>

#include "core/base/rate.h"
#include "core/frame/klm.h"

#define LINE_FRAME_BITS  (EVL_MUX63_LINE_BYTES * 8u)
#define E1_FRAME_BITS    (EVL_MUX63_E1_BYTES * 8u)
#define LINE_CHUNK_BYTES (EVL_MUX63_LINE_BYTES * SIMMUX_CHUNK_FRAMES)
#define E1_CHUNK_BYTES   (EVL_MUX63_E1_BYTES * SIMMUX_CHUNK_FRAMES)
#define BLOCK_FRAMES     64u  /* of the error generators */
#define SETTLE_FRAMES    128u /* 16 ms: LOF 3 ms, pointers 1.5 ms, labels and RDI 2.5 ms */

/* Random streams: injected errors have the odd ones. */
#define STREAM(channel) ((channel)*2u)

struct output {
	uint32_t tu; /* whose bits come out here, 0..62 */
	struct simmux_delay delay;
	bool has_errors;
	struct simmux_errors errors;
};

struct simmux_unit {
	struct simmux_options options;
	uint64_t seed;
	uint64_t now;  /* frames since switching on */
	uint64_t lead; /* frames that bring it into its settled state */
	bool settled;  /* false before the first frame */
	bool quiet;    /* defects are not reported while it settles */
	bool line_played;
	struct evl_mux63_tx *tx;
	struct evl_mux63_rx *rx;
	uint32_t tu_of_port[SIMMUX_TRIBUTARIES];
	uint32_t port_of_tu[SIMMUX_TRIBUTARIES];
	struct output outputs[SIMMUX_TRIBUTARIES];
	struct simmux_delay line_delay;
	bool has_line_errors;
	struct simmux_errors line_errors;
	struct simmux_injections injections;
	struct simmux_ais ais; /* put in by the encoder at present */
	struct simmux_defects defects;
	uint8_t line_out[LINE_CHUNK_BYTES];
	uint8_t line_in[LINE_CHUNK_BYTES];
	uint8_t inputs[SIMMUX_TRIBUTARIES][SIMMUX_MOST_BYTES];
	uint8_t unread[SIMMUX_TRIBUTARIES][SIMMUX_MOST_BYTES];
};

/* ---- defects ---- */

static uint32_t channel_of(const struct simmux_unit *u, int tributary)
{
	return tributary == EVL_MUX63_LINE ? SIMMUX_LINE : u->port_of_tu[tributary];
}

static void on_defect(void *ctx, enum evl_alarm alarm, int tributary, bool raised,
		      uint64_t bit_offset)
{
	struct simmux_unit *u = ctx;
	uint64_t part = bit_offset % LINE_FRAME_BITS * EVL_FRAME_NS / LINE_FRAME_BITS;

	if (!u->quiet) {
		simmux_defects_note(&u->defects, channel_of(u, tributary), (uint32_t)alarm, raised,
				    bit_offset / LINE_FRAME_BITS * EVL_FRAME_NS + part);
	}
}

/* After time that was passed over: what is different from what was last reported. */
static void report_changes(struct simmux_unit *u)
{
	for (int t = EVL_MUX63_LINE; t < (int)SIMMUX_TRIBUTARIES; t++) {
		uint32_t present = evl_mux63_rx_defects(u->rx, t);

		for (uint32_t a = EVL_ALARM_LOS; a < EVL_ALARM_COUNT; a++) {
			simmux_defects_note(&u->defects, channel_of(u, t), a,
					    (present >> a & 1u) != 0, u->now * EVL_FRAME_NS);
		}
	}
}

struct simmux_defects *simmux_unit_defects(struct simmux_unit *u)
{
	return &u->defects;
}

/* ---- making and ending ---- */

static bool plant(struct simmux_unit *u, const struct simmux_fault *f)
{
	uint32_t port = f->tributary - 1; /* meaningless for the faults of the line */

	switch (f->kind) {
	case SIMMUX_SWAP: {
		uint32_t tu = u->outputs[port].tu;

		u->outputs[port].tu = u->outputs[f->second - 1].tu;
		u->outputs[f->second - 1].tu = tu;
		return true;
	}
	case SIMMUX_ERRORS:
		u->outputs[port].has_errors = true;
		simmux_errors_init(&u->outputs[port].errors, u->seed, STREAM(port), f->numerator,
				   f->denominator, BLOCK_FRAMES * E1_FRAME_BITS);
		return true;
	case SIMMUX_DELAY:
		return simmux_delay_init(&u->outputs[port].delay, f->bits, SIMMUX_MOST_BYTES);
	case SIMMUX_LINE_ERRORS:
		u->has_line_errors = true;
		simmux_errors_init(&u->line_errors, u->seed, STREAM(SIMMUX_LINE), f->numerator,
				   f->denominator, BLOCK_FRAMES * LINE_FRAME_BITS);
		return true;
	case SIMMUX_LINE_DELAY:
		/* The lead must fill the delay and then settle, in whole J2 trace cycles. */
		u->lead += (f->bits / LINE_FRAME_BITS / 64 + 1) * 64;
		return simmux_delay_init(&u->line_delay, f->bits, LINE_CHUNK_BYTES);
	default:
		return true; /* a loss of the line is looked up in the options */
	}
}

struct simmux_unit *simmux_unit_create(const struct simmux_options *options, uint64_t seed)
{
	struct simmux_unit *u = calloc(1, sizeof(*u));
	struct evl_rx_options rx = {0};
	bool good;

	if (u == NULL) {
		return NULL;
	}
	u->options = *options;
	u->seed = seed;
	u->lead = SETTLE_FRAMES;
	u->now = SIMMUX_LEAD_FRAMES;
	for (uint32_t p = 0; p < SIMMUX_TRIBUTARIES; p++) {
		struct evl_klm klm = {1, 1, 1};

		evl_klm_from_number(&klm, p + 1,
				    options->klm_order ? EVL_KLM_BY_KLM : EVL_KLM_BY_COLUMN);
		u->tu_of_port[p] = evl_klm_index(klm);
		u->port_of_tu[u->tu_of_port[p]] = p;
		u->outputs[p].tu = u->tu_of_port[p];
	}
	/* 155.52 Mbit/s are 19.44 bytes a microsecond. */
	rx.los_bytes = (options->los_threshold_us * 1944u + 99u) / 100u;
	good = evl_mux63_tx_create(&u->tx, NULL) == EVL_OK &&
	       evl_mux63_rx_create(&u->rx, &rx, NULL) == EVL_OK &&
	       evl_mux63_tx_set_au_offset(u->tx, options->vc4_ppb) == EVL_OK;
	for (uint32_t p = 0; good && p < SIMMUX_TRIBUTARIES; p++) {
		good = evl_mux63_tx_set_tu_offset(u->tx, u->tu_of_port[p], options->vc12_ppb[p]) ==
		       EVL_OK;
	}
	for (uint32_t i = 0; i < options->fault_count; i++) {
		good = good && plant(u, &options->faults[i]);
	}
	if (!good) {
		simmux_unit_destroy(u);
		return NULL;
	}
	return u;
}

void simmux_unit_destroy(struct simmux_unit *u)
{
	if (u == NULL) {
		return;
	}
	for (uint32_t p = 0; p < SIMMUX_TRIBUTARIES; p++) {
		simmux_delay_finish(&u->outputs[p].delay);
	}
	simmux_delay_finish(&u->line_delay);
	evl_mux63_tx_destroy(u->tx);
	evl_mux63_rx_destroy(u->rx);
	free(u);
}

/* ---- time ---- */

uint64_t simmux_unit_now(const struct simmux_unit *u)
{
	return u->now;
}

void simmux_unit_reach(struct simmux_unit *u, uint64_t frame)
{
	static const struct evl_mux63_remote nothing;
	struct simmux_io idle[SIMMUX_CHANNELS] = {{0}};

	if (u->settled && frame == u->now) {
		return;
	}
	evl_mux63_tx_reset(u->tx);
	evl_mux63_rx_reset(u->rx);
	evl_mux63_tx_set_remote(u->tx, &nothing);
	simmux_delay_fill(&u->line_delay, 0x00);
	for (uint32_t p = 0; p < SIMMUX_TRIBUTARIES; p++) {
		simmux_delay_fill(&u->outputs[p].delay, 0xff);
	}
	u->now = frame - u->lead;
	evl_mux63_tx_set_frame(u->tx, u->now);
	evl_mux63_rx_set_frame(u->rx, u->now);
	u->quiet = true;
	while (u->now < frame) {
		simmux_unit_run(u, idle);
	}
	u->quiet = false;
	u->settled = true;
	report_changes(u);
}

/* ---- injections ---- */

void simmux_unit_set_line_played(struct simmux_unit *u, bool played)
{
	u->line_played = played;
}

void simmux_unit_drop_injections(struct simmux_unit *u)
{
	simmux_inject_drop(&u->injections, u->now, &u->defects);
}

bool simmux_unit_needs_loop(const struct simmux_unit *u)
{
	return simmux_inject_needs_loop(&u->injections);
}

const char *simmux_unit_inject(struct simmux_unit *u, const struct simmux_injection *what,
			       int *code)
{
	return simmux_inject_add(&u->injections, what, u->now, u->options.looped && !u->line_played,
				 u->seed, code);
}

/* AIS that the encoder puts in, for whole chunks. */
static void switch_ais(struct simmux_unit *u)
{
	struct simmux_ais want = simmux_inject_ais(&u->injections, u->now);

	if (want.ms != u->ais.ms) {
		evl_mux63_tx_insert_ms_ais(u->tx, want.ms);
	}
	if (want.au != u->ais.au) {
		evl_mux63_tx_insert_au_ais(u->tx, want.au);
	}
	for (uint32_t p = 0; p < SIMMUX_TRIBUTARIES && want.tu != u->ais.tu; p++) {
		if (((want.tu ^ u->ais.tu) >> p & 1u) != 0) {
			evl_mux63_tx_insert_tu_ais(u->tx, u->tu_of_port[p],
						   (want.tu >> p & 1u) != 0);
		}
	}
	u->ais = want;
}

/* Puts in what was injected on one channel. */
static void disturb(struct simmux_unit *u, uint32_t channel, uint8_t *data, uint32_t bytes)
{
	simmux_inject_apply(&u->injections, channel, u->now, data, (uint64_t)bytes * 8,
		u->quiet ? NULL : &u->defects);
}

/* Planted losses of the line; instants count from the host's time 0 (or from open in real time). */
static bool darken(const struct simmux_unit *u, uint8_t *data)
{
	uint64_t first = u->now * LINE_FRAME_BITS;
	bool any = false;

	for (uint32_t i = 0; i < u->options.fault_count; i++) {
		const struct simmux_fault *f = &u->options.faults[i];
		uint64_t at = f->at_ns + (uint64_t)SIMMUX_LEAD_FRAMES * EVL_FRAME_NS;
		struct simmux_span cut;

		if (f->kind == SIMMUX_LINE_LOSS &&
		    simmux_span_cut(&cut, simmux_span_of(at, f->lasting_ns, LINE_FRAME_BITS), first,
				    (uint64_t)LINE_CHUNK_BYTES * 8)) {
			any = true;
			if (data != NULL) {
				simmux_span_set(data, cut, false);
			}
		}
	}
	return any;
}

/* ---- one chunk ---- */

static void encode(struct simmux_unit *u, const struct simmux_io *io, uint8_t *line)
{
	const uint8_t *e1[EVL_MUX63_TRIBS];
	uint32_t bytes[EVL_MUX63_TRIBS];

	for (uint32_t p = 0; p < SIMMUX_TRIBUTARIES; p++) {
		const uint8_t *in = io[p].tx; /* NULL: all ones, as nothing is connected */
		uint32_t n = in != NULL ? io[p].tx_bytes : E1_CHUNK_BYTES;

		if (simmux_inject_touches(&u->injections, p, u->now)) {
			if (in != NULL) {
				memcpy(u->inputs[p], in, n);
			} else {
				memset(u->inputs[p], 0xff, n);
			}
			disturb(u, p, u->inputs[p], n);
			in = u->inputs[p];
		}
		e1[u->tu_of_port[p]] = in;
		bytes[u->tu_of_port[p]] = n;
	}
	switch_ais(u);
	/* The counts are in range: the caller keeps to LEAST and MOST. */
	evl_require(evl_mux63_encode_bytes(u->tx, e1, bytes, SIMMUX_CHUNK_FRAMES, line, NULL) ==
		    EVL_OK);
	simmux_delay_apply(&u->line_delay, line, LINE_CHUNK_BYTES);
	if (u->has_line_errors) {
		simmux_errors_apply(&u->line_errors, line, 0, u->now * LINE_FRAME_BITS,
				    (uint64_t)LINE_CHUNK_BYTES * 8);
	}
}

/* What arrives at the line input. */
static const uint8_t *line_input(struct simmux_unit *u, const struct simmux_io *io,
				 const uint8_t *line_out)
{
	const uint8_t *in = io[SIMMUX_LINE].tx;

	if (in == NULL && u->options.looped) {
		in = line_out;
	}
	if (in != NULL && !darken(u, NULL) &&
	    !simmux_inject_touches(&u->injections, SIMMUX_LINE, u->now)) {
		return in;
	}
	if (in != NULL) {
		memcpy(u->line_in, in, LINE_CHUNK_BYTES);
	} else {
		memset(u->line_in, 0, LINE_CHUNK_BYTES);
	}
	disturb(u, SIMMUX_LINE, u->line_in, LINE_CHUNK_BYTES);
	darken(u, u->line_in);
	return u->line_in;
}

static void decode(struct simmux_unit *u, struct simmux_io *io, const uint8_t *line)
{
	const struct evl_mux63_events events = {on_defect, u};
	uint8_t *e1[EVL_MUX63_TRIBS];
	uint32_t bytes[EVL_MUX63_TRIBS];

	for (uint32_t p = 0; p < SIMMUX_TRIBUTARIES; p++) {
		struct output *o = &u->outputs[p];

		/* A delay must be fed even while nobody captures. */
		e1[o->tu] = io[p].rx != NULL        ? io[p].rx
			    : o->delay.ring != NULL ? u->unread[p]
						    : NULL;
	}
	evl_mux63_decode_bytes(u->rx, line, SIMMUX_CHUNK_FRAMES, e1, bytes, &events);
	for (uint32_t p = 0; p < SIMMUX_TRIBUTARIES; p++) {
		struct output *o = &u->outputs[p];
		uint8_t *out = e1[o->tu];
		uint32_t n = bytes[o->tu];

		io[p].rx_bytes = n;
		if (out != NULL) {
			simmux_delay_apply(&o->delay, out, n);
		}
		if (out != NULL && o->has_errors) {
			/* Errors keep their instants; a byte more than nominal has none. */
			simmux_errors_apply(&o->errors, out, 0, u->now * E1_FRAME_BITS,
				(n < E1_CHUNK_BYTES ? n : E1_CHUNK_BYTES) * 8);
		}
	}
}

void simmux_unit_run(struct simmux_unit *u, struct simmux_io *io)
{
	uint8_t *line_out = io[SIMMUX_LINE].rx != NULL ? io[SIMMUX_LINE].rx : u->line_out;
	struct evl_mux63_remote remote;

	encode(u, io, line_out);
	decode(u, io, line_input(u, io, line_out));
	evl_mux63_rx_take_remote(u->rx, &remote);
	evl_mux63_tx_set_remote(u->tx, &remote);
	u->now += SIMMUX_CHUNK_FRAMES;
	simmux_inject_forget(&u->injections, u->now);
}

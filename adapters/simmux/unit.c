/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/unit.h"

#include <stdlib.h>
#include <string.h>

#include "adapters/simmux/parts.h"
#include "adapters/simmux/text.h"

#define LINE_SLACK 16u /* bytes: 100 ppm of 8 frames of an STM-4 are 7.8 */

/* ---- what a chunk holds ---- */

uint32_t simmux_unit_nominal(const struct simmux_unit *u, uint32_t channel)
{
	return u->ports->list[channel].frame_bits * SIMMUX_CHUNK_FRAMES / 8;
}

uint32_t simmux_unit_most(const struct simmux_unit *u, uint32_t channel)
{
	const struct simmux_port *p = &u->ports->list[channel];
	const struct evl_sdh_client client = {
		.kind = p->kind == SIMMUX_T1 ? EVL_SDH_T1 : EVL_SDH_E1,
		.frame_bits = p->frame_bits};

	if (p->kind == SIMMUX_LINE && u->options->line_ppb != 0) {
		return simmux_unit_nominal(u, channel) + LINE_SLACK;
	}
	return p->kind <= SIMMUX_T1 ? evl_sdh_rx_room(&client, SIMMUX_CHUNK_FRAMES)
				    : simmux_unit_nominal(u, channel);
}

/* A chunk of whole containers may bring two more than nominal, and up to four wait. */
static uint32_t bulk_room(const struct simmux_unit *u, uint32_t channel)
{
	return simmux_unit_nominal(u, channel) / SIMMUX_CHUNK_FRAMES * (SIMMUX_CHUNK_FRAMES + 6);
}

/* ---- defects ---- */

/* The instant of a line bit, as the decoder counts them. */
static uint64_t ns_of_line(const struct simmux_unit *u, const struct simmux_line *l, uint64_t bit)
{
	const uint64_t ns =
		simmux_ns_of(bit, u->ports->list[u->ports->first[SIMMUX_LINE]].frame_bits);
	const int64_t ppb = u->line_played[l->index] ? 0 : u->options->line_ppb;
	const uint64_t began = u->began * EVL_FRAME_NS;
	int64_t since = (int64_t)(ns - began);

	if (ppb == 0 || ns < began) {
		return ns;
	}
	/* By parts, so that days of nanoseconds do not overflow. */
	return ns - (uint64_t)(since / (1000000000 + ppb) * ppb +
			       since % (1000000000 + ppb) * ppb / (1000000000 + ppb));
}

/* The channel that a place of the line is reported on; UINT32_MAX: none. */
static uint32_t channel_of(
	const struct simmux_unit *u, const struct simmux_line *l, struct evl_sdh_at at)
{
	if (at.level != EVL_SDH_CLIENT) {
		return simmux_line_channel(u->ports, l->index);
	}
	return l->port_of[at.index] >= 0 ? (uint32_t)l->port_of[at.index] : UINT32_MAX;
}

void simmux_on_defect(
	void *ctx, enum evl_alarm alarm, struct evl_sdh_at at, bool raised, uint64_t bit)
{
	const struct simmux_hearer *h = ctx;
	uint32_t channel = channel_of(h->u, h->line, at);

	/* AIS of a client is watched at the inputs, not at what comes from the line. */
	if (h->u->quiet || channel == UINT32_MAX || alarm == EVL_ALARM_AIS) {
		return;
	}
	simmux_defects_change(
		&h->u->defects, channel, (uint32_t)alarm, raised, ns_of_line(h->u, h->line, bit));
}

/* After time that was passed over: what is different from what was last reported. */
static void report_changes(struct simmux_unit *u)
{
	uint8_t places[SIMMUX_CHANNELS][EVL_ALARM_COUNT] = {{0}};

	for (uint32_t n = 0; n < u->ports->lines; n++) {
		const struct simmux_line *l = u->line[n];
		const bool section_only = l->index != l->group;
		struct evl_sdh_at at[1 + EVL_SDH_MOST_HIGH + EVL_SDH_MOST_CLIENTS] = {
			{EVL_SDH_SECTION, 0}};
		uint32_t count = 1;

		for (uint32_t i = 0; i < l->high_count && !section_only; i++) {
			at[count++] = (struct evl_sdh_at){EVL_SDH_HIGH, l->highs[i]};
		}
		for (uint32_t i = 0; i < l->clients && !section_only; i++) {
			at[count++] = (struct evl_sdh_at){EVL_SDH_CLIENT, i};
		}
		for (uint32_t i = 0; i < count; i++) {
			uint32_t present = evl_sdh_rx_defects(simmux_line_rx(l, at[i]), at[i]);
			uint32_t channel = channel_of(u, l, at[i]);

			for (uint32_t a = EVL_ALARM_LOS; a < EVL_ALARM_COUNT; a++) {
				if (channel != UINT32_MAX && a != EVL_ALARM_AIS) {
					places[channel][a] =
						(uint8_t)(places[channel][a] + (present >> a & 1u));
				}
			}
		}
	}
	if (u->ports->protection && u->protect.selected == SIMMUX_PROTECTION) {
		places[simmux_line_channel(u->ports, SIMMUX_PROTECTION)][EVL_ALARM_PSE] = 1;
	}
	for (uint32_t c = 0; c < u->ports->count; c++) {
		for (uint32_t a = EVL_ALARM_LOS; a < EVL_ALARM_COUNT; a++) {
			simmux_defects_set(&u->defects, c, a, places[c][a], u->now * EVL_FRAME_NS);
		}
	}
}

struct simmux_defects *simmux_unit_defects(struct simmux_unit *u)
{
	return &u->defects;
}

/* ---- making and ending ---- */

void simmux_errors_of(const struct simmux_unit *u, struct evl_errors *e, uint32_t channel,
	bool injected, uint64_t numerator, uint64_t denominator)
{
	const uint32_t bank = channel / 128;
	uint64_t seed = u->seed, state = u->seed + bank;

	if (bank > 0) {
		seed = evl_splitmix64(&state);
	}
	evl_errors_init(e, seed, channel % 128 * 2 + injected, numerator, denominator,
		SIMMUX_BLOCK_FRAMES * (uint64_t)u->ports->list[channel].frame_bits);
}

bool simmux_store_init(struct simmux_store *s, uint64_t delay_bits, uint64_t chunk_bytes)
{
	s->memory = malloc(evl_slipper_bytes(SIMMUX_SLIP_STORE, chunk_bytes));
	if (s->memory == NULL) {
		return false;
	}
	evl_slipper_init(&s->slipper, s->memory, SIMMUX_SLIP_STORE, chunk_bytes);
	s->slipper.delay_bits = delay_bits;
	return true;
}

static bool get_memory(struct simmux_unit *u)
{
	const uint32_t slip_room = u->options->slip_room_bits;
	bool good = true;

	for (uint32_t c = 0; good && c < u->ports->count; c++) {
		const struct simmux_port *p = &u->ports->list[c];
		const uint32_t most = simmux_unit_most(u, c);
		const bool line = p->kind == SIMMUX_LINE;
		uint8_t **in = line ? &u->line_in[p->line] : &u->trib[c].in;
		uint8_t **out = line ? &u->line_out[p->line] : &u->trib[c].out;

		*in = malloc(most);
		*out = malloc(simmux_is_bulk(p) ? bulk_room(u, c) : most);
		good = *in != NULL && *out != NULL;
		if (good && slip_room > 0 && !line) {
			good = simmux_store_init(&u->trib[c].store, slip_room, most);
		}
	}
	return good;
}

struct simmux_unit *simmux_unit_create(
	const struct simmux_options *options, uint64_t seed, struct evl_adapter_error *err)
{
	struct simmux_unit *u = calloc(1, sizeof(*u));
	int rc = EVL_ADAPTER_E_NOMEM;

	if (u != NULL) {
		u->options = options;
		u->ports = &options->ports;
		u->seed = seed;
		u->now = SIMMUX_LEAD_FRAMES;
		simmux_protect_init(u);
		for (uint32_t c = 0; c < SIMMUX_CHANNELS; c++) {
			u->trib[c].source = c;
		}
		if (get_memory(u) && simmux_plant_all(u) &&
			(options->line_ppb == 0 || simmux_elastic_create(u))) {
			u->defects.planted =
				(const struct simmux_report(*)[EVL_ALARM_COUNT])u->reports;
			rc = simmux_unit_setup(u, NULL, 0, err);
		}
	}
	if (rc == EVL_ADAPTER_OK) {
		return u;
	}
	if (rc == EVL_ADAPTER_E_NOMEM) {
		(void)simmux_fail(err, rc, "out of memory for the simulated multiplexer");
	}
	simmux_unit_destroy(u);
	return NULL;
}

void simmux_unit_destroy(struct simmux_unit *u)
{
	if (u == NULL) {
		return;
	}
	for (uint32_t c = 0; c < SIMMUX_CHANNELS; c++) {
		free(u->trib[c].in);
		free(u->trib[c].out);
		free(u->trib[c].store.memory);
		simmux_watch_destroy(u->trib[c].watch);
		simmux_plant_finish(u->trib[c].plant);
	}
	for (uint32_t l = 0; l < SIMMUX_LINES; l++) {
		free(u->line_in[l]);
		free(u->line_out[l]);
		free(u->line_store[l].memory);
		free(u->planted_store[l].memory);
		simmux_plant_finish(u->line_plant[l]);
		simmux_line_destroy(u->line[l]);
	}
	simmux_elastic_destroy(u);
	free(u->reports);
	free(u);
}

/* ---- time ---- */

uint64_t simmux_unit_now(const struct simmux_unit *u)
{
	return u->now;
}

void simmux_unit_reach(struct simmux_unit *u, uint64_t frame)
{
	static const struct evl_sdh_remote nothing;

	if (u->settled && frame == u->now) {
		return;
	}
	u->now = frame - u->lead;
	for (uint32_t n = 0; n < u->ports->lines; n++) {
		struct simmux_line *l = u->line[n];

		evl_sdh_tx_set_frame(l->tx, u->now);
		evl_sdh_rx_reset(l->rx);
		evl_sdh_rx_set_frame(l->rx, u->now);
		if (l->section_rx != NULL) {
			evl_sdh_rx_reset(l->section_rx);
			evl_sdh_rx_set_frame(l->section_rx, u->now);
		}
		evl_sdh_tx_set_remote(l->tx, &nothing);
		memset(&l->remote, 0, sizeof(l->remote));
	}
	simmux_plant_reset(u);
	simmux_protect_reset(u);
	u->began = u->now;
	if (u->options->line_ppb != 0) {
		simmux_elastic_start(u);
	}
	for (uint32_t c = 0; c < u->ports->count; c++) {
		u->trib[c].waiting = 0;
		u->trib[c].flows = false;
		if (u->trib[c].watch != NULL) {
			u->trib[c].watch->running = false;
		}
	}
	u->quiet = true;
	while (u->now < frame) {
		simmux_unit_run(u, u->idle);
	}
	u->quiet = false;
	u->settled = true;
	report_changes(u);
}

/* ---- injections ---- */

void simmux_unit_set_line_played(struct simmux_unit *u, uint32_t line, bool played)
{
	u->line_played[line] = played;
}

void simmux_unit_drop_injections(struct simmux_unit *u)
{
	simmux_inject_drop(u);
}

const char *simmux_unit_inject(
	struct simmux_unit *u, const struct simmux_injection *what, int *code)
{
	return simmux_inject_add(u, what, code);
}

/* ---- one chunk ---- */

/* A copy of what arrives, to be changed. */
static uint8_t *own_input(struct simmux_trib *t, const struct simmux_io *io)
{
	if (io->tx != NULL) {
		memcpy(t->in, io->tx, io->tx_bytes);
	} else {
		memset(t->in, 0xff, io->tx_bytes);
	}
	return t->in;
}

/* The framing of what arrives is watched, and what follows from it done. */
static const uint8_t *watched(
	struct simmux_unit *u, uint32_t c, const uint8_t *in, const struct simmux_io *io)
{
	struct simmux_trib *t = &u->trib[c];

	if (io->tx == NULL) {
		simmux_watch_stop(t->watch, u); /* nothing is connected */
		return in;
	}
	simmux_watch_feed(t->watch, u, in, io->tx_bytes);
	if (simmux_watch_lost(t->watch)) {
		memset(t->in, 0xff, io->tx_bytes);
		return t->in;
	}
	if (simmux_is_stuck(u, c)) {
		in = in == t->in ? in : own_input(t, io);
		simmux_stick(u, c, t->in, io->tx_bytes);
	}
	return in;
}

/* What goes into the encoder: NULL, all ones, when nothing is connected. */
static const uint8_t *input(struct simmux_unit *u, uint32_t c, const struct simmux_io *io)
{
	struct simmux_trib *t = &u->trib[c];
	const bool touched = simmux_inject_touches(u, c);
	const uint8_t *in = io->tx;

	if (t->plant != NULL) {
		simmux_plant_hear(u, c, in, io->tx_bytes);
	}
	if (touched) {
		in = own_input(t, io);
		simmux_inject_apply(u, c, t->in, (uint64_t)io->tx_bytes * 8);
	}
	if (t->watch != NULL && !u->quiet) {
		in = watched(u, c, in, io);
	}
	if (touched) {
		simmux_inject_consequences(u, c, t->in, (uint64_t)io->tx_bytes * 8);
	}
	return in;
}

/* Tells the far end what the decoder found in the last chunk, and what is injected as if it had. */
static void tell_far_end(struct simmux_line *l)
{
	struct evl_sdh_remote *r = &l->remote;

	r->ms_rdi |= (l->wish.section >> EVL_ALARM_MS_RDI & 1u) != 0;
	for (uint32_t i = 0; i < l->high_count; i++) {
		uint32_t h = l->highs[i];

		r->high[h].rdi |= (l->wish.high[h] >> EVL_ALARM_HP_RDI & 1u) != 0;
	}
	for (uint32_t i = 0; i < l->clients; i++) {
		r->client[i].rdi |= (l->wish.low[i] >> EVL_ALARM_LP_RDI & 1u) != 0;
	}
	evl_sdh_tx_set_remote(l->tx, r);
}

/* What the encoder is fed with in this chunk. */
static void gather(struct simmux_unit *u, struct simmux_line *l, struct simmux_io *io)
{
	for (uint32_t i = 0; i < l->clients; i++) {
		const int32_t c = l->port_of[i];

		l->data[i] = NULL;
		l->bytes[i] = 0;
		if (c >= 0) {
			if (io[c].tx == NULL) {
				io[c].tx_bytes = simmux_unit_nominal(u, (uint32_t)c);
			}
			l->data[i] = input(u, (uint32_t)c, &io[c]);
			l->bytes[i] = io[c].tx_bytes;
		}
	}
}

/* The permanent bridge of 1+1: the same paths, with what their far ends are told, on line 2. */
static void bridge(const struct simmux_line *from, struct simmux_line *to)
{
	memcpy(to->data, from->data, sizeof(to->data));
	memcpy(to->bytes, from->bytes, sizeof(to->bytes));
	memcpy(to->remote.high, from->remote.high, sizeof(to->remote.high));
	memcpy(to->remote.client, from->remote.client, sizeof(to->remote.client));
}

/* Returns the bytes of the line. */
static uint32_t encode(
	struct simmux_unit *u, struct simmux_line *l, struct simmux_io *io, uint8_t *line)
{
	uint32_t bytes = l->chunk_bytes;
	struct simmux_wish wish = {0};

	if (l->index == l->group) {
		gather(u, l, io);
	} else {
		bridge(u->line[l->group], l);
		simmux_protect_tell(u);
	}
	(void)simmux_inject_wish(u, l->index, &wish);
	if (l->index != l->group) {
		memcpy(wish.low, u->line[l->group]->wish.low, sizeof(wish.low));
	}
	simmux_line_wish(l, &wish);
	tell_far_end(l);
	if (u->options->line_ppb != 0) {
		bytes = simmux_elastic_encode(u, l, io, line);
	} else {
		/* The counts are in range: the caller keeps to LEAST and MOST. */
		evl_require(evl_sdh_encode(l->tx, l->data, l->bytes, SIMMUX_CHUNK_FRAMES, line,
				    NULL) == EVL_OK);
	}
	simmux_line_output(u, l->index, line, bytes);
	return bytes;
}

/* What arrives at the line input. */
static const uint8_t *line_input(struct simmux_unit *u, const struct simmux_line *l,
	const struct simmux_io *io, const uint8_t *line_out, uint32_t *bytes)
{
	const uint32_t c = simmux_line_channel(u->ports, l->index);
	const uint8_t *in = io[c].tx;
	uint8_t *own = u->line_in[l->index];

	if (in == NULL && u->options->looped) {
		in = line_out; /* and its number of bytes */
	} else {
		*bytes = l->chunk_bytes;
	}
	if (in != NULL && !simmux_line_disturb(u, l->index, NULL, *bytes) &&
		!simmux_inject_touches(u, c)) {
		return in;
	}
	if (in != NULL) {
		memcpy(own, in, *bytes);
	} else {
		memset(own, 0, *bytes);
	}
	simmux_inject_apply(u, c, own, (uint64_t)*bytes * 8);
	(void)simmux_line_disturb(u, l->index, own, *bytes);
	return own;
}

/* Behind the selector: the sections are listened to before it. */
static void on_path(
	void *ctx, enum evl_alarm alarm, struct evl_sdh_at at, bool raised, uint64_t bit)
{
	if (at.level != EVL_SDH_SECTION) {
		simmux_on_defect(ctx, alarm, at, raised, bit);
	}
}

static void decode(
	struct simmux_unit *u, struct simmux_line *l, const uint8_t *line, uint32_t bytes)
{
	struct simmux_hearer hearer = {u, l};
	const struct evl_sdh_events events = {
		u->ports->protection ? on_path : simmux_on_defect, &hearer};

	if (u->options->line_ppb != 0) {
		simmux_elastic_decode(u, l, line, bytes);
	} else {
		evl_sdh_decode(l->rx, line, SIMMUX_CHUNK_FRAMES, l->out, l->out_bytes, &events);
	}
	evl_sdh_rx_take_remote(l->rx, &l->remote);
	simmux_forget_remote(u, l);
}

/* Both sections of a protected line, and the paths that the selector takes. */
static void decode_protected(struct simmux_unit *u, const uint8_t *const in[SIMMUX_LINES])
{
	for (uint32_t n = 0; n < u->ports->lines; n++) {
		simmux_protect_decode(u, u->line[n], in[n]);
	}
	decode(u, u->line[0], simmux_protect_select(u, in), u->line[0]->chunk_bytes);
	for (uint32_t n = 0; n < u->ports->lines; n++) {
		struct simmux_line *l = u->line[n];

		l->remote.ms_rdi = l->heard_rdi;
		l->remote.ms_rei = l->heard_rei;
		simmux_forget_remote(u, l);
	}
}

/* Where the bits of the source of each output go. */
static void assign_outputs(struct simmux_unit *u, struct simmux_io *io)
{
	for (uint32_t n = 0; n < u->ports->lines; n++) {
		memset(u->line[n]->out, 0, sizeof(u->line[n]->out));
	}
	for (uint32_t c = 0; c < u->ports->first[SIMMUX_LINE]; c++) {
		struct simmux_trib *t = &u->trib[c];
		const struct simmux_port *from = &u->ports->list[t->source];
		const int32_t client = u->trib[t->source].client;

		if (client < 0) {
			continue;
		}
		/* A delay must be fed even while nobody captures; containers come whole and wait
		 * until their time. */
		u->line[from->line]->out[client] = simmux_is_bulk(from) ? t->out + t->waiting
						   : io[c].rx != NULL   ? io[c].rx
						   : t->plant != NULL   ? t->out
									: NULL;
	}
}

/* Containers come whole, a chunk brings one more or fewer now and then; what goes out is nominal.
 * One is held back so that one which comes late is not missed; AIS fills what is missing. */
static void give_bulk(struct simmux_unit *u, uint32_t c, uint32_t came, struct simmux_io *io)
{
	struct simmux_trib *t = &u->trib[c];
	const uint32_t due = simmux_unit_nominal(u, c), one = due / SIMMUX_CHUNK_FRAMES;
	uint32_t held, give;

	t->waiting += came;
	held = t->flows || t->waiting < one ? 0 : one;
	give = t->waiting - held < due ? t->waiting - held : due;
	if (io->rx != NULL) {
		memset(io->rx, 0xff, due);
		memcpy(io->rx + (t->flows ? 0 : due - give), t->out, give);
	}
	t->flows = t->flows ? give == due : give > 0;
	t->waiting -= give;
	memmove(t->out, t->out + give, t->waiting);
	if (t->waiting > 3 * one) {
		t->waiting -= one; /* too fast: the newest is lost */
	}
	io->rx_bytes = due;
	if (io->rx != NULL) {
		simmux_output(u, c, io->rx, due);
	}
}

static void give_outputs(struct simmux_unit *u, struct simmux_io *io)
{
	for (uint32_t c = 0; c < u->ports->first[SIMMUX_LINE]; c++) {
		const struct simmux_trib *t = &u->trib[c];
		const struct simmux_port *from = &u->ports->list[t->source];
		const int32_t client = u->trib[t->source].client;
		const struct simmux_line *l = u->line[from->line];
		uint8_t *out = io[c].rx;

		if (client >= 0 && simmux_is_bulk(from)) {
			give_bulk(u, c, l->out_bytes[client], &io[c]);
			continue;
		}
		io[c].rx_bytes = client >= 0 ? l->out_bytes[client] : simmux_unit_nominal(u, c);
		if (client < 0 && out != NULL) {
			memset(out, 0xff, io[c].rx_bytes);
		}
		if (t->plant != NULL) {
			if (out == NULL && client < 0) {
				memset(t->out, 0xff, io[c].rx_bytes);
			}
			simmux_output(u, c, out != NULL ? out : t->out, io[c].rx_bytes);
		}
	}
}

void simmux_unit_run(struct simmux_unit *u, struct simmux_io *io)
{
	const uint32_t first = u->ports->first[SIMMUX_LINE];
	const uint8_t *inputs[SIMMUX_LINES] = {NULL, NULL};

	assign_outputs(u, io);
	for (uint32_t n = 0; n < u->ports->lines; n++) {
		struct simmux_line *l = u->line[n];
		uint8_t *line_out = io[first + n].rx != NULL ? io[first + n].rx : u->line_out[n];

		uint32_t bytes = encode(u, l, io, line_out);

		io[first + n].rx_bytes = bytes;
		inputs[n] = line_input(u, l, io, line_out, &bytes);
		if (!u->ports->protection) {
			decode(u, l, inputs[n], bytes);
		}
	}
	if (u->ports->protection) {
		decode_protected(u, inputs);
	}
	if (u->options->line_ppb != 0) {
		simmux_elastic_collect(u, io);
	}
	give_outputs(u, io);
	simmux_false_reports(u);
	u->now += SIMMUX_CHUNK_FRAMES;
	if (u->ports->protection) {
		simmux_protect_step(u);
	}
	simmux_inject_forget(u);
}

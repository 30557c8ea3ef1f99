/* SPDX-License-Identifier: Apache-2.0 */
/* The planted defects of tributary outputs, of lines, and of what is told and reported. */
#include <stdlib.h>
#include <string.h>

#include "adapters/simmux/parts.h"

#define CHUNK_NS ((uint64_t)SIMMUX_CHUNK_FRAMES * EVL_FRAME_NS)

static bool is_slip(const struct simmux_fault *f)
{
	return f->kind == SIMMUX_SLIP || f->kind == SIMMUX_LOST_FRAME ||
	       f->kind == SIMMUX_REPEATED_FRAME || f->kind == SIMMUX_POINTER_SLIP ||
	       f->kind == SIMMUX_SWITCH_SLIP;
}

/* ---- time ---- */

/* Instants of faults count from the host's time 0 (or from open in real time). */
static uint64_t switched_on(uint64_t at_ns)
{
	return at_ns + (uint64_t)SIMMUX_LEAD_FRAMES * EVL_FRAME_NS;
}

/* The occurrences of a fault that may reach into the present chunk are `*first` to `*last`. */
static bool occurrences(
	const struct simmux_unit *u, const struct simmux_fault *f, uint64_t *first, uint64_t *last)
{
	const uint64_t at = switched_on(f->at_ns), now = u->now * EVL_FRAME_NS;
	const uint64_t end = now + CHUNK_NS;

	if (at >= end) {
		return false;
	}
	*first = *last = 0;
	if (f->every_ns > 0) {
		*last = (end - 1 - at) / f->every_ns;
		*first = *last > 0 ? *last - 1 : 0;
		if (f->every_ns < CHUNK_NS + f->lasting_ns) {
			*first = *last > 2 ? *last - 3 : 0;
		}
	}
	return true;
}

/* Where occurrence `k` lies in a stream of frame_bits. */
static struct evl_span span_of(const struct simmux_fault *f, uint64_t k, uint32_t frame_bits)
{
	uint64_t at = switched_on(f->at_ns);

	at = k == 0 || f->every_ns < (UINT64_MAX - at) / k ? at + k * f->every_ns : UINT64_MAX / 2;
	return simmux_span_of(at, f->lasting_ns > 0 ? f->lasting_ns : 1, frame_bits);
}

/* ---- planting ---- */

static struct simmux_plant *plant_at(struct simmux_plant **at)
{
	if (*at == NULL) {
		*at = calloc(1, sizeof(**at));
	}
	return *at;
}

static bool plant_store(struct simmux_plant *p, uint32_t most)
{
	if (!p->has_store) {
		p->store_memory = malloc(evl_slipper_bytes(SIMMUX_SLIP_STORE, most));
		p->has_store = p->store_memory != NULL;
	}
	return p->has_store;
}

static bool plant_tributary(struct simmux_unit *u, const struct simmux_fault *f)
{
	const uint32_t most = simmux_unit_most(u, f->channel);
	struct simmux_plant *p = plant_at(&u->trib[f->channel].plant);

	if (p == NULL) {
		return false;
	}
	switch (f->kind) {
	case SIMMUX_SWAP: {
		uint32_t source = u->trib[f->channel].source;

		u->trib[f->channel].source = u->trib[f->second].source;
		u->trib[f->second].source = source;
		return true;
	}
	case SIMMUX_ERRORS:
		p->has_errors = true;
		simmux_errors_of(u, &p->errors, f->channel, false, f->numerator, f->denominator);
		return true;
	case SIMMUX_DELAY:
		return simmux_delay_init(&p->delay, (uint64_t)f->bits, most);
	case SIMMUX_INVERT:
		p->invert = true;
		return true;
	case SIMMUX_NO_AIS:
		p->no_ais = true;
		return true;
	default:
		p->slips_both_ways |= is_slip(f) && f->kind != SIMMUX_SWITCH_SLIP;
		return !is_slip(f) || plant_store(p, most);
	}
}

static bool plant_line(struct simmux_unit *u, const struct simmux_fault *f, uint32_t line)
{
	const uint32_t channel = simmux_line_channel(u->ports, line);
	const uint32_t bytes = simmux_unit_most(u, channel);
	struct simmux_plant *p = plant_at(&u->line_plant[line]);

	if (p == NULL) {
		return false;
	}
	switch (f->kind) {
	case SIMMUX_LINE_ERRORS:
		p->has_errors = true;
		simmux_errors_of(u, &p->errors, channel, false, f->numerator, f->denominator);
		return true;
	case SIMMUX_LINE_DELAY:
		return simmux_delay_init(&p->delay, (uint64_t)f->bits, bytes);
	case SIMMUX_LINE_SLIP:
		return u->planted_store[line].memory != NULL ||
		       simmux_store_init(&u->planted_store[line], SIMMUX_SLIP_STORE / 2, bytes);
	default:
		return true;
	}
}

/* How a defect is reported, on one channel or on all of those that the fault names. */
static bool plant_report(struct simmux_unit *u, const struct simmux_fault *f)
{
	if (u->reports == NULL) {
		u->reports = calloc(SIMMUX_CHANNELS, sizeof(u->reports[0]));
	}
	for (uint32_t c = 0; u->reports != NULL && c < u->ports->count; c++) {
		struct simmux_report *r = &u->reports[c][f->alarm];

		if ((f->channel != SIMMUX_NOWHERE && f->channel != c) ||
			(f->line != SIMMUX_NOWHERE &&
				c != simmux_line_channel(u->ports, f->line))) {
			continue;
		}
		r->hidden = r->hidden || f->kind == SIMMUX_UNREPORTED;
		r->stuck = r->stuck || f->kind == SIMMUX_STUCK_REPORT;
		r->late_ns += f->kind == SIMMUX_REPORTED_LATE ? f->every_ns : 0;
	}
	return u->reports != NULL;
}

bool simmux_plant_all(struct simmux_unit *u)
{
	bool good = true;

	for (uint32_t i = 0; good && i < u->options->fault_count; i++) {
		const struct simmux_fault *f = &u->options->faults[i];

		if (f->kind >= SIMMUX_LINE_ERRORS) {
			for (uint32_t n = 0; good && n < u->ports->lines; n++) {
				good = (f->line != SIMMUX_NOWHERE && f->line != n) ||
				       plant_line(u, f, n);
			}
		} else if (f->kind >= SIMMUX_UNREPORTED && f->kind <= SIMMUX_STUCK_REPORT) {
			good = plant_report(u, f);
		} else if (f->kind <= SIMMUX_JUSTIFICATION_ERROR) {
			good = plant_tributary(u, f);
		}
	}
	return good;
}

void simmux_plant_finish(struct simmux_plant *p)
{
	if (p != NULL) {
		simmux_delay_finish(&p->delay);
		free(p->store_memory);
		free(p);
	}
}

static void reset(struct simmux_plant *p, uint32_t most, uint8_t idle)
{
	if (p == NULL) {
		return;
	}
	simmux_delay_fill(&p->delay, idle);
	p->moves = p->bits = 0;
	if (p->has_store) {
		/* Half full: bits can be left out as well as come again. */
		evl_slipper_init(&p->store, p->store_memory, SIMMUX_SLIP_STORE, most);
		p->store.delay_bits = p->slips_both_ways ? SIMMUX_SLIP_STORE / 2 : 0;
		p->back = false;
	}
}

void simmux_plant_reset(struct simmux_unit *u)
{
	for (uint32_t c = 0; c < u->ports->first[SIMMUX_LINE]; c++) {
		reset(u->trib[c].plant, simmux_unit_most(u, c), 0xff);
	}
	for (uint32_t n = 0; n < u->ports->lines; n++) {
		const uint32_t bytes = simmux_unit_most(u, simmux_line_channel(u->ports, n));
		struct simmux_store *s = &u->planted_store[n];

		reset(u->line_plant[n], bytes, 0x00);
		if (s->memory != NULL) {
			evl_slipper_init(&s->slipper, s->memory, SIMMUX_SLIP_STORE, bytes);
		}
	}
}

/* ---- on inputs of tributaries ---- */

bool simmux_is_stuck(const struct simmux_unit *u, uint32_t channel)
{
	for (uint32_t i = 0; u->trib[channel].plant != NULL && i < u->options->fault_count; i++) {
		const struct simmux_fault *f = &u->options->faults[i];

		if (f->kind == SIMMUX_STUCK_TIMESLOT && f->channel == channel) {
			return true;
		}
	}
	return false;
}

void simmux_stick(const struct simmux_unit *u, uint32_t channel, uint8_t *data, uint32_t bytes)
{
	for (uint32_t i = 0; i < u->options->fault_count; i++) {
		const struct simmux_fault *f = &u->options->faults[i];

		if (f->kind == SIMMUX_STUCK_TIMESLOT && f->channel == channel) {
			simmux_watch_stick(u->trib[channel].watch, f->timeslot, (uint8_t)f->value,
				data, (uint64_t)bytes * 8);
		}
	}
}

/* ---- on outputs of tributaries ---- */

struct moved {
	uint64_t moves, bits;
};

/* Pointer movements and justifications of the client that comes out, since the last reset. */
static struct moved moved_since(
	const struct simmux_unit *u, uint32_t channel, const struct simmux_fault *f)
{
	const struct simmux_trib *from = &u->trib[u->trib[channel].source];
	const struct simmux_line *l = u->line[u->ports->list[u->trib[channel].source].line];
	struct evl_sdh_rx_counts low = {0}, high = {0};

	if (from->client >= 0) {
		const struct evl_sdh_at at = {EVL_SDH_CLIENT, (uint32_t)from->client};
		const struct evl_sdh_at path = {EVL_SDH_HIGH, l->client[from->client].high};

		(void)evl_sdh_rx_counts(l->rx, at, &low);
		(void)evl_sdh_rx_counts(l->rx, path, &high);
	}
	return (struct moved){
		f->decrement ? low.decrements + high.decrements : low.increments + high.increments,
		low.extra + low.missing};
}

/* Slips come half of `every` to one and a half apart. */
static uint64_t gap_of(struct simmux_plant *p, const struct simmux_fault *f)
{
	return f->every_ns / 2 + evl_rng_below(&p->rng, f->every_ns);
}

/*
 * A store that is centred badly when the selector moves to the protection section. Whether it
 * happens, and when the slips come, depends on nothing but the bits that come in during the
 * millisecond in which the selector moves: the same bits at the same instant bring it again.
 */
void simmux_plant_hear(struct simmux_unit *u, uint32_t channel, const uint8_t *in, uint32_t bytes)
{
	struct simmux_plant *p = u->trib[channel].plant;
	uint64_t hash = 0xcbf29ce484222325u; /* FNV-1a */

	if (p->switches == u->protect.moves) {
		return;
	}
	p->switches = u->protect.moves;
	p->awake = false;
	for (uint32_t i = 0; i < bytes; i++) {
		hash = (hash ^ (in != NULL ? in[i] : 0xff)) * 0x100000001b3u;
	}
	for (uint32_t i = 0; i < u->options->fault_count; i++) {
		const struct simmux_fault *f = &u->options->faults[i];

		if (f->kind != SIMMUX_SWITCH_SLIP || f->channel != channel) {
			continue;
		}
		/* The move centres the store again. */
		if (p->back && p->store.delay_bits >= (uint64_t)f->bits) {
			p->store.delay_bits -= (uint64_t)f->bits;
		}
		p->back = false;
		evl_rng_init(&p->rng, hash, 0);
		p->awake = evl_rng_below(&p->rng, f->denominator) < f->numerator &&
			   u->protect.selected == SIMMUX_PROTECTION;
		p->slip_ns = u->now * EVL_FRAME_NS + gap_of(p, f);
	}
}

static int64_t switch_slip_due(const struct simmux_unit *u, struct simmux_plant *p,
	const struct simmux_fault *f, uint32_t frame_bits, uint64_t *at)
{
	const uint64_t now = u->now * EVL_FRAME_NS;
	const uint64_t passed = p->slip_ns > now ? p->slip_ns - now : 0;

	if (!p->awake || passed >= CHUNK_NS) {
		return 0;
	}
	*at = passed * frame_bits / EVL_FRAME_NS;
	p->slip_ns = now + passed + gap_of(p, f);
	p->back = !p->back;
	return p->back ? f->bits : -f->bits;
}

/* The slip that is due in this chunk, if any: `*at` in bits of the chunk. Every second one goes the
 * other way round, so that the store holds. */
static int64_t slip_due(struct simmux_unit *u, uint32_t channel, const struct simmux_fault *f,
	uint64_t bits, uint64_t *at)
{
	const uint32_t frame_bits = u->ports->list[channel].frame_bits;
	struct simmux_plant *p = u->trib[channel].plant;
	uint64_t first, last;

	*at = 0;
	if (f->kind == SIMMUX_POINTER_SLIP) {
		uint64_t moves = moved_since(u, channel, f).moves;
		uint64_t fresh = moves > p->moves ? moves - p->moves : 0;

		p->moves = moves;
		return u->quiet ? 0 : (int64_t)fresh * f->bits;
	}
	if (f->kind == SIMMUX_SWITCH_SLIP) {
		return switch_slip_due(u, p, f, frame_bits, at);
	}
	if (!occurrences(u, f, &first, &last)) {
		return 0;
	}
	for (uint64_t k = first; k <= last; k++) {
		struct evl_span part;

		if (evl_span_cut(&part, span_of(f, k, frame_bits), u->now * frame_bits, bits)) {
			int64_t way = k % 2 == 0 ? 1 : -1;

			*at = part.begin;
			return way * (f->kind == SIMMUX_SLIP                ? f->bits
					     : f->kind == SIMMUX_LOST_FRAME ? -(int64_t)frame_bits
									    : (int64_t)frame_bits);
		}
	}
	return 0;
}

static void slip(struct simmux_unit *u, uint32_t channel, uint8_t *data, uint32_t bytes)
{
	struct simmux_plant *p = u->trib[channel].plant;
	uint64_t at = 0, nowhere;
	int64_t bits = 0;

	for (uint32_t i = 0; i < u->options->fault_count; i++) {
		const struct simmux_fault *f = &u->options->faults[i];

		if (is_slip(f) && f->channel == channel && bits == 0) {
			bits = slip_due(u, channel, f, (uint64_t)bytes * 8, &at);
		} else if (is_slip(f) && f->channel == channel) {
			(void)slip_due(u, channel, f, (uint64_t)bytes * 8, &nowhere);
		}
	}
	if (evl_slipper_apply(&p->store, data, bytes, at, bits, NULL) != EVL_OK) {
		(void)evl_slipper_apply(&p->store, data, bytes, 0, 0, NULL);
	}
}

static void one_fault(struct simmux_unit *u, uint32_t channel, const struct simmux_fault *f,
	uint8_t *data, uint32_t bytes)
{
	const uint32_t frame_bits = u->ports->list[channel].frame_bits;
	const uint64_t bits = (uint64_t)bytes * 8, start = u->now * frame_bits;
	struct simmux_plant *p = u->trib[channel].plant;
	uint64_t first, last;

	if (f->kind == SIMMUX_JUSTIFICATION_ERROR) {
		uint64_t now = moved_since(u, channel, f).bits;

		for (uint64_t i = p->bits; i < now && !u->quiet; i++) {
			(void)evl_impair_single(data, 0, bits, i - p->bits);
		}
		p->bits = now;
	}
	if (f->kind == SIMMUX_BURST && occurrences(u, f, &first, &last)) {
		for (uint64_t k = first; k <= last; k++) {
			struct evl_errors density;

			simmux_errors_of(u, &density, channel, false, f->numerator, f->denominator);
			(void)evl_impair_burst(
				&density, data, start, bits, span_of(f, k, frame_bits));
		}
	}
}

void simmux_output(struct simmux_unit *u, uint32_t channel, uint8_t *data, uint32_t bytes)
{
	const uint32_t nominal = simmux_unit_nominal(u, channel);
	struct simmux_plant *p = u->trib[channel].plant;
	const struct simmux_trib *from = &u->trib[u->trib[channel].source];
	const struct simmux_line *l = u->line[u->ports->list[u->trib[channel].source].line];

	if (p == NULL) {
		return;
	}
	if (p->no_ais &&
		(from->client < 0 || evl_sdh_rx_output_ais(l->rx, (uint32_t)from->client))) {
		memset(data, 0, bytes); /* what an empty store gives */
	}
	if (p->has_store) {
		slip(u, channel, data, bytes);
	}
	simmux_delay_apply(&p->delay, data, bytes);
	if (p->has_errors) {
		/* Errors keep their instants; a byte more than nominal has none. */
		(void)evl_errors_apply(&p->errors, data, 0,
			u->now * u->ports->list[channel].frame_bits,
			(bytes < nominal ? bytes : nominal) * 8);
	}
	for (uint32_t i = 0; i < u->options->fault_count; i++) {
		if (u->options->faults[i].channel == channel) {
			one_fault(u, channel, &u->options->faults[i], data, bytes);
		}
	}
	if (p->invert) {
		(void)evl_impair_invert(
			data, 0, (uint64_t)bytes * 8, (struct evl_span){0, (uint64_t)bytes * 8});
	}
}

/* ---- on lines ---- */

void simmux_line_output(struct simmux_unit *u, uint32_t line, uint8_t *data, uint32_t bytes)
{
	const uint32_t channel = simmux_line_channel(u->ports, line);
	const uint32_t nominal = simmux_unit_nominal(u, channel);
	struct simmux_plant *p = u->line_plant[line];

	if (p == NULL) {
		return;
	}
	simmux_delay_apply(&p->delay, data, bytes);
	if (p->has_errors) {
		(void)evl_errors_apply(&p->errors, data, 0,
			u->now * u->ports->list[channel].frame_bits,
			(uint64_t)(bytes < nominal ? bytes : nominal) * 8);
	}
}

bool simmux_line_disturb(struct simmux_unit *u, uint32_t line, uint8_t *data, uint32_t bytes)
{
	const uint32_t frame_bits = u->ports->list[simmux_line_channel(u->ports, line)].frame_bits;
	const uint64_t bits = (uint64_t)frame_bits * SIMMUX_CHUNK_FRAMES;
	struct simmux_store *s = &u->planted_store[line];
	bool any = s->memory != NULL;
	int64_t slip_bits = 0;
	uint64_t slip_at = 0;

	for (uint32_t i = 0; i < u->options->fault_count && u->line_plant[line] != NULL; i++) {
		const struct simmux_fault *f = &u->options->faults[i];
		uint64_t first, last;

		if ((f->kind != SIMMUX_LINE_LOSS && f->kind != SIMMUX_LINE_SLIP) ||
			(f->line != SIMMUX_NOWHERE && f->line != line) ||
			!occurrences(u, f, &first, &last)) {
			continue;
		}
		for (uint64_t k = first; k <= last; k++) {
			struct evl_span part;

			if (!evl_span_cut(
				    &part, span_of(f, k, frame_bits), u->now * frame_bits, bits)) {
				continue;
			}
			any = true;
			if (f->kind == SIMMUX_LINE_SLIP) {
				slip_at = part.begin < 8ull * bytes ? part.begin : 8ull * bytes - 1;
				slip_bits = k % 2 == 0 ? f->bits : -f->bits;
			} else if (data != NULL) {
				part.end = part.end == bits || part.end > 8ull * bytes
						   ? 8ull * bytes
						   : part.end;
				part.begin = part.begin < part.end ? part.begin : part.end;
				simmux_span_set(data, part, false);
			}
		}
	}
	if (data != NULL && s->memory != NULL &&
		evl_slipper_apply(&s->slipper, data, bytes, slip_at, slip_bits, NULL) != EVL_OK) {
		(void)evl_slipper_apply(&s->slipper, data, bytes, 0, 0, NULL);
	}
	return any;
}

/* ---- on what is told and reported ---- */

static bool meant(const struct simmux_unit *u, const struct simmux_line *l,
	const struct simmux_fault *f, enum simmux_layer layer, uint32_t client)
{
	if (f->layer != (uint32_t)layer) {
		return false;
	}
	if (f->channel != SIMMUX_NOWHERE) {
		return l->port_of[client] == (int32_t)f->channel;
	}
	(void)u;
	return f->line == SIMMUX_NOWHERE || f->line == l->index;
}

/* RDI, REI that are not returned; parity that is not checked has no REI either. */
void simmux_forget_remote(const struct simmux_unit *u, struct simmux_line *l)
{
	for (uint32_t i = 0; i < u->options->fault_count; i++) {
		const struct simmux_fault *f = &u->options->faults[i];
		const bool rdi = f->kind == SIMMUX_NO_RDI;

		if (!rdi && f->kind != SIMMUX_NO_REI && f->kind != SIMMUX_NO_BIP_CHECK) {
			continue;
		}
		if (meant(u, l, f, SIMMUX_LAYER_MS, 0)) {
			l->remote.ms_rdi = l->remote.ms_rdi && !rdi;
			l->remote.ms_rei = rdi ? l->remote.ms_rei : 0;
		}
		for (uint32_t h = 0; h < EVL_SDH_MOST_HIGH; h++) {
			if (meant(u, l, f, SIMMUX_LAYER_HP, 0)) {
				l->remote.high[h].rdi = l->remote.high[h].rdi && !rdi;
				l->remote.high[h].rei = rdi ? l->remote.high[h].rei : 0;
			}
		}
		for (uint32_t c = 0; c < l->clients; c++) {
			if (meant(u, l, f, SIMMUX_LAYER_LP, c)) {
				l->remote.client[c].rdi = l->remote.client[c].rdi && !rdi;
				l->remote.client[c].rei = rdi ? l->remote.client[c].rei : 0;
			}
		}
	}
}

void simmux_false_reports(struct simmux_unit *u)
{
	const uint64_t now = u->now * EVL_FRAME_NS;

	for (uint32_t i = 0; i < u->options->fault_count && !u->quiet; i++) {
		const struct simmux_fault *f = &u->options->faults[i];
		const uint32_t line = f->line != SIMMUX_NOWHERE ? f->line : 0;
		const uint32_t channel = f->channel != SIMMUX_NOWHERE
						 ? f->channel
						 : simmux_line_channel(u->ports, line);
		uint64_t first, last;

		if (f->kind != SIMMUX_FALSE_REPORT || !occurrences(u, f, &first, &last)) {
			continue;
		}
		for (uint64_t k = first; k <= last; k++) {
			uint64_t begin = switched_on(f->at_ns) + k * f->every_ns;
			uint64_t end = begin + f->lasting_ns;

			if (begin >= now && begin < now + CHUNK_NS) {
				simmux_defects_change(&u->defects, channel, f->alarm, true, begin);
			}
			if (end >= now && end < now + CHUNK_NS) {
				simmux_defects_change(&u->defects, channel, f->alarm, false, end);
			}
		}
	}
}

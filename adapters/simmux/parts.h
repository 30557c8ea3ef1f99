/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Inside of the unit, shared by unit.c, setup.c, output.c, inject.c and protect.c only:
 *
 *	#include "adapters/simmux/parts.h"
 */
#pragma once

#include "adapters/simmux/defects.h"
#include "adapters/simmux/delay.h"
#include "adapters/simmux/elastic.h"
#include "adapters/simmux/inject.h"
#include "adapters/simmux/line.h"
#include "adapters/simmux/protect.h"
#include "adapters/simmux/unit.h"
#include "adapters/simmux/watch.h"
#include "core/base/rate.h"
#include "core/signal/impair.h"

#define SIMMUX_BLOCK_FRAMES 64u   /* of the error generators */
#define SIMMUX_SLIP_STORE   8192u /* bits of a slip store: all slips of a take together */
#define SIMMUX_E1_LOS_BITS  255u  /* G.775 4: 10..255 pulse intervals to see LOS, and it gone */
#define SIMMUX_T1_LOS_BITS  175u  /* T1.231: 175 +- 75 */

/* Planted on one output, or on the input of a line. */
struct simmux_plant {
	struct simmux_delay delay;
	bool has_errors, invert, no_ais;
	struct evl_errors errors;
	bool has_store; /* slips */
	struct evl_slipper store;
	uint8_t *store_memory; /* owned */
	bool slips_both_ways;  /* the store begins half full, else empty */
	uint64_t moves, bits;  /* of the client's pointer and justification, so far */
	/* switch-slip: what the last move of the selector left behind. */
	uint64_t switches; /* moves of the selector that were looked at */
	bool awake;        /* it slips now and then ... */
	bool back;         /* ... the next time back again */
	uint64_t slip_ns;  /* when next, on the unit's clock */
	struct evl_rng rng;
};

/* A slip store of an input, in use from the first injected slip on. */
struct simmux_store {
	uint8_t *memory; /* owned; NULL: none */
	struct evl_slipper slipper;
};

struct simmux_trib {
	int32_t client;   /* on its line, -1: not connected */
	uint32_t source;  /* channel whose client comes out here */
	uint8_t *in;      /* room for an altered input */
	uint8_t *out;     /* room for an output that is not captured; bulk: containers that came */
	uint32_t waiting; /* bulk: bytes in `out` */
	bool flows;       /* bulk: containers come and go */
	struct simmux_plant *plant; /* NULL: nothing */
	struct simmux_store store;
	struct simmux_watch *watch; /* NULL: framing is not watched */
	struct simmux_elastic_port elastic;
};

struct simmux_unit {
	const struct simmux_options *options;
	const struct simmux_ports *ports;
	uint64_t seed;
	uint64_t now;   /* frames since switching on */
	uint64_t began; /* frame with which the last lead began */
	uint64_t lead;  /* frames that bring it into its settled state */
	bool settled;   /* false before the first frame, and after a setup */
	bool quiet;     /* defects are not reported while it settles */
	bool line_played[SIMMUX_LINES];
	struct simmux_line *line[SIMMUX_LINES];
	struct simmux_plant *line_plant[SIMMUX_LINES]; /* NULL: nothing; on what is sent */
	struct simmux_store line_store[SIMMUX_LINES], planted_store[SIMMUX_LINES];
	uint8_t *line_out[SIMMUX_LINES], *line_in[SIMMUX_LINES];
	struct simmux_elastic elastic[SIMMUX_LINES]; /* where clock.line_ppm is not 0 */
	struct simmux_trib trib[SIMMUX_CHANNELS];
	struct simmux_protect protect; /* where ports->protection */
	struct simmux_injections injections;
	struct simmux_report (*reports)[EVL_ALARM_COUNT]; /* planted; NULL: nothing */
	struct simmux_defects defects;
	struct simmux_io idle[SIMMUX_CHANNELS]; /* of a unit that nobody is connected to */
};

/* Where the decoder's events go, for simmux_on_defect. */
struct simmux_hearer {
	struct simmux_unit *u;
	const struct simmux_line *line;
};
void simmux_on_defect(
	void *ctx, enum evl_alarm alarm, struct evl_sdh_at at, bool raised, uint64_t bit);

/* Random streams of a channel: planted errors have the even ones, injected the odd ones. */
void simmux_errors_of(const struct simmux_unit *u, struct evl_errors *e, uint32_t channel,
	bool injected, uint64_t numerator, uint64_t denominator);

/* Readies a slip store that begins with a delay of `delay_bits`. False: out of memory. */
bool simmux_store_init(struct simmux_store *s, uint64_t delay_bits, uint64_t chunk_bytes);

/* output.c: the planted defects of outputs and lines. */
bool simmux_plant_all(struct simmux_unit *u);
void simmux_plant_finish(struct simmux_plant *p);
/* What comes in while the selector moves decides about slips that follow. `in` NULL: all ones. */
void simmux_plant_hear(struct simmux_unit *u, uint32_t channel, const uint8_t *in, uint32_t bytes);
/* Timeslots that are stuck at the input. */
bool simmux_is_stuck(const struct simmux_unit *u, uint32_t channel);
void simmux_stick(const struct simmux_unit *u, uint32_t channel, uint8_t *data, uint32_t bytes);
void simmux_output(struct simmux_unit *u, uint32_t channel, uint8_t *data, uint32_t bytes);
void simmux_line_output(struct simmux_unit *u, uint32_t line, uint8_t *data, uint32_t bytes);
/* Is anything planted on the line's input in this chunk? With data it is put in. */
bool simmux_line_disturb(struct simmux_unit *u, uint32_t line, uint8_t *data, uint32_t bytes);
void simmux_plant_reset(struct simmux_unit *u);
void simmux_false_reports(struct simmux_unit *u);
void simmux_forget_remote(const struct simmux_unit *u, struct simmux_line *l);

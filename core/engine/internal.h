/* SPDX-License-Identifier: Apache-2.0 */
/* Insides of a running take, shared by the files of this room only. */
#pragma once

#include "core/adapter/instance.h"
#include "core/engine/clock.h"
#include "core/engine/engine.h"
#include "core/engine/lease.h"
#include "core/engine/pace.h"
#include "core/frame/e1.h"
#include "core/frame/e1_build.h"
#include "core/frame/e1_receive.h"
#include "core/frame/sdh.h"
#include "core/frame/t1_build.h"
#include "core/frame/t1_receive.h"
#include "core/measure/checker.h"
#include "core/measure/performance.h"
#include "core/measure/seconds.h"
#include "core/measure/sequential.h"
#include "core/recording/reader.h"
#include "core/recording/stream_digest.h"
#include "core/recording/writer.h"
#include "core/signal/pattern.h"

struct evl_engine {
	struct evl_engine_args args;
	struct evl_clock clock;
	struct evl_leases *leases;
	const struct evl_bound_channel **channels; /* by channel */
	uint32_t channel_count;
	uint32_t **by_port; /* by_port[instance][adapter channel] = channel, or UINT32_MAX */
	uint32_t *port_count;
	uint64_t (*standing)[2];     /* by channel and evl_take_event.by_unit: alarms, by bit */
	const struct group *running; /* between start and stop, else NULL */
	bool *off_clock;             /* by channel: in its last take it had a clock of its own */
};

/* One meter: a pattern checker, or a comparison with a recording. */
struct meter {
	struct evl_take_meter out;
	uint32_t part;
	uint64_t phase; /* sent */
	enum evl_pattern_identity identity;
	uint32_t phase_set;
	struct evl_checker checker;
	struct evl_checker_counts last;
	uint64_t bits, errors; /* RECORDING: compared so far */
	uint64_t last_bits, last_errors;
	uint64_t first_error;
	struct evl_seconds seconds;
	struct evl_performance performance; /* from blocks */
	size_t block_bytes, block_at;       /* size, and where in the present one we are */
	bool block_errored;                 /* the present one, so far */
	uint64_t blocks, errored_blocks;    /* of this second, while in synchronism */
	const struct evl_take_content *expected;
	uint8_t *sample; /* what was received in the middle slab, to tell what it is */
	bool have_sample;
	uint64_t sample_bit; /* where in the stream it begins */
	size_t sample_bytes;
};

struct part {
	const struct evl_take_part *plan;
	const struct evl_bound_channel *bound;
	int32_t clock_ppb;                       /* of what it plays */
	struct evl_take_window played, expected; /* RECORDING: as the plan, none of 0 bits */
	size_t slab_bytes;                       /* nominal */
	size_t tx_bytes;                         /* of the present slab ... */
	size_t rx_bytes;                         /* ... as they really came */
	uint64_t sent_bits;                      /* in the take proper, before the present slab */
	uint64_t received_bits;
	uint64_t seen_bits; /* received since the lead-in began */
	uint8_t *tx;        /* NULL when it does not play */
	uint8_t *rx;        /* NULL when it does not capture */
	struct evl_source generator;
	struct framed_tx *framed_tx;             /* NULL: what is played has no frames of ours */
	struct framed_rx *framed_rx;             /* NULL: nobody wants frames */
	struct evl_network *network;             /* NULL: none */
	struct evl_stream_digest *source_digest; /* of what goes into the network */
	struct evl_stream_digest *sent_digest;
	struct evl_stream_digest *received_digest;
	int32_t record_sent; /* channel in the writer, or -1 */
	int32_t record_received;
	int32_t meter; /* or -1 */
	bool watch_e1;
	struct evl_e1_monitor e1;
	struct line_receiver *line; /* NULL: nobody looks into it */
	uint64_t started_ns;
	uint32_t instance;
	uint32_t place; /* in that instance's arms and slabs */
	uint32_t rec_flags;
};

/* framed.c: makes frames around a pattern. */
struct framed_tx {
	enum evl_rate rate;
	struct evl_timeslots slots;
	struct evl_e1_builder e1;
	struct evl_t1_builder t1;
	uint8_t frames[256]; /* 8 frames; what was not sent yet is at their end */
	size_t left;
	uint8_t group[EVL_TIMESLOTS_MAX * 8];
	struct evl_network *network; /* which alarms to make; NULL: none */
	uint64_t made;               /* frames of the take proper */
};

/* Receives frames, and takes a group of timeslots out of them. */
struct framed_rx {
	struct evl_take_framed out;
	struct evl_timeslots slots; /* count 0: none is wanted */
	struct evl_e1_receiver *e1;
	struct evl_t1_receiver *t1;
	uint8_t *frames;
	uint8_t *group;     /* of the present slab ... */
	size_t group_bytes; /* ... so many bytes, of room: */
	size_t group_room;
	bool watched;
	uint64_t fed_bits; /* before the present slab */
	uint64_t last_crc, last_e;
	struct take *take; /* for events */
	const struct part *part;
	struct line_receiver *line; /* of a client; NULL: of a port */
	uint32_t client;
	uint64_t slab_bits;
};

/* line_receiver.c: the tester's own receiver of a captured line. */
struct line_receiver {
	struct take *take;
	struct part *part;
	struct evl_sdh_rx *rx;
	struct evl_sdh_map map;
	bool deep;
	struct evl_cut frames; /* what it is fed with */
	uint32_t client_count;
	struct evl_sdh_client clients[EVL_SDH_MOST_CLIENTS];
	uint32_t channel_of[EVL_SDH_MOST_CLIENTS]; /* that is the client, or UINT32_MAX */
	uint32_t meter_of[EVL_SDH_MOST_CLIENTS];   /* or UINT32_MAX */
	struct framed_rx *framed_of[EVL_SDH_MOST_CLIENTS];
	uint8_t *data[EVL_SDH_MOST_CLIENTS];  /* NULL where nobody listens */
	uint32_t bytes[EVL_SDH_MOST_CLIENTS]; /* of the present slab */
};

struct per_instance {
	struct evl_instance *in;
	struct evl_arm *arms;
	struct evl_slab *slabs;
	uint64_t *started_ns;
	uint32_t count;
	bool failed; /* it is not to be called again but to stop */
};

struct causes;
struct ending;
struct history;
struct parity;
struct triggers;

struct take {
	struct evl_engine *engine;
	const struct evl_take_plan *plan;
	const struct evl_take_sink *sink;
	struct evl_take_result *result; /* NULL: it did not come to be prepared */
	enum evl_status status;         /* below 0: it failed, and is out of the group ... */
	struct evl_err *err;            /* ... for this */
	bool leased;                    /* it may hold channels */
	bool began;                     /* its first slab was asked for */
	bool moving;                    /* it began and has not ended */
	bool ended;
	uint64_t frames_all; /* whole slabs */
	uint64_t start_ns;   /* of the take proper, after the lead-in */
	uint64_t done;       /* frames of the take proper */
	int64_t slab_ns;     /* begin of the present slab, from the start */
	bool in_lead_in;
	struct part *parts;
	struct per_instance *instances; /* of the group */
	struct parity *parities;
	uint32_t parity_count;
	struct meter *meters;
	uint32_t meter_count;
	uint8_t *scratch; /* one slab of the widest recording that is expected */
	struct evl_rec_writer *writer;
	uint8_t (*record_digests)[EVL_SHA256_BYTES]; /* by channel of the whole recording */
	bool recorded_whole;                         /* and they are those of the whole take */
	struct ending *ending;     /* not NULL: the recording was ended before the take */
	struct history *history;   /* not NULL: recordings are made by triggers */
	struct triggers *triggers; /* NULL: no conditions */
	bool caught;               /* a recording by a trigger is complete */
	uint8_t **inside_memory; /* by group of plan->inside */
	uint32_t events_given;   /* of the result, handed to the sink */
	struct causes *causes;
	struct evl_sequential proof;
};

/* Takes that begin at one instant and move in one loop; each ends by itself. */
struct group {
	struct evl_engine *engine;
	struct take *takes;
	uint32_t count;
	struct per_instance
		*instances; /* by adapter of the bench; with the channels of all takes */
	uint64_t begin_ns;  /* of the lead-in */
	uint64_t exchanges; /* begun, with those of the lead-in */
	struct evl_event *polled;
};

#define EVL_POLL_BATCH 256u

/* take.c: one take of a group. These set its status. */
/* Leases, checks, and all memory that streaming needs. */
void evl_take_prepare(struct take *t, uint64_t deadline_ns);
/* All channels have started: notes when, and injects. */
void evl_take_started(struct take *t);
void evl_take_fill(struct take *t);
/* A slab has come: keeps it, measures it. */
void evl_take_slab(struct take *t);
void evl_take_advance(struct take *t); /* the slab is used up */
/* What is due between slabs: its seconds; `moving` goes where the take ends. */
void evl_take_judge(struct take *t);
/* `t` fails for `err`, of which status is the status. */
void evl_take_fail(struct take *t, enum evl_status status, const struct evl_err *err);
void evl_take_collect(struct take *t); /* all has stopped */
void evl_take_release(struct take *t);

/* play.c */
int32_t evl_play_clock(const struct evl_take_part *p); /* of what it plays */
/* Can channel `b` play, or be expected to return, what its part says? */
enum evl_status evl_play_check(const struct take *t, const struct evl_take_part *p,
	const struct evl_bound_channel *b, struct evl_err *err);
enum evl_status evl_play_fill(struct take *t, struct evl_err *err); /* the next slab to send */
void evl_play_idle(struct take *t); /* from now on nothing but idle */
/* The window of a content, with the whole channel spelled out. */
struct evl_take_window evl_play_window(const struct evl_take_content *c);

/* identity.c: the digest that the first `bits` bits must have that a content plays by its window.
 * Reads the recording anew and shares nothing with play.c. */
enum evl_status evl_identity_expected(const struct evl_take_content *c, uint64_t bits,
	uint8_t out[EVL_SHA256_BYTES], struct evl_err *err);

/* through.c: the networks that parts play through. */
/* With what it holds before the first slab. */
enum evl_status evl_through_prepare(const struct take *t, struct part *p, struct evl_err *err);
void evl_through_start(struct take *t); /* the lead-in is over */
/* The next slab is in p->tx: what went in becomes what comes out. */
void evl_through_pass(const struct take *t, struct part *p, size_t bytes);

/* record.c */
enum evl_status evl_record_begin(struct take *t, struct evl_err *err); /* allocates all */
enum evl_status evl_record_slab(struct take *t, struct evl_err *err);
void evl_record_look(struct take *t); /* when all else has looked at the slab */
enum evl_status evl_record_second(struct take *t, struct evl_err *err);
enum evl_status evl_record_finish(struct take *t, enum evl_status so_far, struct evl_err *err);
/* Keeps a mark, and sets of which recording it is. */
void evl_record_mark(struct take *t, struct evl_take_mark *mark);
/* It is finished, and this is what it has. */
void evl_record_totals(struct evl_take_recording *r, const struct evl_rec_totals *totals);
/* Is there room for so many bytes at `path`, and the reserve? EVL_E_LIMIT: not, and why. */
enum evl_status evl_record_room(
	const struct take *t, const char *path, uint64_t bytes, struct evl_err *err);

/* trigger.c */
enum evl_status evl_triggers_create(struct take *t, struct evl_err *err);
void evl_triggers_destroy(struct triggers *g); /* takes NULL */
void evl_triggers_look(struct take *t);
void evl_triggers_event(struct take *t, const struct evl_take_event *e);

/* history.c. `channels` are what record_sent and record_received of the parts say, in their order;
 * they are copied. Also after an error *out is to be destroyed. */
enum evl_status evl_history_create(struct history **out, struct take *t,
	const struct evl_rec_channel *channels, struct evl_err *err);
void evl_history_finish(struct history *h);  /* ends and writes all; then the result is complete */
void evl_history_destroy(struct history *h); /* takes NULL */
/* A trigger in the present slab or before: begins a recording, or makes the present one longer. The
 * number of the recording, or -1 when no more are allowed. */
int64_t evl_history_trigger(struct history *h, int64_t at_ns);
int64_t evl_history_open(const struct history *h); /* the present recording, or -1 */
/* False when there is no room for one more. */
bool evl_history_mark(struct history *h, const struct evl_take_mark *mark);
/* Which stream of the recordings is about this channel of the take, or -1. */
int64_t evl_history_stream(const struct history *h, int64_t channel);
void evl_history_slab(struct history *h); /* the present slab, after its triggers */

/* meter.c */
enum evl_status evl_meters_prepare(struct take *t, struct evl_err *err);
enum evl_status evl_meters_feed(struct take *t, struct evl_err *err);
void evl_meters_second(struct take *t, uint32_t second);
enum evl_status evl_meters_finish(struct take *t, struct evl_err *err);
uint64_t evl_meters_errors(const struct take *t);
/* Bits by which the delays of n channels may differ while each still has its own. */
uint32_t evl_meters_tolerance(const struct take *t, uint32_t n, uint32_t period_bits);

/* prove.c */
enum evl_status evl_prove_prepare(struct take *t, struct evl_err *err);
/* After evl_meters_second: is all proved that can be? Never true without until_proved. */
bool evl_prove_second(struct take *t);

/* meter.c, for line_receiver.c */
struct meter *evl_meter_add(struct take *t, uint32_t part, uint32_t channel, enum evl_place place,
	enum evl_content kind, enum evl_rate rate, size_t sample_bytes);
void evl_meter_feed_pattern(const struct take *t, struct meter *m, const uint8_t *rx, size_t bytes);

/* framed.c */
struct framed_tx *evl_framed_tx_create(
	enum evl_rate rate, const struct evl_framing *framing, const struct evl_timeslots *slots);
void evl_framed_tx_fill(
	struct framed_tx *f, struct evl_source *payload, uint8_t *out, size_t bytes);
/* `slots` NULL: only watched. `most_bytes` come in a slab. */
enum evl_status evl_framed_rx_create(struct framed_rx **out, enum evl_rate rate,
	const struct evl_framing *framing, const struct evl_timeslots *slots, size_t most_bytes,
	struct evl_err *err);
void evl_framed_rx_destroy(struct framed_rx *f); /* takes NULL */
void evl_framed_rx_feed(struct framed_rx *f, const uint8_t *bits, size_t bytes);
void evl_framed_second(struct take *t, uint32_t second);
void evl_framed_collect(struct take *t);
/* Each framed receiver of a take, of ports and of clients. */
void evl_framed_each(struct take *t, void (*fn)(void *ctx, struct framed_rx *f), void *ctx);

/* line_receiver.c */
enum evl_status evl_lines_prepare(struct take *t, struct evl_err *err);
/* After the meters of ports: one for each tributary that is followed. */
enum evl_status evl_lines_add_meters(struct take *t, struct evl_err *err);
void evl_lines_feed(struct take *t);
void evl_lines_feed_meters(struct take *t);
void evl_line_destroy(struct line_receiver *line); /* takes NULL */

/* parity.c: after the meters, as those make the receivers of frames. */
void evl_parity_prepare(struct take *t);
void evl_parity_start(struct take *t); /* the lead-in is over */
void evl_parity_look(struct take *t);  /* after each slab */
void evl_parity_second(struct take *t);
void evl_parity_collect(struct take *t);
void evl_parity_finish(struct take *t);

/* cause.c: which higher defect explains which. */
struct causes *evl_causes_create(const struct take *t);
void evl_causes_destroy(struct causes *c); /* takes NULL */
/* Decides events[from .. to - 1]; all calls together in the order of instants. Those up to `known`
 * are there too, in order, and must reach EVL_CAUSE_LEAD_NS beyond. */
void evl_causes_decide(struct causes *c, struct evl_take_event *events, uint32_t from, uint32_t to,
	uint32_t known);
/* A cause is reported so much later than what it explains, at most: LOF takes 3 ms, in which the
 * equipment behind has seen its own AIS or OOF (ITU-T G.783; the allowance is ours). */
#define EVL_CAUSE_LEAD_NS 5000000
/* What follows from a defect may still begin so long after its end: frame, pointer and multiframe
 * alignment come back one after the other (ours). */
#define EVL_CAUSE_TAIL_NS 20000000

/* watch.c */
void evl_watch_keep(struct take *t, const struct evl_take_event *e);
/* Instant of a bit of the present slab from the start of the take, rounded down; negative numbers
 * lie before the slab. */
int64_t evl_watch_ns(const struct take *t, int64_t bits_into_slab, uint64_t slab_bits);
enum evl_status evl_watch_prepare(struct take *t, struct evl_err *err);
void evl_watch_feed(struct take *t);
bool evl_watch_hears(const struct take *t, uint32_t channel);
/* A report of the unit on an engine channel that the take hears. */
void evl_watch_report(struct take *t, uint32_t channel, const struct evl_event *reported);
void evl_watch_give(struct take *t); /* hands on what can be, after each slab */
void evl_watch_lead_in_over(struct take *t);
void evl_watch_finish(struct take *t);

/* look.c */
void evl_look_event(struct evl_engine *e, const struct evl_take_event *event);

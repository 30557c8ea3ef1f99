/* SPDX-License-Identifier: Apache-2.0 */
/* Insides of a running take, shared by the files of this room only. */
#pragma once

#include "core/adapter/instance.h"
#include "core/engine/clock.h"
#include "core/engine/engine.h"
#include "core/engine/lease.h"
#include "core/engine/pace.h"
#include "core/frame/e1.h"
#include "core/frame/line_monitor.h"
#include "core/frame/mux63.h"
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
	bool off_clock; /* a channel of the last take had a clock of its own */
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
	int32_t clock_ppb;   /* of what it plays */
	size_t slab_bytes;   /* nominal */
	size_t tx_bytes;     /* of the present slab ... */
	size_t rx_bytes;     /* ... as they really came */
	uint64_t sent_bits;  /* in the take proper, before the present slab */
	uint64_t received_bits;
	uint64_t seen_bits;  /* received since the lead-in began */
	uint8_t *tx; /* NULL when it does not play */
	uint8_t *rx; /* NULL when it does not capture */
	struct evl_source generator;
	struct evl_stream_digest *sent_digest;
	struct evl_stream_digest *received_digest;
	int32_t record_sent; /* channel in the writer, or -1 */
	int32_t record_received;
	int32_t meter; /* or -1 */
	bool watch_e1;
	struct evl_e1_monitor e1;
	struct evl_line_monitor *line;
	struct evl_cut line_frames; /* what it is fed with */
	uint64_t started_ns;
	uint32_t instance;
	uint32_t place; /* in that instance's arms and slabs */
	uint32_t rec_flags;
};

struct per_instance {
	struct evl_instance *in;
	struct evl_arm *arms;
	struct evl_slab *slabs;
	uint64_t *started_ns;
	uint32_t count;
};

struct take {
	struct evl_engine *engine;
	const struct evl_take_plan *plan;
	const struct evl_take_sink *sink;
	struct evl_take_result *result;
	uint64_t frames_all; /* whole slabs */
	uint64_t start_ns;   /* of the take proper, after the lead-in */
	uint64_t done;       /* frames of the take proper */
	uint64_t exchanges;  /* begun, with those of the lead-in */
	int64_t slab_ns;     /* begin of the present slab, from the start */
	bool in_lead_in;
	struct part *parts;
	struct per_instance *instances;
	struct meter *meters;
	uint32_t meter_count;
	struct evl_mux63_rx *inside; /* decoder of the line, or NULL */
	struct evl_cut inside_frames;
	uint8_t *inside_e1[63];      /* NULL where nobody listens */
	uint32_t inside_bytes[63];   /* of the present slab */
	uint32_t inside_meter[63];
	uint8_t *inside_memory;
	uint8_t *scratch; /* one slab of the widest recording that is expected */
	struct evl_rec_writer *writer;
	uint8_t (*record_digests)[EVL_SHA256_BYTES]; /* by channel of the finished recording */
	struct evl_event *polled;
	uint32_t events_cap;
	enum evl_status event_status;
	struct evl_sequential proof;
};

#define EVL_POLL_BATCH 256u

/* meter.c */
void evl_meters_prepare(struct take *t);
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

/* watch.c */
enum evl_status evl_watch_prepare(struct take *t, struct evl_err *err);
void evl_watch_feed(struct take *t);
enum evl_status evl_watch_poll(struct take *t, struct evl_err *err);
void evl_watch_lead_in_over(struct take *t);
void evl_watch_finish(struct take *t);

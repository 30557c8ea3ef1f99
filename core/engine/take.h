/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A take: one synchronised play/capture action over several channels, started at one instant. The
 * plan says what each channel plays, what is expected to come back and what is kept; running it
 * gives measurements, events and digests.
 *
 * Channels are counted over the whole binding, in the order of its roles (evl_engine_channel).
 * Instants inside a take are nanoseconds or bits from its start.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/alarm.h"
#include "core/base/digest.h"
#include "core/base/err.h"
#include "core/engine/network.h"
#include "core/engine/record.h"
#include "core/engine/window.h"
#include "core/measure/checker.h"
#include "core/measure/performance.h"
#include "core/frame/framing.h"
#include "core/frame/sdh_map.h"
#include "core/frame/timeslot.h"
#include "core/frame/trace.h"
#include "core/signal/pattern.h"

struct evl_rec;
struct evl_bound_role;
struct evl_bound_channel;

/* 8 ms; also the grid on which takes start and end: the longest multiframe that is simulated, the
 * 16-byte J2 trace, lasts 8 ms (ITU-T G.707 9.3.2.3). */
#define EVL_TAKE_SLAB_FRAMES 64u
#define EVL_TAKE_SLAB_NS     ((uint64_t)EVL_TAKE_SLAB_FRAMES * EVL_FRAME_NS)
#define EVL_TAKE_IDLE        0xAAu /* alternating bits: neither AIS nor LOS nor a pattern */
#define EVL_TAKE_LEAD_IN     128u /* idle frames before the start, to bring the unit to one state */
#define EVL_TAKE_MARKS       32u  /* positions of errors kept for each meter */
#define EVL_TAKE_EVENTS_MAX  100000u
#define EVL_TAKE_SOURCE      640u

enum evl_content {
	EVL_CONTENT_NONE = 0, /* idle is played; nothing is expected */
	EVL_CONTENT_PATTERN,
	EVL_CONTENT_RECORDING,
};

/* What a channel plays, or what is expected from it. */
struct evl_take_content {
	enum evl_content kind;
	struct evl_pattern pattern;         /* COUNTER: with the channel's own number */
	enum evl_pattern_identity identity; /* how the channels that share a phase set differ */
	uint32_t phase_set; /* channels with the same pattern and set are told apart */
	uint64_t phase;     /* of the first bit after the start */
	/* PATTERN inside frames: when framing is other than unframed the pattern fills these
	 * timeslots, in their order, and the others are idle; slots.count is then above 0. */
	struct evl_framing framing;
	struct evl_timeslots slots;
	struct evl_rec *reader; /* borrowed for the time of the take */
	uint32_t reader_channel;
	struct evl_take_window window; /* of that channel */
	/* For people: "pattern 2^15-1, phase 1234, through: delay 30 ms". */
	char source[EVL_TAKE_SOURCE];
};

struct evl_take_part {
	uint32_t channel;
	bool play;         /* sends `played`, or idle when that is NONE */
	int32_t clock_ppb; /* of what it plays, against bench time; a RECORDING brings its own */
	struct evl_take_content played;
	const struct evl_network_plan *network; /* that it goes through; NULL: none */
	struct evl_take_content expected;
	bool capture;
	bool record_sent; /* into the recording of the plan */
	bool record_received;
	bool watch; /* look for alarms in the captured bits */
	/* For watch and inside: */
	struct evl_framing framing;    /* of an E1 or T1 that is watched */
	const struct evl_sdh_map *map; /* of a line: what it carries; NULL: as the bench says */
	const struct evl_take_expectation *expectations; /* of a line */
	uint32_t expectation_count;
};

/* What a watched line should carry at one place (evl_sdh_rx_expect_trace, _expect_label). */
struct evl_take_expectation {
	uint32_t level; /* enum evl_sdh_level, and the index there */
	uint32_t index;
	struct evl_trace trace; /* kind NONE: it is the label */
	int32_t label;
};

/* Follow the patterns of tributaries inside a captured line. */
struct evl_take_inside {
	uint32_t part; /* of the line, which must be captured */
	struct evl_pattern pattern;
	enum evl_pattern_identity identity;
	uint32_t phase_set;
	struct evl_framing framing; /* as in evl_take_content */
	struct evl_timeslots slots;
	uint32_t count;
	const struct evl_take_follow {
		uint32_t channel; /* that sends the pattern ... */
		uint32_t client;  /* ... expected as this client of the line, each once in a line */
		uint64_t phase;
	} * follow;
};

struct evl_take_injection {
	uint32_t channel;
	uint32_t kind; /* enum evl_inject_kind of the driver ABI */
	enum evl_alarm alarm;
	uint32_t path; /* of a high-order path on a line; 0: all */
	uint64_t numerator;
	uint64_t denominator;
	uint64_t at_ns; /* from the start */
	uint64_t lasting_ns;
	int64_t slip_bits;
};

/* End as soon as every meter has an error ratio that is proved to be below `ratio`, or above it, by
 * the anytime-valid test (core/measure/sequential.h), or is in unavailable time. Verdicts on such a
 * take need its limits too. ratio 0: play to the end. */
struct evl_take_proof {
	double ratio;
	double confidence;
};

struct evl_take_plan {
	const char *holder; /* of the leases: "case bit-errors" */
	const char *name;
	uint64_t begin_ns; /* of the lead-in, from evl_engine_next_begin */
	uint64_t frames;   /* is rounded up to whole slabs */
	struct evl_take_proof until_proved;
	struct evl_take_part *parts;
	uint32_t part_count;
	const struct evl_take_inside *inside;
	uint32_t inside_count;
	const struct evl_pattern *known; /* the user's own, for naming a signal; or NULL */
	size_t known_count;
	const struct evl_take_injection *injections;
	uint32_t injection_count;
	const char *record_path; /* of a recording of the whole take, or NULL */
	const char *record_meta; /* JSON text, or NULL */
	struct evl_take_record record;
	/* By engine channel: on these the take hears what the unit reports; NULL: on all. */
	const bool *hears;
};

enum evl_arrival {
	EVL_ARRIVAL_NONE = 0, /* nothing recognised */
	EVL_ARRIVAL_OWN,
	EVL_ARRIVAL_DELAYED, /* its own, but not at the common delay */
	EVL_ARRIVAL_CROSSED, /* another channel's */
	EVL_ARRIVAL_UNKNOWN, /* the pattern, but it does not say whose: too short, or a number that
			      * no channel here has */
};

enum evl_place {
	EVL_PLACE_RECEIVED = 0, /* what the channel captured */
	EVL_PLACE_LINE,         /* its place inside the line */
};

/* What was measured on one channel at one place over the whole take. */
struct evl_take_meter {
	uint32_t channel;
	enum evl_place place;
	uint32_t line_channel; /* when place is LINE */
	enum evl_content kind; /* PATTERN: against the pattern; RECORDING: against the recording */
	uint32_t frame_bits;   /* compared in 125 us, nominal */
	bool locked;           /* a pattern was found at least once */
	bool inverted;
	uint64_t stream_bits; /* that came in the take; positions below count these */
	uint64_t bits;        /* compared */
	uint64_t errors;
	uint64_t errored_seconds;
	uint64_t severely_errored_seconds;
	uint64_t unavailable_seconds;
	uint64_t sync_losses;
	uint64_t slips;
	uint64_t octet_slips; /* of these, by whole octets */
	int64_t last_slip_bits;
	int64_t moved_bits; /* delay at the end against that at the first lock, by slips */
	int64_t moved_least_bits, moved_most_bits;
	uint64_t first_lock_bit;  /* when locked */
	uint64_t first_error_bit; /* when errors > 0 */
	uint64_t last_error_bit;  /* PATTERN and no counter: when errors > 0 */
	struct evl_sync_event sync[EVL_CHECKER_EVENTS_KEPT]; /* PATTERN: losses and finds ... */
	uint32_t sync_count;
	uint64_t marks[EVL_TAKE_MARKS];
	uint32_t mark_count;
	enum evl_arrival arrival;
	uint32_t from_channel;  /* CROSSED */
	int64_t deviation_bits; /* DELAYED: from the common delay */
	int64_t delay_bits;     /* OWN, DELAYED: modulo the period */
	int64_t period_bits;    /* PATTERN: delays of this and more cannot be told; -1: very long */
	bool counter;           /* the pattern numbers its blocks; then: */
	uint64_t blocks, blocks_lost, blocks_late, blocks_repeated, blocks_foreign, blocks_damaged;
	char recognised[EVL_PATTERN_NAME_MAX]; /* PATTERN, never locked: what came in the middle of
						* the take; "" when unknown */
	/* Seconds and errored blocks as ITU-T G.826 for paths of this rate; STM-1: G.829 RS. */
	struct evl_performance_totals by_blocks;
	int64_t proved_ns; /* until_proved: from when on it was proved, or -1 */
};

struct evl_take_event {
	uint32_t channel;
	enum evl_alarm alarm;
	bool raised;
	bool by_unit;  /* its own report; otherwise seen by the tester in the bits */
	int64_t at_ns; /* from the start; negative in the lead-in */
	/* LINE: the tester saw the tributary `channel` inside a line, `line_channel`; where no
	 * channel is bound to that client of the line, `channel` is the line itself. */
	enum evl_place place;
	uint32_t line_channel;
	int32_t client; /* -1: not about a client */
	uint32_t path;  /* high-order path, from 1 in the order of the line; 0: none, or not said */
	/* A higher defect stood that explains this one (cause.h): then it is `cause` on the channel
	 * cause_channel; else NONE. A clear has what its raise has. */
	enum evl_alarm cause;
	uint32_t cause_channel;
	bool cause_by_unit;
};

/* What was counted in the frames of one channel. */
struct evl_take_framed {
	uint32_t channel;
	enum evl_place place;
	struct evl_framing framing;
	uint64_t frames, crc_blocks, crc_errors;
	uint64_t e_bits;              /* E1: blocks that the far end says were errored */
	uint64_t frame_errors;        /* FAS words, or framing bits, that were wrong */
	uint64_t losses;              /* of frame alignment */
	uint64_t errored_seconds;     /* with CRC errors, E bits apart */
	uint64_t far_errored_seconds; /* with E bits */
	uint32_t worst_second;        /* with the most CRC errors, from 0 ... */
	uint64_t worst_errors;        /* ... and how many */
};

/* In-service error performance of a section or path by its parity, both ends. */
struct evl_take_performance {
	uint32_t channel;      /* whose bits carry it: a line, or a tributary with frames */
	bool in_line;          /* frames of a tributary, seen inside a line */
	char place[32];        /* "RS", "MS", "VC-4 1", "VC-12 1-2-3", "E1" */
	const char *near_code; /* "B1", "B2", "B3", "BIP-2", "CRC-4", "CRC-6" */
	const char *far_code;  /* "M1", "G1", "V5", "E bits"; NULL: it carries none */
	struct evl_performance *performance; /* owned by the result */
};

struct evl_take_stream {
	uint32_t channel;
	bool sent; /* otherwise received */
	const char *source;
	int64_t skew_ns;   /* start of this channel against the start of the take */
	int32_t clock_ppb; /* sent: of its clock; received: 0 */
	uint64_t bits;
	char digest[EVL_SHA256_HEX]; /* "" when not asked for (no recording, no replay) */
	/* What `digest` must be by the recording: of what was played, made from the recording read
	 * once more, rounds, seams and all; of what was expected, as the recording has it, when the
	 * whole of it was. "" when it cannot be told. */
	char recorded_digest[EVL_SHA256_HEX];
	/* Of what went into the network, `digest` is of what came out; "": no network, or not asked
	 * for. */
	char source_digest[EVL_SHA256_HEX];
	const struct evl_network_plan *network; /* of the plan; sent only */
	bool recorded; /* whole, from the start of the take to its end */
};

struct evl_take_result {
	uint64_t start_ns; /* on the clock of the run */
	uint64_t frames;   /* done */
	uint64_t frames_planned;
	bool ended_early; /* all was proved before frames_planned, or: */
	bool caught;      /* until_triggered, and the first recording is complete */
	bool interrupted;
	uint64_t gaps; /* slabs with lost bits, as the adapters reported */
	struct evl_take_meter *meters;
	uint32_t meter_count;
	struct evl_take_event *events; /* by time, then channel */
	uint32_t event_count;
	uint64_t events_lost;
	struct evl_take_performance *performances; /* by line, then place; then frames */
	uint32_t performance_count;
	struct evl_take_framed *framed; /* by channel, then place */
	uint32_t framed_count;
	struct evl_take_stream *streams;
	uint32_t stream_count;
	struct evl_take_recording *recordings; /* the whole one, or those by triggers */
	uint32_t recording_count;
	struct evl_take_mark *marks; /* in the order in which they were found */
	uint32_t mark_count;
	uint64_t marks_lost;      /* beyond EVL_TAKE_MARKS_KEPT */
	uint64_t triggers_missed; /* after the last recording that was allowed */
};

/* A second (or the rest) of one meter that was not clean. */
struct evl_take_second {
	uint32_t channel;
	enum evl_place place;
	uint32_t second; /* from 0 */
	uint64_t bits;   /* compared */
	uint64_t errors;
	bool in_sync; /* at its end, and never lost in between */
	uint64_t sync_losses;
	uint64_t slips;
};

/* Where results go while they happen. Any member may be NULL. */
struct evl_take_sink {
	void *ctx;
	void (*second)(void *ctx, const struct evl_take_second *s);
	void (*event)(void *ctx, const struct evl_take_event *e);
	/* A recording by a trigger begins; its number among those of the take. */
	void (*recording)(void *ctx, uint32_t number);
	/* After each slab; errors so far over all meters. */
	void (*progress)(void *ctx, uint64_t frames_done, uint64_t frames_all, uint64_t errors);
	/* Once a second of bench time, after its rows: a good moment to commit. */
	void (*tick)(void *ctx);
};

/* The name of a channel inside a recording: "trib-17.sent", or "line.received" when the role has a
 * single channel. */
void evl_take_record_name(char *out, size_t cap, const struct evl_bound_role *role,
	const struct evl_bound_channel *channel, bool sent);

/* Instant from the start of bit `bit` of what a meter received, by that channel's own rate. */
int64_t evl_take_bit_ns(
	const struct evl_take_result *r, const struct evl_take_meter *m, uint64_t bit);

/* Length of the take that a channel of a recording was made in; for a received channel, whose
 * clock is not known, the nearest that fits its bits. */
uint64_t evl_take_recorded_frames(const struct evl_rec *r, uint32_t channel);

void evl_take_result_destroy(struct evl_take_result *r); /* takes NULL */

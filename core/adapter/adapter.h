/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The driver ABI, version 1.0: all that an adapter may include from evenlode.
 *
 * An adapter is a shared object (NAME.so) that serves the ports of one kind of test equipment, or
 * simulates a unit under test. It exports one constant: `evl_adapter`. The host loads it, checks
 * `abi_major`, and then drives each instance through
 *
 *	open -> channels -> { arm -> start -> exchange... -> stop }... -> close
 *
 * with poll and inject allowed at any time between open and close.
 *
 * Rules for every call
 * - Threading: the host calls one instance from one thread at a time. Instances are independent.
 * - Return: 0 is good; a negative enum evl_adapter_code otherwise, with one plain line in
 *   err->text (what, where, what to do). The host ends the running case with verdict `error` and
 *   goes on with the next one; after a failed arm, start or exchange it calls stop and may arm
 *   again.
 * - Bad calls: a call out of order, or one that names a channel, ability, kind or ratio that is
 *   not there, is refused (EVL_ADAPTER_E_STATE, else EVL_ADAPTER_E_UNSUPPORTED) and does no harm.
 * - Ownership: no memory changes hands. Pointers that the host passes are valid during the call
 *   only, those that the adapter returns (names in evl_adapter) as long as it is loaded.
 * - Time limit: arm, start, stop 1 s; exchange (frames / 8000) s + 100 ms; the others 5 s.
 * - Records begin with `version`, 1 for this header; fields are only ever added at the end.
 * - Time: nanoseconds. In virtual time the host's clock begins at 0 and moves by whole frames of
 *   125 000 ns as slabs are exchanged; in real time it is CLOCK_MONOTONIC.
 *
 * Nothing here may print, exit, install signal handlers or keep hidden state between instances.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define EVL_ABI_MAJOR 1
#define EVL_ABI_MINOR 0

#define EVL_ADAPTER_EXPORT __attribute__((visibility("default")))

enum evl_adapter_code {
	EVL_ADAPTER_OK = 0,
	EVL_ADAPTER_E_OPTION = -1,      /* an option is unknown or wrong; text names its path */
	EVL_ADAPTER_E_UNSUPPORTED = -2, /* this equipment cannot do that */
	EVL_ADAPTER_E_STATE = -3,       /* called out of order */
	EVL_ADAPTER_E_HARDWARE = -4,    /* the equipment failed or went away */
	EVL_ADAPTER_E_NOMEM = -5,
};

struct evl_adapter_error {
	uint32_t version;
	char text[512]; /* UTF-8, one line; empty on entry */
};

/* Rates: the same values as enum evl_rate. */
enum {
	EVL_ABI_RATE_E1 = 1,   /* 256 bits a frame of 125 us */
	EVL_ABI_RATE_T1 = 2,   /* 193 bits a frame; slabs are packed, 193 bytes for 8 frames */
	EVL_ABI_RATE_STM1 = 3, /* 2430 bytes a frame, as on the line: scrambled, from A1 */
	EVL_ABI_RATE_STM4 = 4, /* 9720 bytes a frame, likewise */
	/* Payload of a container as a stream of bytes, a whole container for each frame: */
	EVL_ABI_RATE_VC3 = 5,    /* 756 bytes a frame */
	EVL_ABI_RATE_VC4 = 6,    /* 2340 bytes a frame */
	EVL_ABI_RATE_VC4_4C = 7, /* 9360 bytes a frame */
};

/* Defects: the same values as enum evl_alarm; see core/base/alarm.h for the meanings. */
enum {
	EVL_ABI_LOS = 1,
	EVL_ABI_OOF = 2,
	EVL_ABI_LOF = 3,
	EVL_ABI_MS_AIS = 4,
	EVL_ABI_MS_RDI = 5,
	EVL_ABI_AU_AIS = 6,
	EVL_ABI_AU_LOP = 7,
	EVL_ABI_HP_UNEQ = 8,
	EVL_ABI_HP_PLM = 9,
	EVL_ABI_HP_RDI = 10,
	EVL_ABI_HP_LOM = 11,
	EVL_ABI_TU_AIS = 12,
	EVL_ABI_TU_LOP = 13,
	EVL_ABI_LP_UNEQ = 14,
	EVL_ABI_LP_PLM = 15,
	EVL_ABI_LP_RDI = 16,
	EVL_ABI_AIS = 17,
	EVL_ABI_RAI = 18,
	EVL_ABI_LOM = 19,
	EVL_ABI_TS16_LOM = 20,
	EVL_ABI_TS16_AIS = 21,
	EVL_ABI_TS16_RAI = 22,
	EVL_ABI_RS_TIM = 23,
	EVL_ABI_HP_TIM = 24,
	EVL_ABI_LP_TIM = 25,
	EVL_ABI_LP_RFI = 26,
	EVL_ABI_PSE = 27,
};

/* What an adapter as a whole can do (evl_adapter.capabilities). */
enum {
	EVL_CAP_VIRTUAL_TIME = 1u << 0,  /* runs as fast as the host calls exchange */
	EVL_CAP_HW_TIMESTAMPS = 1u << 1, /* start instants and events are stamped by hardware */
	EVL_CAP_SIMULATED = 1u << 2,     /* no equipment behind it; reports say so */
};

/* What one channel can do (evl_channel_info.abilities). */
enum {
	EVL_CH_PLAY = 1u << 0,    /* the host may send bits into the unit under test */
	EVL_CH_CAPTURE = 1u << 1, /* the host may read bits that the unit sends */
	EVL_CH_ALARMS = 1u << 2,  /* poll reports defects that the unit sees on this channel */
	EVL_CH_INJECT = 1u << 3,  /* inject works on this channel */
	EVL_CH_CLOCK = 1u << 4, /* evl_arm.clock_ppb may be other than 0; comes with EVL_CH_PLAY */
	EVL_CH_SETUP = 1u << 5, /* the extension "evl.setup/1" works on this channel */
};

#define EVL_NAME_MAX 48 /* bytes with the NUL; letters, digits, '-', '_', '.', '/' */

struct evl_channel_info {
	uint32_t version;
	char name[EVL_NAME_MAX]; /* unique within the instance, stable between runs */
	char port[EVL_NAME_MAX]; /* the physical interface that it is on */
	uint32_t rate;           /* EVL_ABI_RATE_x */
	uint32_t abilities;      /* EVL_CH_x */
};

/* One entry of the `options` mapping of the bench file, flattened: "builds.B.faults[0].kind". */
struct evl_adapter_option {
	const char *path;
	const char *value;
	uint32_t line; /* in the bench file, for the message */
};

struct evl_open_args {
	uint32_t version;
	const struct evl_adapter_option *options; /* in file order */
	uint32_t option_count;
	const char *build; /* label of the build under test */
	uint64_t seed;     /* of the run; all randomness of a simulation derives from it */
	bool virtual_time;
};

struct evl_arm {
	uint32_t version;
	uint32_t channel; /* index into the list that `channels` gave */
	bool play;
	bool capture;
	int32_t clock_ppb; /* clock of what is played against bench time, in 1e-9: 50000 is 50 ppm
			    * fast. 0 unless EVL_CH_CLOCK and play; at most EVL_CLOCK_PPB_MAX */
};

/*
 * Clocks. Time is bench time: a frame is 125 us of it. A channel whose clock is not that of the
 * bench has a few bits more or fewer in a frame than its rate says, so both directions of a slab
 * have a number of bytes of their own.
 *
 * tx: the host decides. Since the start it has handed over exactly
 *	evl_clock_bytes(frames so far * bits per frame / 8, clock_ppb)
 * bytes, whatever the size of slabs; that is never 1 byte or more from the ideal.
 *
 * rx: the adapter hands over what the channel brought by its own clock, as whole bytes in order; a
 * part of a byte waits for the next exchange. Since the start it lies within EVL_CLOCK_PPB_MAX and
 * EVL_SLAB_SLACK bytes of nominal (frames * bits per frame / 8). Equipment that is locked to the
 * bench, or whose clock nobody can see, always gives the nominal number.
 */
#define EVL_CLOCK_PPB_MAX 300000 /* 300 ppm; E1 50 ppm (ITU-T G.703), T1 130 ppm (ANSI T1.102) */
#define EVL_SLAB_SLACK    64u    /* bytes */

/* Whole bytes after `nominal` bytes of bench time by a clock that is `ppb` off, rounded down. */
static inline uint64_t evl_clock_bytes(uint64_t nominal, int32_t ppb)
{
	const uint64_t whole = nominal / 1000000000u, rest = nominal % 1000000000u;
	const int64_t part = (int64_t)rest * ppb; /* below 2^63: 1e9 * 2^31 */
	const int64_t down = part / 1000000000 - (part % 1000000000 < 0);
	return nominal + (uint64_t)((int64_t)whole * ppb + down);
}

/* Room that rx has in an exchange of `nominal` bytes. */
static inline uint32_t evl_slab_room(uint32_t nominal)
{
	return nominal + (uint32_t)((uint64_t)nominal * EVL_CLOCK_PPB_MAX / 1000000000u) +
	       EVL_SLAB_SLACK;
}

/* One channel's share of an exchange; the array has the order of the arm call. */
struct evl_slab {
	uint32_t version;
	uint32_t channel;
	uint32_t tx_bytes; /* bytes to play now; 0 when not armed for play */
	uint32_t rx_bytes; /* in: room, evl_slab_room(nominal); out: bytes captured. 0 when not
			      armed */
	const uint8_t *tx; /* bits to play, most significant first; NULL when not armed for play */
	uint8_t *rx;       /* to be filled with captured bits; NULL when not armed for capture */
	uint32_t flags;    /* out: EVL_SLAB_x, 0 when every bit of rx is as captured */
};

enum {
	EVL_SLAB_GAP = 1u << 0,     /* bits were lost; rx holds filler in their place */
	EVL_SLAB_OVERRUN = 1u << 1, /* the host came too late; bits were lost */
};

struct evl_event {
	uint32_t version;
	uint32_t channel;
	uint32_t alarm; /* EVL_ABI_x */
	bool raised;    /* false: cleared */
	uint64_t at_ns; /* instant on the host's clock */
};

enum evl_inject_kind {
	EVL_INJECT_ALARM = 1,  /* make the unit see the defect `alarm`, such as LOS on the line */
	EVL_INJECT_ERRORS = 2, /* bit errors at the ratio numerator / denominator */
	EVL_INJECT_BURST = 3,  /* the first and the last bit of the time are in error, those between
				* at the ratio numerator / denominator */
	EVL_INJECT_INVERT = 4, /* every bit of the time is inverted */
	EVL_INJECT_BIT = 5,    /* the one bit at at_ns is in error; duration_ns is not read */
	EVL_INJECT_SLIP = 6,   /* from at_ns on slip_bits come again (> 0: the signal is later by so
				* many) or are left out (< 0); duration_ns is not read, what follows
				* stays moved until the take stops */
};

/* Defects of a tributary unit, of its path and of its signal are injected on the channel of the
 * tributary (TU-AIS to LP-RDI, LP-TIM, LP-RFI, AIS, RAI, LOM, TS16-x); those of the section and of
 * high-order paths on the line. LOS and LOF exist for both. */
struct evl_inject {
	uint32_t version;
	uint32_t kind; /* enum evl_inject_kind */
	uint32_t channel;
	uint32_t alarm;     /* EVL_ABI_x for EVL_INJECT_ALARM */
	uint64_t numerator; /* for EVL_INJECT_ERRORS and BURST */
	uint64_t denominator;
	uint64_t at_ns;       /* begins here (now or later) ... */
	uint64_t duration_ns; /* ... and lasts this long */
	int64_t slip_bits;    /* for EVL_INJECT_SLIP, not 0 */
	uint32_t path; /* of a high-order defect on a line: the number of the AU from 1 in the order
			* of the line (AU-3: 3 to an AUG); 0: all of them. Else 0 */
};

/*
 * Extension "evl.setup/1": what a unit can be set to while it is not in a take. All of the list
 * holds or none of it: each call replaces what the one before set, and what the list does not name
 * is as the options at open say. An empty list leads back to those.
 */
#define EVL_SETUP_EXTENSION "evl.setup/1"
#define EVL_SETTING_TEXT    768 /* bytes with the NUL; UTF-8, one line */

enum evl_setting_kind {
	EVL_SETTING_MAPPING = 1, /* line: how it carries its tributaries, "AU-4/TU-12/E1"; the
				  * notation is that of core/frame/sdh_map_text.h */
	EVL_SETTING_FRAMING = 2, /* E1: "unframed", "FAS", "CRC-4", with " CAS" behind for timeslot
				  * 16; T1: "unframed", "SF", "ESF". What the unit expects at its
				  * input and watches over */
	EVL_SETTING_SENT = 3,    /* what the unit sends in `field` */
	EVL_SETTING_EXPECTED =
		4, /* what the unit expects in `field`; text "any": it does not look */
};

/* Fields: on a line J0 (path 0), S1, K1, K2, and F1, E1, E2 of the section, J1, C2 of the
 * high-order path `path`; on a tributary J2 (J1 of a VC-3 in TU-3) and V5 (the label, 0 to 7).
 * Traces are text of up to 15 characters (16-byte trace), or "64:" and up to 62; the others two
 * hexadecimal digits. Expected: J0, J1, J2, C2, V5 only. */
struct evl_setting {
	uint32_t version;
	uint32_t kind; /* enum evl_setting_kind */
	uint32_t channel;
	uint32_t path; /* as in evl_inject */
	char field[8]; /* for SENT and EXPECTED */
	char text[EVL_SETTING_TEXT];
};

struct evl_setup_extension {
	uint32_t version; /* 1 */
	/* Refuses with EVL_ADAPTER_E_UNSUPPORTED what the equipment cannot be set to; the text
	 * names channel and setting. Time limit 5 s.  [stopped] */
	int (*apply)(void *self, const struct evl_setting *list, uint32_t count,
		struct evl_adapter_error *err);
};

/*
 * Extension "evl.identity/1": for an adapter that stands for others, what its options would open.
 * The host asks before open; nothing of the equipment may be touched. Capabilities of the table are
 * then the most that an instance can have, and these are what it has.
 */
#define EVL_IDENTITY_EXTENSION "evl.identity/1"

struct evl_identity {
	uint32_t version;
	uint32_t capabilities; /* EVL_CAP_x */
	char name[EVL_NAME_MAX];
	char release[64]; /* as evl_adapter.version */
	char description[256];
};

struct evl_identity_extension {
	uint32_t version; /* 1 */
	/* Refuses what open would refuse without asking the equipment. Time limit 5 s.  [any] */
	int (*identify)(const struct evl_open_args *args, struct evl_identity *out,
		struct evl_adapter_error *err);
};

struct evl_adapter {
	uint32_t abi_major; /* EVL_ABI_MAJOR that the adapter was built with; must be equal */
	uint32_t abi_minor; /* may be older than the host's */
	const char *name;   /* as in the file name */
	const char *version;
	const char *description; /* one line */
	uint32_t capabilities;   /* EVL_CAP_x */

	/* Makes an instance in *self. On failure *self stays NULL and nothing is left behind. */
	int (*open)(void **self, const struct evl_open_args *args, struct evl_adapter_error *err);

	/* Copies up to `capacity` channel descriptions to `out` and always sets *count to how many
	 * there are. The list does not change while the instance is open.  [open] */
	int (*channels)(void *self, struct evl_channel_info *out, uint32_t capacity,
		uint32_t *count, struct evl_adapter_error *err);

	/* Prepares the named channels for one take, or for several that begin at one instant and
	 * have no channel in common; nothing moves yet. All memory that streaming needs is got
	 * here. `max_frames` is the largest slab to come.  [open, stopped] */
	int (*arm)(void *self, const struct evl_arm *arms, uint32_t count, uint32_t max_frames,
		struct evl_adapter_error *err);

	/* All armed channels begin at the instant `at_ns`; started_ns[i] is set to the instant at
	 * which the i-th armed channel really began.  [armed] */
	int (*start)(
		void *self, uint64_t at_ns, uint64_t *started_ns, struct evl_adapter_error *err);

	/* Moves `frames` frames of every armed channel: takes tx, fills rx and sets rx_bytes; see
	 * "Clocks" above. `frames` is a multiple of 8. rx is the signal during the same 125 us
	 * frames in which tx is sent, so the delay of the unit shows as an offset. Must not
	 * allocate, and blocks only for pacing in real time.  [started] */
	int (*exchange)(void *self, uint32_t frames, struct evl_slab *slabs, uint32_t count,
		struct evl_adapter_error *err);

	/* Copies and forgets up to `capacity` defects that the unit reported since the last call,
	 * oldest first; *count says how many were copied. Fewer than capacity: none left.
	 * [open] */
	int (*poll)(void *self, struct evl_event *out, uint32_t capacity, uint32_t *count,
		struct evl_adapter_error *err);

	/* Schedules a defect or errors. May be NULL when no channel has EVL_CH_INJECT.  [open] */
	int (*inject)(void *self, const struct evl_inject *what, struct evl_adapter_error *err);

	/* Ends the take; pending injections are dropped. Also undoes an arm whose take never
	 * starts, as when another adapter could not arm, and leads out of a failed call. Succeeds
	 * when there is nothing to stop.  [open] */
	int (*stop)(void *self, struct evl_adapter_error *err);

	/* Frees the instance. Takes NULL. Cannot fail.  [any] */
	void (*close)(void *self);

	/* Growth: returns a const struct for an id such as "evl.setup/1", or NULL. May be NULL. */
	const void *(*get_extension)(const char *id);
};

/* The one symbol that an adapter exports. */
extern const struct evl_adapter evl_adapter;

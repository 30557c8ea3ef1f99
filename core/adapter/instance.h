/* SPDX-License-Identifier: Apache-2.0 */
/*
 * An adapter instance as the host uses it: every call to an adapter goes through here. It keeps
 * the order of calls, sets the versions of records, checks what comes back, and words the error:
 *
 *	adapter simmux (instance mux): exchange failed: the line card was pulled
 *
 *	evl_instance_open(&in, loaded, &args, &err);
 *	channels = evl_instance_channels(in, &count);
 *	evl_instance_arm(in, arms, n, 800, &err);
 *	evl_instance_start(in, 0, started_ns, &err);
 *	evl_instance_exchange(in, 800, slabs, n, &err);		// many times
 *	evl_instance_stop(in, &err);
 *	evl_instance_close(in);
 *
 * States: stopped -> arm -> armed -> start -> started -> stop -> stopped. When arm, start, exchange
 * or stop fails the state is failed; stop leads out of it. A call in the wrong state, or arguments
 * that break the contract, are EVL_E_INVALID and do not reach the adapter. What the adapter gets
 * wrong is EVL_E_ADAPTER. Not for use from two threads at once. No call but open and arm allocates.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/adapter/adapter.h"
#include "core/adapter/loader.h"
#include "core/base/err.h"
#include "core/bench/bench.h"
#include "core/bench/bind.h"

#define EVL_INSTANCE_CHANNELS_MAX 4096u  /* of one instance */
#define EVL_INSTANCE_FRAMES_MAX   80000u /* of one slab: 10 s */
#define EVL_INSTANCE_EVENTS_MAX   4096u  /* of one poll */

struct evl_instance;

enum evl_instance_state {
	EVL_INSTANCE_STOPPED = 0,
	EVL_INSTANCE_ARMED,
	EVL_INSTANCE_STARTED,
	EVL_INSTANCE_FAILED,
};

struct evl_instance_args {
	const char *name;       /* of the instance: "mux" */
	const char *bench_path; /* for messages about options; NULL when there is no file */
	const struct evl_bench_option *options;
	size_t option_count;
	uint32_t line;     /* of the instance in the bench file; 0 when there is no file */
	const char *build; /* "" when there is no label */
	uint64_t seed;
	bool virtual_time; /* refused when the adapter does not declare EVL_CAP_VIRTUAL_TIME */
};

/* Arguments for the i-th adapter of a bench. The pointers are the bench's and the caller's. */
struct evl_instance_args evl_instance_args_of(const struct evl_bench *bench, size_t adapter,
					      const char *build, uint64_t seed, bool virtual_time);

/* What these arguments would open, before it is opened: for an adapter with the extension
 * EVL_IDENTITY_EXTENSION as it says, else as its table says. Texts are cleaned. Whether
 * args->virtual_time may be set is known only afterwards; it is not looked at here. */
enum evl_status evl_adapter_identify(struct evl_identity *out, const struct evl_adapter *adapter,
				     const struct evl_instance_args *args, struct evl_err *err);

/* Opens and reads the channel list. `loaded` must outlive the instance; `args` are copied where
 * needed. A refused option gets "FILE:LINE: " of that option in front. On failure *out is NULL. */
enum evl_status evl_instance_open(struct evl_instance **out, const struct evl_loaded *loaded,
				  const struct evl_instance_args *args, struct evl_err *err);

/* The same for an adapter table that did not come from the loader. */
enum evl_status evl_instance_open_table(struct evl_instance **out,
					const struct evl_adapter *adapter,
					const struct evl_instance_args *args, struct evl_err *err);

/* Stops first when that is needed. Takes NULL. */
void evl_instance_close(struct evl_instance *in);

const char *evl_instance_name(const struct evl_instance *in);
const struct evl_adapter *evl_instance_adapter(const struct evl_instance *in);
enum evl_instance_state evl_instance_state(const struct evl_instance *in);

/* The checked list, valid until close. */
const struct evl_channel_info *evl_instance_channels(const struct evl_instance *in,
						     uint32_t *count);

/* The channel list as evl_bind wants it; `adapter` is this instance's index in the bench. Writes
 * up to `capacity` and returns how many there are. Names live as long as the instance. */
size_t evl_instance_ports(const struct evl_instance *in, uint32_t adapter,
			  struct evl_bound_port *out, size_t capacity);

/* [stopped] The version fields are set here. Each channel at most once, each for play, capture or
 * both, as it is able; max_frames is a multiple of 8, at most EVL_INSTANCE_FRAMES_MAX. A clock_ppb
 * other than 0 needs EVL_CH_CLOCK and play. */
enum evl_status evl_instance_arm(struct evl_instance *in, const struct evl_arm *arms,
				 uint32_t count, uint32_t max_frames, struct evl_err *err);

/* [armed, started] Bytes that slabs[i].tx must hold in an exchange of `frames`, and the room that
 * slabs[i].rx must have; 0 where the channel is not armed for it. */
uint32_t evl_instance_tx_bytes(const struct evl_instance *in, uint32_t i, uint32_t frames);
uint32_t evl_instance_rx_room(const struct evl_instance *in, uint32_t i, uint32_t frames);

/* [armed] started_ns[i] belongs to arms[i] and lies within 1 s of at_ns. */
enum evl_status evl_instance_start(struct evl_instance *in, uint64_t at_ns, uint64_t *started_ns,
				   struct evl_err *err);

/* [started] slabs[i] belongs to arms[i]; the caller sets channel, tx and rx (NULL exactly where not
 * armed), this call sets version, tx_bytes and flags = 0; rx_bytes is set to what was captured.
 * `count` is that of arm. On failure the rx contents and numbers mean nothing. */
enum evl_status evl_instance_exchange(struct evl_instance *in, uint32_t frames,
				      struct evl_slab *slabs, uint32_t count, struct evl_err *err);

/* [any but closed] Copies up to `capacity` events, oldest first. Fewer than capacity: none left. */
enum evl_status evl_instance_poll(struct evl_instance *in, struct evl_event *out, uint32_t capacity,
				  uint32_t *count, struct evl_err *err);

/* [any but closed] The version field is set here. */
enum evl_status evl_instance_inject(struct evl_instance *in, const struct evl_inject *what,
				    struct evl_err *err);

/* The adapter has the extension EVL_SETUP_EXTENSION. */
bool evl_instance_can_set_up(const struct evl_instance *in);

/* [stopped] Replaces all settings by these; an empty list is good for every adapter. EVL_E_INVALID:
 * a channel without EVL_CH_SETUP, or a record that is not good; EVL_E_ADAPTER: the equipment cannot
 * be set so. */
enum evl_status evl_instance_set_up(struct evl_instance *in, const struct evl_setting *list,
	uint32_t count, struct evl_err *err);

/* [any] Ends the take, or a take that was armed only. Nothing to do in state stopped. */
enum evl_status evl_instance_stop(struct evl_instance *in, struct evl_err *err);

/* Frames exchanged since the last start. */
uint64_t evl_instance_frames(const struct evl_instance *in);

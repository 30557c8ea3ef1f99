/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A child process that speaks the pipe protocol: started, asked, watched, ended. Nothing here
 *trusts the child: every wait has a limit, every length a bound, and after the first thing that is
 *wrong the child is killed with all of its process group and reaped.
 *
 *	child_start(&c, command, 5000, &err);
 *	wire_begin(&request, WIRE_POLL, child_next(&c));
 *	...
 *	rc = child_call(&c, &request, 5000, WIRE_BODY_MAX, &reply, &err);
 *	child_end(&c, 1000);
 *
 * Writing never raises SIGPIPE (sockets, MSG_NOSIGNAL). The child is in a process group of its own,
 * so that Ctrl-C reaches only the host, which ends the take in order. What the child writes to its
 * standard error is read and thrown away, but for the last line, which goes into the message.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>
#include <sys/uio.h>

#include "adapters/process/wire.h"
#include "core/adapter/adapter.h"

struct child {
	pid_t pid;           /* 0: there is none */
	int in;              /* to its standard input; -1: none */
	int out;             /* from its standard output */
	int said;            /* from its standard error; -1: it closed it */
	uint32_t number;     /* of the last request */
	char label[64];      /* name of the program, for messages */
	char last_said[160]; /* last whole line of standard error, cleaned */
	char line[160];      /* the line under way */
	size_t line_len;
};

/* Starts the program; `command` ends with NULL. A name without a slash is looked for beside the
 * running program, then in PATH. EVL_ADAPTER_E_HARDWARE when it cannot be started. */
int child_start(struct child *c, char *const *command, struct evl_adapter_error *err);
bool child_is_there(const struct child *c);

/* Number for the next request. */
uint32_t child_next(struct child *c);

/*
 * Sends a whole request and takes the reply. The code of the reply is returned, with its text in
 * *err when it is not good; the body of a good one is in `reply` (its data and len, no header).
 * When the child broke the protocol, ended or was too slow, it is gone afterwards and the code is
 * EVL_ADAPTER_E_HARDWARE; child_is_there() tells the difference.
 */
int child_call(struct child *c, struct wire_buffer *request, uint32_t limit_ms, size_t most_bytes,
	struct wire_buffer *reply, struct evl_adapter_error *err);

/* The same in parts, for exchanges: bits go from and to the caller's memory. Allocates nothing.
 * `out` holds the request (iovecs are used up), `table_bytes` of the reply go to `table`; then the
 * caller says by `child_take` where the rest goes. */
int child_ask(struct child *c, struct iovec *out, size_t out_count, uint64_t deadline_ns,
	enum wire_call call, size_t least_bytes, size_t most_bytes, size_t *body_bytes,
	struct evl_adapter_error *err);
int child_take(struct child *c, struct iovec *to, size_t count, uint64_t deadline_ns,
	enum wire_call call, struct evl_adapter_error *err);

/* Nobody can go on with it: kills it and words why, after "the child (PROGRAM) ". */
int child_broken(struct child *c, enum wire_call call, struct evl_adapter_error *err,
	const char *fmt, ...) __attribute__((format(printf, 4, 5)));

uint64_t child_deadline(uint64_t limit_ns); /* CLOCK_MONOTONIC */

/* Closes its standard input, waits up to `grace_ms` for it to end by itself, else kills it. Nothing
 * to do when there is none. */
void child_end(struct child *c, uint32_t grace_ms);

/* SPDX-License-Identifier: Apache-2.0 */
/* Status codes of every room: 0 is good, negative says what kind of thing went wrong. */
#pragma once

enum evl_status {
	EVL_OK = 0,
	EVL_E_INVALID = -1,	/* bad input: a file, an option, a field; the message names it */
	EVL_E_NOMEM = -2,	/* out of memory, or over a stated memory cap */
	EVL_E_IO = -3,		/* the operating system refused: open, read, write, full disk */
	EVL_E_NOTFOUND = -4,	/* a named thing does not exist */
	EVL_E_CONFLICT = -5,	/* held by somebody else: lease, lock, duplicate name */
	EVL_E_VERSION = -6,	/* made by another version that cannot be read here */
	EVL_E_CORRUPT = -7,	/* a recording, store or dossier is truncated or altered */
	EVL_E_ADAPTER = -8,	/* an adapter reported an error or broke its contract */
	EVL_E_LIMIT = -9,	/* a stated limit (time, size, count) was reached */
	EVL_E_INTERRUPTED = -10, /* the user asked to stop */
	EVL_E_SCRIPT = -11,	/* the campaign raised an error */
	EVL_E_END = -12,	/* no more data; not an error for a reader */
};

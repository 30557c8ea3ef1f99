/* SPDX-License-Identifier: Apache-2.0 */
/* Shared by child.c and talk.c. */
#pragma once

#include "adapters/process/child.h"

uint64_t child_now(void); /* ns of CLOCK_MONOTONIC */

/* Reads and throws away what the child tells after its standard input was closed, until the
 * deadline at most; false when it has closed both outputs or the time is over. */
bool child_listen(struct child *c, uint64_t until_ns);

/* Reads what waits on its standard error, a bounded number of pieces. */
void child_hear_rest(struct child *c);

/* Has the process ended? Its pipes may be open all the same, in a child of its own. */
bool child_has_ended(const struct child *c);

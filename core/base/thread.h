/* SPDX-License-Identifier: Apache-2.0 */
/* Threads that work in the background: signals stay with the program's own. */
#pragma once

#include <pthread.h>
#include <stdbool.h>

/* As pthread_create, with all signals blocked in the new thread. False: it cannot be had. */
bool evl_thread_start(pthread_t *thread, void *(*work)(void *), void *context);

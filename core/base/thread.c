/* SPDX-License-Identifier: Apache-2.0 */
#include "core/base/thread.h"

#include <signal.h>

bool evl_thread_start(pthread_t *thread, void *(*work)(void *), void *context)
{
	sigset_t all, before;
	sigfillset(&all);
	pthread_sigmask(SIG_SETMASK, &all, &before); /* a new thread has the mask of its maker */
	bool started = pthread_create(thread, NULL, work, context) == 0;
	pthread_sigmask(SIG_SETMASK, &before, NULL);
	return started;
}

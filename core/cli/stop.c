/* SPDX-License-Identifier: Apache-2.0 */
#include <string.h>

#include "core/cli/cli.h"

static volatile sig_atomic_t stop;

static void on_signal(int number)
{
	(void)number;
	stop = 1;
}

const volatile sig_atomic_t *cli_stop_install(void)
{
	struct sigaction action;
	memset(&action, 0, sizeof(action));
	action.sa_handler = on_signal;
	sigemptyset(&action.sa_mask);
	action.sa_flags = SA_RESTART; /* a write of results is not cut short */
	sigaction(SIGINT, &action, NULL);
	sigaction(SIGTERM, &action, NULL);
	sigaction(SIGHUP, &action, NULL);
	return &stop;
}

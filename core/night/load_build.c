/* SPDX-License-Identifier: Apache-2.0 */
#include "core/night/load_build.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

static uint64_t now_ns(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (uint64_t)t.tv_sec * 1000000000u + (uint64_t)t.tv_nsec;
}

/* In the child: only what is safe after a fork. */
static _Noreturn void become(char *const *argv, const int *told)
{
	setpgid(0, 0);
	int null = open("/dev/null", O_RDONLY);
	signal(SIGINT, SIG_DFL);
	signal(SIGTERM, SIG_DFL);
	signal(SIGHUP, SIG_DFL);
	if (null >= 0 && dup2(null, 0) == 0 && dup2(2, 1) == 1) {
		execv("/bin/sh", argv);
	}
	int why = errno;
	if (write(told[1], &why, sizeof why) < 0) {
		_exit(126);
	}
	_exit(127);
}

/* Waits until the end, the limit or the wish to stop; *status as of waitpid. */
static enum evl_status wait_for(
	pid_t pid, int *status, uint32_t limit_s, const volatile sig_atomic_t *stop)
{
	uint64_t until = now_ns() + (uint64_t)limit_s * 1000000000u;
	long pause_ns = 1000000;
	for (;;) {
		if (waitpid(pid, status, WNOHANG) == pid) {
			return EVL_OK;
		}
		bool stopped = stop != NULL && *stop != 0;
		if (stopped || now_ns() >= until) {
			kill(-pid, SIGKILL);
			kill(pid, SIGKILL); /* it may not have its own group yet */
			while (waitpid(pid, status, 0) < 0 && errno == EINTR) {
			}
			return stopped ? EVL_E_INTERRUPTED : EVL_E_ADAPTER;
		}
		struct timespec t = {.tv_nsec = pause_ns};
		nanosleep(&t, NULL);
		pause_ns = pause_ns < 50000000 ? pause_ns * 2 : pause_ns;
	}
}

enum evl_status evl_load_build(const char *command, const char *build, uint32_t limit_s,
	const volatile sig_atomic_t *stop, struct evl_err *err)
{
	char *const argv[] = {
		(char *)"sh", (char *)"-c", (char *)command, (char *)"load", (char *)build, NULL};
	int told[2], why = 0, status = 0;
	if (pipe(told) != 0 || setenv("EVENLODE_BUILD", build, 1) != 0) {
		return evl_err_set(err, EVL_E_IO,
			"build %s: the command that loads it cannot be "
			"started: %s",
			build, strerror(errno));
	}
	fcntl(told[0], F_SETFD, FD_CLOEXEC);
	fcntl(told[1], F_SETFD, FD_CLOEXEC);
	pid_t pid = fork();
	if (pid == 0) {
		become(argv, told);
	}
	if (pid < 0) {
		why = errno;
	}
	close(told[1]);
	/* Ends at the exec, which closes the other side. */
	ssize_t n = pid > 0 ? read(told[0], &why, sizeof why) : 0;
	close(told[0]);
	if (pid < 0 || n > 0) {
		if (pid > 0) {
			waitpid(pid, &status, 0);
		}
		return evl_err_set(err, EVL_E_IO,
			"build %s: the command that loads it cannot be "
			"started: %s",
			build, strerror(why));
	}
	enum evl_status st = wait_for(pid, &status, limit_s, stop);
	if (st == EVL_E_INTERRUPTED) {
		return evl_err_set(err, st, "stopped by the user while build %s was loaded", build);
	}
	if (st < 0) {
		return evl_err_set(err, st,
			"build %s: the command that loads it lasted longer than %u s and was ended",
			build, limit_s);
	}
	if (WIFSIGNALED(status)) {
		return evl_err_set(err, EVL_E_ADAPTER,
			"build %s: the command that loads it was ended by signal %d", build,
			WTERMSIG(status));
	}
	return WEXITSTATUS(status) == 0
		       ? EVL_OK
		       : evl_err_set(err, EVL_E_ADAPTER,
				 "build %s: the command that loads it ended with status %d", build,
				 WEXITSTATUS(status));
}

/* SPDX-License-Identifier: Apache-2.0 */
/* Start and end of a child process; messages about it. What passes through its pipes is in talk.c.
 */
#include "adapters/process/child.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "adapters/process/options.h"
#include "adapters/process/talk.h"

extern char **environ;

#define KILL_WAIT_MS 2000u /* a process that the system cannot end stays behind */
#define LAST_WAIT_MS 200u  /* for the exit status, after the pipe was closed */

uint64_t child_now(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (uint64_t)t.tv_sec * 1000000000u + (uint64_t)t.tv_nsec;
}

uint64_t child_deadline(uint64_t limit_ns)
{
	return child_now() + limit_ns;
}

bool child_is_there(const struct child *c)
{
	return c->pid > 0;
}

uint32_t child_next(struct child *c)
{
	return ++c->number;
}

/* A pair of connected sockets above the standard descriptors, closed on exec. */
static bool make_pair(int pair[2])
{
	int raw[2];
	if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, raw) != 0) {
		return false;
	}
	for (int i = 0; i < 2; i++) {
		pair[i] = fcntl(raw[i], F_DUPFD_CLOEXEC, 3);
		close(raw[i]);
		int room = 1 << 20; /* the system may give less */
		if (pair[i] >= 0) {
			setsockopt(pair[i], SOL_SOCKET, SO_SNDBUF, &room, sizeof room);
		}
	}
	if (pair[0] < 0 || pair[1] < 0 || fcntl(pair[0], F_SETFL, O_NONBLOCK) != 0) {
		close(pair[0]);
		close(pair[1]);
		return false;
	}
	return true;
}

/* The program beside the running one, or the name itself, to be looked for in PATH. */
static void find_program(const char *name, char *out, size_t cap)
{
	char exe[PATH_MAX];
	ssize_t n = strchr(name, '/') == NULL ? readlink("/proc/self/exe", exe, sizeof exe - 1) : 0;
	char *slash = NULL;
	if (n > 0) {
		exe[n] = '\0';
		slash = strrchr(exe, '/');
	}
	if (slash != NULL) {
		int dir = (int)(slash - exe);
		int len = snprintf(out, cap, "%.*s/%s", dir, exe, name);
		if (len > 0 && (size_t)len < cap && access(out, X_OK) == 0) {
			return;
		}
	}
	snprintf(out, cap, "%s", name);
}

static int spawn(pid_t *pid, const char *program, char *const *command, const int ends[3])
{
	posix_spawn_file_actions_t files;
	posix_spawnattr_t how;
	sigset_t none, standard;
	int rc = posix_spawn_file_actions_init(&files);
	if (rc != 0) {
		return rc;
	}
	rc = posix_spawnattr_init(&how);
	if (rc != 0) {
		posix_spawn_file_actions_destroy(&files);
		return rc;
	}
	for (int fd = 0; fd < 3 && rc == 0; fd++) {
		rc = posix_spawn_file_actions_adddup2(&files, ends[fd], fd);
	}
	sigemptyset(&none);
	sigemptyset(&standard);
	sigaddset(&standard, SIGPIPE);
	sigaddset(&standard, SIGINT);
	sigaddset(&standard, SIGTERM);
	sigaddset(&standard, SIGHUP);
	if (rc == 0) {
		posix_spawnattr_setpgroup(&how, 0);
		posix_spawnattr_setsigmask(&how, &none);
		posix_spawnattr_setsigdefault(&how, &standard);
		rc = posix_spawnattr_setflags(&how,
			POSIX_SPAWN_SETPGROUP | POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF);
	}
	if (rc == 0) {
		rc = posix_spawnp(pid, program, &files, &how, command, environ);
	}
	posix_spawnattr_destroy(&how);
	posix_spawn_file_actions_destroy(&files);
	return rc;
}

int child_start(struct child *c, char *const *command, struct evl_adapter_error *err)
{
	int pairs[3][2] = {{-1, -1}, {-1, -1}, {-1, -1}};
	char program[PATH_MAX];
	const char *slash = strrchr(command[0], '/');
	*c = (struct child){.in = -1, .out = -1, .said = -1};
	snprintf(c->label, sizeof c->label, "%s", slash != NULL ? slash + 1 : command[0]);
	for (char *s = c->label; *s != '\0'; s++) {
		*s = (unsigned char)*s < 0x20 || *s == 0x7F ? ' ' : *s;
	}
	int rc = 0;
	for (int i = 0; i < 3 && rc == 0; i++) {
		rc = make_pair(pairs[i]) ? 0 : errno;
	}
	if (rc == 0) {
		const int ends[3] = {pairs[0][1], pairs[1][1], pairs[2][1]};
		find_program(command[0], program, sizeof program);
		rc = spawn(&c->pid, program, command, ends);
	}
	for (int i = 0; i < 3; i++) {
		if (pairs[i][1] >= 0) {
			close(pairs[i][1]);
		}
		if (rc != 0 && pairs[i][0] >= 0) {
			close(pairs[i][0]);
		}
	}
	if (rc != 0) {
		c->pid = 0;
		return process_fail(err, EVL_ADAPTER_E_HARDWARE,
			"the program '%.200s' cannot be started: %s; see option command",
			command[0], strerror(rc));
	}
	c->in = pairs[0][0];
	c->out = pairs[1][0];
	c->said = pairs[2][0];
	return EVL_ADAPTER_OK;
}

/* Has the process ended? It stays to be reaped, so that its number stays its own. */
bool child_has_ended(const struct child *c)
{
	siginfo_t info = {0};
	int rc = waitid(P_PID, (id_t)c->pid, &info, WEXITED | WNOHANG | WNOWAIT);
	return rc == 0 ? info.si_pid == c->pid : errno == ECHILD;
}

static bool wait_for_end(const struct child *c, uint32_t wait_ms)
{
	uint64_t until = child_now() + (uint64_t)wait_ms * 1000000u;
	for (long pause_ns = 100000;; pause_ns = pause_ns < 5000000 ? pause_ns * 2 : pause_ns) {
		if (child_has_ended(c)) {
			return true;
		}
		if (child_now() >= until) {
			return false;
		}
		struct timespec t = {.tv_nsec = pause_ns};
		nanosleep(&t, NULL);
	}
}

static void close_all(struct child *c)
{
	int *const all[] = {&c->in, &c->out, &c->said};
	for (int i = 0; i < 3; i++) {
		if (*all[i] >= 0) {
			close(*all[i]);
		}
		*all[i] = -1;
	}
}

/* Ends it for sure. True when it had ended by itself within `grace_ms`; *status says how. */
static bool finish(struct child *c, uint32_t grace_ms, int *status)
{
	bool itself = wait_for_end(c, grace_ms);
	child_hear_rest(c);
	kill(-c->pid, SIGKILL); /* also what it may have started: they are of its group */
	*status = 0;            /* stays so when the host lets the system reap its children */
	if (wait_for_end(c, KILL_WAIT_MS)) {
		waitpid(c->pid, status, 0);
	}
	close_all(c);
	c->pid = 0;
	return itself;
}

void child_end(struct child *c, uint32_t grace_ms)
{
	int status;
	if (c->pid <= 0) {
		return;
	}
	close(c->in);
	c->in = -1;
	/* A child that is busy telling something could not end otherwise. */
	uint64_t until = child_now() + (uint64_t)grace_ms * 1000000u;
	while (child_listen(c, until)) {
	}
	uint64_t now = child_now();
	finish(c, now < until ? (uint32_t)((until - now) / 1000000u) : 0, &status);
}

static void word_end(char *out, size_t cap, int status)
{
	if (WIFSIGNALED(status)) {
		snprintf(out, cap, "was ended by signal %d (%s)", WTERMSIG(status),
			strsignal(WTERMSIG(status)));
	} else {
		snprintf(out, cap, "ended with status %d", WEXITSTATUS(status));
	}
}

int child_broken(
	struct child *c, enum wire_call call, struct evl_adapter_error *err, const char *fmt, ...)
{
	char what[200] = "", said[sizeof c->last_said + 16] = "";
	int status = 0;
	if (fmt != NULL) {
		va_list ap;
		va_start(ap, fmt);
		vsnprintf(what, sizeof what, fmt, ap);
		va_end(ap);
	}
	/* An end that came by itself tells more than the closed pipe that it left. */
	bool itself = finish(c, fmt == NULL ? LAST_WAIT_MS : 0, &status);
	if (fmt == NULL && itself) {
		word_end(what, sizeof what, status);
	} else if (fmt == NULL) {
		snprintf(what, sizeof what, "closed its output and went on running");
	}
	const char *last = c->line_len > 0 ? c->line : c->last_said;
	if (last[0] != '\0') {
		snprintf(said, sizeof said, "; it said: %s", last);
	}
	return process_fail(err, EVL_ADAPTER_E_HARDWARE,
		"the child (%s) %s in %s%s; the next arm starts it again", c->label, what,
		wire_call_name(call), said);
}

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The live view's server, asked over plain sockets as RFC 9112 says; states are read by jansson.
 * tests/cli/test_live.py looks at a whole run, in a browser too.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <arpa/inet.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>
#include <jansson.h>

#include "core/live/live.h"

static struct evl_live_channel channels[63];
static char labels[63][24];

static struct evl_live_state sample(void)
{
	static const struct evl_live_case cases[] = {{"one", "pass"}, {"t\"wo\\", ""}};
	for (int i = 0; i < 63; i++) {
		snprintf(labels[i], sizeof labels[i], "trib %d (%d-1-1)", i + 1, i);
		channels[i] = (struct evl_live_channel){.label = labels[i],
			.rate = "E1",
			.alarms = i == 5 ? "LOS, AIS" : "",
			.sync = i == 7 ? EVL_LIVE_NO_SYNC : EVL_LIVE_IN_SYNC,
			.bits = (uint64_t)1 << 62,
			.errors = (uint64_t)i};
	}
	return (struct evl_live_state){.run = 12,
		.campaign = "a",
		.title = "Line\nfeed \x01 \xC3\xA9 \"</script>\"",
		.bench = "b",
		.build = "B",
		.clock = "virtual",
		.verdict = "pass",
		.message = "",
		.case_number = 2,
		.case_count = 3,
		.case_name = "t\"wo\\",
		.case_title = "Two",
		.take_name = "take",
		.done_ns = 1500000000,
		.all_ns = 3000000000,
		.left_ms = 700,
		.errors = 5,
		.passed = 1,
		.cases = cases,
		.case_list_count = 2,
		.channels = channels,
		.channel_count = 63};
}

static uint16_t port_of(const struct evl_live *live)
{
	return (uint16_t)atoi(strrchr(evl_live_url(live), ':') + 1);
}

static int dial(const struct evl_live *live)
{
	struct sockaddr_in at = {.sin_family = AF_INET, .sin_port = htons(port_of(live))};
	at.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
	int fd = socket(AF_INET, SOCK_STREAM, 0);
	assert_true(fd >= 0);
	struct timeval limit = {.tv_sec = 10};
	setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit);
	assert_int_equal(connect(fd, (struct sockaddr *)&at, sizeof at), 0);
	return fd;
}

static void say(int fd, const char *text)
{
	assert_int_equal(send(fd, text, strlen(text), MSG_NOSIGNAL), strlen(text));
}

/* Reads until the end, or until `until` has come. */
static size_t hear(int fd, char *out, size_t cap, const char *until)
{
	size_t n = 0;
	for (ssize_t got; n < cap - 1 && (got = recv(fd, out + n, cap - 1 - n, 0)) > 0;) {
		n += (size_t)got;
		out[n] = '\0';
		if (until != NULL && strstr(out, until) != NULL) {
			break;
		}
	}
	out[n] = '\0';
	return n;
}

static const char *ask(
	const struct evl_live *live, const char *method, const char *path, const char *host)
{
	static char reply[65536];
	char request[512], own[64];
	snprintf(own, sizeof own, "127.0.0.1:%u", port_of(live));
	snprintf(request, sizeof request, "%s %s HTTP/1.1\r\nHost: %s\r\nConnection: close\r\n\r\n",
		method, path, host != NULL ? host : own);
	int fd = dial(live);
	say(fd, request);
	hear(fd, reply, sizeof reply, NULL);
	close(fd);
	return reply;
}

static struct evl_live *start(void)
{
	struct evl_live *live = NULL;
	struct evl_err err = {0};
	if (evl_live_start(&live, "127.0.0.1", 0, &err) < 0) {
		fail_msg("%s", err.text);
	}
	return live;
}

#define HAS(text, what)                                                                            \
	do {                                                                                       \
		const char *t_ = (text);                                                           \
		if (strstr(t_, (what)) == NULL) {                                                  \
			fail_msg("\"%s\" is missing in: %.300s", (what), t_);                      \
		}                                                                                  \
	} while (0)

static void test_pages(void **state)
{
	(void)state;
	struct evl_live *live = start();
	HAS(ask(live, "GET", "/", NULL), "HTTP/1.1 200");
	HAS(ask(live, "GET", "/", NULL), "Content-Security-Policy: default-src 'none';");
	HAS(ask(live, "GET", "/", NULL), "</html>");
	HAS(ask(live, "GET", "/", "localhost:1"), "HTTP/1.1 421");
	HAS(ask(live, "GET", "/", "evil.example"), "HTTP/1.1 421");
	HAS(ask(live, "GET", "/state", "evil.example"), "HTTP/1.1 421");
	HAS(ask(live, "GET", "/etc/passwd", NULL), "HTTP/1.1 404");
	HAS(ask(live, "GET", "/../x", NULL), "HTTP/1.1 404");
	HAS(ask(live, "POST", "/", NULL), "HTTP/1.1 405");
	HAS(ask(live, "POST", "/", NULL), "Allow: GET, HEAD");
	HAS(ask(live, "DELETE", "/state", NULL), "HTTP/1.1 405");
	const char *head = ask(live, "HEAD", "/", NULL);
	HAS(head, "HTTP/1.1 200");
	assert_null(strstr(head, "<html"));
	HAS(ask(live, "GET", "/state", NULL), "\r\n\r\nnull");
	int fd = dial(live); /* not HTTP */
	char reply[512];
	say(fd, "\x16\x03\x01\x02 hello\r\n\r\n");
	hear(fd, reply, sizeof reply, NULL);
	close(fd);
	HAS(ask(live, "GET", "/state", NULL), "HTTP/1.1 200"); /* it goes on */
	evl_live_stop(live, NULL);
	evl_live_stop(NULL, NULL);
}

static void test_state(void **state)
{
	(void)state;
	struct evl_live *live = start();
	const struct evl_live_state s = sample();
	assert_true(evl_live_due(live)); /* there is none yet */
	evl_live_publish(live, &s);
	assert_false(evl_live_due(live)); /* and nobody looks */
	json_error_t e;
	json_t *j = json_loads(strstr(ask(live, "GET", "/state", NULL), "\r\n\r\n"), 0, &e);
	assert_non_null(j);
	assert_string_equal(json_string_value(json_object_get(j, "title")), s.title);
	assert_string_equal(json_string_value(json_object_get(j, "case")), s.case_name);
	assert_int_equal(json_integer_value(json_object_get(j, "done_ms")), 1500);
	assert_int_equal(json_integer_value(json_object_get(j, "left_ms")), 700);
	json_t *list = json_object_get(j, "channels");
	assert_int_equal(json_array_size(list), 63);
	json_t *six = json_array_get(list, 5);
	assert_string_equal(json_string_value(json_array_get(six, 0)), "trib 6 (5-1-1)");
	assert_int_equal(json_integer_value(json_array_get(six, 3)), 5);
	assert_string_equal(json_string_value(json_array_get(six, 5)), "LOS, AIS");
	json_decref(j);
	evl_live_stop(live, NULL);
}

/* Ten states in two seconds reach a follower as ten events, and the last comes before the end. */
static void test_events(void **state)
{
	(void)state;
	static char text[1 << 20];
	struct evl_live *live = start();
	struct evl_live_state s = sample();
	int fd = dial(live);
	char request[128];
	snprintf(request, sizeof request, "GET /events HTTP/1.1\r\nHost: localhost:%u\r\n\r\n",
		port_of(live));
	say(fd, request);
	evl_live_publish(live, &s);
	size_t n = hear(fd, text, sizeof text, "]}\n\n");
	HAS(text, "Content-Type: text/event-stream");
	HAS(text, "data: {\"ended\":false,");
	assert_false(evl_live_due(live)); /* within half a second */
	struct timespec pause = {.tv_nsec = 520000000};
	nanosleep(&pause, NULL);
	assert_true(evl_live_due(live)); /* somebody follows */
	s.errors = 77;
	evl_live_publish(live, &s);
	hear(fd, text, sizeof text, "]}\n\n");
	HAS(text, "\"errors\":77");
	s.ended = true;
	/* A follower that does not read, and one that never asked, do not hold up the end. */
	int lazy = dial(live), mute = dial(live);
	say(lazy, request);
	struct timespec a, b;
	clock_gettime(CLOCK_MONOTONIC, &a);
	evl_live_stop(live, &s);
	clock_gettime(CLOCK_MONOTONIC, &b);
	assert_true(b.tv_sec - a.tv_sec <= 5);
	n = hear(fd, text, sizeof text, NULL);
	assert_true(n > 0);
	HAS(text, "data: {\"ended\":true,");
	close(fd);
	close(lazy);
	close(mute);
}

/* More browsers than are allowed: those that are there go on. */
static void test_many(void **state)
{
	(void)state;
	static char text[65536];
	struct evl_live *live = start();
	struct evl_live_state s = sample();
	int fds[EVL_LIVE_CLIENTS_MAX * 2];
	char request[128];
	snprintf(request, sizeof request, "GET /events HTTP/1.1\r\nHost: localhost:%u\r\n\r\n",
		port_of(live));
	for (unsigned i = 0; i < EVL_LIVE_CLIENTS_MAX * 2; i++) {
		fds[i] = dial(live);
		(void)send(fds[i], request, strlen(request), MSG_NOSIGNAL);
		if (i == 0) {
			evl_live_publish(live, &s);
			hear(fds[0], text, sizeof text, "]}\n\n");
		}
	}
	s.errors = 4711;
	evl_live_publish(live, &s);
	hear(fds[0], text, sizeof text, "]}\n\n");
	HAS(text, "4711");
	for (unsigned i = 0; i < EVL_LIVE_CLIENTS_MAX * 2; i++) {
		close(fds[i]);
	}
	evl_live_stop(live, NULL);
}

static void refused(const char *address, uint16_t port, enum evl_status status, const char *says)
{
	struct evl_live *live = (struct evl_live *)1;
	struct evl_err err = {0};
	assert_int_equal(evl_live_start(&live, address, port, &err), status);
	assert_null(live);
	HAS(err.text, says);
}

static void test_address(void **state)
{
	(void)state;
	struct evl_err err = {0};
	refused("localhost", 0, EVL_E_INVALID, "\"localhost\" is no IP address");
	refused("", 0, EVL_E_INVALID, "is no IP address");
	refused("300.1.1.1", 0, EVL_E_INVALID, "is no IP address");
	refused("192.0.2.1", 0, EVL_E_IO, "cannot listen on 192.0.2.1"); /* RFC 5737 */
	struct evl_live *live = start(), *second = NULL;
	refused("127.0.0.1", port_of(live), EVL_E_IO, "choose another port");
	evl_live_stop(live, NULL);
	if (evl_live_start(&second, "::1", 0, &err) == EVL_OK) { /* not on every machine */
		assert_int_equal(strncmp(evl_live_url(second), "http://[::1]:", 13), 0);
	}
	evl_live_stop(second, NULL);
}

/* The run's thread pays for making a state, twice a second: below 2 % of a core for 63 channels. */
static void test_cost(void **state)
{
	(void)state;
	struct evl_live *live = start();
	const struct evl_live_state s = sample();
	struct timespec a, b;
	clock_gettime(CLOCK_THREAD_CPUTIME_ID, &a);
	for (int i = 0; i < 200; i++) {
		evl_live_publish(live, &s);
	}
	clock_gettime(CLOCK_THREAD_CPUTIME_ID, &b);
	double each =
		((double)(b.tv_sec - a.tv_sec) + 1e-9 * (double)(b.tv_nsec - a.tv_nsec)) / 200;
	print_message("# %.0f us for a state of 63 channels, %.3f %% of a core\n", each * 1e6,
		each * 2 * 100);
	assert_true(each * 2 < 0.02);
	evl_live_stop(live, NULL);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_pages),
		cmocka_unit_test(test_state),
		cmocka_unit_test(test_events),
		cmocka_unit_test(test_many),
		cmocka_unit_test(test_address),
		cmocka_unit_test(test_cost),
	};
	return cmocka_run_group_tests_name("live.server", tests, NULL, NULL);
}

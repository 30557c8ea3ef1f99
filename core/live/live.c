/* SPDX-License-Identifier: Apache-2.0 */
/*
 * One thread for each connection: a browser that reads slowly or not at all holds up its own thread
 * only. The run's thread takes the lock for as long as it needs to put a pointer in place.
 */
#include "core/live/live.h"

#include <arpa/inet.h>
#include <errno.h>
#include <netinet/in.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include <microhttpd.h>

#include "core/live/internal.h"

#define QUIET_S   5   /* a comment is sent when nothing changes for so long */
#define LAST_MS   500 /* for browsers to take the last state */
#define REQUEST_S 30u /* a connection that asks nothing is closed */
#define URL_BYTES 80u

struct evl_live {
	struct MHD_Daemon *daemon;
	char url[URL_BYTES];
	char host[URL_BYTES]; /* "127.0.0.1:38123", "[::1]:38123" */
	char local[32];       /* "localhost:38123" */
	pthread_mutex_t lock;
	pthread_cond_t changed;
	char *json; /* the latest state, owned; NULL before the first */
	size_t json_len;
	uint64_t number;    /* of the state, from 1 */
	uint32_t followers; /* of /events */
	bool asked; /* somebody read /state since the last one */
	bool stopping;
	uint64_t published_ms;
};

/* What one browser that follows has got so far. */
struct follower {
	struct evl_live *live;
	uint64_t number; /* of the state that is being sent, or was */
	char *text;      /* owned */
	size_t len, sent;
};

static uint64_t now_ms(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (uint64_t)t.tv_sec * 1000u + (uint64_t)t.tv_nsec / 1000000u;
}

static struct timespec in_ms(uint64_t ms)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	t.tv_sec += (time_t)(ms / 1000);
	t.tv_nsec += (long)(ms % 1000) * 1000000;
	if (t.tv_nsec >= 1000000000) {
		t.tv_nsec -= 1000000000;
		t.tv_sec++;
	}
	return t;
}

/* Waits for something new and puts it into f->text. False: the end. Called with the lock held. */
static bool next_text(struct follower *f)
{
	struct evl_live *l = f->live;
	const struct timespec until = in_ms(QUIET_S * 1000);
	int rc = 0;
	while (l->number == f->number && !l->stopping && rc != ETIMEDOUT) {
		rc = pthread_cond_timedwait(&l->changed, &l->lock, &until);
	}
	free(f->text);
	f->text = NULL;
	f->sent = 0;
	if (l->number > f->number) {
		struct evl_text t = {0};
		evl_text_add(&t, "data: ");
		evl_text_addn(&t, l->json, l->json_len);
		evl_text_add(&t, "\n\n");
		f->number = l->number;
		f->text = t.data;
		f->len = t.len;
		return true;
	}
	if (l->stopping) {
		return false;
	}
	/* Finds out that a browser has gone, and keeps the connection open (HTML, 9.2.7). */
	f->text = evl_xstrdup(": nothing new\n\n");
	f->len = strlen(f->text);
	return true;
}

static ssize_t read_events(void *cls, uint64_t pos, char *buf, size_t max)
{
	struct follower *f = cls;
	(void)pos;
	if (f->sent == f->len) {
		pthread_mutex_lock(&f->live->lock);
		bool more = next_text(f);
		if (!more) {
			pthread_cond_broadcast(&f->live->changed);
		}
		pthread_mutex_unlock(&f->live->lock);
		if (!more) {
			f->len = 0;
			return MHD_CONTENT_READER_END_OF_STREAM;
		}
	}
	size_t n = f->len - f->sent < max ? f->len - f->sent : max;
	memcpy(buf, f->text + f->sent, n);
	f->sent += n;
	return (ssize_t)n;
}

static void free_events(void *cls)
{
	struct follower *f = cls;
	pthread_mutex_lock(&f->live->lock);
	f->live->followers--;
	pthread_cond_broadcast(&f->live->changed);
	pthread_mutex_unlock(&f->live->lock);
	free(f->text);
	free(f);
}

static struct MHD_Response *events(struct evl_live *l)
{
	struct follower *f = evl_xcalloc(1, sizeof *f);
	f->live = l;
	struct MHD_Response *r = MHD_create_response_from_callback(
		MHD_SIZE_UNKNOWN, 16384, read_events, f, free_events);
	if (r == NULL) {
		free(f);
		return NULL;
	}
	pthread_mutex_lock(&l->lock);
	l->followers++;
	pthread_mutex_unlock(&l->lock);
	return r;
}

static struct MHD_Response *fixed(const char *text)
{
	return MHD_create_response_from_buffer(
		strlen(text), (void *)(uintptr_t)text, MHD_RESPMEM_PERSISTENT);
}

static struct MHD_Response *state(struct evl_live *l)
{
	pthread_mutex_lock(&l->lock);
	l->asked = true;
	struct MHD_Response *r = l->json == NULL ? fixed("null\n")
						 : MHD_create_response_from_buffer(l->json_len,
							   l->json, MHD_RESPMEM_MUST_COPY);
	pthread_mutex_unlock(&l->lock);
	return r;
}

static bool host_is_ours(const struct evl_live *l, struct MHD_Connection *c)
{
	const char *host = MHD_lookup_connection_value(c, MHD_HEADER_KIND, "Host");
	return host != NULL && (strcasecmp(host, l->host) == 0 || strcasecmp(host, l->local) == 0);
}

static enum MHD_Result answer(void *cls, struct MHD_Connection *c, const char *url,
	const char *method, const char *version, const char *upload, size_t *upload_bytes,
	void **context)
{
	static int known;
	struct evl_live *l = cls;
	struct MHD_Response *r;
	unsigned status = MHD_HTTP_OK;
	const char *type = "text/plain; charset=utf-8";
	(void)version;
	(void)upload;
	if (*context == NULL) { /* the head only; the request is whole at the next call */
		*context = &known;
		return MHD_YES;
	}
	if (*upload_bytes > 0) {
		return MHD_NO; /* nothing is taken in */
	}
	if (strcmp(method, "GET") != 0 && strcmp(method, "HEAD") != 0) {
		status = MHD_HTTP_METHOD_NOT_ALLOWED;
		r = fixed("This page can only be read.\n");
	} else if (!host_is_ours(l, c)) {
		status = MHD_HTTP_MISDIRECTED_REQUEST;
		r = fixed("Ask by the address that evenlode printed.\n");
	} else if (strcmp(url, "/") == 0) {
		type = "text/html; charset=utf-8";
		r = fixed(evl_live_page);
	} else if (strcmp(url, "/events") == 0) {
		type = "text/event-stream";
		r = events(l);
	} else if (strcmp(url, "/state") == 0) {
		type = "application/json";
		r = state(l);
	} else {
		status = MHD_HTTP_NOT_FOUND;
		r = fixed("There are /, /events and /state.\n");
	}
	if (r == NULL) {
		return MHD_NO;
	}
	MHD_add_response_header(r, "Content-Type", type);
	MHD_add_response_header(r, "Cache-Control", "no-store");
	MHD_add_response_header(r, "X-Content-Type-Options", "nosniff");
	MHD_add_response_header(r, "Referrer-Policy", "no-referrer");
	MHD_add_response_header(r, "Content-Security-Policy", evl_live_policy);
	if (status == MHD_HTTP_METHOD_NOT_ALLOWED) {
		MHD_add_response_header(r, "Allow", "GET, HEAD");
	}
	enum MHD_Result rc = MHD_queue_response(c, status, r);
	MHD_destroy_response(r);
	return rc;
}

static void say_nothing(void *cls, const char *fmt, va_list ap)
{
	(void)cls;
	(void)fmt;
	(void)ap;
}

/* The socket address of a text; false when it is none. */
static bool read_address(
	const char *text, uint16_t port, struct sockaddr_storage *out, socklen_t *bytes)
{
	struct sockaddr_in *v4 = (struct sockaddr_in *)out;
	struct sockaddr_in6 *v6 = (struct sockaddr_in6 *)out;
	memset(out, 0, sizeof *out);
	if (inet_pton(AF_INET, text, &v4->sin_addr) == 1) {
		v4->sin_family = AF_INET;
		v4->sin_port = htons(port);
		*bytes = sizeof *v4;
		return true;
	}
	if (inet_pton(AF_INET6, text, &v6->sin6_addr) == 1) {
		v6->sin6_family = AF_INET6;
		v6->sin6_port = htons(port);
		*bytes = sizeof *v6;
		return true;
	}
	return false;
}

/* A listening socket, and the port that it got. */
static int listen_on(const char *address, uint16_t *port, struct evl_err *err)
{
	struct sockaddr_storage at;
	socklen_t bytes;
	int one = 1;
	if (!read_address(address, *port, &at, &bytes)) {
		evl_err_set(err, EVL_E_INVALID,
			"live view: \"%s\" is no IP address, such as 127.0.0.1 or ::1", address);
		return -1;
	}
	int fd = socket(at.ss_family, SOCK_STREAM | SOCK_CLOEXEC, 0);
	if (fd < 0) {
		evl_err_set(err, EVL_E_IO, "live view: no socket: %s", strerror(errno));
		return -1;
	}
	setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one);
	if (bind(fd, (struct sockaddr *)&at, bytes) != 0 || listen(fd, 16) != 0 ||
		getsockname(fd, (struct sockaddr *)&at, &bytes) != 0) {
		evl_err_set(err, EVL_E_IO,
			"live view: cannot listen on %s, port %u: %s; choose another port, or 0 "
			"for "
			"any that is free",
			address, (unsigned)*port, strerror(errno));
		close(fd);
		return -1;
	}
	*port = ntohs(at.ss_family == AF_INET ? ((struct sockaddr_in *)&at)->sin_port
					      : ((struct sockaddr_in6 *)&at)->sin6_port);
	return fd;
}

enum evl_status evl_live_start(
	struct evl_live **out, const char *address, uint16_t port, struct evl_err *err)
{
	pthread_condattr_t attr;
	*out = NULL;
	int fd = listen_on(address, &port, err);
	if (fd < 0) {
		return err != NULL ? err->status : EVL_E_IO;
	}
	struct evl_live *l = evl_xcalloc(1, sizeof *l);
	bool v6 = strchr(address, ':') != NULL;
	snprintf(l->host, sizeof l->host, "%s%s%s:%u", v6 ? "[" : "", address, v6 ? "]" : "",
		(unsigned)port);
	snprintf(l->local, sizeof l->local, "localhost:%u", (unsigned)port);
	snprintf(l->url, sizeof l->url, "http://%.60s/", l->host);
	pthread_mutex_init(&l->lock, NULL);
	pthread_condattr_init(&attr);
	pthread_condattr_setclock(&attr, CLOCK_MONOTONIC);
	pthread_cond_init(&l->changed, &attr);
	pthread_condattr_destroy(&attr);
	unsigned flags = MHD_USE_THREAD_PER_CONNECTION | MHD_USE_INTERNAL_POLLING_THREAD |
			 MHD_USE_POLL | MHD_USE_ERROR_LOG | (v6 ? MHD_USE_IPv6 : 0u);
	l->daemon = MHD_start_daemon(flags, port, NULL, NULL, answer, l, MHD_OPTION_EXTERNAL_LOGGER,
		say_nothing, NULL, MHD_OPTION_LISTEN_SOCKET, fd, MHD_OPTION_CONNECTION_LIMIT,
		EVL_LIVE_CLIENTS_MAX, MHD_OPTION_CONNECTION_TIMEOUT, REQUEST_S,
		MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)32768, MHD_OPTION_END);
	if (l->daemon == NULL) {
		close(fd);
		pthread_cond_destroy(&l->changed);
		pthread_mutex_destroy(&l->lock);
		free(l);
		return evl_err_set(err, EVL_E_IO, "live view: the web server does not start");
	}
	*out = l;
	return EVL_OK;
}

const char *evl_live_url(const struct evl_live *live)
{
	return live->url;
}

bool evl_live_due(struct evl_live *l)
{
	uint64_t now = now_ms();
	if (l->number > 0 && now - l->published_ms < EVL_LIVE_PERIOD_MS) {
		return false;
	}
	pthread_mutex_lock(&l->lock);
	bool due = l->number == 0 || l->followers > 0 || l->asked;
	pthread_mutex_unlock(&l->lock);
	return due;
}

void evl_live_publish(struct evl_live *l, const struct evl_live_state *s)
{
	struct evl_text t = {0};
	evl_live_json(&t, s);
	l->published_ms = now_ms();
	pthread_mutex_lock(&l->lock);
	char *old = l->json;
	l->json = t.data;
	l->json_len = t.len;
	l->number++;
	l->asked = false;
	pthread_cond_broadcast(&l->changed);
	pthread_mutex_unlock(&l->lock);
	free(old);
}

void evl_live_stop(struct evl_live *l, const struct evl_live_state *last)
{
	if (l == NULL) {
		return;
	}
	if (last != NULL) {
		evl_live_publish(l, last);
	}
	const struct timespec until = in_ms(LAST_MS);
	int rc = 0;
	pthread_mutex_lock(&l->lock);
	l->stopping = true;
	pthread_cond_broadcast(&l->changed);
	while (l->followers > 0 && rc != ETIMEDOUT) {
		rc = pthread_cond_timedwait(&l->changed, &l->lock, &until);
	}
	pthread_mutex_unlock(&l->lock);
	MHD_stop_daemon(l->daemon); /* closes the connections that are left */
	pthread_cond_destroy(&l->changed);
	pthread_mutex_destroy(&l->lock);
	free(l->json);
	free(l);
}

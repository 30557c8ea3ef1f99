/* SPDX-License-Identifier: Apache-2.0 */
/* What passes between host and child: whole messages, with a limit on every wait. */
#include "adapters/process/talk.h"

#include <errno.h>
#include <limits.h>
#include <poll.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#ifndef IOV_MAX
#define IOV_MAX 1024
#endif

/* One piece of standard error; keeps the last line. False at its end. */
static bool hear(struct child *c)
{
	char piece[4096];
	ssize_t n = read(c->said, piece, sizeof piece);
	if (n == 0 || (n < 0 && errno != EAGAIN && errno != EINTR)) {
		close(c->said);
		c->said = -1;
		return false;
	}
	for (ssize_t i = 0; i < n; i++) {
		unsigned char ch = (unsigned char)piece[i];
		if (ch == '\n') {
			if (c->line_len > 0) {
				memcpy(c->last_said, c->line, sizeof c->last_said);
			}
			c->line_len = 0;
		} else if (c->line_len < sizeof c->line - 1) {
			c->line[c->line_len++] = ch < 0x20 || ch >= 0x7F ? ' ' : (char)ch;
		}
		c->line[c->line_len] = '\0';
	}
	return true;
}

void child_hear_rest(struct child *c)
{
	struct pollfd p = {.fd = c->said, .events = POLLIN};
	for (int i = 0; i < 256 && c->said >= 0 && poll(&p, 1, 0) > 0; i++) {
		hear(c);
	}
}

/* Waits until `fd` is ready for `events`; 0 when the deadline is over, else what poll said of it.
 * Listens to standard error meanwhile. *early is set when the other direction has something. */
static short await(struct child *c, int fd, short events, uint64_t deadline_ns, bool *early)
{
	for (;;) {
		struct pollfd p[3] = {{.fd = fd, .events = events},
			{.fd = c->said, .events = POLLIN},
			{.fd = early != NULL ? c->out : -1, .events = POLLIN}};
		uint64_t now = child_now();
		uint64_t left_ms = now < deadline_ns ? (deadline_ns - now + 999999) / 1000000 : 0;
		int n = poll(p, 3, left_ms > INT_MAX ? INT_MAX : (int)left_ms);
		if (n > 0 && p[1].revents != 0) {
			hear(c);
		}
		if (n > 0 && early != NULL && p[2].revents != 0) {
			*early = true;
			return p[2].revents;
		}
		if (n > 0 && p[0].revents != 0) {
			return p[0].revents;
		}
		if (left_ms == 0) {
			return 0;
		}
	}
}

bool child_listen(struct child *c, uint64_t until_ns)
{
	char piece[4096];
	if (c->out < 0 && c->said < 0) {
		return false;
	}
	struct pollfd p[2] = {{.fd = c->out, .events = POLLIN}, {.fd = c->said, .events = POLLIN}};
	uint64_t now = child_now();
	if (now >= until_ns || poll(p, 2, (int)((until_ns - now + 999999) / 1000000)) < 0) {
		return now < until_ns && errno == EINTR;
	}
	if (p[1].revents != 0) {
		hear(c);
	}
	if (p[0].revents != 0) {
		ssize_t n = read(c->out, piece, sizeof piece);
		if (n == 0 || (n < 0 && errno != EAGAIN && errno != EINTR)) {
			close(c->out);
			c->out = -1;
		}
	}
	return true;
}

static int too_slow(struct child *c, enum wire_call call, struct evl_adapter_error *err)
{
	if (child_has_ended(c)) {
		return child_broken(c, call, err, NULL);
	}
	return child_broken(c, call, err, "did not answer within its time limit");
}

/* Moves on by n bytes; how many vectors are used up. */
static size_t use_up(struct iovec *v, size_t count, size_t n)
{
	size_t done = 0;
	while (done < count && n >= v[done].iov_len) {
		n -= v[done++].iov_len;
	}
	if (done < count) {
		v[done].iov_base = (char *)v[done].iov_base + n;
		v[done].iov_len -= n;
	}
	return done;
}

static int send_all(struct child *c, struct iovec *v, size_t count, uint64_t deadline_ns,
	enum wire_call call, struct evl_adapter_error *err)
{
	bool early = false;
	/* A child that speaks unasked breaks the order of calls; what it wrote is not a reply. */
	short before = await(c, c->out, POLLIN, 0, NULL);
	if (before & POLLIN) {
		char one;
		ssize_t n = recv(c->out, &one, 1, MSG_PEEK);
		if (n > 0) {
			return child_broken(c, call, err, "wrote something without being asked");
		}
	}
	if (before != 0) {
		return child_broken(c, call, err, NULL);
	}
	while (count > 0) {
		struct msghdr m = {.msg_iov = v, .msg_iovlen = count < IOV_MAX ? count : IOV_MAX};
		ssize_t n = sendmsg(c->in, &m, MSG_NOSIGNAL);
		if (n >= 0) {
			size_t used = use_up(v, count, (size_t)n);
			v += used;
			count -= used;
		} else if (errno == EAGAIN || errno == EWOULDBLOCK) {
			if (await(c, c->in, POLLOUT, deadline_ns, &early) == 0) {
				return child_broken(c, call, err,
					"did not read the request within its time limit");
			}
			if (early) {
				break; /* the end of it, or something out of order: see there */
			}
		} else if (errno != EINTR) {
			break;
		}
	}
	if (count > 0) {
		char one;
		ssize_t n = recv(c->out, &one, 1, MSG_PEEK | MSG_DONTWAIT);
		return n > 0 ? child_broken(c, call, err, "wrote before it had read the request")
			     : child_broken(c, call, err, NULL);
	}
	return EVL_ADAPTER_OK;
}

int child_take(struct child *c, struct iovec *to, size_t count, uint64_t deadline_ns,
	enum wire_call call, struct evl_adapter_error *err)
{
	size_t used = use_up(to, count, 0);
	to += used;
	count -= used;
	while (count > 0) {
		ssize_t n = readv(c->out, to, (int)(count < IOV_MAX ? count : IOV_MAX));
		if (n > 0) {
			used = use_up(to, count, (size_t)n);
			to += used;
			count -= used;
		} else if (n == 0) {
			return child_broken(c, call, err, NULL);
		} else if (errno == EAGAIN || errno == EWOULDBLOCK) {
			if (await(c, c->out, POLLIN, deadline_ns, NULL) == 0) {
				return too_slow(c, call, err);
			}
		} else if (errno != EINTR) {
			return child_broken(c, call, err, NULL);
		}
	}
	return EVL_ADAPTER_OK;
}

int child_ask(struct child *c, struct iovec *out, size_t out_count, uint64_t deadline_ns,
	enum wire_call call, size_t least_bytes, size_t most_bytes, size_t *body_bytes,
	struct evl_adapter_error *err)
{
	uint8_t bytes[WIRE_HEADER_BYTES];
	struct wire_header h;
	int rc = send_all(c, out, out_count, deadline_ns, call, err);
	if (rc != EVL_ADAPTER_OK) {
		return rc;
	}
	struct iovec to = {.iov_base = bytes, .iov_len = sizeof bytes};
	rc = child_take(c, &to, 1, deadline_ns, call, err);
	if (rc != EVL_ADAPTER_OK) {
		return rc;
	}
	if (!wire_get_header(bytes, &h)) {
		return child_broken(c, call, err, "sent garbage instead of a reply");
	}
	if (!h.reply || h.call != call || h.number != c->number) {
		return child_broken(c, call, err, "sent %s %s with number %u where reply %u is due",
			h.reply ? "a reply to" : "the request", wire_call_name(h.call),
			(unsigned)h.number, (unsigned)c->number);
	}
	if (h.code != 0) {
		char text[sizeof err->text];
		if (h.body_bytes == 0 || h.body_bytes >= sizeof text) {
			return child_broken(c, call, err,
				"sent an error text of %u bytes; 1 to %u are possible",
				(unsigned)h.body_bytes, (unsigned)sizeof text - 1);
		}
		to = (struct iovec){.iov_base = text, .iov_len = h.body_bytes};
		rc = child_take(c, &to, 1, deadline_ns, call, err);
		if (rc == EVL_ADAPTER_OK) {
			text[h.body_bytes] = '\0';
			memcpy(err->text, text, h.body_bytes + 1u);
			rc = -(int)h.code;
		}
		return rc;
	}
	if (h.body_bytes < least_bytes || h.body_bytes > most_bytes) {
		return child_broken(c, call, err,
			"sent a reply of %u bytes where %zu to %zu are possible",
			(unsigned)h.body_bytes, least_bytes, most_bytes);
	}
	*body_bytes = h.body_bytes;
	return EVL_ADAPTER_OK;
}

int child_call(struct child *c, struct wire_buffer *request, uint32_t limit_ms, size_t most_bytes,
	struct wire_buffer *reply, struct evl_adapter_error *err)
{
	struct wire_header h;
	size_t bytes = 0;
	uint64_t deadline = child_deadline((uint64_t)limit_ms * 1000000u);
	enum wire_call call;
	if (request->failed) {
		memcpy(err->text, "no memory for a request", sizeof "no memory for a request");
		return EVL_ADAPTER_E_NOMEM;
	}
	wire_get_header(request->data, &h);
	call = (enum wire_call)h.call;
	struct iovec v = {.iov_base = request->data, .iov_len = request->len};
	int rc = child_ask(c, &v, 1, deadline, call, 0, most_bytes, &bytes, err);
	if (rc != EVL_ADAPTER_OK) {
		return rc;
	}
	reply->len = 0;
	if (!wire_reserve(reply, bytes + 1)) {
		return child_broken(c, call, err, "sent more than there is memory for");
	}
	v = (struct iovec){.iov_base = reply->data, .iov_len = bytes};
	rc = child_take(c, &v, 1, deadline, call, err);
	reply->len = rc == EVL_ADAPTER_OK ? bytes : 0;
	return rc;
}

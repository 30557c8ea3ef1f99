/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The program evenlode-serve: loads an adapter and serves it over the pipe protocol on standard
 * input and output, one request after the other, until close or the end of input.
 *
 *	evenlode-serve simmux
 *	evenlode-serve --adapters DIR my
 *	evenlode-serve ./my.so
 *
 * It is the other end of the adapter "process" and a host of its own to the adapter that it serves:
 * of evenlode it needs only the driver ABI. What the adapter prints goes to standard error.
 */
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <glob.h>
#include <limits.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/uio.h>
#include <unistd.h>

#include "adapters/process/wire.h"
#include "core/adapter/adapter.h"
#include "core/base/rate.h"

#define BYTES_MAX 0xF0000000u /* of the bits of one message */

#ifndef IOV_MAX
#define IOV_MAX 1024
#endif

struct server {
	int in, out;
	const struct evl_adapter *adapter;
	const struct evl_setup_extension *setup;
	void *self;
	struct evl_channel_info *channels;
	uint32_t channel_count;
	struct wire_buffer body, reply;
	/* Of the take: */
	struct evl_arm *arms;
	struct evl_slab *slabs;
	uint64_t *started_ns;
	struct iovec *vectors;
	uint32_t arm_count, max_frames;
	uint8_t *rx; /* room for what all armed channels capture */
	size_t rx_cap;
	struct evl_event *events;
	struct evl_adapter_error err;
};

_Noreturn static void die(const char *fmt, ...) __attribute__((format(printf, 1, 2)));

_Noreturn static void die(const char *fmt, ...)
{
	va_list ap;
	va_start(ap, fmt);
	fputs("evenlode-serve: ", stderr);
	vfprintf(stderr, fmt, ap);
	fputc('\n', stderr);
	va_end(ap);
	exit(1);
}

/* False at the end of input before the first byte. */
static bool read_all(int fd, void *to, size_t n)
{
	size_t done = 0;
	while (done < n) {
		ssize_t got = read(fd, (char *)to + done, n - done);
		if (got == 0 && done == 0) {
			return false;
		}
		if (got == 0) {
			die("the input ends within a message");
		}
		if (got < 0 && errno != EINTR) {
			die("cannot read: %s", strerror(errno));
		}
		done += got > 0 ? (size_t)got : 0;
	}
	return true;
}

static void write_all(int fd, struct iovec *v, size_t count)
{
	while (count > 0) {
		ssize_t n = writev(fd, v, (int)(count < IOV_MAX ? count : IOV_MAX));
		if (n < 0) {
			if (errno == EINTR) {
				continue;
			}
			if (errno == EPIPE) {
				exit(0); /* the host is gone, nobody needs the answer */
			}
			die("cannot write: %s", strerror(errno));
		}
		size_t left = (size_t)n;
		while (count > 0 && left >= v->iov_len) {
			left -= v->iov_len;
			v++;
			count--;
		}
		if (count > 0) {
			v->iov_base = (char *)v->iov_base + left;
			v->iov_len -= left;
		}
	}
}

static int refuse(struct server *s, int code, const char *text)
{
	snprintf(s->err.text, sizeof s->err.text, "%s", text);
	return code;
}

static int malformed(struct server *s)
{
	return refuse(s, EVL_ADAPTER_E_STATE, "the request is not as the pipe protocol says");
}

static int answer_hello(struct server *s, struct wire_reader *r)
{
	uint32_t major, minor;
	const struct evl_adapter *a = s->adapter;
	if (!wire_get_hello(r, &major, &minor)) {
		die("the input is no pipe protocol of evenlode; start this as the command of the "
		    "adapter process");
	}
	if (major != WIRE_MAJOR) {
		die("the host speaks version %u of the pipe protocol, this program %u",
			(unsigned)major, WIRE_MAJOR);
	}
	struct wire_hello h = {.major = WIRE_MAJOR,
		.minor = minor > WIRE_MINOR ? WIRE_MINOR : minor,
		.abi_major = a->abi_major,
		.abi_minor = a->abi_minor,
		.capabilities = a->capabilities,
		.offers = (a->inject != NULL ? WIRE_OFFERS_INJECT : 0u) |
			  (s->setup != NULL ? WIRE_OFFERS_SETUP : 0u)};
	snprintf(h.name, sizeof h.name, "%s", a->name);
	snprintf(h.version, sizeof h.version, "%s", a->version);
	snprintf(h.description, sizeof h.description, "%s", a->description);
	wire_put_hello_reply(&s->reply, &h);
	return EVL_ADAPTER_OK;
}

static int read_channels(struct server *s)
{
	uint32_t n = 0;
	s->channels = calloc(WIRE_CHANNELS_MAX, sizeof *s->channels);
	if (s->channels == NULL) {
		return refuse(s, EVL_ADAPTER_E_NOMEM, "no memory for the channel list");
	}
	int rc = s->adapter->channels(s->self, s->channels, WIRE_CHANNELS_MAX, &n, &s->err);
	if (rc == EVL_ADAPTER_OK && (n == 0 || n > WIRE_CHANNELS_MAX)) {
		rc = refuse(s, EVL_ADAPTER_E_UNSUPPORTED, "it has no channels, or over 4096");
	}
	for (uint32_t i = 0; rc == EVL_ADAPTER_OK && i < n; i++) {
		if (evl_rate_frame_bits((enum evl_rate)s->channels[i].rate) == 0) {
			rc = refuse(s, EVL_ADAPTER_E_UNSUPPORTED,
				"a channel has a rate that is not in the driver ABI");
		}
	}
	s->channel_count = n;
	s->arms = calloc(n + 1u, sizeof *s->arms);
	s->slabs = calloc(n + 1u, sizeof *s->slabs);
	s->started_ns = calloc(n + 1u, sizeof *s->started_ns);
	s->vectors = calloc(n + 1u, sizeof *s->vectors);
	s->events = calloc(WIRE_EVENTS_MAX, sizeof *s->events);
	if (rc == EVL_ADAPTER_OK &&
		(!s->arms || !s->slabs || !s->started_ns || !s->vectors || !s->events)) {
		rc = refuse(s, EVL_ADAPTER_E_NOMEM, "no memory for the channels");
	}
	return rc;
}

static int answer_open(struct server *s, struct wire_reader *r)
{
	struct evl_open_args args;
	void *memory;
	int rc;
	if (s->self != NULL) {
		rc = refuse(s, EVL_ADAPTER_E_STATE, "open: it is open already");
		return rc;
	}
	if (!wire_get_open(r, &args, &memory)) {
		free(memory);
		return malformed(s);
	}
	rc = s->adapter->open(&s->self, &args, &s->err);
	free(memory);
	if (rc == EVL_ADAPTER_OK && s->self == NULL) {
		rc = refuse(s, EVL_ADAPTER_E_STATE, "open succeeded but gave no instance");
	}
	if (rc == EVL_ADAPTER_OK) {
		rc = read_channels(s);
		if (rc != EVL_ADAPTER_OK) {
			s->adapter->close(s->self);
			s->self = NULL;
		}
	}
	return rc;
}

static uint32_t nominal(const struct server *s, uint32_t channel, uint32_t frames)
{
	return (uint32_t)evl_rate_bytes((enum evl_rate)s->channels[channel].rate, frames);
}

static int answer_arm(struct server *s, struct wire_reader *r)
{
	uint32_t count, max_frames;
	uint64_t bytes = 0;
	/* The present take goes on with what it was armed with, when this is refused. */
	struct evl_arm *arms = calloc(s->channel_count + 1u, sizeof *arms);
	int rc = EVL_ADAPTER_OK;
	if (arms == NULL) {
		return refuse(s, EVL_ADAPTER_E_NOMEM, "arm: no memory");
	}
	if (!wire_get_arm(r, arms, s->channel_count, &count, &max_frames) ||
		max_frames > WIRE_FRAMES_MAX) {
		rc = malformed(s);
		goto out;
	}
	rc = s->adapter->arm(s->self, arms, count, max_frames, &s->err);
	if (rc != EVL_ADAPTER_OK) {
		goto out;
	}
	for (uint32_t i = 0; i < count; i++) {
		if (arms[i].channel >= s->channel_count) {
			die("the adapter armed a channel that it does not have");
		}
		bytes += evl_slab_room(nominal(s, arms[i].channel, max_frames));
	}
	memcpy(s->arms, arms, count * sizeof *arms);
	s->arm_count = count;
	s->max_frames = max_frames;
	/* All memory of the stream: the requests' bits, and room for what is captured. */
	if (bytes > BYTES_MAX || !wire_reserve(&s->body, WIRE_SLABS_BYTES(count) + bytes) ||
		!wire_reserve(&s->reply, WIRE_HEADER_BYTES + WIRE_SLABS_REPLY_BYTES(count))) {
		rc = refuse(s, EVL_ADAPTER_E_NOMEM, "arm: no memory for slabs of this size");
		goto out;
	}
	if (bytes > s->rx_cap) {
		free(s->rx);
		s->rx = malloc(bytes);
		s->rx_cap = s->rx != NULL ? bytes : 0;
		rc = s->rx == NULL ? refuse(s, EVL_ADAPTER_E_NOMEM,
					     "arm: no memory for slabs of this size")
				   : rc;
	}
out:
	free(arms);
	return rc;
}

static int answer_start(struct server *s, struct wire_reader *r)
{
	uint64_t at_ns = wire_get_u64(r);
	if (!wire_used_up(r)) {
		return malformed(s);
	}
	memset(s->started_ns, 0xFF, s->arm_count * sizeof *s->started_ns);
	int rc = s->adapter->start(s->self, at_ns, s->started_ns, &s->err);
	if (rc == EVL_ADAPTER_OK) {
		wire_put_started(&s->reply, s->started_ns, s->arm_count);
	}
	return rc;
}

static int answer_exchange(struct server *s, struct wire_reader *r)
{
	uint32_t frames = 0, count = s->arm_count;
	size_t table = WIRE_SLABS_BYTES(count), tx = 0, rx = 0;
	struct wire_reader head = wire_read(r->at, table < r->left ? table : r->left);
	if (!wire_get_slabs(&head, s->slabs, count, &frames) || frames == 0 ||
		frames % EVL_SLAB_FRAMES_MIN != 0 || frames > s->max_frames) {
		return malformed(s);
	}
	size_t bits = r->left - table;
	for (uint32_t i = 0; i < count; i++) {
		const struct evl_arm *a = &s->arms[i];
		struct evl_slab *slab = &s->slabs[i];
		uint32_t room = evl_slab_room(nominal(s, a->channel, frames));
		if (slab->channel != a->channel || slab->tx_bytes > bits - tx ||
			slab->tx_bytes > (a->play ? room : 0)) {
			return malformed(s);
		}
		slab->version = 1;
		slab->flags = 0;
		slab->tx = a->play ? r->at + table + tx : NULL;
		slab->rx = a->capture ? s->rx + rx : NULL;
		slab->rx_bytes = a->capture ? room : 0;
		tx += slab->tx_bytes;
		rx += slab->rx_bytes;
	}
	if (tx != bits) {
		return malformed(s);
	}
	int rc = s->adapter->exchange(s->self, frames, s->slabs, count, &s->err);
	if (rc != EVL_ADAPTER_OK) {
		return rc;
	}
	rx = 0;
	for (uint32_t i = 0; i < count; i++) {
		const struct evl_arm *a = &s->arms[i];
		uint32_t room = a->capture ? evl_slab_room(nominal(s, a->channel, frames)) : 0;
		if (s->slabs[i].rx_bytes > room) {
			die("the adapter captured %u bytes on channel %u where %u have room",
				(unsigned)s->slabs[i].rx_bytes, (unsigned)a->channel,
				(unsigned)room);
		}
		s->vectors[i + 1] =
			(struct iovec){.iov_base = s->rx + rx, .iov_len = s->slabs[i].rx_bytes};
		rx += room;
	}
	wire_put_slabs_reply(&s->reply, s->slabs, count);
	return EVL_ADAPTER_OK;
}

static int answer_poll(struct server *s, struct wire_reader *r)
{
	uint32_t capacity = wire_get_u32(r), count = 0;
	if (!wire_used_up(r) || capacity > WIRE_EVENTS_MAX) {
		return malformed(s);
	}
	int rc = s->adapter->poll(s->self, s->events, capacity, &count, &s->err);
	if (rc == EVL_ADAPTER_OK && count > capacity) {
		die("the adapter reported %u events where %u have room", (unsigned)count,
			(unsigned)capacity);
	}
	if (rc == EVL_ADAPTER_OK) {
		wire_put_events(&s->reply, s->events, count);
	}
	return rc;
}

static int answer_inject(struct server *s, struct wire_reader *r)
{
	struct evl_inject what;
	if (!wire_get_inject(r, &what)) {
		return malformed(s);
	}
	return s->adapter->inject != NULL ? s->adapter->inject(s->self, &what, &s->err)
					  : refuse(s, EVL_ADAPTER_E_UNSUPPORTED,
						    "inject: the adapter injects nothing");
}

static int answer_setup(struct server *s, struct wire_reader *r)
{
	struct evl_setting *list;
	uint32_t count;
	int rc;
	if (!wire_get_settings(r, &list, &count)) {
		rc = malformed(s);
	} else if (s->setup == NULL) {
		rc = refuse(s, EVL_ADAPTER_E_UNSUPPORTED, "setup: the adapter has no settings");
	} else {
		rc = s->setup->apply(s->self, list, count, &s->err);
	}
	free(list);
	return rc;
}

static int answer(struct server *s, unsigned call, struct wire_reader *r)
{
	if (s->self == NULL && call != WIRE_HELLO && call != WIRE_OPEN) {
		return refuse(s, EVL_ADAPTER_E_STATE, "open it first");
	}
	switch (call) {
	case WIRE_HELLO:
		return answer_hello(s, r);
	case WIRE_OPEN:
		return answer_open(s, r);
	case WIRE_CHANNELS:
		wire_put_channels(&s->reply, s->channels, s->channel_count);
		return wire_used_up(r) ? EVL_ADAPTER_OK : malformed(s);
	case WIRE_ARM:
		return answer_arm(s, r);
	case WIRE_START:
		return answer_start(s, r);
	case WIRE_EXCHANGE:
		return answer_exchange(s, r);
	case WIRE_POLL:
		return answer_poll(s, r);
	case WIRE_INJECT:
		return answer_inject(s, r);
	case WIRE_SETUP:
		return answer_setup(s, r);
	case WIRE_STOP:
		return s->adapter->stop(s->self, &s->err);
	default: /* close */
		s->adapter->close(s->self);
		s->self = NULL;
		return EVL_ADAPTER_OK;
	}
}

static void send_reply(struct server *s, const struct wire_header *h, int code)
{
	size_t bits = 0, vectors = 1;
	struct iovec text, *v = s->vectors != NULL ? s->vectors : &text;
	if (code != EVL_ADAPTER_OK) {
		s->err.text[sizeof s->err.text - 1] = '\0';
		if (code > 0 || code < EVL_ADAPTER_E_NOMEM) {
			die("the adapter returned %d, which is no code of the driver ABI", code);
		}
		wire_begin_reply(&s->reply, h->call, h->number, code);
		const char *said =
			s->err.text[0] != '\0' ? s->err.text : "it failed without a text";
		wire_put_bytes(&s->reply, said, strlen(said));
	} else if (h->call == WIRE_EXCHANGE) {
		vectors += s->arm_count;
		for (uint32_t i = 0; i < s->arm_count; i++) {
			bits += s->vectors[i + 1].iov_len;
		}
	}
	wire_end_with(&s->reply, bits);
	if (s->reply.failed) {
		die("no memory for a reply");
	}
	v[0] = (struct iovec){.iov_base = s->reply.data, .iov_len = s->reply.len};
	write_all(s->out, v, vectors);
}

static void serve(struct server *s)
{
	uint8_t bytes[WIRE_HEADER_BYTES];
	while (read_all(s->in, bytes, sizeof bytes)) {
		struct wire_header h;
		if (!wire_get_header(bytes, &h) || h.reply) {
			die("the input is no request of the pipe protocol");
		}
		if (h.body_bytes > WIRE_BODY_MAX && h.body_bytes > s->body.cap) {
			die("a request of %u bytes is too long", (unsigned)h.body_bytes);
		}
		if (!wire_reserve(&s->body, h.body_bytes > 0 ? h.body_bytes : 1)) {
			die("no memory for a request of %u bytes", (unsigned)h.body_bytes);
		}
		if (h.body_bytes > 0 && !read_all(s->in, s->body.data, h.body_bytes)) {
			die("the input ends within a message");
		}
		struct wire_reader r = wire_read(s->body.data, h.body_bytes);
		s->err = (struct evl_adapter_error){.version = 1};
		wire_begin_reply(&s->reply, h.call, h.number, EVL_ADAPTER_OK);
		send_reply(s, &h, answer(s, h.call, &r));
		if (h.call == WIRE_CLOSE) {
			break;
		}
	}
	if (s->self != NULL) {
		s->adapter->close(s->self);
	}
}

/* DIR/NAME.so or DIR/NAME/NAME.so; false when neither is there. */
static bool in_dir(const char *dir, int dir_len, const char *name, char *out)
{
	for (int i = 0; i < 2; i++) {
		int n = i == 0 ? snprintf(out, PATH_MAX, "%.*s/%s.so", dir_len, dir, name)
			       : snprintf(out, PATH_MAX, "%.*s/%s/%s.so", dir_len, dir, name, name);
		if (n > 0 && n < PATH_MAX && access(out, R_OK) == 0) {
			return true;
		}
	}
	return false;
}

static bool in_list(const char *list, const char *name, char *out)
{
	while (list != NULL && *list != '\0') {
		size_t n = strcspn(list, ":");
		if (n > 0 && in_dir(list, (int)n, name, out)) {
			return true;
		}
		list += n + (list[n] == ':');
	}
	return false;
}

/* Where evenlode itself looks: the option, EVENLODE_ADAPTER_PATH, beside the program. */
static bool find(const char *dirs, const char *name, char *out)
{
	char exe[PATH_MAX], pattern[PATH_MAX + 64];
	if (in_list(dirs, name, out) || in_list(getenv("EVENLODE_ADAPTER_PATH"), name, out)) {
		return true;
	}
	ssize_t n = readlink("/proc/self/exe", exe, sizeof exe - 1);
	if (n <= 0) {
		return false;
	}
	exe[n] = '\0';
	char *slash = strrchr(exe, '/');
	if (slash == NULL) {
		return false;
	}
	*slash = '\0';
	static const char *const places[] = {
		"adapters", "../lib/*/evenlode/adapters", "../lib/evenlode/adapters"};
	for (int i = 0; i < 3; i++) {
		glob_t found;
		snprintf(pattern, sizeof pattern, "%s/%s", exe, places[i]);
		bool got = false;
		if (glob(pattern, 0, NULL, &found) == 0) {
			for (size_t k = 0; k < found.gl_pathc && !got; k++) {
				const char *dir = found.gl_pathv[k];
				got = in_dir(dir, (int)strlen(dir), name, out);
			}
			globfree(&found);
		}
		if (got) {
			return true;
		}
	}
	return false;
}

static const struct evl_adapter *load(const char *dirs, const char *name)
{
	char path[PATH_MAX];
	if (strchr(name, '/') != NULL) {
		snprintf(path, sizeof path, "%s", name);
	} else if (!find(dirs, name, path)) {
		die("there is no adapter %s in --adapters, EVENLODE_ADAPTER_PATH or beside this "
		    "program",
			name);
	}
	void *object = dlopen(path, RTLD_NOW | RTLD_LOCAL);
	if (object == NULL) {
		die("%s", dlerror());
	}
	const struct evl_adapter *a = dlsym(object, "evl_adapter");
	if (a == NULL) {
		die("%s exports no evl_adapter; it is no adapter", path);
	}
	if (a->abi_major != EVL_ABI_MAJOR || a->abi_minor > EVL_ABI_MINOR) {
		die("%s is for version %u.%u of the driver ABI, this program for %u.%u", path,
			(unsigned)a->abi_major, (unsigned)a->abi_minor, EVL_ABI_MAJOR,
			EVL_ABI_MINOR);
	}
	if (!a->name || !a->version || !a->description || !a->open || !a->channels || !a->arm ||
		!a->start || !a->exchange || !a->poll || !a->stop || !a->close) {
		die("%s: its table lacks a text or a function that is not optional", path);
	}
	return a;
}

int main(int argc, char **argv)
{
	static const char usage[] = "usage: evenlode-serve [--adapters DIR[:DIR]...] NAME|PATH.so\n"
				    "\n"
				    "Serves an adapter over the pipe protocol on standard input "
				    "and output. The adapter\n"
				    "`process` starts it: command: [evenlode-serve, NAME].\n";
	const char *dirs = NULL;
	int i = 1;
	if (argc == 2 && strcmp(argv[1], "--help") == 0) {
		fputs(usage, stdout);
		return 0;
	}
	if (argc == 4 && strcmp(argv[1], "--adapters") == 0) {
		dirs = argv[2];
		i = 3;
	}
	if (i != argc - 1 || argv[i][0] == '-' || argv[i][0] == '\0') {
		fputs(usage, stderr);
		return 64;
	}
	struct server s = {.in = fcntl(0, F_DUPFD_CLOEXEC, 3), .out = fcntl(1, F_DUPFD_CLOEXEC, 3)};
	int nothing = open("/dev/null", O_RDONLY);
	if (s.in < 0 || s.out < 0 || nothing < 0 || dup2(nothing, 0) < 0 || dup2(2, 1) < 0) {
		die("standard input and output must be open: %s", strerror(errno));
	}
	close(nothing);
	signal(SIGPIPE, SIG_IGN);
	s.adapter = load(dirs, argv[i]);
	if (s.adapter->get_extension != NULL) {
		s.setup = s.adapter->get_extension(EVL_SETUP_EXTENSION);
		if (s.setup != NULL && (s.setup->version != 1 || s.setup->apply == NULL)) {
			die("what it gave for %s is not of version 1", EVL_SETUP_EXTENSION);
		}
	}
	serve(&s);
	wire_finish(&s.body);
	wire_finish(&s.reply);
	free(s.channels);
	free(s.arms);
	free(s.slabs);
	free(s.started_ns);
	free(s.vectors);
	free(s.events);
	free(s.rx);
	return 0;
}

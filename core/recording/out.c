/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The file under a writer. With a second processor a thread of its own takes whole blocks into the
 * file's digest and writes them, while the caller digests the channels: each byte is hashed twice,
 * and that is most of the work. Blocks go to the file in the order in which they were handed over,
 * so that the file is the same with and without the thread.
 */
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/base/thread.h"
#include "core/recording/internal.h"

void rec_out_destroy(struct rec_out *o)
{
	if (o == NULL) {
		return;
	}
	rec_out_stop(o);
	pthread_cond_destroy(&o->more);
	pthread_cond_destroy(&o->less);
	pthread_mutex_destroy(&o->lock);
	if (o->fd >= 0) {
		close(o->fd);
	}
	evl_sha256_destroy(o->sha);
	rec_packer_destroy(o->packer);
	free(o->jobs);
	free(o->path);
	free(o);
}

struct rec_out *rec_out_create(uint32_t jobs)
{
	struct rec_out *o = evl_xcalloc(1, sizeof *o);
	o->fd = -1;
	o->sha = evl_sha256_create();
	o->jobs_cap = jobs;
	o->jobs = evl_xcalloc(jobs, sizeof *o->jobs);
	pthread_mutex_init(&o->lock, NULL);
	pthread_cond_init(&o->more, NULL);
	pthread_cond_init(&o->less, NULL);
	return o;
}

enum evl_status rec_out_open(struct rec_out *o, const char *path, struct evl_err *err)
{
	free(o->path);
	o->path = evl_xstrdup(path);
	o->bytes = o->stored = 0;
	if (rec_is_packed_name(path)) {
		o->packer = o->packer != NULL ? o->packer : rec_packer_create();
		rec_packer_begin(o->packer);
	}
	o->position = 0;
	evl_sha256_reset(o->sha);
	o->fd = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0644);
	if (o->fd >= 0) {
		return EVL_OK;
	}
	return errno == EEXIST
		       ? evl_err_set(err, EVL_E_CONFLICT,
				 "%s: exists already; a recording never replaces a file", path)
		       : evl_err_set(
				 err, EVL_E_IO, "%s: cannot be created: %s", path, strerror(errno));
}

void rec_out_fail(struct rec_out *o, enum evl_status status, const char *text)
{
	evl_err_set(&o->failure, status, "%s", text);
	atomic_store_explicit(&o->failed, true, memory_order_release);
}

enum evl_status rec_out_status(struct rec_out *o, struct evl_err *err)
{
	if (!atomic_load_explicit(&o->failed, memory_order_acquire)) {
		return EVL_OK;
	}
	return evl_err_set(err, o->failure.status, "%s", o->failure.text);
}

/* Writes a whole block, or frame. After a failure the file is cut back to the last whole one. */
static void store(struct rec_out *o, const uint8_t *data, size_t bytes)
{
	size_t done = 0;
	while (done < bytes) {
		ssize_t n = write(o->fd, data + done, bytes - done);
		if (n > 0) {
			done += (size_t)n;
			continue;
		}
		if (n < 0 && errno == EINTR) {
			continue;
		}
		int cause = n < 0 ? errno : ENOSPC;
		bool full = cause == ENOSPC || cause == EDQUOT || cause == EFBIG;
		/* A reader copes with a broken last block too, so a failure here costs nothing. */
		bool whole = ftruncate(o->fd, (off_t)o->stored) == 0;
		struct evl_err e;
		evl_err_set(&e, EVL_E_IO,
			"%s: %s (%s): %" PRIu64 " bytes in whole %s are kept%s; %s", o->path,
			full ? "the disk is full" : "cannot be written", strerror(cause), o->stored,
			o->packer != NULL ? "frames" : "blocks",
			whole ? " and can be read" : ", followed by a broken one",
			full ? "make room and record again" : "check the disk");
		rec_out_fail(o, EVL_E_IO, e.text);
		return;
	}
	o->stored += bytes;
}

static void store_frame(struct rec_out *o)
{
	size_t bytes = 0;
	const uint8_t *frame = rec_packer_frame(o->packer, &bytes);
	store(o, frame, bytes);
}

/* Writes a whole block. */
static void append(struct rec_out *o, const uint8_t *data, size_t bytes)
{
	if (o->packer == NULL) {
		store(o, data, bytes);
	}
	for (size_t done = 0; o->packer != NULL && done < bytes;) {
		done += rec_packer_take(o->packer, data + done, bytes - done);
		if (rec_packer_full(o->packer)) {
			store_frame(o);
		}
		if (atomic_load_explicit(&o->failed, memory_order_relaxed)) {
			return;
		}
	}
	o->bytes += atomic_load_explicit(&o->failed, memory_order_relaxed) ? 0 : bytes;
}

void rec_out_settle(struct rec_out *o)
{
	evl_require(o->waiting == 0);
	if (o->packer != NULL && !atomic_load_explicit(&o->failed, memory_order_acquire)) {
		store_frame(o);
	}
}

void rec_out_append(struct rec_out *o, uint8_t *block, size_t bytes, bool seal)
{
	evl_require(o->waiting == 0);
	o->position += bytes;
	if (atomic_load_explicit(&o->failed, memory_order_acquire)) {
		return;
	}
	if (seal) {
		rec_seal(o->sha, block, bytes);
	} else {
		evl_sha256_update(o->sha, block, bytes);
	}
	append(o, block, bytes);
}

static void *work(void *context)
{
	struct rec_out *o = context;
	pthread_mutex_lock(&o->lock);
	for (;;) {
		while (o->waiting == 0 && !o->quit) {
			pthread_cond_wait(&o->more, &o->lock);
		}
		if (o->waiting == 0) {
			break;
		}
		struct rec_job job = o->jobs[o->next];
		pthread_mutex_unlock(&o->lock);
		if (!atomic_load_explicit(&o->failed, memory_order_acquire)) {
			rec_seal(o->sha, job.block, job.bytes);
			append(o, job.block, job.bytes);
		}
		pthread_mutex_lock(&o->lock);
		o->next = (o->next + 1) % o->jobs_cap;
		o->waiting--;
		*job.busy = false;
		pthread_cond_signal(&o->less);
	}
	pthread_mutex_unlock(&o->lock);
	return NULL;
}

void rec_out_start(struct rec_out *o)
{
	if (sysconf(_SC_NPROCESSORS_ONLN) < 2) {
		return;
	}
	o->threaded = evl_thread_start(&o->thread, work, o); /* else without it */
}

void rec_out_stop(struct rec_out *o)
{
	if (!o->threaded) {
		return;
	}
	pthread_mutex_lock(&o->lock);
	o->quit = true;
	pthread_cond_signal(&o->more);
	pthread_mutex_unlock(&o->lock);
	pthread_join(o->thread, NULL);
	o->threaded = false;
}

void rec_out_block(struct rec_out *o, uint8_t *block, size_t bytes, bool *busy)
{
	if (!o->threaded) {
		rec_out_append(o, block, bytes, true);
		return;
	}
	o->position += bytes;
	pthread_mutex_lock(&o->lock);
	evl_require(o->waiting < o->jobs_cap);
	o->jobs[(o->next + o->waiting) % o->jobs_cap] = (struct rec_job){block, bytes, busy};
	o->waiting++;
	*busy = true;
	pthread_cond_signal(&o->more);
	pthread_mutex_unlock(&o->lock);
}

void rec_out_wait(struct rec_out *o, const bool *busy)
{
	if (!o->threaded) {
		return;
	}
	pthread_mutex_lock(&o->lock);
	while (busy != NULL ? *busy : o->waiting > 0) {
		pthread_cond_wait(&o->less, &o->lock);
	}
	pthread_mutex_unlock(&o->lock);
}

enum evl_status rec_out_close(struct rec_out *o, bool sync, struct evl_err *err)
{
	rec_out_settle(o);
	if (o->packer != NULL && rec_out_status(o, NULL) == EVL_OK) {
		size_t bytes = 0;
		uint8_t *table = rec_packer_table(o->packer, &bytes);
		store(o, table, bytes);
		free(table);
	}
	enum evl_status st = rec_out_status(o, err);
	if (st < 0) {
		return st;
	}
	int fd = o->fd;
	if (sync && fsync(fd) != 0 && errno != EINVAL) {
		return evl_err_set(err, EVL_E_IO, "%s: cannot be brought to the disk: %s", o->path,
			strerror(errno));
	}
	o->fd = -1;
	if (close(fd) != 0) {
		return evl_err_set(
			err, EVL_E_IO, "%s: cannot be closed: %s", o->path, strerror(errno));
	}
	return EVL_OK;
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "core/script/watchdog.h"

#include <errno.h>
#include <pthread.h>
#include <stdlib.h>
#include <time.h>

#include "core/adapter/guard.h"
#include "core/script/plan.h"

struct evl_watchdog {
	pthread_t thread;
	pthread_mutex_t lock;
	pthread_cond_t wake;
	bool ended;
	struct run_state *r;
};

/* Has the take of the case a channel on the instance that hangs? */
static bool is_hit(const struct run_state *r, const struct case_run *c)
{
	bool hit = false;
	for (uint32_t i = 0; i < c->waiting->plan.part_count; i++) {
		uint32_t adapter =
			evl_engine_channel(r->engine, c->waiting->plan.parts[i].channel)->adapter;
		hit = hit || evl_guard_is_in(r->lab.bench->adapters[adapter].name);
	}
	return hit;
}

static void end_case(struct run_state *r, const struct case_run *c, const char *text)
{
	struct evl_err err = {0};
	evl_store_case_end(r->store, c->case_no, EVL_STATE_FINISHED,
		evl_verdict_name(EVL_VERDICT_ERROR), text, (int64_t)evl_engine_now(r->engine),
		&err);
}

/* The first thread is inside an adapter and never goes on, so the store is this thread's now. */
static void record(struct run_state *r, const char *text)
{
	struct evl_err err = {0};
	char now[32];
	if (r->run == 0 || r->store == NULL) {
		return; /* nothing of the run is in the store yet, or all of it is */
	}
	bool any = false;
	for (size_t i = 0; r->now == NULL && i < r->round_count; i++) {
		any = any || is_hit(r, r->round[i]);
	}
	if (r->now != NULL && r->now->open) {
		end_case(r, r->now, text);
	}
	for (size_t i = 0; r->now == NULL && i < r->round_count; i++) {
		if (!any || is_hit(r, r->round[i])) {
			end_case(r, r->round[i], text);
		}
	}
	evl_utc_now(now);
	evl_store_run_end(r->store, EVL_STATE_INTERRUPTED, evl_verdict_name(EVL_VERDICT_ERROR),
		text, now, &err);
	evl_store_close(r->store);
}

static void *watch(void *arg)
{
	struct evl_watchdog *w = arg;
	char text[EVL_GUARD_TEXT];
	pthread_mutex_lock(&w->lock);
	while (!w->ended) {
		struct timespec until;
		clock_gettime(CLOCK_MONOTONIC, &until);
		until.tv_nsec += 200000000;
		if (until.tv_nsec >= 1000000000) {
			until.tv_nsec -= 1000000000;
			until.tv_sec++;
		}
		int rc = pthread_cond_timedwait(&w->wake, &w->lock, &until);
		evl_require(rc == 0 || rc == ETIMEDOUT);
		const struct evl_run_args *args = w->r->args;
		if (!w->ended &&
			evl_guard_claim(text, (uint64_t)args->hang_limit_s * 1000000000u)) {
			record(w->r, text);
			args->hung(args->hung_ctx, w->r->run, text);
			abort(); /* it must not come back */
		}
	}
	pthread_mutex_unlock(&w->lock);
	return NULL;
}

struct evl_watchdog *evl_watchdog_start(struct run_state *r)
{
	if (r->args->hung == NULL || r->args->hang_limit_s == 0) {
		return NULL;
	}
	struct evl_watchdog *w = evl_xcalloc(1, sizeof *w);
	pthread_condattr_t attr;
	w->r = r;
	evl_require(pthread_mutex_init(&w->lock, NULL) == 0);
	evl_require(pthread_condattr_init(&attr) == 0);
	/* Lengths are counted on a clock that nobody sets. */
	evl_require(pthread_condattr_setclock(&attr, CLOCK_MONOTONIC) == 0);
	evl_require(pthread_cond_init(&w->wake, &attr) == 0);
	pthread_condattr_destroy(&attr);
	if (pthread_create(&w->thread, NULL, watch, w) != 0) {
		pthread_cond_destroy(&w->wake);
		pthread_mutex_destroy(&w->lock);
		free(w);
		return NULL; /* a run without a watchdog is better than none */
	}
	return w;
}

void evl_watchdog_stop(struct evl_watchdog *w)
{
	if (w == NULL) {
		return;
	}
	pthread_mutex_lock(&w->lock);
	w->ended = true;
	pthread_cond_signal(&w->wake);
	pthread_mutex_unlock(&w->lock);
	pthread_join(w->thread, NULL);
	pthread_cond_destroy(&w->wake);
	pthread_mutex_destroy(&w->lock);
	free(w);
}

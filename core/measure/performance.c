/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/performance.h"

#include <math.h>

#include "core/base/err.h"

#define CHANGE_AFTER 10 /* seconds */
#define QUARTER      900
#define DAY          86400
#define MASK         (EVL_PERFORMANCE_WAITING - 1)

double evl_performance_esr(const struct evl_performance_totals *t)
{
	return t->available > 0 ? (double)t->es / (double)t->available : NAN;
}

double evl_performance_sesr(const struct evl_performance_totals *t)
{
	return t->available > 0 ? (double)t->ses / (double)t->available : NAN;
}

double evl_performance_bber(const struct evl_performance_totals *t)
{
	return t->units > 0 ? (double)t->background / (double)t->units : NAN;
}

void evl_performance_init(struct evl_performance *p, const struct evl_performance_path *path,
	enum evl_performance_basis basis, bool both)
{
	evl_require(basis == EVL_PERFORMANCE_BITS || path != NULL);
	*p = (struct evl_performance){.path = path, .basis = basis, .both = both};
}

bool evl_performance_is_severe(
	const struct evl_performance *p, const struct evl_performance_second *s)
{
	if (s->unread) {
		return false;
	}
	if (s->defect || s->units == 0) {
		return true;
	}
	if (p->basis == EVL_PERFORMANCE_BITS) {
		return s->errored >= s->units / 1000 + (s->units % 1000 != 0);
	}
	uint64_t threshold =
		p->basis == EVL_PERFORMANCE_BLOCKS ? p->path->ses_blocks : p->path->ses_in_service;
	uint64_t whole = p->path->blocks_per_second;
	if (s->units >= whole) {
		return s->errored >= threshold;
	}
	/* Part of a second: the same share of what there was. */
	return s->errored * whole >= threshold * s->units;
}

static void count(struct evl_performance_totals *t, const struct evl_performance_second *s,
	bool severe, bool down)
{
	if (down) {
		t->unavailable++;
		return;
	}
	t->available++;
	if (s->unread) {
		t->unread++;
		return;
	}
	t->ses += severe;
	t->es += severe || s->errored > 0;
	t->errored += s->errored;
	if (!severe) {
		t->background += s->errored;
		t->units += s->units;
	}
}

static struct evl_performance_bin *bin(
	struct evl_performance_bin *bins, uint64_t kept, uint64_t number)
{
	struct evl_performance_bin *b = &bins[number % kept];
	if (b->number != number) {
		*b = (struct evl_performance_bin){.number = number};
	}
	return b;
}

/* Counts the oldest waiting second. */
static void commit(struct evl_performance *p)
{
	uint64_t at = p->decided++;
	struct evl_performance_bin *quarter =
		bin(p->quarters, EVL_PERFORMANCE_QUARTERS, at / QUARTER);
	struct evl_performance_bin *day = bin(p->days, EVL_PERFORMANCE_DAYS, at / DAY);
	const struct evl_performance_second *s = p->waiting[at & MASK].s;
	const bool *severe = p->waiting[at & MASK].severe;
	bool down = p->waiting[at & MASK].down[0] || (p->both && p->waiting[at & MASK].down[1]);
	count(&p->near, &s[0], severe[0], down);
	count(&quarter->near, &s[0], severe[0], down);
	count(&day->near, &s[0], severe[0], down);
	if (p->both) {
		count(&p->far, &s[1], severe[1], down);
		count(&quarter->far, &s[1], severe[1], down);
		count(&day->far, &s[1], severe[1], down);
	}
}

/* All seconds of a direction up to `end` are in its present state. */
static void settle(struct evl_performance *p, int way, uint64_t end)
{
	for (; p->known[way] < end; p->known[way]++) {
		p->waiting[p->known[way] & MASK].down[way] = p->state[way].down;
	}
	p->state[way].run = 0;
}

static void advance(struct evl_performance *p, int way, bool severe)
{
	struct evl_availability *a = &p->state[way];
	if (severe == a->down) {
		settle(p, way, p->seconds); /* what waited did not come to ten */
	} else if (++a->run == CHANGE_AFTER) {
		a->down = !a->down;
		settle(p, way, p->seconds);
	}
}

void evl_performance_add(struct evl_performance *p, const struct evl_performance_second *near,
	const struct evl_performance_second *far)
{
	evl_require((far != NULL) == p->both);
	uint64_t at = p->seconds++ & MASK;
	for (int way = 0; way <= p->both; way++) {
		p->waiting[at].s[way] = way ? *far : *near;
		p->waiting[at].severe[way] = evl_performance_is_severe(p, &p->waiting[at].s[way]);
		advance(p, way, p->waiting[at].severe[way]);
	}
	while (p->decided < p->known[0] && (!p->both || p->decided < p->known[1])) {
		commit(p);
	}
}

void evl_performance_finish(struct evl_performance *p)
{
	for (int way = 0; way <= p->both; way++) {
		settle(p, way, p->seconds);
	}
	while (p->decided < p->seconds) {
		commit(p);
	}
}

const struct evl_performance_bin *evl_performance_quarter(
	const struct evl_performance *p, uint64_t number)
{
	const struct evl_performance_bin *b = &p->quarters[number % EVL_PERFORMANCE_QUARTERS];
	return b->number == number && number * QUARTER < p->decided ? b : NULL;
}

const struct evl_performance_bin *evl_performance_day(
	const struct evl_performance *p, uint64_t number)
{
	const struct evl_performance_bin *b = &p->days[number % EVL_PERFORMANCE_DAYS];
	return b->number == number && number * DAY < p->decided ? b : NULL;
}

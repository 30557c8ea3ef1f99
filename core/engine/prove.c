/* SPDX-License-Identifier: Apache-2.0 */
/* A take that ends as soon as every meter is proved: once a second of bench time the anytime-valid
 * test looks at what each has counted so far. */
#include "core/engine/internal.h"

enum evl_status evl_prove_prepare(struct take *t, struct evl_err *err)
{
	const struct evl_take_proof *p = &t->plan->until_proved;
	if (p->ratio == 0) {
		return EVL_OK;
	}
	enum evl_status st = evl_sequential_init(&t->proof, p->ratio, p->confidence, err);
	return st < 0 ? evl_err_prefix(err, "take %s: until proved", t->plan->name) : EVL_OK;
}

/* A meter that is in unavailable time (ten severely errored seconds or more) can prove nothing now;
 * the take does not wait for it, and its check stays inconclusive. */
static bool settled(struct take *t, struct meter *m)
{
	bool pattern = m->out.kind == EVL_CONTENT_PATTERN;
	uint64_t bits = pattern ? m->checker.bits : m->bits;
	uint64_t errors = pattern ? m->checker.errors : m->errors;
	if (evl_sequential_decide(&t->proof, errors, bits) == EVL_VERDICT_INCONCLUSIVE) {
		m->out.proved_ns = -1;
		return m->seconds.down;
	}
	if (m->out.proved_ns < 0) {
		m->out.proved_ns = (int64_t)(t->done * EVL_FRAME_NS);
	}
	return true;
}

bool evl_prove_second(struct take *t)
{
	bool all = t->plan->until_proved.ratio > 0 && t->meter_count > 0;
	for (uint32_t i = 0; i < t->meter_count && t->plan->until_proved.ratio > 0; i++) {
		all = settled(t, &t->meters[i]) && all;
	}
	return all;
}

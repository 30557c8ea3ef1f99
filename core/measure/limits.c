/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/limits.h"

#include <math.h>
#include <stdbool.h>
#include <string.h>

const char *evl_bis_event_name(enum evl_bis_event e)
{
	static const char *const names[] = {"es", "ses", "bbe"};
	evl_require((size_t)e < sizeof(names) / sizeof(names[0]));
	return names[e];
}

const char *evl_bis_outcome_name(enum evl_bis_outcome o)
{
	static const char *const names[] = {"accept", "provisional", "reject"};
	evl_require((size_t)o < sizeof(names) / sizeof(names[0]));
	return names[o];
}

const struct evl_limits_row *evl_limits_find(
	const struct evl_limits_table *t, const char *path, enum evl_bis_event event)
{
	for (uint32_t i = 0; i < t->row_count; i++) {
		if (t->rows[i].event == event && strcmp(t->rows[i].path, path) == 0) {
			return &t->rows[i];
		}
	}
	return NULL;
}

static bool share(double x)
{
	return x > 0 && x <= 1;
}

enum evl_status evl_bis_limits(struct evl_bis_limits *out, double objective, double allocation,
	double exposure, double ageing_factor, double width, struct evl_err *err)
{
	if (!share(objective) || !share(allocation) || !share(ageing_factor)) {
		return evl_err_set(err, EVL_E_INVALID,
			"objective %g, allocation %g and ageing factor %g must each be "
			"above 0 and at most 1",
			objective, allocation, ageing_factor);
	}
	if (!(exposure > 0 && isfinite(exposure)) || !(width >= 0 && isfinite(width))) {
		return evl_err_set(err, EVL_E_INVALID,
			"a test of %g s with a width of %g: the first must be above 0, "
			"the second 0 or more",
			exposure, width);
	}
	out->apo = objective * allocation * exposure;
	out->bispo = out->apo * ageing_factor;
	out->d = width * sqrt(out->bispo);
	out->s1 = out->bispo - out->d;
	out->s2 = out->bispo + out->d;
	return EVL_OK;
}

enum evl_bis_outcome evl_bis_judge(const struct evl_bis_limits *l, uint64_t count)
{
	double n = (double)count;
	return n <= l->s1 ? EVL_BIS_ACCEPT : n > l->s2 ? EVL_BIS_REJECT : EVL_BIS_PROVISIONAL;
}

double evl_bis_least_exposure(
	double objective, double allocation, double ageing_factor, double width)
{
	/* BISPO = width * sqrt(BISPO) */
	return width * width / (objective * allocation * ageing_factor);
}

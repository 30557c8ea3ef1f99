/* SPDX-License-Identifier: Apache-2.0 */
/*
 * What a test that is looked at again and again will do with a unit of a given true ratio: the
 * chances of each verdict and the mean duration, computed exactly (no simulation) from look to
 *look.
 *
 *	struct evl_outlook o;
 *	evl_outlook_sequential(&o, &plan, 1e-10, 2048000, 3600, &err);
 *	printf("passes with probability %g after %g bits on average\n", o.pass, o.mean_bits);
 */
#pragma once

#include <stdint.h>

#include "core/base/err.h"
#include "core/measure/sequential.h"
#include "core/measure/sprt.h"

struct evl_outlook {
	double pass;      /* chance of passing ... */
	double fail;      /* failing ... */
	double open;      /* or still being open after the last look */
	double mean_bits; /* until it is decided or cut off */
};

#define EVL_OUTLOOK_LOOKS_MAX 100000u

/* Errors of true_ratio are taken as a Poisson process; the test looks after every bits_per_look
 * bits, `looks` times at most. EVL_E_INVALID when a value is out of range; EVL_E_LIMIT when so many
 * errors would have to be followed that it takes too long (above 20000: take fewer bits). */
enum evl_status evl_outlook_sequential(struct evl_outlook *out, const struct evl_sequential *plan,
	double true_ratio, uint64_t bits_per_look, uint32_t looks, struct evl_err *err);
enum evl_status evl_outlook_sprt(struct evl_outlook *out, const struct evl_sprt *plan,
	double true_ratio, uint64_t bits_per_look, uint32_t looks, struct evl_err *err);

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * How long must it run? Before a test: bits and time for a claim about an error ratio, and the
 * chance that a unit of a given true ratio passes (the power of the test).
 *
 *	struct evl_plan_request q = {.limit = 1e-9, .confidence = 0.95, .bits_per_second = 2048000,
 *				     .channels = 63, .true_ratio = 1e-10};
 *	struct evl_plan_fixed f;
 *	evl_plan_fixed(&f, &q, 0, &err);	// no error allowed: 1463 s
 *	struct evl_plan_early e;
 *	evl_plan_early(&e, &q, 3600, &err);	// stopped as soon as it is proved, 3600 s at most
 */
#pragma once

#include <stdint.h>

#include "core/base/err.h"
#include "core/measure/outlook.h"

struct evl_plan_request {
	double limit;             /* of the error ratio, between 0 and 1 */
	double confidence;        /* between 0 and 1 */
	uint64_t bits_per_second; /* of one channel, 1 or more */
	uint32_t channels;        /* that must all pass, 1 or more, measured at the same time */
	bool all_at_once;  /* the confidence is for all channels together (Bonferroni; the first and
			    * strictest step of Holm's method); else for each by itself */
	double true_ratio; /* of a unit, for the power; 0 or more */
};

/* The confidence that each channel gets: 1 - (1 - confidence) / channels when all_at_once. */
double evl_plan_channel_confidence(const struct evl_plan_request *q);

/* A test of fixed length, in which at most so many errors may occur on each channel. */
struct evl_plan_fixed {
	uint64_t allowed_errors;
	double mean;   /* errors that would occur on average at the limit */
	uint64_t bits; /* on each channel */
	double seconds;
	double power;        /* chance that one channel of true_ratio passes */
	double power_of_all; /* that all do */
};

/* EVL_E_INVALID when a field is out of range, EVL_E_LIMIT when it needs 2^60 bits or more. */
enum evl_status evl_plan_fixed(struct evl_plan_fixed *out, const struct evl_plan_request *q,
	uint64_t allowed_errors, struct evl_err *err);

/* A test that stops as soon as every channel is proved either way (sequential.h), after
 * `most_seconds` at the latest, looking once a second. */
struct evl_plan_early {
	double clean_seconds;   /* after which error-free channels pass */
	struct evl_outlook one; /* for one channel of true_ratio */
	double mean_seconds;    /* of one channel */
	double power_of_all;    /* chance that all channels pass in time */
	double look_seconds;    /* between looks in this computation: longer than 1 s when there
				 * would be too many, shorter where one error is expected sooner */
};

/* As evl_plan_fixed; most_seconds must allow one bit. */
enum evl_status evl_plan_early(struct evl_plan_early *out, const struct evl_plan_request *q,
	double most_seconds, struct evl_err *err);

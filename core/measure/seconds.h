/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Errored seconds from counts per second (ITU-T G.821 clause 4 and Annex A).
 *
 *	struct evl_seconds s = {0};
 *	for (each second) {
 *		evl_seconds_add(&s, bits, errors, defect);
 *	}
 *	evl_seconds_finish(&s);
 *	printf("%llu errored seconds\n", (unsigned long long)s.es);
 *
 * A second is errored with at least one bit error or a defect, severely errored with an error ratio
 * of at least 1e-3 or a defect (loss of signal, AIS, pattern not synchronised; also no bits at
 *all). Ten severely errored seconds in a row begin unavailable time and belong to it, ten that are
 *not end it and belong to available time; ES and SES count in available time only. The decision
 *lags by up to nine seconds, so read the totals after evl_seconds_finish.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

struct evl_seconds {
	uint64_t total;       /* seconds added */
	uint64_t available;   /* decided so far */
	uint64_t unavailable; /* decided so far */
	uint64_t es;          /* errored, in available time */
	uint64_t ses;         /* severely errored, in available time; each is also in es */
	bool down;            /* state: unavailable */
	unsigned run;         /* workings: seconds of the other kind in a row, 0..9 */
	uint64_t run_es;      /* workings: of these, errored */
	uint64_t run_ses;     /* workings: of these, severely errored */
};

void evl_seconds_add(struct evl_seconds *s, uint64_t bits, uint64_t errors, bool defect);

/* Counts a last stretch of fewer than ten seconds under the present state (common practice). */
void evl_seconds_finish(struct evl_seconds *s);

static inline bool evl_second_is_errored(uint64_t errors, bool defect)
{
	return defect || errors > 0;
}

static inline bool evl_second_is_severe(uint64_t bits, uint64_t errors, bool defect)
{
	return defect || bits == 0 || errors >= bits / 1000 + (bits % 1000 != 0);
}

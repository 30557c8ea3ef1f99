/* SPDX-License-Identifier: Apache-2.0 */
#include "core/measure/seconds.h"

#define CHANGE_AFTER 10 /* seconds, G.821 Annex A */

/* The undecided stretch turns out to be of the state `down`. */
static void settle(struct evl_seconds *s, bool down)
{
	if (down) {
		s->unavailable += s->run;
	} else {
		s->available += s->run;
		s->es += s->run_es;
		s->ses += s->run_ses;
	}
	s->run = 0;
	s->run_es = 0;
	s->run_ses = 0;
}

void evl_seconds_add(struct evl_seconds *s, uint64_t bits, uint64_t errors, bool defect)
{
	bool severe = evl_second_is_severe(bits, errors, defect);
	bool errored = severe || evl_second_is_errored(errors, defect);
	s->total++;
	if (severe == s->down) {
		settle(s,
		       s->down); /* the stretch of the other kind ended before its tenth second */
	}
	s->run++;
	s->run_es += errored;
	s->run_ses += severe;
	if (severe == s->down) {
		settle(s, s->down);
	} else if (s->run == CHANGE_AFTER) {
		s->down = !s->down;
		settle(s, s->down);
	}
}

void evl_seconds_finish(struct evl_seconds *s)
{
	settle(s, s->down);
}

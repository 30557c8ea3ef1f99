/* SPDX-License-Identifier: Apache-2.0 */
#include "core/cli/follow.h"

#include <assert.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "core/base/alarm.h"
#include "core/base/rate.h"
#include "core/cli/cli.h"
#include "core/engine/engine.h"
#include "core/engine/look.h"
#include "core/live/live.h"

#define ALARMS_TEXT 160 /* of one channel */
#define NAMED       3u  /* channels in a line of text */
#define TEXTS       6

static_assert((int)EVL_LIVE_IDLE == (int)EVL_LOOK_IDLE, "states");
static_assert((int)EVL_LIVE_RUNNING == (int)EVL_LOOK_MOVING, "states");
static_assert((int)EVL_LIVE_NO_SYNC == (int)EVL_LOOK_SEARCHING, "states");
static_assert((int)EVL_LIVE_IN_SYNC == (int)EVL_LOOK_IN_SYNC, "states");

struct cli_follow {
	struct evl_live *live;
	char *note;
	struct evl_live_state state;
	/* What the state points to. */
	char *texts[TEXTS]; /* campaign, title, bench, build, case name, case title */
	struct evl_live_case *cases;
	struct evl_live_channel *channels;
	char **labels; /* the engine is gone when the last state is shown */
	char (*alarms)[ALARMS_TEXT];
	struct evl_look *looks;
	uint32_t channel_count;
	uint32_t *numbers;          /* by entry of `cases` */
	uint64_t done_ns, begun_ms; /* of the present take */
	enum evl_verdict verdict;
};

static uint64_t now_ms(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (uint64_t)t.tv_sec * 1000u + (uint64_t)t.tv_nsec / 1000000u;
}

static const char *alarm_names(uint64_t alarms, char out[ALARMS_TEXT])
{
	size_t used = 0;
	out[0] = '\0';
	for (int a = EVL_ALARM_LOS; a < EVL_ALARM_COUNT; a++) {
		int n = (alarms >> a & 1) == 0
				? 0
				: snprintf(out + used, ALARMS_TEXT - used, "%s%s",
					  used > 0 ? ", " : "", evl_alarm_name((enum evl_alarm)a));
		used += n > 0 && (size_t)n < ALARMS_TEXT - used ? (size_t)n : 0;
	}
	out[used] = '\0'; /* what does not fit whole is left out */
	return out;
}

/* "ADDRESS:PORT", "[ADDRESS]:PORT" or "PORT". */
static bool read_where(const char *where, char *address, size_t cap, uint16_t *port)
{
	const char *colon = strrchr(where, ':');
	const char *digits = colon != NULL ? colon + 1 : where;
	size_t n = colon != NULL ? (size_t)(colon - where) : 0;
	uint64_t number;
	if (!cli_parse_u64(&number, digits) || number > 65535) {
		return false;
	}
	*port = (uint16_t)number;
	snprintf(address, cap, "127.0.0.1");
	if (colon == NULL) {
		return true;
	}
	if (n >= 2 && where[0] == '[' && where[n - 1] == ']') {
		where++;
		n -= 2;
	}
	return n > 0 && snprintf(address, cap, "%.*s", (int)n, where) < (int)cap;
}

enum evl_status cli_follow_start(struct cli_follow **out, const char *where, struct evl_err *err)
{
	char address[64];
	uint16_t port;
	*out = NULL;
	if (!read_where(where, address, sizeof address, &port)) {
		return evl_err_set(err, EVL_E_INVALID,
			"--live \"%s\" is no port from 0 to 65535, or ADDRESS:PORT", where);
	}
	struct cli_follow *f = evl_xcalloc(1, sizeof *f);
	enum evl_status st = evl_live_start(&f->live, address, port, err);
	if (st < 0) {
		free(f);
		return st;
	}
	f->note = evl_xstrdup("");
	cli_err_out("live view: %s\n", evl_live_url(f->live));
	*out = f;
	return EVL_OK;
}

static void keep_text(char **to, const char *text)
{
	if (*to == NULL || strcmp(*to, text) != 0) {
		free(*to);
		*to = evl_xstrdup(text);
	}
}

/* The entry of a case; a new one when it begins. */
static struct evl_live_case *entry_of(struct cli_follow *f, const struct evl_run_progress *p)
{
	size_t n = f->state.case_list_count;
	for (size_t i = 0; i < n; i++) {
		if (f->numbers[i] == p->case_number) {
			return &f->cases[i];
		}
	}
	f->state.case_list_count++;
	f->cases = evl_xrealloc(f->cases, (n + 1) * sizeof *f->cases);
	f->numbers = evl_xrealloc(f->numbers, (n + 1) * sizeof *f->numbers);
	f->cases[n] = (struct evl_live_case){.name = evl_xstrdup(p->case_name), .verdict = ""};
	f->numbers[n] = p->case_number;
	return &f->cases[n];
}

static void fill_channels(struct cli_follow *f, const struct evl_engine *engine)
{
	uint32_t n = evl_engine_channel_count(engine);
	if (f->channel_count == 0) { /* a run has one engine */
		f->looks = evl_xrealloc(f->looks, n * sizeof *f->looks);
		f->channels = evl_xrealloc(f->channels, n * sizeof *f->channels);
		f->alarms = evl_xrealloc(f->alarms, n * sizeof *f->alarms);
		f->labels = evl_xrealloc(f->labels, n * sizeof *f->labels);
		for (uint32_t i = 0; i < n; i++) {
			f->labels[i] = evl_xstrdup(evl_engine_channel(engine, i)->label);
		}
		f->channel_count = n;
	}
	evl_engine_look(engine, f->looks);
	for (uint32_t i = 0; i < n; i++) {
		const struct evl_bound_channel *b = evl_engine_channel(engine, i);
		const struct evl_look *l = &f->looks[i];
		f->channels[i] = (struct evl_live_channel){.label = f->labels[i],
			.rate = evl_rate_name(b->rate),
			.alarms = alarm_names(l->alarms, f->alarms[i]),
			.sync = (enum evl_live_sync)l->state,
			.bits = l->bits,
			.errors = l->errors};
	}
}

/* All but the channels. */
static void fill(struct cli_follow *f, const struct evl_run_progress *p)
{
	const char *const texts[TEXTS] = {p->campaign_name, p->campaign_title, p->bench_name,
		p->build, p->case_name, p->case_title};
	struct evl_live_state *s = &f->state;
	for (int i = 0; i < TEXTS; i++) {
		keep_text(&f->texts[i], texts[i] != NULL ? texts[i] : "");
	}
	s->run = p->run;
	s->campaign = f->texts[0];
	s->title = f->texts[1];
	s->bench = f->texts[2];
	s->build = f->texts[3];
	s->case_name = f->texts[4];
	s->case_title = f->texts[5];
	s->clock = p->is_virtual ? "virtual" : "real";
	s->verdict = evl_verdict_name(f->verdict);
	s->message = f->note;
	s->case_number = p->case_number;
	s->case_count = p->case_count;
	s->take_name = p->take_name;
	s->done_ns = p->take_done_ns;
	s->all_ns = p->take_all_ns;
	s->errors = p->errors;
	s->passed = p->all_passed;
	s->failed = p->all_failed;
	s->inconclusive = p->all_inconclusive;
	s->cases = f->cases;
}

/* Cases and channels. */
static void forget_run(struct cli_follow *f)
{
	for (size_t i = 0; i < f->state.case_list_count; i++) {
		free((char *)f->cases[i].name);
	}
	for (uint32_t i = 0; i < f->channel_count; i++) {
		free(f->labels[i]);
	}
	f->state.case_list_count = 0;
	f->state.channel_count = 0;
	f->channel_count = 0;
	f->done_ns = 0;
	f->verdict = EVL_VERDICT_NONE;
}

void cli_follow_note(struct cli_follow *f, const char *note)
{
	char *copy = evl_xstrdup(note);
	free(f->note);
	f->note = copy;
	f->state.message = copy;
}

void cli_follow_progress(struct cli_follow *f, const struct evl_run_progress *p)
{
	struct evl_live_state *s = &f->state;
	if (p->case_name[0] == '\0') {
		return;
	}
	if (p->run != f->state.run) {
		forget_run(f);
		s->run = p->run;
	}
	struct evl_live_case *entry = entry_of(f, p);
	if (p->take_all_ns == 0 || p->take_done_ns < f->done_ns || f->done_ns == 0) {
		f->begun_ms = now_ms();
	}
	f->done_ns = p->take_all_ns == 0 ? 0 : p->take_done_ns;
	if (p->case_ended) {
		entry->verdict = evl_verdict_name(p->case_verdict);
		f->verdict = evl_verdict_worse(f->verdict, p->case_verdict);
	}
	if (!p->case_ended && !evl_live_due(f->live)) {
		return;
	}
	fill(f, p);
	fill_channels(f, p->engine);
	s->channels = f->channels;
	s->channel_count = f->channel_count;
	s->left_ms = -1;
	if (p->take_all_ns > 0 && p->take_done_ns > 0) {
		double took = (double)(now_ms() - f->begun_ms);
		s->left_ms = (int64_t)(took * ((double)(p->take_all_ns - p->take_done_ns) /
						      (double)p->take_done_ns));
	}
	if (evl_live_due(f->live)) {
		evl_live_publish(f->live, s);
	}
}

void cli_follow_end(struct cli_follow *f, const char *verdict, const char *message)
{
	if (f == NULL) {
		return;
	}
	struct evl_live_state *s = &f->state;
	s->ended = true;
	s->verdict = verdict;
	s->message = message;
	s->take_name = "";
	s->all_ns = s->done_ns = 0;
	s->left_ms = -1;
	evl_live_stop(f->live, s);
	forget_run(f);
	for (int i = 0; i < TEXTS; i++) {
		free(f->texts[i]);
	}
	free(f->labels);
	free(f->cases);
	free(f->numbers);
	free(f->channels);
	free(f->alarms);
	free(f->looks);
	free(f->note);
	free(f);
}

/* Adds "; WHAT: a, b, c and 4 more" of the channels for which `is` holds. */
static void add_named(struct evl_text *out, const struct evl_run_progress *p,
	const struct evl_look *looks, uint32_t n, bool alarms)
{
	uint32_t found = 0;
	for (uint32_t i = 0; i < n; i++) {
		char names[ALARMS_TEXT];
		bool is = alarms ? looks[i].alarms != 0 : looks[i].state == EVL_LOOK_SEARCHING;
		if (!is) {
			continue;
		}
		if (found < NAMED) {
			evl_text_add(
				out, found == 0 ? (alarms ? "; alarms: " : "; no sync: ") : ", ");
			evl_text_add(out, evl_engine_channel(p->engine, i)->label);
			if (alarms) {
				evl_text_addf(out, " %s", alarm_names(looks[i].alarms, names));
			}
		}
		found++;
	}
	if (found > NAMED) {
		evl_text_addf(out, " and %" PRIu32 " more", found - NAMED);
	}
}

void cli_follow_in_short(struct evl_text *out, const struct evl_run_progress *p)
{
	if (p->take_all_ns == 0 || p->engine == NULL) {
		return;
	}
	uint32_t n = evl_engine_channel_count(p->engine), sync = 0, checked = 0;
	struct evl_look *looks = evl_xcalloc(n, sizeof *looks);
	evl_engine_look(p->engine, looks);
	for (uint32_t i = 0; i < n; i++) {
		sync += looks[i].state == EVL_LOOK_IN_SYNC;
		checked += looks[i].state >= EVL_LOOK_SEARCHING;
	}
	if (checked > 0) {
		evl_text_addf(out, "; %" PRIu32 " of %" PRIu32 " in sync", sync, checked);
	}
	add_named(out, p, looks, n, false);
	add_named(out, p, looks, n, true);
	free(looks);
}

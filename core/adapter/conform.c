/* SPDX-License-Identifier: Apache-2.0 */
/* The items of the conformance kit, one function for each part of the contract. */
#include "core/adapter/conform.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/adapter/conform_kit.h"
#include "core/adapter/internal.h"
#include "core/base/rate.h"

bool kit_opened(struct conform_kit *k, void **self)
{
	if (!kit_wants_good(k, kit_open(k, self, k->virtual_time, k->args->seed, false), "open")) {
		return false;
	}
	return *self ? true : kit_fail(k, "open reported success but gave no instance");
}

/* Sets whether the instances run in virtual time. */
static void check_identity(struct conform_kit *k, const char *name)
{
	struct evl_identity is;
	struct evl_err err = {0};
	const struct evl_instance_args args = {.name = name,
					       .options = k->args->options,
					       .option_count = k->args->option_count,
					       .build = k->args->build,
					       .seed = k->args->seed};
	kit_begin(k, "identity", "an adapter that stands for another says for which");
	if (k->adapter->get_extension == NULL ||
	    k->adapter->get_extension(EVL_IDENTITY_EXTENSION) == NULL) {
		k->virtual_time = (k->adapter->capabilities & EVL_CAP_VIRTUAL_TIME) != 0;
		return; /* it stands for itself */
	}
	if (evl_adapter_identify(&is, k->adapter, &args, &err) < 0) {
		kit_fail(k, "%.500s", err.text);
	} else if (is.name[0] == '\0' || is.release[0] == '\0' || is.description[0] == '\0') {
		kit_fail(k, "a text of the identity is empty");
	}
	k->virtual_time = (is.capabilities & EVL_CAP_VIRTUAL_TIME) != 0;
}

static void check_open(struct conform_kit *k)
{
	void *self;
	kit_begin(k, "close.null", "close takes NULL");
	k->adapter->close(NULL);

	kit_begin(k, "open.unknown-option",
		  "an unknown option is refused, its path is in the text");
	int code = kit_open(k, &self, k->virtual_time, k->args->seed, true);
	if (kit_wants_refused(k, code, EVL_ADAPTER_E_OPTION, "an unknown option")) {
		if (self != NULL) {
			kit_fail(k, "open failed but left an instance behind");
		} else if (strstr(k->said, CONFORM_OPTION) == NULL) {
			kit_fail(k, "the text does not name %s: %.300s", CONFORM_OPTION, k->said);
		}
	} else if (self) {
		k->adapter->close(self);
	}

	kit_begin(k, "open.virtual-time", "virtual time opens if declared, and is refused if not");
	code = kit_open(k, &self, true, k->args->seed, false);
	if (k->virtual_time) {
		kit_wants_good(k, code, "open in virtual time");
	} else {
		kit_wants_refused(k, code, EVL_ADAPTER_E_UNSUPPORTED, "virtual time");
	}
	if (code == EVL_ADAPTER_OK && self) {
		k->adapter->close(self);
	}
}

/* Reads the list of an open instance into fresh memory; NULL when the item failed. */
static struct evl_channel_info *read_list(struct conform_kit *k, void *self, uint32_t *count)
{
	uint32_t n = UINT32_MAX;
	if (!kit_wants_good(k, kit_channels(k, self, NULL, 0, &n), "channels without room")) {
		return NULL;
	}
	if (n == 0 || n > EVL_INSTANCE_CHANNELS_MAX) {
		kit_fail(k, "%u channels; 1..%u are possible", (unsigned)n,
			 EVL_INSTANCE_CHANNELS_MAX);
		return NULL;
	}
	/* Room for one less than there are: nothing may be written behind it. */
	struct evl_channel_info *list = evl_xcalloc(n + 1, sizeof *list);
	memset(list, 0xA5, (n + 1) * sizeof *list);
	struct evl_channel_info mark = list[n];
	uint32_t again = UINT32_MAX;
	bool good = kit_wants_good(k, kit_channels(k, self, list, n - 1, &again), "channels");
	if (good && (again != n || memcmp(&list[n - 1], &mark, sizeof mark) != 0)) {
		good = kit_fail(k, "with room for one less, the count or what is behind changes");
	}
	again = UINT32_MAX;
	good = good && kit_wants_good(k, kit_channels(k, self, list, n + 1, &again), "channels");
	if (good && (again != n || memcmp(&list[n], &mark, sizeof mark) != 0)) {
		good = kit_fail(k, "with room for one more, the count or what is behind changes");
	}
	if (!good) {
		free(list);
		return NULL;
	}
	*count = n;
	return list;
}

static bool same_list(const struct conform_kit *k, const struct evl_channel_info *list,
		      uint32_t count)
{
	bool same = count == k->channel_count;
	for (uint32_t i = 0; same && i < count; i++) {
		const struct evl_channel_info *a = &list[i], *b = &k->channels[i];
		same = strncmp(a->name, b->name, sizeof a->name) == 0 &&
		       strncmp(a->port, b->port, sizeof a->port) == 0 && a->rate == b->rate &&
		       a->abilities == b->abilities;
	}
	return same;
}

static void check_channels(struct conform_kit *k)
{
	void *self;
	kit_begin(k, "open.good", "the given options open an instance");
	if (!kit_opened(k, &self)) {
		return;
	}
	kit_begin(k, "channels.list", "the list keeps to the capacity, names and rates are good");
	uint32_t n = 0;
	struct evl_channel_info *list = read_list(k, self, &n);
	for (uint32_t i = 0; list && i < n; i++) {
		const char *problem = evl_channel_problem(list, i);
		char name[EVL_NAME_MAX];
		if (problem) {
			kit_fail(k, "channel %u (\"%s\"): %s", (unsigned)i,
				 evl_adapter_text(name, sizeof name, list[i].name, EVL_NAME_MAX),
				 problem);
		} else if (list[i].abilities & EVL_CH_INJECT && k->adapter->inject == NULL) {
			kit_fail(k, "channel %s can inject, but the table has no inject",
				 list[i].name);
		}
	}
	if (list == NULL || !kit_passes(k)) {
		free(list);
		k->adapter->close(self);
		return;
	}
	k->channels = list;
	k->channel_count = n;

	kit_begin(k, "channels.stable", "the list is the same again, and after opening again");
	list = read_list(k, self, &n);
	if (list && !same_list(k, list, n)) {
		kit_fail(k, "the second list differs from the first");
	}
	free(list);
	k->adapter->close(self);
	if (kit_passes(k) && kit_opened(k, &self)) {
		list = read_list(k, self, &n);
		if (list && !same_list(k, list, n)) {
			kit_fail(k, "after opening again the list differs");
		}
		free(list);
		k->adapter->close(self);
	}
}

enum reach { FRESH, ARMED, STARTED, STOPPED };

/* Brings a fresh instance to a state; false when the item failed. */
static bool reached(struct conform_kit *k, struct conform_take *t, enum reach state)
{
	if (state == ARMED) {
		return kit_wants_good(k, kit_arm(k, t->self, t->arms, t->count, SLAB), "arm");
	}
	return state == FRESH ||
	       (take_begin(k, t, 0) && take_step(k, t, SLAB, 0) &&
		(state == STARTED || kit_wants_good(k, kit_stop(k, t->self), "stop")));
}

static int exchange_of(struct conform_kit *k, struct conform_take *t)
{
	take_fill(k, t, SLAB);
	return kit_exchange(k, t->self, SLAB, t->slabs, t->count);
}

static void check_order(struct conform_kit *k)
{
	static const struct {
		const char *name, *rule;
		enum reach state;
		enum { ARM, START, EXCHANGE } call;
	} items[] = {
		{"order.start-before-arm", "start is refused unless armed", FRESH, START},
		{"order.exchange-before-arm", "exchange is refused unless started", FRESH,
		 EXCHANGE},
		{"order.exchange-before-start", "exchange is refused while armed", ARMED, EXCHANGE},
		{"order.arm-twice", "arm is refused while armed", ARMED, ARM},
		{"order.start-twice", "start is refused while started", STARTED, START},
		{"order.arm-when-started", "arm is refused while started", STARTED, ARM},
		{"order.exchange-after-stop", "exchange is refused after stop", STOPPED, EXCHANGE},
		{"order.start-after-stop", "start is refused after stop", STOPPED, START}};
	for (unsigned i = 0; i < sizeof items / sizeof items[0]; i++) {
		void *self;
		struct conform_take t;
		kit_begin(k, items[i].name, items[i].rule);
		if (!kit_opened(k, &self)) {
			continue;
		}
		take_init(&t, k, self, SLAB);
		if (reached(k, &t, items[i].state)) {
			int code = items[i].call == ARM ? kit_arm(k, self, t.arms, t.count, SLAB)
				   : items[i].call == START
					   ? kit_start(k, self, t.at_ns, t.started_ns)
					   : exchange_of(k, &t);
			kit_wants_refused(k, code, EVL_ADAPTER_E_STATE, "the call");
		}
		take_finish(&t);
		k->adapter->close(self);
	}
}

static void check_stop(struct conform_kit *k)
{
	static const struct {
		const char *name, *rule;
		enum reach state;
	} items[] = {{"stop.idle", "stop succeeds when there is nothing to stop", FRESH},
		     {"stop.armed", "stop undoes an arm whose take never starts", ARMED},
		     {"stop.twice", "stop succeeds when the take has ended already", STOPPED}};
	for (unsigned i = 0; i < sizeof items / sizeof items[0]; i++) {
		void *self;
		struct conform_take t;
		kit_begin(k, items[i].name, items[i].rule);
		if (!kit_opened(k, &self)) {
			continue;
		}
		take_init(&t, k, self, SLAB);
		if (reached(k, &t, items[i].state) &&
		    kit_wants_good(k, kit_stop(k, self), "stop") && take_begin(k, &t, 1000000000) &&
		    take_step(k, &t, SLAB, 0)) {
			kit_wants_good(k, kit_stop(k, self), "stop");
		}
		take_finish(&t);
		k->adapter->close(self);
	}
}

/* A refused arm, then stop, then a whole take. */
static void check_bad_arm(struct conform_kit *k, const char *name, const char *rule,
			  const struct evl_arm *arms, uint32_t count)
{
	void *self;
	kit_begin(k, name, rule);
	if (!kit_opened(k, &self)) {
		return;
	}
	struct conform_take t;
	take_init(&t, k, self, SLAB);
	if (kit_wants_refused(k, kit_arm(k, self, arms, count, SLAB), EVL_ADAPTER_OK,
			      "such an arm") &&
	    kit_wants_good(k, kit_stop(k, self), "stop after a failed arm") &&
	    take_begin(k, &t, 0) && take_step(k, &t, SLAB, 0)) {
		kit_wants_good(k, kit_stop(k, self), "stop");
	}
	take_finish(&t);
	k->adapter->close(self);
}

static void check_arm(struct conform_kit *k)
{
	struct conform_take t;
	take_init(&t, k, NULL, SLAB);
	struct evl_arm bad[2] = {t.arms[0], t.arms[0]};
	check_bad_arm(k, "arm.channel-twice", "a channel that comes twice is refused", bad, 2);
	bad[0].channel = k->channel_count;
	check_bad_arm(k, "arm.no-such-channel", "a channel that is not there is refused", bad, 1);
	/* A channel that cannot do all, with what it cannot do; else one with nothing to do. */
	bad[0] = (struct evl_arm){.version = 1};
	for (uint32_t c = 0; c < k->channel_count && !bad[0].play && !bad[0].capture; c++) {
		uint32_t lacks = ~k->channels[c].abilities & (EVL_CH_PLAY | EVL_CH_CAPTURE);
		bad[0] = (struct evl_arm){.version = 1,
					  .channel = c,
					  .play = (lacks & EVL_CH_PLAY) != 0,
					  .capture = (lacks & EVL_CH_CAPTURE) != 0};
	}
	check_bad_arm(k, "arm.not-able", "what a channel cannot do, or nothing at all, is refused",
		      bad, 1);
	take_finish(&t);

	take_init(&t, k, NULL, SLAB);
	static const char fixed[] = "arm.clock-fixed", far[] = "arm.clock-too-far";
	struct evl_arm clock = {.version = 1};
	/* A channel with a fixed clock; else one that is only captured. */
	for (uint32_t i = 0; i < t.count && !clock.play; i++) {
		bool takes = (k->channels[t.arms[i].channel].abilities & EVL_CH_CLOCK) != 0;
		if ((t.arms[i].play && !takes) || (t.arms[i].capture && !clock.capture)) {
			clock = t.arms[i];
			clock.play = clock.play && !takes;
		}
	}
	clock.clock_ppb = 1000;
	check_bad_arm(k, fixed, "a clock offset is refused where it cannot be played", &clock, 1);
	clock = (struct evl_arm){.version = 1};
	for (uint32_t i = 0; i < t.count && !clock.play; i++) {
		if (k->channels[t.arms[i].channel].abilities & EVL_CH_CLOCK) {
			clock = t.arms[i];
		}
	}
	if (clock.play) {
		clock.clock_ppb = EVL_CLOCK_PPB_MAX + 1;
		check_bad_arm(k, far, "a clock offset beyond the limit is refused", &clock, 1);
	} else {
		kit_begin(k, far, "a clock offset beyond the limit is refused");
		kit_skip(k, "no channel takes a clock offset");
	}
	take_finish(&t);
}

struct evl_conform_report *evl_conform_run(const struct evl_adapter *adapter, const char *name,
					   const struct evl_conform_args *args)
{
	struct conform_kit k = {.adapter = adapter, .args = args};
	k.report = evl_xcalloc(1, sizeof *k.report);
	struct evl_err err = {0};
	kit_begin(&k, "table", "version, name and functions of the table are good");
	if (evl_loader_check(adapter, name, &err) < 0) {
		kit_fail(&k, "%.500s", err.text);
		goto out;
	}
	check_identity(&k, name);
	check_open(&k);
	check_channels(&k);
	if (k.channels) {
		struct conform_take t;
		take_init(&t, &k, NULL, 8);
		bool any = t.count > 0;
		take_finish(&t);
		if (any) {
			check_order(&k);
			check_stop(&k);
			check_arm(&k);
			conform_takes(&k);
			conform_independent(&k);
			conform_poll(&k);
			conform_inject(&k);
		} else {
			kit_begin(&k, "take.cycles", "take after take works in one instance");
			kit_fail(&k, "no channel can play or capture");
		}
	}
	kit_begin(&k, "errors.texts", "failed calls give a code of the ABI and one line of text");
	if (k.text_problem[0]) {
		kit_fail(&k, "%s", k.text_problem);
	}
	kit_begin(&k, "time-limits", "no call took longer than the ABI allows");
	if (k.late_problem[0]) {
		kit_fail(&k, "%s", k.late_problem);
	}
out:
	for (size_t i = 0; i < k.report->count; i++) {
		k.report->failed += k.report->items[i].result == EVL_CONFORM_FAIL;
		k.report->skipped += k.report->items[i].result == EVL_CONFORM_SKIP;
	}
	free(k.channels);
	return k.report;
}

void evl_conform_destroy(struct evl_conform_report *report)
{
	if (report) {
		free(report->items);
		free(report);
	}
}

const char *evl_conform_result_name(enum evl_conform_result result)
{
	return result == EVL_CONFORM_PASS ? "pass" : result == EVL_CONFORM_FAIL ? "FAIL" : "skip";
}

const struct evl_conform_item *evl_conform_find(const struct evl_conform_report *report,
						const char *name)
{
	for (size_t i = 0; i < report->count; i++) {
		if (strcmp(report->items[i].name, name) == 0) {
			return &report->items[i];
		}
	}
	return NULL;
}

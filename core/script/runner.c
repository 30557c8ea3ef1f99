/* SPDX-License-Identifier: Apache-2.0 */
#include "core/script/runner.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/text.h"
#include "core/script/internal.h"
#include "core/script/watchdog.h"

static enum evl_status check_args(const struct evl_run_args *args, struct evl_err *err)
{
	if (args->build == NULL || args->build[0] == '\0') {
		return evl_err_set(err, EVL_E_INVALID,
				   "the build has no label; say which version is under test with "
				   "--build LABEL");
	}
	if (!evl_script_is_text(args->build, strlen(args->build))) {
		return evl_err_set(err, EVL_E_INVALID, "--build: the label is no UTF-8 text");
	}
	if (strlen(args->build) > 100) {
		return evl_err_set(err, EVL_E_INVALID,
				   "--build: the label has %zu bytes; at most 100 are kept",
				   strlen(args->build));
	}
	return EVL_OK;
}

static enum evl_status choose_cases(struct campaign *c, const struct evl_run_args *args,
				    uint32_t *count, struct evl_err *err)
{
	*count = 0;
	for (size_t i = 0; i < args->case_count; i++) {
		bool found = false;
		for (size_t k = 0; k < c->case_count; k++) {
			if (strcmp(c->cases[k].name, args->cases[i]) == 0) {
				found = true;
				c->cases[k].wanted = true;
			}
		}
		if (!found) {
			char known[400] = "";
			for (size_t k = 0; k < c->case_count; k++) {
				size_t n = strlen(known);
				snprintf(known + n, sizeof known - n, "%s%s", k > 0 ? ", " : "",
					 c->cases[k].name);
			}
			return evl_err_set(err, EVL_E_NOTFOUND, "%s has no case %s; there are: %s",
					   c->path, args->cases[i], known);
		}
	}
	for (size_t k = 0; k < c->case_count; k++) {
		c->cases[k].wanted = c->cases[k].wanted || args->case_count == 0;
		*count += c->cases[k].wanted;
	}
	return EVL_OK;
}

/* Without --reference: the newest passed run of the same campaign that recorded something. */
static enum evl_status find_reference(struct run_state *r, struct evl_err *err)
{
	struct evl_run_list list = {0};
	enum evl_status st = evl_store_list_runs(&list, r->store, err);
	if (st < 0) {
		return st;
	}
	int64_t wanted = r->args->reference_run;
	bool found = wanted <= 0;
	for (size_t i = 0; i < list.count; i++) {
		const struct evl_row_run *row = &list.runs[i].run;
		if (wanted > 0) {
			found = found || row->run == wanted;
		} else if (list.runs[i].recordings > 0 &&
			   strcmp(row->campaign_name, r->campaign->name) == 0 &&
			   strcmp(row->state, EVL_STATE_FINISHED) == 0 &&
			   strcmp(row->verdict, evl_verdict_name(EVL_VERDICT_PASS)) == 0) {
			r->reference_run = row->run;
		}
	}
	if (wanted > 0) {
		r->reference_run = wanted;
	}
	evl_run_list_finish(&list);
	if (!found) {
		return evl_err_set(err, EVL_E_NOTFOUND,
				   "--reference: %s has no run %" PRId64
				   "; `evenlode runs` lists them",
				   r->args->store, wanted);
	}
	return EVL_OK;
}

static bool stop_asked(const struct run_state *r)
{
	return r->args->stop != NULL && *r->args->stop != 0;
}

static void remember(struct run_state *r, const char *text)
{
	if (r->outcome->message == NULL && text[0] != '\0') {
		r->outcome->message = evl_xstrdup(text);
	}
}

static enum evl_status run_cases(struct run_state *r, struct evl_err *err)
{
	const struct evl_run_args *args = r->args;
	enum evl_status st = evl_keep_run_begin(r, err);
	r->progress.run = r->run;
	r->progress.campaign_name = r->campaign->name;
	r->progress.campaign_title = r->campaign->title;
	r->progress.build = r->args->build;
	r->progress.bench_name = r->lab.bench->name;
	r->progress.is_virtual = r->lab.is_virtual;
	r->progress.engine = r->engine;
	evl_cases_make(r);
	st = st == EVL_OK ? evl_cases_run(r, err) : st;
	if (st < 0) {
		return st;
	}
	r->outcome->interrupted = stop_asked(r) || !r->may;
	if (r->outcome->interrupted) {
		r->outcome->verdict =
			evl_verdict_worse(r->outcome->verdict, EVL_VERDICT_INCONCLUSIVE);
		remember(r, stop_asked(r) ? "stopped early by the user; what was measured is kept"
					  : args->why_not);
	}
	evl_continue_tell(r);
	char now[32];
	evl_utc_now(now);
	st = evl_store_run_end(
		r->store, r->outcome->interrupted ? EVL_STATE_INTERRUPTED : EVL_STATE_FINISHED,
		evl_verdict_name(r->outcome->verdict), r->outcome->message, now, err);
	return st < 0 ? st
		      : evl_store_results_digest(r->store, r->run, r->outcome->results_digest, err);
}

enum evl_status evl_runner_run(struct evl_run_outcome *out, const struct evl_run_args *args,
			       struct evl_err *err)
{
	*out = (struct evl_run_outcome){0};
	struct run_state r = {.args = args, .outcome = out};
	struct evl_fit fit = {0};
	r.progress.case_name = r.progress.case_title = r.progress.take_name = "";
	r.progress.case_message = "";
	struct evl_watchdog *watchdog = evl_watchdog_start(&r);
	enum evl_status st = check_args(args, err);
	if (st == EVL_OK) {
		st = evl_campaign_load(&r.campaign, args->campaign, args->stop, &r, err);
	}
	if (st == EVL_OK) {
		st = choose_cases(r.campaign, args, &r.progress.case_count, err);
	}
	if (st == EVL_OK) {
		st = evl_lab_open(&r.lab, args, r.campaign, &fit, err);
	}
	evl_fit_finish(&fit);
	if (st == EVL_OK) {
		struct evl_engine_args e = {.instances = r.lab.instances,
					    .instance_count = (uint32_t)r.lab.bench->adapter_count,
					    .binding = r.lab.binding,
					    .is_virtual = r.lab.is_virtual,
					    .stop = args->stop,
					    .reserve_bytes = args->reserve_bytes != NULL
								     ? *args->reserve_bytes
								     : EVL_TAKE_RESERVE};
		st = evl_engine_create(&r.engine, &e, err);
	}
	if (st == EVL_OK) {
		st = evl_store_open(&r.store, args->store, EVL_STORE_WRITE, err);
	}
	if (st == EVL_OK) {
		st = args->take_over_count > 0 ? evl_continue_begin(&r, err)
					       : find_reference(&r, err);
	}
	if (st == EVL_OK) {
		st = run_cases(&r, err);
	}
	for (size_t i = 0; i < r.recording_count; i++) {
		evl_recording_close(&r.recordings[i]);
	}
	free(r.recordings);
	evl_store_close(r.store);
	r.store = NULL; /* the watchdog must not touch it from here on */
	evl_cases_finish(&r);
	evl_engine_destroy(r.engine);
	evl_campaign_destroy(r.campaign);
	evl_lab_close(&r.lab);
	evl_watchdog_stop(watchdog);
	return st;
}

void evl_run_outcome_finish(struct evl_run_outcome *out)
{
	free(out->message);
	*out = (struct evl_run_outcome){0};
}

static char *uses_text(const struct campaign_case *c)
{
	struct evl_text t = {0};
	for (size_t i = 0; i < c->use_count; i++) {
		evl_text_addf(&t, "%s%s", i > 0 ? ", " : "", c->uses[i]);
	}
	char *out = evl_xstrdup(evl_text_str(&t));
	evl_text_finish(&t);
	return out;
}

/* Who runs at once, by what the campaign states. */
static void fit_times(struct evl_runner_fit *out, const struct campaign *c)
{
	const size_t channels = out->binding->channel_count;
	bool **holds = evl_xcalloc(out->case_count, sizeof(bool *));
	uint32_t *place = evl_xcalloc(c->case_count, sizeof *place);
	struct evl_at_once order;
	uint32_t n = 0;
	for (size_t i = 0; i < c->case_count; i++) {
		const struct campaign_case *from = &c->cases[i];
		if (!from->wanted) {
			continue;
		}
		struct evl_runner_fit_case *f = &out->cases[n];
		holds[n] = evl_case_holds(out->binding, from);
		f->channels = evl_xcalloc(channels, sizeof *f->channels);
		for (uint32_t k = 0; k < channels; k++) {
			if (holds[n][k]) {
				f->channels[f->channel_count++] = k;
			}
		}
		f->after = evl_xcalloc(from->after_count, sizeof *f->after);
		for (size_t k = 0; k < from->after_count; k++) {
			if (c->cases[from->after[k]].wanted) {
				f->after[f->after_count++] = place[from->after[k]];
			}
		}
		place[i] = n++;
	}
	evl_cases_order(&order, c, holds, channels, false);
	out->at_once_ns = order.end_ns;
	out->one_at_a_time_ns = order.sum_ns;
	for (size_t i = 0; i < n; i++) {
		struct evl_runner_fit_case *f = &out->cases[i];
		f->start_ns = order.start_ns[i];
		f->end_ns = f->start_ns + (f->estimate_ns > 0 ? f->estimate_ns : f->time_limit_ns);
		free(holds[i]);
	}
	evl_at_once_finish(&order);
	free(place);
	free(holds);
}

enum evl_status evl_runner_fit(struct evl_runner_fit *out, const struct evl_run_args *args,
			       struct evl_err *err)
{
	*out = (struct evl_runner_fit){0};
	struct campaign *c = NULL;
	struct lab lab = {0};
	uint32_t count = 0;
	struct run_state watched = {.args = args}; /* no run: nothing of it is in the store */
	struct evl_watchdog *dog = NULL;
	enum evl_status st = evl_campaign_load(&c, args->campaign, args->stop, NULL, err);
	if (st == EVL_OK) {
		st = choose_cases(c, args, &count, err);
	}
	if (st == EVL_OK) {
		dog = evl_watchdog_start(&watched);
		st = evl_lab_open(&lab, args, c, &out->fit, err);
		if (st == EVL_E_INVALID && out->fit.role_count > 0 && !out->fit.fits) {
			st = EVL_OK; /* the answer is no; out->fit says why */
		}
	}
	if (st == EVL_OK) {
		out->campaign_name = evl_xstrdup(c->name);
		out->campaign_title = evl_xstrdup(c->title);
		out->bench_name = evl_xstrdup(lab.bench->name);
		out->is_virtual = lab.is_virtual;
		out->cases = evl_xcalloc(count, sizeof *out->cases);
		for (size_t i = 0; i < c->case_count; i++) {
			if (!c->cases[i].wanted) {
				continue;
			}
			struct evl_runner_fit_case *f = &out->cases[out->case_count++];
			f->name = evl_xstrdup(c->cases[i].name);
			f->title = evl_xstrdup(c->cases[i].title);
			f->estimate_ns = c->cases[i].estimate_ns;
			f->time_limit_ns = c->cases[i].time_limit_ns;
			f->uses = uses_text(&c->cases[i]);
			out->estimate_ns += f->estimate_ns;
		}
		out->binding = lab.binding;
		lab.binding = NULL;
		if (out->binding != NULL) {
			fit_times(out, c);
		}
	}
	evl_campaign_destroy(c);
	evl_lab_close(&lab);
	evl_watchdog_stop(dog);
	return st;
}

void evl_runner_fit_finish(struct evl_runner_fit *out)
{
	evl_fit_finish(&out->fit);
	evl_binding_destroy(out->binding);
	for (size_t i = 0; i < out->case_count; i++) {
		free(out->cases[i].name);
		free(out->cases[i].title);
		free(out->cases[i].uses);
		free(out->cases[i].channels);
		free(out->cases[i].after);
	}
	free(out->cases);
	free(out->campaign_name);
	free(out->campaign_title);
	free(out->bench_name);
	*out = (struct evl_runner_fit){0};
}

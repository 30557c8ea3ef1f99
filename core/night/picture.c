/* SPDX-License-Identifier: Apache-2.0 */
/* The timetable of a night for people: lines of text, and a drawing with one row per bench. */
#include <stdio.h>
#include <string.h>

#include "core/night/plan.h"
#include "core/night/window.h"

#define SECOND_NS 1000000000u

static void add_length(struct evl_text *out, uint64_t ns)
{
	uint64_t s = (ns + SECOND_NS - 1) / SECOND_NS;
	if (s >= 3600) {
		evl_text_addf(out, "%llu h %02llu min", (unsigned long long)(s / 3600),
			(unsigned long long)(s / 60 % 60));
	} else if (s >= 60) {
		evl_text_addf(out, "%llu min %02llu s", (unsigned long long)(s / 60),
			(unsigned long long)(s % 60));
	} else {
		evl_text_addf(out, "%llu s", (unsigned long long)s);
	}
}

static void add_why(struct evl_text *out, const struct evl_night_job *job)
{
	static const char *const words[] = {
		"never run", "changed since", "failed at", "last tested"};
	evl_text_add(out, words[job->need]);
	if (job->need != EVL_NIGHT_NEVER_RUN) {
		evl_text_addf(out, " %s", job->last_utc);
	}
}

static void add_from(struct evl_text *out, const struct evl_night_job *job)
{
	if (job->past_runs > 0) {
		evl_text_addf(out, "as in %u run%s before", job->past_runs,
			job->past_runs == 1 ? "" : "s");
	} else {
		evl_text_add(out, "as the campaign states");
	}
}

/* "22:05", or with the day when it is another one than that of the beginning. */
static enum evl_status add_time(struct evl_text *out, const struct evl_night_plan *plan,
	uint64_t after_ns, struct evl_err *err)
{
	char first[64], text[64];
	enum evl_status st = evl_window_format(first, plan->file->zone, plan->from_s, err);
	if (st == EVL_OK) {
		st = evl_window_format(text, plan->file->zone,
			plan->from_s + (int64_t)(after_ns / SECOND_NS), err);
	}
	if (st == EVL_OK) { /* "2026-11-25 22:05 GMT" */
		evl_text_addn(out, text + 11, 5);
	}
	return st;
}

static void add_bound(struct evl_text *out, const struct evl_night_plan *plan)
{
	const struct evl_timetable *t = &plan->table;
	evl_text_add(out, "lower bound    ");
	add_length(out, t->bound_ns);
	if (t->placed == 0) {
		evl_text_add(out, "\n");
		return;
	}
	switch (t->bound) {
	case EVL_TIMETABLE_BY_RESOURCE:
		evl_text_addf(out, ": %s is needed so long",
			t->bound_resource == 0 ? "the store, which has one writer,"
					       : plan->file->benches[t->bound_resource - 1].name);
		break;
	case EVL_TIMETABLE_BY_PATH:
		evl_text_add(out, ": runs that wait for one another take so long");
		break;
	case EVL_TIMETABLE_BY_CLIQUE:
		evl_text_addf(out, ": %zu runs of which no two can be at once take so long",
			t->bound_tests);
		break;
	}
	evl_text_add(out, "\n");
}

enum evl_status evl_night_plan_text(
	struct evl_text *out, const struct evl_night_plan *plan, struct evl_err *err)
{
	const struct evl_timetable *t = &plan->table;
	char from[64], to[64] = "no end";
	enum evl_status st = evl_window_format(from, plan->file->zone, plan->from_s, err);
	if (st == EVL_OK && plan->to_s > 0) {
		st = evl_window_format(to, plan->file->zone, plan->to_s, err);
	}
	if (st < 0) {
		return st;
	}
	evl_text_addf(out, "night          %s%s%s\n", plan->file->name,
		plan->file->title[0] != '\0' ? ": " : "", plan->file->title);
	evl_text_addf(out, "window         %s to %s\n", from, to);
	evl_text_addf(out, "runs           %zu planned, %zu left out\n", t->placed,
		plan->job_count - t->placed);
	evl_text_add(out, "takes          ");
	add_length(out, t->end_ns);
	evl_text_add(out, ", as written ");
	add_length(out, t->in_order_ns);
	evl_text_add(out, "\n");
	add_bound(out, plan);
	if (t->placed > 0) {
		evl_text_add(out, "\n");
	}
	for (size_t k = 0; k < t->placed && st == EVL_OK; k++) {
		const struct evl_night_job *job = &plan->jobs[plan->by_table[t->order[k]]];
		const struct evl_timetable_slot *slot = &t->slots[t->order[k]];
		st = add_time(out, plan, slot->start_ns, err);
		evl_text_add(out, " to ");
		st = st == EVL_OK ? add_time(out, plan, slot->end_ns, err) : st;
		evl_text_addf(out, "  %s  (", job->id);
		add_length(out, job->duration_ns);
		evl_text_add(out, ", ");
		add_from(out, job);
		evl_text_addf(
			out, "; priority %u, ", (unsigned)plan->file->entries[job->entry].priority);
		add_why(out, job);
		evl_text_add(out, ")\n");
	}
	bool first = true;
	for (size_t i = 0; i < plan->job_count; i++) {
		const struct evl_night_job *job = &plan->jobs[i];
		const struct evl_timetable_slot *slot = evl_night_plan_slot(plan, job);
		if (slot != NULL && slot->fate == EVL_TIMETABLE_PLACED) {
			continue;
		}
		evl_text_addf(out, "%sleft out        %s  (", first ? "\n" : "", job->id);
		first = false;
		if (job->duration_ns > 0) {
			add_length(out, job->duration_ns);
			evl_text_add(out, "; ");
		}
		evl_night_plan_why_out(out, plan, job);
		evl_text_add(out, ")\n");
	}
	return st;
}

/* ---- drawing ---- */

#define LEFT  150
#define WIDTH 1000
#define TOP   70
#define ROW   56

static int x_of(uint64_t ns, uint64_t span_ns)
{
	return LEFT + (int)((double)ns / (double)span_ns * WIDTH);
}

static enum evl_status add_axis(struct evl_text *out, const struct evl_night_plan *plan,
	uint64_t span_ns, int bottom, struct evl_err *err)
{
	enum evl_status st = EVL_OK;
	/* Marks at whole steps from the beginning, at most twelve. */
	uint64_t step_s = 60;
	static const uint64_t steps[] = {
		1, 5, 10, 30, 60, 300, 600, 1800, 3600, 7200, 14400, 86400};
	for (size_t i = 0; i < sizeof steps / sizeof *steps; i++) {
		step_s = steps[i];
		if (span_ns / SECOND_NS / step_s <= 12) {
			break;
		}
	}
	for (uint64_t s = 0; s * SECOND_NS <= span_ns && st == EVL_OK; s += step_s) {
		int x = x_of(s * SECOND_NS, span_ns);
		evl_text_addf(out,
			"<line x1=\"%d\" y1=\"%d\" x2=\"%d\" y2=\"%d\" class=\"grid\"/>"
			"<text x=\"%d\" y=\"%d\" class=\"tick\">",
			x, TOP - 8, x, bottom, x, TOP - 14);
		if (step_s < 60) {
			evl_text_addf(out, "+%llu s", (unsigned long long)s);
		} else {
			st = add_time(out, plan, s * SECOND_NS, err);
		}
		evl_text_add(out, "</text>\n");
	}
	return st;
}

enum evl_status evl_night_plan_svg(
	struct evl_text *out, const struct evl_night_plan *plan, struct evl_err *err)
{
	const struct evl_timetable *t = &plan->table;
	uint64_t span =
		plan->to_s > 0 ? (uint64_t)(plan->to_s - plan->from_s) * SECOND_NS : t->end_ns;
	span = span < SECOND_NS ? SECOND_NS : span;
	int bottom = TOP + ROW * (int)plan->file->bench_count;
	size_t left_out = plan->job_count - t->placed;
	evl_text_addf(out,
		"<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 %d %d\" role=\"img\" "
		"font-family=\"sans-serif\" font-size=\"13\">\n<title>",
		LEFT + WIDTH + 40, bottom + 50 + 18 * (int)(left_out < 40 ? left_out : 40));
	evl_text_addf(out, "Timetable of the night ");
	evl_text_add_html(out, plan->file->name);
	evl_text_add(out, "</title>\n<style>.grid{stroke:#c8ccd0}.tick{fill:#445;text-anchor:"
			  "middle}.job{fill:#dbe7f3;stroke:#2b5580}.id{fill:#10202f}"
			  ".bound{stroke:#8a3b12;stroke-dasharray:6 4}</style>\n"
			  "<rect width=\"100%\" height=\"100%\" fill=\"#ffffff\"/>\n"
			  "<text x=\"12\" y=\"24\" font-size=\"16\">");
	evl_text_add_html(out, plan->file->name);
	evl_text_addf(out, ": %zu runs, ", t->placed);
	add_length(out, t->end_ns);
	evl_text_addf(out, ", %zu left out</text>\n", left_out);
	enum evl_status st = add_axis(out, plan, span, bottom, err);
	for (size_t b = 0; b < plan->file->bench_count; b++) {
		evl_text_addf(out, "<text x=\"12\" y=\"%d\">", TOP + ROW * (int)b + 30);
		evl_text_add_html(out, plan->file->benches[b].name);
		evl_text_add(out, "</text>\n");
	}
	for (size_t k = 0; k < t->placed; k++) {
		const struct evl_night_job *job = &plan->jobs[plan->by_table[t->order[k]]];
		const struct evl_timetable_slot *slot = &t->slots[t->order[k]];
		int x = x_of(slot->start_ns, span), y = TOP + ROW * (int)job->bench + 6;
		int width = x_of(slot->end_ns, span) - x;
		evl_text_addf(out, "<g><title>");
		evl_text_add_html(out, job->id);
		evl_text_add(out, ", ");
		add_length(out, job->duration_ns);
		evl_text_addf(out,
			"</title><rect class=\"job\" x=\"%d\" y=\"%d\" width=\"%d\" "
			"height=\"%d\"/>",
			x, y, width > 1 ? width : 1, ROW - 12);
		/* About 7 units a letter; what does not fit is in the title. */
		size_t letters = width > 20 ? (size_t)(width - 8) / 7 : 0;
		if (strlen(job->id) <= letters) {
			evl_text_addf(out, "<text class=\"id\" x=\"%d\" y=\"%d\">", x + 4, y + 27);
			evl_text_add_html(out, job->id);
			evl_text_add(out, "</text>");
		}
		evl_text_add(out, "</g>\n");
	}
	if (t->bound_ns > 0 && t->bound_ns <= span) {
		int x = x_of(t->bound_ns, span);
		evl_text_addf(out,
			"<line class=\"bound\" x1=\"%d\" y1=\"%d\" x2=\"%d\" y2=\"%d\"/>"
			"<text x=\"%d\" y=\"%d\" class=\"tick\">lower bound</text>\n",
			x, TOP - 8, x, bottom + 8, x, bottom + 22);
	}
	int y = bottom + 44;
	size_t shown = 0;
	for (size_t i = 0; i < plan->job_count && shown < 40; i++) {
		const struct evl_night_job *job = &plan->jobs[i];
		const struct evl_timetable_slot *slot = evl_night_plan_slot(plan, job);
		struct evl_text why = {0};
		if (slot != NULL && slot->fate == EVL_TIMETABLE_PLACED) {
			continue;
		}
		evl_night_plan_why_out(&why, plan, job);
		evl_text_addf(out, "<text x=\"12\" y=\"%d\">left out: ", y);
		evl_text_add_html(out, job->id);
		evl_text_add(out, ", ");
		evl_text_add_html(out, evl_text_str(&why));
		evl_text_add(out, "</text>\n");
		evl_text_finish(&why);
		y += 18;
		shown++;
	}
	evl_text_add(out, "</svg>\n");
	return st;
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "core/bench/bind.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/bench/internal.h"

/* A text that the caller frees. */
static char *text_of(struct evl_text *t)
{
	char *s = evl_xstrdup(evl_text_str(t));
	evl_text_finish(t);
	return s;
}

void evl_abilities_print(struct evl_text *out, uint32_t abilities)
{
	static const char *const names[] = {
		"play", "capture", "alarms", "inject", "clock", "setup"};
	bool any = false;
	for (unsigned i = 0; i < sizeof names / sizeof names[0]; i++) {
		if (abilities & 1u << i) {
			evl_text_addf(out, "%s%s", any ? ", " : "", names[i]);
			any = true;
		}
	}
	if (!any) {
		evl_text_add(out, "nothing");
	}
}

/* One need being looked at. */
struct ask {
	struct evl_fit *fit;
	const struct evl_bench *bench;
	const struct evl_bound_port *ports;
	size_t port_count;
	const struct evl_need *need;
	struct evl_fit_role *row;
	const struct evl_bench_role *role;
	uint32_t abilities;  /* wanted */
	const char *channel; /* that a problem is about, or "" */
	char *first;         /* the first problem in short; owned */
};

static void problem(struct ask *a, uint32_t line, const char *fmt, ...)
	__attribute__((format(printf, 3, 4)));

static void problem(struct ask *a, uint32_t line, const char *fmt, ...)
{
	char text[1024];
	va_list ap;
	va_start(ap, fmt);
	vsnprintf(text, sizeof text, fmt, ap);
	va_end(ap);
	struct evl_fit *f = a->fit;
	/* Grows by doubling: the size is a power of two whenever it is full. */
	if ((f->problem_count & (f->problem_count - 1)) == 0) {
		size_t cap = f->problem_count ? f->problem_count * 2 : 1;
		f->problems = evl_xrealloc(f->problems, cap * sizeof *f->problems);
	}
	struct evl_text t = {0};
	evl_text_addf(&t, "%s:%u: role \"%s\"%s%s: %s", a->bench->path, (unsigned)line,
		      a->need->role, a->channel[0] ? ", channel " : "", a->channel, text);
	if (a->need->where) {
		evl_text_addf(&t, " (wanted at %s)", a->need->where);
	}
	f->problems[f->problem_count++] = (struct evl_fit_problem){
		.role = evl_xstrdup(a->need->role),
		.channel = evl_xstrdup(a->channel),
		.line = line,
		.text = text_of(&t),
	};
	a->row->problems++;
	if (a->first == NULL) {
		evl_text_addf(&t, "%s%s%s", a->channel, a->channel[0] ? ": " : "", text);
		a->first = text_of(&t);
	}
}

static const struct evl_bound_port *find_port(const struct ask *a, uint32_t adapter,
					      const char *name)
{
	for (size_t i = 0; i < a->port_count; i++) {
		if (a->ports[i].adapter == adapter && strcmp(a->ports[i].name, name) == 0) {
			return &a->ports[i];
		}
	}
	return NULL;
}

/* "E1 channels (play, capture)" */
static void want_print(struct evl_text *t, const struct ask *a)
{
	if (a->need->rate != EVL_RATE_NONE) {
		evl_text_addf(t, "%s ", evl_rate_name(a->need->rate));
	}
	evl_text_addf(t, "channel%s", a->row->wanted == 1 ? "" : "s");
	if (a->abilities) {
		evl_text_add(t, " (");
		evl_abilities_print(t, a->abilities);
		evl_text_add(t, ")");
	}
}

static void unknown_role(struct ask *a)
{
	const struct evl_bench *b = a->bench;
	const char **names = evl_xcalloc(b->role_count, sizeof *names);
	struct evl_text t = {0};
	for (size_t i = 0; i < b->role_count; i++) {
		names[i] = b->roles[i].name;
		if (t.len < 400) {
			evl_text_addf(&t, "%s%s", i ? ", " : "", names[i]);
		} else if (i + 1 == b->role_count) {
			evl_text_add(&t, ", ...");
		}
	}
	struct evl_text want = {0};
	want_print(&want, a);
	const char *near = evl_nearest(a->need->role, names, b->role_count);
	problem(a, b->roles_line,
		"the bench has no such role; the campaign needs %u %s;%s%s%s roles here: %s",
		(unsigned)a->row->wanted, evl_text_str(&want), near ? " did you mean \"" : "",
		near ? near : "", near ? "\"?" : "", evl_text_str(&t));
	evl_text_finish(&want);
	evl_text_finish(&t);
	free(names);
}

static void unknown_channel(struct ask *a, const struct evl_bench_channel *c)
{
	const struct evl_bench_adapter *ad = &a->bench->adapters[a->role->adapter];
	const char **names = evl_xcalloc(a->port_count, sizeof *names);
	size_t n = 0;
	for (size_t i = 0; i < a->port_count; i++) {
		if (a->ports[i].adapter == a->role->adapter) {
			names[n++] = a->ports[i].name;
		}
	}
	const char *near = evl_nearest(c->name, names, n);
	if (n == 0) {
		problem(a, c->line, "adapter %s (%s) offers no channels", ad->name, ad->driver);
	} else {
		problem(a, c->line,
			"adapter %s (%s) has no such channel; it has %zu, from %s to %s%s%s%s",
			ad->name, ad->driver, n, names[0], names[n - 1],
			near ? "; did you mean \"" : "", near ? near : "", near ? "\"?" : "");
	}
	free(names);
}

/* The channel's own troubles; true when there are none. */
static bool channel_fits(struct ask *a, const struct evl_bench_channel *c, enum evl_rate *rate)
{
	uint32_t before = a->row->problems;
	a->channel = c->name;
	const struct evl_bound_port *p = find_port(a, a->role->adapter, c->name);
	if (p == NULL) {
		unknown_channel(a, c);
	} else {
		if (*rate == EVL_RATE_NONE) {
			*rate = p->rate;
		}
		if (p->rate != *rate) {
			problem(a, c->line, "its rate is %s, %s is %s", evl_rate_name(p->rate),
				a->need->rate != EVL_RATE_NONE ? "wanted"
							       : "the first channel of the role",
				evl_rate_name(*rate));
		}
		uint32_t lacks = a->abilities & ~p->abilities;
		if (lacks) {
			struct evl_text t = {0}, has = {0};
			evl_abilities_print(&t, lacks);
			evl_abilities_print(&has, p->abilities);
			problem(a, c->line,
				"the campaign wants %s, which it cannot do; it can do: %s",
				evl_text_str(&t), evl_text_str(&has));
			evl_text_finish(&t);
			evl_text_finish(&has);
		}
		struct evl_err err = {0};
		struct evl_sdh_map map;
		uint32_t line;
		if (p->rate == *rate && evl_rate_is_line(p->rate) &&
		    !evl_ride_map(&map, a->bench, a->role, p, a->ports, a->port_count, &err)) {
			problem(a, a->role->mapping_line, "%s", err.text);
		}
		if (p->rate == *rate &&
		    !evl_ride_line(&line, a->bench, a->role, c, p->rate, a->ports, a->port_count,
				   &err)) {
			problem(a, c->line, "%s", err.text);
		}
	}
	a->channel = "";
	return a->row->problems == before;
}

/* Channels that another wanted role has as well. The role that comes later in the needs gets the
 * message. Names are unique within a role (evl_bench_load). */
static void check_shared(struct ask *a, const struct evl_need *needs, size_t before, bool *shared)
{
	for (size_t k = 0; k < before; k++) {
		const struct evl_bench_role *other = evl_bench_role(a->bench, needs[k].role);
		if (other == NULL || other == a->role || other->adapter != a->role->adapter) {
			continue;
		}
		for (size_t i = 0; i < a->role->channel_count; i++) {
			const struct evl_bench_channel *c = &a->role->channels[i];
			for (size_t j = 0; j < other->channel_count; j++) {
				if (strcmp(other->channels[j].name, c->name) == 0) {
					shared[i] = true;
					a->channel = c->name;
					problem(a, c->line,
						"role \"%s\" (line %u) has this channel too; a "
						"campaign "
						"can use it in one role only",
						other->name, (unsigned)other->channels[j].line);
					a->channel = "";
				}
			}
		}
	}
}

static void judge(struct ask *a, const struct evl_need *needs, size_t before)
{
	struct evl_fit_role *row = a->row;
	for (size_t k = 0; k < before; k++) {
		if (strcmp(needs[k].role, a->need->role) == 0) {
			problem(a, a->role ? a->role->line : a->bench->roles_line,
				"the campaign names this role twice; once is enough");
			break;
		}
	}
	if (a->role == NULL) {
		unknown_role(a);
	} else {
		const struct evl_bench_role *role = a->role;
		bool *shared = evl_xcalloc(role->channel_count, sizeof *shared);
		check_shared(a, needs, before, shared);
		enum evl_rate rate = a->need->rate;
		for (size_t i = 0; i < role->channel_count; i++) {
			row->found += channel_fits(a, &role->channels[i], &rate) && !shared[i];
		}
		free(shared);
		if (role->channel_count < row->wanted) {
			struct evl_text t = {0};
			want_print(&t, a);
			problem(a, role->line, "has %zu of the %u %s that the campaign needs",
				role->channel_count, (unsigned)row->wanted, evl_text_str(&t));
			evl_text_finish(&t);
		}
	}
	row->missing = row->found < row->wanted ? row->wanted - row->found : 0;
	row->fits = row->problems == 0;
	struct evl_text t = {0};
	if (row->fits) {
		evl_text_addf(&t, "%u ", (unsigned)row->found);
		uint32_t wanted = row->wanted;
		row->wanted = row->found; /* for the plural */
		want_print(&t, a);
		row->wanted = wanted;
	} else {
		evl_text_add(&t, a->first);
		if (row->problems > 1) {
			evl_text_addf(&t, " (and %u more)", (unsigned)row->problems - 1);
		}
	}
	row->note = text_of(&t);
	free(a->first);
	a->first = NULL;
}

/* The binding and all its text in one arena. */
struct whole {
	struct evl_binding binding; /* first: evl_binding_destroy gets its address */
	struct evl_arena arena;
};

static void bind_role(struct whole *w, struct evl_bound_role *out, const struct ask *a)
{
	const struct evl_bench_role *role = a->role;
	struct evl_bound_channel *list =
		evl_arena_alloc(&w->arena, role->channel_count * sizeof *list);
	struct evl_numbering *copy = NULL;
	if (role->numbering) {
		copy = evl_arena_alloc(&w->arena, sizeof *copy);
		*copy = *role->numbering;
	}
	out->name = evl_arena_copy(&w->arena, role->name, strlen(role->name));
	out->channels = list;
	out->channel_count = role->channel_count;
	struct evl_text t = {0};
	for (size_t i = 0; i < role->channel_count; i++) {
		const struct evl_bench_channel *c = &role->channels[i];
		const struct evl_bound_port *p = find_port(a, role->adapter, c->name);
		evl_require(p != NULL);
		struct evl_bound_channel *b = &list[i];
		*b = (struct evl_bound_channel){
			.role = out->name,
			.index = (uint32_t)i,
			.number = c->number,
			.name = evl_arena_copy(&w->arena, c->name, strlen(c->name)),
			.adapter = role->adapter,
			.channel = p->channel,
			.rate = p->rate,
			.abilities = p->abilities,
		};
		t.len = 0;
		enum evl_numbering_unit unit =
			role->numbering ? evl_numbering_unit_of(role->numbering, p->rate)
					: EVL_NUMBERING_BY_RATE;
		evl_bench_label(&t, &b->place, role, c, unit);
		if (b->place.m != 0) {
			b->numbering = copy;
			b->unit = unit;
		}
		b->line_number = evl_bench_line_number(role, c);
		evl_require(evl_ride_line(&b->line_channel, a->bench, role, c, p->rate, a->ports,
					  a->port_count, NULL));
		if (evl_rate_is_line(p->rate)) {
			struct evl_sdh_map *map = evl_arena_alloc(&w->arena, sizeof *map);
			evl_require(evl_ride_map(
				map, a->bench, role, p, a->ports, a->port_count, NULL));
			b->map = map;
		}
		b->label = evl_arena_copy(&w->arena, evl_text_str(&t), t.len);
		out->rate = p->rate;
	}
	evl_text_finish(&t);
	w->binding.channel_count += role->channel_count;
}

static void list_unused(struct evl_fit *fit, const struct evl_bench *bench,
			const struct evl_need *needs, size_t need_count)
{
	fit->unused = evl_xcalloc(bench->role_count, sizeof *fit->unused);
	for (size_t i = 0; i < bench->role_count; i++) {
		bool used = false;
		for (size_t k = 0; k < need_count; k++) {
			used = used || strcmp(needs[k].role, bench->roles[i].name) == 0;
		}
		if (!used) {
			fit->unused[fit->unused_count++] = evl_xstrdup(bench->roles[i].name);
		}
	}
}

enum evl_status evl_bind(struct evl_binding **out, struct evl_fit *fit,
			 const struct evl_bench *bench, const struct evl_need *needs,
			 size_t need_count, const struct evl_bound_port *ports, size_t port_count,
			 struct evl_err *err)
{
	struct evl_fit own = {0};
	struct evl_fit *f = fit ? fit : &own;
	*f = (struct evl_fit){.fits = true};
	if (out) {
		*out = NULL;
	}
	f->roles = evl_xcalloc(need_count, sizeof *f->roles);
	f->role_count = need_count;
	list_unused(f, bench, needs, need_count);
	struct whole *w = evl_xcalloc(1, sizeof *w);
	struct evl_bound_role *bound = evl_arena_alloc(&w->arena, (need_count + 1) * sizeof *bound);
	w->binding.roles = bound;
	w->binding.role_count = need_count;
	for (size_t i = 0; i < need_count; i++) {
		const struct evl_need *need = &needs[i];
		const struct evl_bench_role *role = evl_bench_role(bench, need->role);
		uint32_t abilities = (need->play ? EVL_ABLE_PLAY : 0u) |
				     (need->capture ? EVL_ABLE_CAPTURE : 0u) |
				     (need->alarms ? EVL_ABLE_ALARMS : 0u) |
				     (need->inject ? EVL_ABLE_INJECT : 0u) |
				     (need->clock ? EVL_ABLE_CLOCK : 0u) |
				     (need->setup ? EVL_ABLE_SETUP : 0u);
		f->roles[i] = (struct evl_fit_role){
			.role = evl_xstrdup(need->role),
			.adapter = evl_xstrdup(role ? bench->adapters[role->adapter].name : ""),
			.driver = evl_xstrdup(role ? bench->adapters[role->adapter].driver : ""),
			.rate = need->rate,
			.abilities = abilities,
			.wanted = need->count ? need->count : 1,
			.listed = role ? (uint32_t)role->channel_count : 0,
			.line = role ? role->line : 0,
		};
		struct ask a = {.fit = f,
				.bench = bench,
				.ports = ports,
				.port_count = port_count,
				.need = need,
				.row = &f->roles[i],
				.role = role,
				.abilities = abilities,
				.channel = ""};
		judge(&a, needs, i);
		f->fits = f->fits && f->roles[i].fits;
		if (f->fits) {
			bind_role(w, &bound[i], &a);
		}
	}
	enum evl_status st = EVL_OK;
	if (!f->fits) {
		st = evl_err_set(err, EVL_E_INVALID, "%s", f->problems[0].text);
		if (f->problem_count > 1) {
			st = evl_err_set(err, EVL_E_INVALID,
					 "%.900s; and %zu more (evenlode fit shows all)",
					 f->problems[0].text, f->problem_count - 1);
		}
	}
	if (st == EVL_OK && out) {
		*out = &w->binding;
	} else {
		evl_binding_destroy(&w->binding);
	}
	evl_fit_finish(&own);
	return st;
}

void evl_binding_destroy(struct evl_binding *binding)
{
	if (binding == NULL) {
		return;
	}
	struct whole *w = (struct whole *)binding;
	evl_arena_finish(&w->arena);
	free(w);
}

void evl_fit_finish(struct evl_fit *fit)
{
	for (size_t i = 0; i < fit->role_count; i++) {
		free((char *)fit->roles[i].role);
		free((char *)fit->roles[i].adapter);
		free((char *)fit->roles[i].driver);
		free((char *)fit->roles[i].note);
	}
	for (size_t i = 0; i < fit->problem_count; i++) {
		free((char *)fit->problems[i].role);
		free((char *)fit->problems[i].channel);
		free((char *)fit->problems[i].text);
	}
	for (size_t i = 0; i < fit->unused_count; i++) {
		free((char *)fit->unused[i]);
	}
	free(fit->roles);
	free(fit->problems);
	free(fit->unused);
	*fit = (struct evl_fit){0};
}

const struct evl_bound_role *evl_binding_role(const struct evl_binding *binding, const char *name)
{
	for (size_t i = 0; i < binding->role_count; i++) {
		if (strcmp(binding->roles[i].name, name) == 0) {
			return &binding->roles[i];
		}
	}
	return NULL;
}

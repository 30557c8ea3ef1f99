/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/faults.h"

#include <stdio.h>
#include <string.h>

#include "adapters/simmux/text.h"
#include "core/base/alarm.h"
#include "core/frame/trace.h"

enum fault_key {
	KEY_KIND = 0,
	KEY_TRIBUTARY,
	KEY_FIRST,
	KEY_SECOND,
	KEY_RATIO,
	KEY_BITS,
	KEY_AT,
	KEY_FOR,
	KEY_EVERY,
	KEY_LINE,
	KEY_ALARM,
	KEY_BY,
	KEY_LAYER,
	KEY_FIELD,
	KEY_TEXT,
	KEY_TIMESLOT,
	KEY_VALUE,
	KEY_ORDER,
	KEY_ON,
	KEYS
};

static const char *const key_names[KEYS] = {"kind", "tributary", "first", "second", "ratio", "bits",
	"at", "for", "every", "line", "alarm", "by", "layer", "field", "text", "timeslot", "value",
	"order", "on"};

#define K(name) (1u << KEY_##name)

static const struct kind {
	const char *name;
	uint32_t needs; /* keys that must be there ... */
	uint32_t takes; /* ... and that may; no others */
	bool many;      /* more than one in the same place */
} kinds[SIMMUX_KINDS] = {
	[SIMMUX_SWAP] = {"swap", K(FIRST) | K(SECOND), 0, true},
	[SIMMUX_ERRORS] = {"errors", K(TRIBUTARY) | K(RATIO), 0, false},
	[SIMMUX_DELAY] = {"delay", K(TRIBUTARY) | K(BITS), 0, false},
	[SIMMUX_INVERT] = {"invert", K(TRIBUTARY), 0, false},
	[SIMMUX_BURST] = {"burst", K(TRIBUTARY) | K(RATIO) | K(AT) | K(FOR), K(EVERY), true},
	[SIMMUX_SLIP] = {"slip", K(TRIBUTARY) | K(BITS) | K(AT), K(EVERY), true},
	[SIMMUX_LOST_FRAME] = {"lost-frame", K(TRIBUTARY) | K(AT), K(EVERY), true},
	[SIMMUX_REPEATED_FRAME] = {"repeated-frame", K(TRIBUTARY) | K(AT), K(EVERY), true},
	[SIMMUX_STUCK_TIMESLOT] = {"stuck-timeslot", K(TRIBUTARY) | K(TIMESLOT) | K(VALUE), 0,
		true},
	[SIMMUX_NO_AIS] = {"no-ais", K(TRIBUTARY), 0, false},
	[SIMMUX_POINTER_SLIP] = {"pointer-slip", K(TRIBUTARY) | K(ON) | K(BITS), 0, true},
	[SIMMUX_SWITCH_SLIP] = {"switch-slip", K(TRIBUTARY) | K(BITS) | K(RATIO) | K(EVERY), 0,
		false},
	[SIMMUX_JUSTIFICATION_ERROR] = {"justification-error", K(TRIBUTARY), 0, false},
	[SIMMUX_WRONG_LABEL] = {"wrong-label", K(VALUE), K(TRIBUTARY) | K(LINE), false},
	[SIMMUX_WRONG_TRACE] = {"wrong-trace", K(FIELD) | K(TEXT), K(TRIBUTARY) | K(LINE), false},
	[SIMMUX_NO_TRACE] = {"no-trace", K(FIELD), K(TRIBUTARY) | K(LINE), false},
	[SIMMUX_WRONG_PARITY] = {"wrong-parity", K(FIELD), K(LINE), true},
	[SIMMUX_WRONG_NUMBERING] = {"wrong-numbering", K(ORDER), 0, false},
	[SIMMUX_NO_RDI] = {"no-rdi", K(LAYER), K(TRIBUTARY) | K(LINE), true},
	[SIMMUX_NO_REI] = {"no-rei", K(LAYER), K(TRIBUTARY) | K(LINE), true},
	[SIMMUX_NO_BIP_CHECK] = {"no-bip-check", K(LAYER), K(TRIBUTARY) | K(LINE), true},
	[SIMMUX_UNREPORTED] = {"unreported", K(ALARM), K(TRIBUTARY) | K(LINE), true},
	[SIMMUX_REPORTED_LATE] = {"reported-late", K(ALARM) | K(BY), K(TRIBUTARY) | K(LINE), true},
	[SIMMUX_STUCK_REPORT] = {"stuck-report", K(ALARM), K(TRIBUTARY) | K(LINE), true},
	[SIMMUX_FALSE_REPORT] = {"false-report", K(ALARM) | K(AT) | K(FOR),
		K(TRIBUTARY) | K(LINE) | K(EVERY), true},
	[SIMMUX_LINE_ERRORS] = {"line-errors", K(RATIO), K(LINE), false},
	[SIMMUX_LINE_DELAY] = {"line-delay", K(BITS), K(LINE), false},
	[SIMMUX_LINE_LOSS] = {"line-loss", K(AT) | K(FOR), K(LINE) | K(EVERY), true},
	[SIMMUX_LINE_SLIP] = {"line-slip", K(AT) | K(BITS), K(LINE) | K(EVERY), true},
};

/* The fault that is being put together from consecutive options. */
struct draft {
	bool open;
	char label[EVL_NAME_MAX];
	uint32_t index;
	uint32_t seen;      /* bit set of fault_key */
	const char *prefix; /* path up to "]", not terminated there */
	size_t prefix_len;
	struct simmux_fault fault;
};

struct reader {
	struct simmux_fault *out;
	uint32_t count;
	const struct simmux_ports *ports;
	const char *build;
	struct evl_adapter_error *err;
	char labels[SIMMUX_BUILDS_MAX][EVL_NAME_MAX];
	bool labels_empty[SIMMUX_BUILDS_MAX]; /* "faults: none" was given */
	uint32_t fault_counts[SIMMUX_BUILDS_MAX];
	uint32_t label_count;
	struct draft draft;
};

/* ---- values ---- */

static bool read_tributary(const struct reader *r, const char *text, uint32_t *out)
{
	const struct simmux_ports *p = r->ports;
	char name[EVL_NAME_MAX];
	uint32_t n;

	if (simmux_read_bounded(text, 1, SIMMUX_CHANNELS, &n)) {
		snprintf(name, sizeof(name), "trib-%u", n);
		text = name;
	}
	*out = simmux_port_find(p, text);
	return *out != UINT32_MAX && p->list[*out].kind != SIMMUX_LINE;
}

static int bad_tributary(const struct reader *r, const struct evl_adapter_option *o)
{
	const struct simmux_ports *p = r->ports;
	const uint32_t e1 = p->per_line[SIMMUX_E1], t1 = p->per_line[SIMMUX_T1];
	char wanted[80];

	if ((e1 == 0) != (t1 == 0)) {
		snprintf(wanted, sizeof(wanted), "a tributary number from 1 to %u",
			simmux_ports_groups(p) * (e1 + t1));
	} else {
		snprintf(wanted, sizeof(wanted), "the name of a tributary such as %s",
			e1 > 0 ? "e1-1" : "vc3-1");
	}
	return simmux_bad_value(r->err, o, wanted);
}

static int one_of(struct reader *r, const struct evl_adapter_option *o, const char *const *words,
	uint32_t count, uint32_t *out)
{
	char wanted[400] = "one of ";
	size_t used = strlen(wanted);

	for (uint32_t i = 0; i < count; i++) {
		if (strcmp(o->value, words[i]) == 0) {
			*out = i;
			return EVL_ADAPTER_OK;
		}
		used += (size_t)snprintf(
			wanted + used, sizeof(wanted) - used, "%s%s", i > 0 ? ", " : "", words[i]);
		used = used < sizeof(wanted) ? used : sizeof(wanted) - 1;
	}
	return simmux_bad_value(r->err, o, wanted);
}

static int read_kind(struct reader *r, const struct evl_adapter_option *o)
{
	const char *words[SIMMUX_KINDS];
	uint32_t k = 0;
	int rc;

	for (uint32_t i = 0; i < SIMMUX_KINDS; i++) {
		words[i] = kinds[i].name;
	}
	rc = one_of(r, o, words, SIMMUX_KINDS, &k);
	r->draft.fault.kind = (enum simmux_fault_kind)k;
	return rc;
}

static int read_time_key(struct reader *r, const struct evl_adapter_option *o, uint64_t *to)
{
	return simmux_read_time(o->value, to)
		       ? EVL_ADAPTER_OK
		       : simmux_bad_value(r->err, o,
				 "a time in whole nanoseconds such as '2.5 s' or '100 ms'");
}

static int read_text_key(
	struct reader *r, const struct evl_adapter_option *o, char *to, size_t room)
{
	if (strlen(o->value) >= room) {
		return simmux_bad_value(r->err, o, "shorter");
	}
	strcpy(to, o->value);
	return EVL_ADAPTER_OK;
}

static int read_value(struct reader *r, enum fault_key key, const struct evl_adapter_option *o)
{
	static const char *const layers[] = {"MS", "HP", "LP"};
	static const char *const orders[] = {"column-order", "klm-order"};
	static const char *const moves[] = {"increment", "decrement"};
	struct simmux_fault *f = &r->draft.fault;
	uint32_t n = 0;
	int rc;

	switch (key) {
	case KEY_KIND:
		return read_kind(r, o);
	case KEY_TRIBUTARY:
	case KEY_FIRST:
	case KEY_SECOND:
		return read_tributary(r, o->value, key == KEY_SECOND ? &f->second : &f->channel)
			       ? EVL_ADAPTER_OK
			       : bad_tributary(r, o);
	case KEY_RATIO:
		return simmux_read_ratio(o->value, &f->numerator, &f->denominator)
			       ? EVL_ADAPTER_OK
			       : simmux_bad_value(r->err, o,
					 "a ratio above 0 and at most 1 such as 1e-6 or 1/1000000");
	case KEY_BITS:
		return simmux_read_int(o->value, -(int32_t)SIMMUX_SLIP_MAX_BITS,
			       (int32_t)SIMMUX_LINE_DELAY_MAX_BITS, &f->bits) &&
				       f->bits != 0
			       ? EVL_ADAPTER_OK
			       : simmux_bad_value(r->err, o,
					 "a count of bits: 1 to 2048000 (delay), 1 to 15552000 "
					 "(line-delay), or -2048 to 2048 but 0 (slips)");
	case KEY_AT:
		return read_time_key(r, o, &f->at_ns);
	case KEY_FOR:
		return read_time_key(r, o, &f->lasting_ns);
	case KEY_EVERY:
	case KEY_BY:
		return read_time_key(r, o, &f->every_ns);
	case KEY_LINE:
		if (!simmux_read_bounded(o->value, 1, r->ports->lines, &n)) {
			return simmux_bad_value(r->err, o,
				r->ports->lines == 1 ? "1: there is one line" : "1 or 2");
		}
		f->line = n - 1;
		return EVL_ADAPTER_OK;
	case KEY_ALARM:
		f->alarm = evl_alarm_by_name(o->value);
		return f->alarm != EVL_ALARM_NONE
			       ? EVL_ADAPTER_OK
			       : simmux_bad_value(
					 r->err, o, "a defect such as LOS, TU-AIS or MS-RDI");
	case KEY_LAYER:
		return one_of(r, o, layers, SIMMUX_LAYERS, &f->layer);
	case KEY_FIELD:
		return read_text_key(r, o, f->field, sizeof(f->field));
	case KEY_TEXT:
		return read_text_key(r, o, f->text, sizeof(f->text));
	case KEY_TIMESLOT:
		return simmux_read_bounded(o->value, 0, 31, &f->timeslot)
			       ? EVL_ADAPTER_OK
			       : simmux_bad_value(r->err, o, "a timeslot, 0 to 31 (T1: 1 to 24)");
	case KEY_VALUE:
		return simmux_read_hex(o->value, &f->value)
			       ? EVL_ADAPTER_OK
			       : simmux_bad_value(r->err, o, "two hexadecimal digits such as D5");
	case KEY_ORDER:
		rc = one_of(r, o, orders, 2, &n);
		f->by_klm = n == 1;
		return rc;
	case KEY_ON:
		rc = one_of(r, o, moves, 2, &n);
		f->decrement = n == 1;
		return rc;
	default:
		return simmux_unknown(r->err, o, "the keys of a fault");
	}
}

/* ---- the finished fault ---- */

static int refuse(struct reader *r, const char *key, const char *why)
{
	const struct draft *d = &r->draft;

	return simmux_fail(r->err, EVL_ADAPTER_E_OPTION, "option %.*s%s%s: %s", (int)d->prefix_len,
		d->prefix, *key != '\0' ? "." : "", key, why);
}

static int check_trace(struct reader *r, const struct simmux_fault *f)
{
	const bool low = strcmp(f->field, "J2") == 0;
	struct evl_trace trace;
	struct evl_err why = {0};

	if (!low && strcmp(f->field, "J0") != 0 && strcmp(f->field, "J1") != 0) {
		return refuse(r, "field", "must be J0, J1 or J2");
	}
	if (low != (f->channel != SIMMUX_NOWHERE)) {
		return refuse(r, "tributary", "goes with the field J2, and only with that");
	}
	if (f->kind == SIMMUX_WRONG_TRACE && !simmux_read_trace(f->text, &trace, &why)) {
		return refuse(r, "text", why.text);
	}
	return EVL_ADAPTER_OK;
}

/* What the values must be to one another. */
static int check_values(struct reader *r)
{
	const struct draft *d = &r->draft;
	const struct simmux_fault *f = &d->fault;
	const struct simmux_port *port =
		f->channel != SIMMUX_NOWHERE ? &r->ports->list[f->channel] : NULL;
	const bool on_trib = (d->seen & K(TRIBUTARY)) != 0;
	char why[120];

	if (f->kind == SIMMUX_SWAP) {
		if (f->channel == f->second) {
			return refuse(r, "second", "a tributary cannot be swapped with itself");
		}
		if (port->kind != r->ports->list[f->second].kind) {
			return refuse(r, "second", "only tributaries of one kind can be swapped");
		}
	}
	if (f->kind == SIMMUX_DELAY && f->bits > (int32_t)SIMMUX_DELAY_MAX_BITS) {
		snprintf(why, sizeof(why), "%d is more than %u, the longest delay of a tributary",
			f->bits, SIMMUX_DELAY_MAX_BITS);
		return refuse(r, "bits", why);
	}
	if ((f->kind == SIMMUX_DELAY || f->kind == SIMMUX_LINE_DELAY) && f->bits < 0) {
		return refuse(r, "bits", "a delay cannot be less than nothing");
	}
	if ((f->kind == SIMMUX_SLIP || f->kind == SIMMUX_LINE_SLIP ||
		    f->kind == SIMMUX_POINTER_SLIP || f->kind == SIMMUX_SWITCH_SLIP) &&
		f->bits > (int32_t)SIMMUX_SLIP_MAX_BITS) {
		return refuse(r, "bits", "a slip is at most 2048 bits");
	}
	if (f->kind == SIMMUX_SWITCH_SLIP && !r->ports->protection) {
		return refuse(r, "kind", "needs the option protection");
	}
	if (f->kind == SIMMUX_SWITCH_SLIP && f->bits < 0) {
		return refuse(r, "bits", "the first slip puts bits in; give a count above 0");
	}
	if (f->kind == SIMMUX_SWITCH_SLIP && f->every_ns < 4000000) {
		return refuse(r, "every", "must be 4 ms to 1000 s");
	}
	if ((d->seen & K(FOR)) != 0 && f->lasting_ns == 0) {
		return refuse(r, "for", "must be longer than nothing");
	}
	if ((d->seen & (K(EVERY) | K(BY))) != 0 &&
		(f->every_ns < 1000000 || f->every_ns > 1000000000000)) {
		return refuse(r, (d->seen & K(BY)) != 0 ? "by" : "every", "must be 1 ms to 1000 s");
	}
	if ((d->seen & K(EVERY)) != 0 && f->lasting_ns > f->every_ns) {
		return refuse(r, "every", "must not be shorter than 'for'");
	}
	if (on_trib && (d->seen & K(LINE)) != 0) {
		return refuse(r, "line", "a tributary is named already; leave the line out");
	}
	if (f->kind == SIMMUX_STUCK_TIMESLOT &&
		(port->kind > SIMMUX_T1 ||
			(port->kind == SIMMUX_T1 && (f->timeslot < 1 || f->timeslot > 24)))) {
		return refuse(r, "timeslot", "E1 has 0 to 31, T1 1 to 24, others have none");
	}
	if ((f->kind == SIMMUX_POINTER_SLIP || f->kind == SIMMUX_JUSTIFICATION_ERROR ||
		    f->kind == SIMMUX_NO_AIS || f->kind == SIMMUX_SWITCH_SLIP) &&
		port->kind > SIMMUX_T1) {
		return refuse(r, "tributary", "must be an E1 or T1");
	}
	if (f->kind == SIMMUX_WRONG_LABEL && on_trib && port->kind <= SIMMUX_T1 && f->value > 7) {
		return refuse(r, "value", "a label of VC-12 and VC-11 is 00 to 07");
	}
	if (f->kind == SIMMUX_WRONG_PARITY && strcmp(f->field, "B1") != 0 &&
		strcmp(f->field, "B2") != 0 && strcmp(f->field, "B3") != 0) {
		return refuse(r, "field", "must be B1, B2 or B3");
	}
	if ((f->kind == SIMMUX_NO_RDI || f->kind == SIMMUX_NO_REI ||
		    f->kind == SIMMUX_NO_BIP_CHECK) &&
		on_trib && f->layer != SIMMUX_LAYER_LP) {
		return refuse(r, "layer", "a tributary has the layer LP");
	}
	return f->kind == SIMMUX_WRONG_TRACE || f->kind == SIMMUX_NO_TRACE ? check_trace(r, f)
									   : EVL_ADAPTER_OK;
}

static bool same_place(const struct simmux_fault *a, const struct simmux_fault *b)
{
	bool lines = a->line == b->line || a->line == SIMMUX_NOWHERE || b->line == SIMMUX_NOWHERE;

	return a->kind == b->kind && a->channel == b->channel && lines &&
	       strcmp(a->field, b->field) == 0;
}

/* Checks the finished draft and keeps it if it belongs to the build under test. */
static int finish_draft(struct reader *r)
{
	struct draft *d = &r->draft;
	const struct kind *kind = &kinds[d->fault.kind];
	int len = (int)d->prefix_len;
	int rc;

	if (!d->open) {
		return EVL_ADAPTER_OK;
	}
	d->open = false;
	if ((d->seen & K(KIND)) == 0) {
		return simmux_fail(r->err, EVL_ADAPTER_E_OPTION, "option %.*s.kind is missing", len,
			d->prefix);
	}
	for (int k = 0; k < KEYS; k++) {
		bool wanted = k == KEY_KIND || (kind->needs >> k & 1u) != 0;
		bool taken = wanted || (kind->takes >> k & 1u) != 0;
		bool there = (d->seen >> k & 1u) != 0;

		if ((wanted && !there) || (there && !taken)) {
			return simmux_fail(r->err, EVL_ADAPTER_E_OPTION,
				"option %.*s.%s %s for the fault '%s'", len, d->prefix,
				key_names[k], wanted ? "is missing" : "has no meaning", kind->name);
		}
	}
	rc = check_values(r);
	if (rc != EVL_ADAPTER_OK || strcmp(d->label, r->build) != 0) {
		return rc;
	}
	for (uint32_t i = 0; i < r->count && !kind->many; i++) {
		if (same_place(&r->out[i], &d->fault)) {
			return simmux_fail(r->err, EVL_ADAPTER_E_OPTION,
				"option %.*s: a second '%s' in the same place; give one", len,
				d->prefix, kind->name);
		}
	}
	r->out[r->count++] = d->fault;
	return EVL_ADAPTER_OK;
}

/* ---- paths ---- */

static int note_label(struct reader *r, const char *label, size_t len, uint32_t *index,
	const struct evl_adapter_option *o)
{
	if (len == 0 || len >= EVL_NAME_MAX) {
		return simmux_fail(r->err, EVL_ADAPTER_E_OPTION,
			"option %.*s: a build label has 1 to %u characters", SIMMUX_SHOWN, o->path,
			EVL_NAME_MAX - 1u);
	}
	for (*index = 0; *index < r->label_count; (*index)++) {
		if (strlen(r->labels[*index]) == len &&
			memcmp(r->labels[*index], label, len) == 0) {
			return EVL_ADAPTER_OK;
		}
	}
	if (r->label_count == SIMMUX_BUILDS_MAX) {
		return simmux_fail(r->err, EVL_ADAPTER_E_OPTION, "option %.*s: more than %u builds",
			SIMMUX_SHOWN, o->path, SIMMUX_BUILDS_MAX);
	}
	memcpy(r->labels[r->label_count], label, len);
	r->labels[r->label_count++][len] = '\0';
	return EVL_ADAPTER_OK;
}

/* The option opens another fault of build l. */
static int next_draft(struct reader *r, const struct evl_adapter_option *o, uint32_t l,
	uint64_t index, const char *close)
{
	struct draft *d = &r->draft;
	int rc = finish_draft(r);

	if (rc != EVL_ADAPTER_OK) {
		return rc;
	}
	if (index != r->fault_counts[l] || r->labels_empty[l]) {
		return simmux_fail(r->err, EVL_ADAPTER_E_OPTION,
			"option %.*s: expected faults[%u] here", SIMMUX_SHOWN, o->path,
			r->fault_counts[l]);
	}
	r->fault_counts[l]++;
	memset(d, 0, sizeof(*d));
	d->open = true;
	d->fault.channel = d->fault.second = d->fault.line = SIMMUX_NOWHERE;
	memcpy(d->label, r->labels[l], sizeof(d->label));
	d->index = (uint32_t)index;
	d->prefix = o->path;
	d->prefix_len = (size_t)(close + 1 - o->path);
	return EVL_ADAPTER_OK;
}

/* "faults" = none */
static int read_none(struct reader *r, const struct evl_adapter_option *o, uint32_t l)
{
	int rc = finish_draft(r);

	if (rc == EVL_ADAPTER_OK &&
		(strcmp(o->value, "none") != 0 || r->labels_empty[l] || r->fault_counts[l] > 0)) {
		rc = simmux_bad_value(r->err, o, "'none', alone, or a list of faults");
	}
	r->labels_empty[l] = true;
	return rc;
}

/* "builds.LABEL.faults" = none, or "builds.LABEL.faults[N].KEY". */
static int read_build(struct reader *r, const struct evl_adapter_option *o)
{
	static const char form[] = "builds.LABEL.faults: none and builds.LABEL.faults[N].KEY";
	const char *label = o->path + strlen("builds.");
	const char *tail = strstr(label, ".faults");
	struct draft *d = &r->draft;
	const char *at, *close;
	uint64_t index;
	uint32_t l = 0;
	int key;
	int rc;

	if (tail == NULL) {
		return simmux_unknown(r->err, o, form);
	}
	rc = note_label(r, label, (size_t)(tail - label), &l, o);
	if (rc != EVL_ADAPTER_OK) {
		return rc;
	}
	at = tail + strlen(".faults");
	if (*at == '\0') {
		return read_none(r, o, l);
	}
	close = strchr(at, ']');
	if (*at != '[' || close == NULL || close[1] != '.' ||
		!simmux_read_uint(at + 1, (size_t)(close - at - 1), &index)) {
		return simmux_unknown(r->err, o, form);
	}
	if (index >= SIMMUX_FAULTS_MAX) {
		return simmux_fail(r->err, EVL_ADAPTER_E_OPTION, "option %.*s: more than %u faults",
			SIMMUX_SHOWN, o->path, SIMMUX_FAULTS_MAX);
	}
	if (!d->open || d->index != index || strcmp(d->label, r->labels[l]) != 0) {
		rc = next_draft(r, o, l, index, close);
		if (rc != EVL_ADAPTER_OK) {
			return rc;
		}
	}
	for (key = 0; key < KEYS && strcmp(close + 2, key_names[key]) != 0; key++) {
	}
	if (key == KEYS) {
		return simmux_unknown(r->err, o,
			"kind, tributary, first, second, ratio, bits, at, for, every, line, alarm, "
			"by, layer, field, text, timeslot, value, order, on");
	}
	if ((d->seen >> key & 1u) != 0) {
		return simmux_twice(r->err, o);
	}
	d->seen |= 1u << key;
	return read_value(r, (enum fault_key)key, o);
}

static int check_label(const struct reader *r)
{
	char list[256] = "";
	size_t used = 0;

	if (r->build[0] == '\0') {
		return EVL_ADAPTER_OK; /* no build is meant, only the channels: no defects */
	}
	for (uint32_t l = 0; l < r->label_count; l++) {
		if (strcmp(r->labels[l], r->build) == 0) {
			return EVL_ADAPTER_OK;
		}
		if (used + EVL_NAME_MAX + 8 < sizeof(list)) {
			used += (size_t)snprintf(list + used, sizeof(list) - used, "%s%s",
				l > 0 ? ", " : "", r->labels[l]);
		} else if (list[used - 1] != '.') {
			used += (size_t)snprintf(list + used, sizeof(list) - used, " ...");
		}
	}
	if (r->label_count == 0) {
		return EVL_ADAPTER_OK;
	}
	return simmux_fail(r->err, EVL_ADAPTER_E_OPTION,
		"option builds: no build '%.*s'; the bench file has %s", 60, r->build, list);
}

int simmux_faults_read(struct simmux_fault *out, uint32_t *count, const struct simmux_ports *ports,
	const struct evl_open_args *args, struct evl_adapter_error *err)
{
	struct reader r = {.out = out,
		.ports = ports,
		.err = err,
		.build = args->build != NULL ? args->build : ""};
	int rc = EVL_ADAPTER_OK;

	for (uint32_t i = 0; i < args->option_count && rc == EVL_ADAPTER_OK; i++) {
		if (strncmp(args->options[i].path, "builds.", 7) == 0) {
			rc = read_build(&r, &args->options[i]);
		}
	}
	if (rc == EVL_ADAPTER_OK) {
		rc = finish_draft(&r);
	}
	if (rc == EVL_ADAPTER_OK) {
		rc = check_label(&r);
	}
	*count = r.count;
	return rc;
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/options.h"

#include <ctype.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* T1.231 as quoted by RFC 3592: no transitions for 2.3 to 100 us are a loss of signal. */
#define LOS_US_MIN     3u
#define LOS_US_MAX     100u
#define LOS_US_DEFAULT 20u

#define RATIO_DENOMINATOR_MAX ((uint64_t)1 << 53) /* of evl_rng_gap_init */

#define SHOWN 120 /* characters of a foreign path or value in a message */

enum fault_key {
	KEY_KIND = 0,
	KEY_TRIBUTARY,
	KEY_FIRST,
	KEY_SECOND,
	KEY_RATIO,
	KEY_BITS,
	KEY_AT,
	KEY_FOR,
	KEYS
};

static const char *const key_names[KEYS] = {"kind",  "tributary", "first", "second",
					    "ratio", "bits",      "at",    "for"};

static const struct {
	const char *name;
	uint32_t keys; /* those that it needs; no others may be there */
} kinds[SIMMUX_KINDS] = {
	[SIMMUX_SWAP] = {"swap", 1u << KEY_FIRST | 1u << KEY_SECOND},
	[SIMMUX_ERRORS] = {"errors", 1u << KEY_TRIBUTARY | 1u << KEY_RATIO},
	[SIMMUX_DELAY] = {"delay", 1u << KEY_TRIBUTARY | 1u << KEY_BITS},
	[SIMMUX_LINE_ERRORS] = {"line-errors", 1u << KEY_RATIO},
	[SIMMUX_LINE_DELAY] = {"line-delay", 1u << KEY_BITS},
	[SIMMUX_LINE_LOSS] = {"line-loss", 1u << KEY_AT | 1u << KEY_FOR},
};

/* The fault that is being put together from consecutive options. */
struct draft {
	bool open;
	char label[EVL_NAME_MAX];
	uint32_t index;
	uint32_t seen;      /* bit set of fault_key */
	const char *prefix; /* path up to "]", not terminated there */
	size_t prefix_len;
	bool has_kind;
	struct simmux_fault fault;
};

struct reader {
	struct simmux_options *out;
	const char *build;
	char labels[SIMMUX_BUILDS_MAX][EVL_NAME_MAX];
	bool labels_empty[SIMMUX_BUILDS_MAX]; /* "faults: none" was given */
	uint32_t fault_counts[SIMMUX_BUILDS_MAX];
	uint32_t label_count;
	struct draft draft;
};

int simmux_fail(struct evl_adapter_error *err, int code, const char *fmt, ...)
{
	va_list ap;

	va_start(ap, fmt);
	vsnprintf(err->text, sizeof(err->text), fmt, ap);
	va_end(ap);
	/* One line of UTF-8, whatever the bench file held and wherever it was cut. */
	for (char *c = err->text; *c != '\0'; c++) {
		if (*c < ' ' || *c > '~') {
			*c = '?';
		}
	}
	return code;
}

static int bad_value(struct evl_adapter_error *err, const struct evl_adapter_option *o,
		     const char *wanted)
{
	return simmux_fail(err, EVL_ADAPTER_E_OPTION, "option %.*s: '%.*s' is not %s", SHOWN,
			   o->path, SHOWN, o->value, wanted);
}

static int unknown(struct evl_adapter_error *err, const struct evl_adapter_option *o,
		   const char *known)
{
	return simmux_fail(err, EVL_ADAPTER_E_OPTION, "option %.*s is not known; known are %s",
			   SHOWN, o->path, known);
}

/* A decimal number of at most 18 digits and nothing else. */
static bool read_uint(const char *text, size_t len, uint64_t *out)
{
	uint64_t v = 0;

	if (len == 0 || len > 18) {
		return false;
	}
	for (size_t i = 0; i < len; i++) {
		if (!isdigit((unsigned char)text[i])) {
			return false;
		}
		v = v * 10 + (uint64_t)(text[i] - '0');
	}
	*out = v;
	return true;
}

static bool read_bounded(const char *text, uint32_t low, uint32_t high, uint32_t *out)
{
	uint64_t v;

	if (!read_uint(text, strlen(text), &v) || v < low || v > high) {
		return false;
	}
	*out = (uint32_t)v;
	return true;
}

/* "12", "12.5" or ".5" of `len` characters as value / 10^decimals; at most 15 digits. */
static bool read_decimal(const char *text, size_t len, uint64_t *value, uint32_t *decimals)
{
	uint32_t digits = 0;
	bool point = false;

	*value = 0;
	*decimals = 0;
	for (size_t i = 0; i < len; i++) {
		if (text[i] == '.' && !point) {
			point = true;
			continue;
		}
		if (!isdigit((unsigned char)text[i]) || ++digits > 15) {
			return false;
		}
		*value = *value * 10 + (uint64_t)(text[i] - '0');
		*decimals += point;
	}
	return digits > 0;
}

/* "1e-6", "2.5E-7", "0.001" or "1/1000000", above 0 and at most 1. */
static bool read_ratio(const char *text, uint64_t *numerator, uint64_t *denominator)
{
	const char *slash = strchr(text, '/');
	const char *exp = strpbrk(text, "eE");
	uint64_t power = 0;
	uint32_t decimals;

	if (slash != NULL) {
		return read_uint(text, (size_t)(slash - text), numerator) &&
		       read_uint(slash + 1, strlen(slash + 1), denominator) && *numerator > 0 &&
		       *numerator <= *denominator;
	}
	if (!read_decimal(text, exp != NULL ? (size_t)(exp - text) : strlen(text), numerator,
			  &decimals)) {
		return false;
	}
	if (exp != NULL) {
		bool minus = exp[1] == '-';

		if (!minus && strspn(exp + 1, "0") != strlen(exp + 1)) {
			return false; /* a ratio above 1, or nonsense */
		}
		if (!read_uint(exp + 1 + minus, strlen(exp + 1 + minus), &power) || power > 15) {
			return false;
		}
	}
	if (power + decimals > 15) {
		return false;
	}
	*denominator = 1;
	for (uint64_t i = 0; i < power + decimals; i++) {
		*denominator *= 10;
	}
	return *numerator > 0 && *numerator <= *denominator;
}

/* "2.5 s", "100 ms", "125us", "0 s": whole nanoseconds. */
static bool read_time(const char *text, uint64_t *ns)
{
	static const struct {
		const char *name;
		uint32_t digits; /* after the point, down to the nanosecond */
	} units[] = {{"s", 9}, {"ms", 6}, {"us", 3}, {"ns", 0}};
	size_t number = strspn(text, "0123456789.");
	const char *unit = text + number + strspn(text + number, " ");
	uint32_t decimals;

	if (!read_decimal(text, number, ns, &decimals)) {
		return false;
	}
	for (size_t u = 0; u < sizeof(units) / sizeof(units[0]); u++) {
		if (strcmp(unit, units[u].name) != 0) {
			continue;
		}
		for (; decimals > units[u].digits; decimals--) {
			if (*ns % 10 != 0) {
				return false; /* finer than a nanosecond */
			}
			*ns /= 10;
		}
		for (uint32_t d = decimals; d < units[u].digits; d++) {
			if (*ns > UINT64_MAX / 20) {
				return false;
			}
			*ns *= 10;
		}
		return true;
	}
	return false;
}

static int read_fault_value(struct draft *d, enum fault_key key, const struct evl_adapter_option *o,
			    struct evl_adapter_error *err)
{
	struct simmux_fault *f = &d->fault;

	switch (key) {
	case KEY_KIND:
		for (int k = 0; k < SIMMUX_KINDS; k++) {
			if (strcmp(o->value, kinds[k].name) == 0) {
				f->kind = (enum simmux_fault_kind)k;
				d->has_kind = true;
				return EVL_ADAPTER_OK;
			}
		}
		return bad_value(err, o,
				 "one of swap, errors, delay, line-errors, line-delay, line-loss");
	case KEY_TRIBUTARY:
	case KEY_FIRST:
	case KEY_SECOND:
		if (!read_bounded(o->value, 1, SIMMUX_TRIBUTARIES,
				  key == KEY_SECOND ? &f->second : &f->tributary)) {
			return bad_value(err, o, "a tributary number from 1 to 63");
		}
		return EVL_ADAPTER_OK;
	case KEY_RATIO:
		if (!read_ratio(o->value, &f->numerator, &f->denominator)) {
			return bad_value(err, o,
					 "a ratio above 0 and at most 1 such as 1e-6 or 1/1000000");
		}
		return EVL_ADAPTER_OK;
	case KEY_BITS:
		if (!read_bounded(o->value, 1, SIMMUX_LINE_DELAY_MAX_BITS, &f->bits)) {
			return bad_value(err, o,
					 "a count of bits from 1 to 2048000 (delay) or 15552000 "
					 "(line-delay)");
		}
		return EVL_ADAPTER_OK;
	case KEY_AT:
	case KEY_FOR:
		if (!read_time(o->value, key == KEY_AT ? &f->at_ns : &f->lasting_ns)) {
			return bad_value(err, o,
					 "a time in whole nanoseconds such as '2.5 s' or '100 ms'");
		}
		return EVL_ADAPTER_OK;
	default:
		return unknown(err, o, "the keys of a fault");
	}
}

/* Checks the finished draft and keeps it if it belongs to the build under test. */
static int finish_draft(struct reader *r, struct evl_adapter_error *err)
{
	struct draft *d = &r->draft;
	struct simmux_options *out = r->out;
	int len = (int)d->prefix_len;

	if (!d->open) {
		return EVL_ADAPTER_OK;
	}
	d->open = false;
	if (!d->has_kind) {
		return simmux_fail(err, EVL_ADAPTER_E_OPTION, "option %.*s.kind is missing", len,
				   d->prefix);
	}
	for (int k = 0; k < KEYS; k++) {
		bool wanted = k == KEY_KIND || (kinds[d->fault.kind].keys >> k & 1u) != 0;
		bool there = (d->seen >> k & 1u) != 0;

		if (wanted != there) {
			return simmux_fail(err, EVL_ADAPTER_E_OPTION,
					   "option %.*s.%s %s for the fault '%s'", len, d->prefix,
					   key_names[k], wanted ? "is missing" : "has no meaning",
					   kinds[d->fault.kind].name);
		}
	}
	if (d->fault.kind == SIMMUX_SWAP && d->fault.tributary == d->fault.second) {
		return simmux_fail(err, EVL_ADAPTER_E_OPTION,
				   "option %.*s.second: a tributary cannot be swapped with itself",
				   len, d->prefix);
	}
	if (d->fault.kind == SIMMUX_DELAY && d->fault.bits > SIMMUX_DELAY_MAX_BITS) {
		return simmux_fail(
			err, EVL_ADAPTER_E_OPTION,
			"option %.*s.bits: %u is more than %u, the longest delay of a tributary",
			len, d->prefix, d->fault.bits, SIMMUX_DELAY_MAX_BITS);
	}
	if (d->fault.kind == SIMMUX_LINE_LOSS && d->fault.lasting_ns == 0) {
		return simmux_fail(err, EVL_ADAPTER_E_OPTION,
				   "option %.*s.for: must be longer than nothing", len, d->prefix);
	}
	if (strcmp(d->label, r->build) != 0) {
		return EVL_ADAPTER_OK;
	}
	for (uint32_t i = 0; i < out->fault_count; i++) {
		const struct simmux_fault *f = &out->faults[i];

		if (f->kind == d->fault.kind && f->kind != SIMMUX_SWAP &&
		    f->kind != SIMMUX_LINE_LOSS && f->tributary == d->fault.tributary) {
			return simmux_fail(err, EVL_ADAPTER_E_OPTION,
					   "option %.*s: a second '%s' in the same place; give one",
					   len, d->prefix, kinds[f->kind].name);
		}
	}
	out->faults[out->fault_count++] = d->fault;
	return EVL_ADAPTER_OK;
}

static int note_label(struct reader *r, const char *label, size_t len, uint32_t *index,
		      const struct evl_adapter_option *o, struct evl_adapter_error *err)
{
	if (len == 0 || len >= EVL_NAME_MAX) {
		return simmux_fail(err, EVL_ADAPTER_E_OPTION,
				   "option %.*s: a build label has 1 to %u characters", SHOWN,
				   o->path, EVL_NAME_MAX - 1u);
	}
	for (*index = 0; *index < r->label_count; (*index)++) {
		if (strlen(r->labels[*index]) == len &&
		    memcmp(r->labels[*index], label, len) == 0) {
			return EVL_ADAPTER_OK;
		}
	}
	if (r->label_count == SIMMUX_BUILDS_MAX) {
		return simmux_fail(err, EVL_ADAPTER_E_OPTION, "option %.*s: more than %u builds",
				   SHOWN, o->path, SIMMUX_BUILDS_MAX);
	}
	memcpy(r->labels[r->label_count], label, len);
	r->labels[r->label_count++][len] = '\0';
	return EVL_ADAPTER_OK;
}

/* "builds.LABEL.faults" = none, or "builds.LABEL.faults[N].KEY". */
static int read_build(struct reader *r, const struct evl_adapter_option *o,
		      struct evl_adapter_error *err)
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
		return unknown(err, o, form);
	}
	rc = note_label(r, label, (size_t)(tail - label), &l, o, err);
	if (rc != EVL_ADAPTER_OK) {
		return rc;
	}
	at = tail + strlen(".faults");
	if (*at == '\0') {
		rc = finish_draft(r, err);
		if (rc == EVL_ADAPTER_OK && (strcmp(o->value, "none") != 0 || r->labels_empty[l] ||
					     r->fault_counts[l] > 0)) {
			rc = bad_value(err, o, "'none', alone, or a list of faults");
		}
		r->labels_empty[l] = true;
		return rc;
	}
	close = strchr(at, ']');
	if (*at != '[' || close == NULL || close[1] != '.' ||
	    !read_uint(at + 1, (size_t)(close - at - 1), &index)) {
		return unknown(err, o, form);
	}
	if (index >= SIMMUX_FAULTS_MAX) {
		return simmux_fail(err, EVL_ADAPTER_E_OPTION, "option %.*s: more than %u faults",
				   SHOWN, o->path, SIMMUX_FAULTS_MAX);
	}
	if (!d->open || d->index != index || strcmp(d->label, r->labels[l]) != 0) {
		rc = finish_draft(r, err);
		if (rc != EVL_ADAPTER_OK) {
			return rc;
		}
		if (index != r->fault_counts[l] || r->labels_empty[l]) {
			return simmux_fail(err, EVL_ADAPTER_E_OPTION,
					   "option %.*s: expected faults[%u] here", SHOWN, o->path,
					   r->fault_counts[l]);
		}
		r->fault_counts[l]++;
		memset(d, 0, sizeof(*d));
		d->open = true;
		memcpy(d->label, r->labels[l], sizeof(d->label));
		d->index = (uint32_t)index;
		d->prefix = o->path;
		d->prefix_len = (size_t)(close + 1 - o->path);
	}
	for (key = 0; key < KEYS && strcmp(close + 2, key_names[key]) != 0; key++) {
	}
	if (key == KEYS) {
		return unknown(err, o, "kind, tributary, first, second, ratio, bits, at, for");
	}
	if ((d->seen >> key & 1u) != 0) {
		return simmux_fail(err, EVL_ADAPTER_E_OPTION, "option %.*s is given twice", SHOWN,
				   o->path);
	}
	d->seen |= 1u << key;
	return read_fault_value(d, (enum fault_key)key, o, err);
}

/* "20", "-4.6": parts per million, at most SIMMUX_CLOCK_PPM, as whole parts in 1e9. */
static bool read_ppb(const char *text, int32_t *ppb)
{
	bool minus = *text == '-';
	uint64_t value;
	uint32_t decimals;

	if (!read_decimal(text + minus, strlen(text + minus), &value, &decimals) || decimals > 3) {
		return false;
	}
	for (; decimals < 3; decimals++) {
		value *= 10; /* at most 15 digits */
	}
	if (value > SIMMUX_CLOCK_PPM * 1000u) {
		return false;
	}
	*ppb = minus ? -(int32_t)value : (int32_t)value;
	return true;
}

/* "clock.vc4_ppm" or "clock.tributaries.N". */
static int read_clock(struct simmux_options *out, uint64_t *seen,
	const struct evl_adapter_option *o, struct evl_adapter_error *err)
{
	static const char tributaries[] = "clock.tributaries.";
	int32_t *to = &out->vc4_ppb;
	uint32_t number = 0;

	if (strncmp(o->path, tributaries, strlen(tributaries)) == 0) {
		if (!read_bounded(o->path + strlen(tributaries), 1, SIMMUX_TRIBUTARIES, &number)) {
			return unknown(err, o, "clock.tributaries.N with N from 1 to 63");
		}
		to = &out->vc12_ppb[number - 1];
	} else if (strcmp(o->path, "clock.vc4_ppm") != 0) {
		return unknown(err, o, "clock.vc4_ppm, clock.tributaries.N");
	}
	if ((*seen >> number & 1u) != 0) {
		return simmux_fail(err, EVL_ADAPTER_E_OPTION, "option %s is given twice", o->path);
	}
	*seen |= (uint64_t)1 << number;
	if (!read_ppb(o->value, to)) {
		return bad_value(err, o,
			"a number of ppm from -100 to 100, such as -4.6, with at "
			"most 3 places after the point");
	}
	return EVL_ADAPTER_OK;
}

static int read_choice(const struct evl_adapter_option *o, const char *no, const char *yes,
		       bool *out, struct evl_adapter_error *err)
{
	char wanted[80];

	if (strcmp(o->value, yes) != 0 && strcmp(o->value, no) != 0) {
		snprintf(wanted, sizeof(wanted), "'%s' or '%s'", yes, no);
		return bad_value(err, o, wanted);
	}
	*out = strcmp(o->value, yes) == 0;
	return EVL_ADAPTER_OK;
}

static int check_label(const struct reader *r, struct evl_adapter_error *err)
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
	return simmux_fail(err, EVL_ADAPTER_E_OPTION,
			   "option builds: no build '%.*s'; the bench file has %s", 60, r->build,
			   list);
}

int simmux_options_read(struct simmux_options *out, const struct evl_open_args *args,
			struct evl_adapter_error *err)
{
	struct reader r = {.out = out, .build = args->build != NULL ? args->build : ""};
	uint32_t seen = 0;
	uint64_t clocks = 0;
	int rc = EVL_ADAPTER_OK;

	memset(out, 0, sizeof(*out));
	out->looped = true;
	out->los_threshold_us = LOS_US_DEFAULT;
	for (uint32_t i = 0; i < args->option_count && rc == EVL_ADAPTER_OK; i++) {
		const struct evl_adapter_option *o = &args->options[i];
		uint32_t bit = 0;

		if (strncmp(o->path, "builds.", 7) == 0) {
			rc = read_build(&r, o, err);
			continue;
		}
		if (strncmp(o->path, "clock.", 6) == 0) {
			rc = read_clock(out, &clocks, o, err);
			continue;
		}
		if (strcmp(o->path, "line") == 0) {
			bit = 1;
			rc = read_choice(o, "open", "looped", &out->looped, err);
		} else if (strcmp(o->path, "numbering") == 0) {
			bit = 2;
			rc = read_choice(o, "column-order", "klm-order", &out->klm_order, err);
		} else if (strcmp(o->path, "los_threshold_us") == 0) {
			bit = 4;
			if (!read_bounded(o->value, LOS_US_MIN, LOS_US_MAX,
					  &out->los_threshold_us)) {
				rc = bad_value(err, o, "a whole number from 3 to 100");
			}
		} else {
			rc = unknown(err, o, "line, numbering, los_threshold_us, clock, builds");
		}
		if (rc == EVL_ADAPTER_OK && (seen & bit) != 0) {
			rc = simmux_fail(err, EVL_ADAPTER_E_OPTION, "option %s is given twice",
					 o->path);
		}
		seen |= bit;
	}
	if (rc == EVL_ADAPTER_OK) {
		rc = finish_draft(&r, err);
	}
	if (rc == EVL_ADAPTER_OK) {
		rc = check_label(&r, err);
	}
	return rc;
}

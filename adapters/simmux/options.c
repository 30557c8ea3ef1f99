/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/simmux/options.h"

#include <stdio.h>
#include <string.h>

#include "adapters/simmux/text.h"

/* T1.231 as quoted by RFC 3592: no transitions for 2.3 to 100 us are a loss of signal. */
#define LOS_US_MIN      3u
#define LOS_US_MAX      100u
#define LOS_US_MAX_STM4 25u /* the receiver counts up to 1944 bytes */
#define LOS_US_DEFAULT  20u

#define WAIT_MAX_NS       720000000000u /* G.841 7.1: WTR 5 to 12 minutes (from memory) */
#define WAIT_DEFAULT_NS   300000000000u
#define SWITCH_MAX_NS     1000000000u
#define SWITCH_DEFAULT_NS 10000000u /* well within the 50 ms of G.841 7.1 */

static const char *const known = "line, lines, rate, mapping, tributaries, numbering, framing, "
				 "sent, expected, protection, los_threshold_us, slip_room, clock, "
				 "builds";

struct reader {
	struct simmux_options *out;
	const struct evl_open_args *args;
	struct evl_adapter_error *err;
	uint32_t lines, stm;
	bool lines_given, protection_given, architecture, wait_given;
	int32_t tributaries[SIMMUX_LINE]; /* -1: not given */
	struct evl_sdh_map map[SIMMUX_LINES];
};

/* What is left of a path behind "name."; NULL when it does not begin so. */
static const char *below(const char *path, const char *name)
{
	size_t len = strlen(name);

	return strncmp(path, name, len) == 0 && path[len] == '.' ? path + len + 1 : NULL;
}

static bool is_or_below(const char *path, const char *name)
{
	return strcmp(path, name) == 0 || below(path, name) != NULL;
}

static int read_choice(struct reader *r, const struct evl_adapter_option *o, const char *no,
	const char *yes, bool *out)
{
	char wanted[80];

	if (strcmp(o->value, yes) != 0 && strcmp(o->value, no) != 0) {
		snprintf(wanted, sizeof(wanted), "'%s' or '%s'", yes, no);
		return simmux_bad_value(r->err, o, wanted);
	}
	*out = strcmp(o->value, yes) == 0;
	return EVL_ADAPTER_OK;
}

/* ---- what decides about the ports ---- */

static int read_tributaries(struct reader *r, const struct evl_adapter_option *o)
{
	static const struct {
		const char *name;
		uint32_t most; /* of an STM-1 */
	} kinds[SIMMUX_LINE] = {{"E1", 63}, {"T1", 84}, {"VC-3", 3}, {"VC-4", 1}, {"VC-4-4c", 0}};
	const char *name = below(o->path, "tributaries");
	char wanted[80];

	for (uint32_t k = 0; name != NULL && k < SIMMUX_LINE; k++) {
		uint32_t most = k == SIMMUX_VC4_4C ? (r->stm == 4) : kinds[k].most * r->stm;
		uint32_t n;

		if (strcmp(name, kinds[k].name) != 0) {
			continue;
		}
		if (!simmux_read_bounded(o->value, 0, most, &n)) {
			snprintf(wanted, sizeof(wanted),
				"a whole number from 0 to %u, the most that a line carries", most);
			return simmux_bad_value(r->err, o, wanted);
		}
		r->tributaries[k] = (int32_t)n;
		return EVL_ADAPTER_OK;
	}
	return simmux_unknown(r->err, o,
		"tributaries.E1, tributaries.T1, tributaries.VC-3, tributaries.VC-4, "
		"tributaries.VC-4-4c");
}

/* "mapping" for all lines, or "mapping.line-2". */
static int read_mapping(struct reader *r, const struct evl_adapter_option *o)
{
	const char *name = below(o->path, "mapping");
	struct evl_err why = {0};
	bool any = false;

	for (uint32_t l = 0; l < r->lines; l++) {
		char own[16];

		snprintf(own, sizeof(own), r->lines == 1 ? "line" : "line-%u", l + 1);
		if (name != NULL && strcmp(name, own) != 0) {
			continue;
		}
		any = true;
		if (strlen(o->value) >= EVL_SDH_MAP_TEXT) {
			return simmux_bad_value(r->err, o, "a mapping: too long");
		}
		if (evl_sdh_map_parse(&r->map[l], r->stm, o->value, &why) < 0) {
			return simmux_fail(r->err, EVL_ADAPTER_E_OPTION, "option %.*s: %s",
				SIMMUX_SHOWN, o->path, why.text);
		}
		strcpy(r->out->mapping[l], o->value);
	}
	if (!any) {
		return simmux_unknown(r->err, o,
			r->lines == 1 ? "mapping, mapping.line"
				      : "mapping, mapping.line-1, mapping.line-2");
	}
	return EVL_ADAPTER_OK;
}

/* "protection.architecture" and so on; the words are those of ITU-T G.841. */
static int read_protection(struct reader *r, const struct evl_adapter_option *o)
{
	struct simmux_protection *p = &r->out->protection;
	const char *name = below(o->path, "protection");

	r->protection_given = true;
	if (name != NULL && strcmp(name, "architecture") == 0) {
		r->architecture = true;
		return strcmp(o->value, "1+1") == 0
			       ? EVL_ADAPTER_OK
			       : simmux_bad_value(
					 r->err, o, "1+1, the only architecture that is simulated");
	}
	if (name != NULL && strcmp(name, "operation") == 0) {
		return read_choice(r, o, "non-revertive", "revertive", &p->revertive);
	}
	if (name != NULL && strcmp(name, "wait_to_restore") == 0) {
		r->wait_given = true;
		return simmux_read_time(o->value, &p->wait_ns) && p->wait_ns <= WAIT_MAX_NS
			       ? EVL_ADAPTER_OK
			       : simmux_bad_value(r->err, o, "a time from '0 s' to '720 s'");
	}
	if (name != NULL && strcmp(name, "switch_time") == 0) {
		return simmux_read_time(o->value, &p->switch_ns) && p->switch_ns <= SWITCH_MAX_NS
			       ? EVL_ADAPTER_OK
			       : simmux_bad_value(r->err, o, "a time from '0 ms' to '1 s'");
	}
	return simmux_unknown(r->err, o,
		"protection.architecture, protection.operation, protection.wait_to_restore, "
		"protection.switch_time");
}

/* After the options that decide about the lines. */
static int finish_protection(struct reader *r)
{
	const struct simmux_protection *p = &r->out->protection;
	const char *why = NULL;

	if (!r->protection_given) {
		return EVL_ADAPTER_OK;
	}
	if (!r->architecture) {
		why = "protection.architecture is missing; it is 1+1";
	} else if (r->wait_given && !p->revertive) {
		why = "protection.wait_to_restore has no meaning unless protection.operation is "
		      "revertive";
	} else if (r->lines_given && r->lines != 2) {
		why = "lines: with protection there are 2; leave it out";
	}
	if (why != NULL) {
		return simmux_fail(r->err, EVL_ADAPTER_E_OPTION, "option %s", why);
	}
	r->lines = 2;
	return EVL_ADAPTER_OK;
}

/* After all of them. */
static int check_protection(const struct reader *r)
{
	const struct simmux_options *o = r->out;

	if (o->ports.protection && strcmp(o->mapping[0], o->mapping[1]) != 0) {
		return simmux_fail(r->err, EVL_ADAPTER_E_OPTION,
			"option mapping: with protection both lines carry the same; give one "
			"mapping");
	}
	if (o->ports.protection && o->line_ppb != 0) {
		return simmux_fail(r->err, EVL_ADAPTER_E_OPTION,
			"option clock.line_ppm: cannot be together with protection");
	}
	return EVL_ADAPTER_OK;
}

static int read_lines(struct reader *r, const struct evl_adapter_option *o)
{
	bool stm4 = false;
	int rc;

	if (is_or_below(o->path, "protection")) {
		return read_protection(r, o);
	}
	if (strcmp(o->path, "lines") == 0) {
		r->lines_given = true;
		return simmux_read_bounded(o->value, 1, SIMMUX_LINES, &r->lines)
			       ? EVL_ADAPTER_OK
			       : simmux_bad_value(r->err, o, "1 or 2");
	}
	rc = read_choice(r, o, "STM-1", "STM-4", &stm4);
	r->stm = rc == EVL_ADAPTER_OK && stm4 ? 4 : 1;
	return rc;
}

/* The ports: as many as the mappings at open need, where the option does not say. */
static void make_ports(struct reader *r)
{
	uint32_t per_line[SIMMUX_LINE] = {0};

	for (uint32_t l = 0; l < r->lines; l++) {
		struct evl_sdh_client list[EVL_SDH_MOST_CLIENTS];
		uint32_t n = evl_sdh_map_clients(&r->map[l], list);
		uint32_t have[SIMMUX_LINE] = {0};

		for (uint32_t i = 0; i < n; i++) {
			enum simmux_kind k = simmux_kind_of(&list[i]);

			if (++have[k] > per_line[k]) {
				per_line[k] = have[k];
			}
		}
	}
	for (uint32_t k = 0; k < SIMMUX_LINE; k++) {
		if (r->tributaries[k] >= 0) {
			per_line[k] = (uint32_t)r->tributaries[k];
		}
	}
	simmux_ports_make(&r->out->ports, r->lines, r->architecture, r->stm, per_line);
}

/* ---- what names ports ---- */

/* "7" where tributaries are trib-1 ..., or the name of a tributary. */
static uint32_t tributary(const struct reader *r, const char *text)
{
	const struct simmux_ports *p = &r->out->ports;
	char name[EVL_NAME_MAX];
	uint32_t n, channel;

	if (simmux_read_bounded(text, 1, SIMMUX_CHANNELS, &n)) {
		snprintf(name, sizeof(name), "trib-%u", n);
		text = name;
	}
	channel = simmux_port_find(p, text);
	return channel != UINT32_MAX && p->list[channel].kind != SIMMUX_LINE ? channel : UINT32_MAX;
}

/* "clock.vc4_ppm", "clock.line_ppm" or "clock.tributaries.N". */
static int read_clock(struct reader *r, const struct evl_adapter_option *o)
{
	struct simmux_options *out = r->out;
	const char *name = below(o->path, "clock");
	const char *which = name != NULL ? below(name, "tributaries") : NULL;
	int32_t *to = &out->vc4_ppb;

	if (which != NULL) {
		uint32_t channel = tributary(r, which);
		char form[120];

		if (channel == UINT32_MAX || out->ports.list[channel].kind > SIMMUX_VC3) {
			snprintf(form, sizeof(form), "clock.tributaries.N with N from 1 to %u",
				simmux_ports_groups(&out->ports) *
					(out->ports.per_line[SIMMUX_E1] +
						out->ports.per_line[SIMMUX_T1]));
			return simmux_unknown(r->err, o, form);
		}
		to = &out->vc_ppb[channel];
	} else if (name != NULL && strcmp(name, "line_ppm") == 0) {
		to = &out->line_ppb;
	} else if (name == NULL || strcmp(name, "vc4_ppm") != 0) {
		return simmux_unknown(
			r->err, o, "clock.vc4_ppm, clock.tributaries.N, clock.line_ppm");
	}
	if (!simmux_read_ppb(o->value, SIMMUX_CLOCK_PPM, to)) {
		return simmux_bad_value(r->err, o,
			"a number of ppm from -100 to 100, such as -4.6, with at "
			"most 3 places after the point");
	}
	return EVL_ADAPTER_OK;
}

/* "1-2-3", on an STM-4 "4-1-2-3". */
static bool read_place(const char *text, uint32_t stm, struct simmux_klm *out)
{
	uint32_t parts[4] = {1, 0, 0, 0};
	const uint32_t most[4] = {stm, 3, 7, 4};

	for (uint32_t i = stm == 1 ? 1 : 0; i < 4; i++) {
		if (*text < '1' || (uint32_t)(*text - '0') > most[i]) {
			return false;
		}
		parts[i] = (uint32_t)(*text++ - '0');
		if (i < 3 && *text++ != '-') {
			return false;
		}
	}
	*out = (struct simmux_klm){
		(uint8_t)parts[0], (uint8_t)parts[1], (uint8_t)parts[2], (uint8_t)parts[3]};
	return *text == '\0';
}

static int read_table(struct reader *r, const struct evl_adapter_option *o, const char *which)
{
	const struct simmux_ports *p = &r->out->ports;
	const uint32_t channel = tributary(r, which);
	struct simmux_klm place;
	uint32_t kind, at;

	if (channel == UINT32_MAX || p->list[channel].kind > SIMMUX_T1 ||
		p->list[channel].line != 0) {
		return simmux_unknown(
			r->err, o, "numbering.table.N with N a tributary of the first line");
	}
	kind = p->list[channel].kind;
	at = p->list[channel].number - 1u;
	if (!read_place(o->value, p->stm, &place)) {
		return simmux_bad_value(r->err, o,
			p->stm == 1 ? "a place K-L-M such as 1-1-1"
				    : "a place of an STM-4, AUG-K-L-M such as 1-1-1-1");
	}
	for (uint32_t i = 0; i < EVL_SDH_MOST_CLIENTS; i++) {
		if (memcmp(&r->out->table[kind][i], &place, sizeof(place)) == 0) {
			return simmux_fail(r->err, EVL_ADAPTER_E_OPTION,
				"option %.*s: place %.*s is given twice", SIMMUX_SHOWN, o->path, 20,
				o->value);
		}
	}
	r->out->table[kind][at] = place;
	r->out->order = SIMMUX_BY_TABLE;
	return EVL_ADAPTER_OK;
}

static int read_numbering(struct reader *r, const struct evl_adapter_option *o)
{
	const char *which = below(o->path, "numbering.table");
	bool klm = false;
	int rc;

	if (which != NULL) {
		return read_table(r, o, which);
	}
	if (strcmp(o->path, "numbering") != 0) {
		return simmux_unknown(r->err, o,
			"numbering: column-order, numbering: klm-order and numbering.table.N");
	}
	rc = read_choice(r, o, "column-order", "klm-order", &klm);
	r->out->order = klm ? SIMMUX_BY_KLM : SIMMUX_BY_COLUMN;
	return rc;
}

/* ---- settings: "framing", "framing.NAME", "sent.FIELD", "expected.NAME.FIELD", where FIELD may
 * have a path behind: "J1/2" ---- */

static int read_field(struct evl_setting *s, const char *field)
{
	const char *slash = strchr(field, '/');
	size_t len = slash != NULL ? (size_t)(slash - field) : strlen(field);

	if (len == 0 || len >= sizeof(s->field)) {
		return -1;
	}
	memcpy(s->field, field, len);
	if (slash != NULL && !simmux_read_bounded(slash + 1, 1, EVL_SDH_MOST_HIGH, &s->path)) {
		return -1;
	}
	return 0;
}

static int read_setting(struct reader *r, const struct evl_adapter_option *o, uint32_t kind)
{
	static const char *const words[] = {[EVL_SETTING_FRAMING] = "framing",
		[EVL_SETTING_SENT] = "sent",
		[EVL_SETTING_EXPECTED] = "expected"};
	struct simmux_options *out = r->out;
	struct evl_setting *s = &out->settings[out->setting_count];
	const char *rest = below(o->path, words[kind]);
	const char *field = rest;

	if (out->setting_count == SIMMUX_SETTINGS_MAX) {
		return simmux_fail(r->err, EVL_ADAPTER_E_OPTION,
			"option %.*s: more than %u settings", SIMMUX_SHOWN, o->path,
			SIMMUX_SETTINGS_MAX);
	}
	*s = (struct evl_setting){.version = 1, .kind = kind, .channel = SIMMUX_ALL};
	if (strlen(o->value) >= EVL_SETTING_TEXT) {
		return simmux_bad_value(r->err, o, "a setting: too long");
	}
	strcpy(s->text, o->value);
	if (kind == EVL_SETTING_FRAMING && rest != NULL && strcmp(rest, "E1") != 0 &&
		strcmp(rest, "T1") != 0) {
		s->channel = simmux_port_find(&out->ports, rest);
	}
	if (kind != EVL_SETTING_FRAMING && rest != NULL) {
		const char *dot = strchr(rest, '.');

		if (dot != NULL) {
			char name[EVL_NAME_MAX];
			size_t len = (size_t)(dot - rest);

			snprintf(name, sizeof(name), "%.*s",
				(int)(len < sizeof(name) ? len : sizeof(name) - 1), rest);
			s->channel = simmux_port_find(&out->ports, name);
			s->channel = s->channel == UINT32_MAX ? UINT32_MAX - 1 : s->channel;
			field = dot + 1;
		}
	}
	if ((kind == EVL_SETTING_FRAMING && rest != NULL && s->channel == UINT32_MAX &&
		    strcmp(rest, "E1") != 0 && strcmp(rest, "T1") != 0) ||
		s->channel == UINT32_MAX - 1) {
		return simmux_fail(r->err, EVL_ADAPTER_E_OPTION,
			"option %.*s: there is no such channel", SIMMUX_SHOWN, o->path);
	}
	if (kind != EVL_SETTING_FRAMING && (field == NULL || read_field(s, field) < 0)) {
		return simmux_unknown(r->err, o,
			"sent.FIELD, sent.CHANNEL.FIELD and expected likewise, FIELD such as J0, "
			"J1, J1/2, C2, J2, V5");
	}
	out->setting_count++;
	return EVL_ADAPTER_OK;
}

/* ---- all of them ---- */

static int read_other(struct reader *r, const struct evl_adapter_option *o)
{
	struct simmux_options *out = r->out;

	if (below(o->path, "clock") != NULL) {
		return read_clock(r, o);
	}
	if (is_or_below(o->path, "numbering")) {
		return read_numbering(r, o);
	}
	if (is_or_below(o->path, "framing")) {
		return read_setting(r, o, EVL_SETTING_FRAMING);
	}
	if (below(o->path, "sent") != NULL) {
		return read_setting(r, o, EVL_SETTING_SENT);
	}
	if (below(o->path, "expected") != NULL) {
		return read_setting(r, o, EVL_SETTING_EXPECTED);
	}
	if (strcmp(o->path, "line") == 0) {
		return read_choice(r, o, "open", "looped", &out->looped);
	}
	if (strcmp(o->path, "los_threshold_us") == 0) {
		const uint32_t most = r->stm == 4 ? LOS_US_MAX_STM4 : LOS_US_MAX;

		return simmux_read_bounded(o->value, LOS_US_MIN, most, &out->los_threshold_us)
			       ? EVL_ADAPTER_OK
			       : simmux_bad_value(r->err, o,
					 r->stm == 4 ? "a whole number from 3 to 25 (STM-4)"
						     : "a whole number from 3 to 100");
	}
	if (strcmp(o->path, "slip_room") == 0) {
		return simmux_read_bounded(o->value, 0, SIMMUX_SLIP_ROOM_BITS, &out->slip_room_bits)
			       ? EVL_ADAPTER_OK
			       : simmux_bad_value(r->err, o, "a count of bits from 0 to 4096");
	}
	return simmux_unknown(r->err, o, known);
}

/* Each option once; lists of faults have a check of their own. */
static int check_once(const struct evl_open_args *args, struct evl_adapter_error *err)
{
	for (uint32_t i = 0; i < args->option_count; i++) {
		const struct evl_adapter_option *o = &args->options[i];

		for (uint32_t j = 0; strncmp(o->path, "builds.", 7) != 0 && j < i; j++) {
			if (strcmp(args->options[j].path, o->path) == 0) {
				return simmux_twice(err, o);
			}
		}
	}
	return EVL_ADAPTER_OK;
}

/* Which options a pass reads: the next may need what this one brought. */
static uint32_t pass_of(const char *path)
{
	if (strncmp(path, "builds.", 7) == 0) {
		return 0; /* faults.c */
	}
	if (strcmp(path, "lines") == 0 || strcmp(path, "rate") == 0 ||
		is_or_below(path, "protection")) {
		return 1;
	}
	return is_or_below(path, "mapping") || below(path, "tributaries") != NULL ? 2 : 3;
}

static int read_pass(struct reader *r, uint32_t pass)
{
	int rc = EVL_ADAPTER_OK;

	for (uint32_t i = 0; i < r->args->option_count && rc == EVL_ADAPTER_OK; i++) {
		const struct evl_adapter_option *o = &r->args->options[i];

		if (pass_of(o->path) != pass) {
			continue;
		}
		rc = pass == 1                               ? read_lines(r, o)
		     : pass == 3                             ? read_other(r, o)
		     : below(o->path, "tributaries") != NULL ? read_tributaries(r, o)
							     : read_mapping(r, o);
	}
	return rc;
}

int simmux_options_read(
	struct simmux_options *out, const struct evl_open_args *args, struct evl_adapter_error *err)
{
	struct reader r = {.out = out,
		.args = args,
		.err = err,
		.lines = 1,
		.stm = 1,
		.tributaries = {-1, -1, -1, -1, -1}};
	int rc = check_once(args, err);

	memset(out, 0, sizeof(*out));
	out->looped = true;
	out->los_threshold_us = LOS_US_DEFAULT;
	out->protection.wait_ns = WAIT_DEFAULT_NS;
	out->protection.switch_ns = SWITCH_DEFAULT_NS;
	if (rc == EVL_ADAPTER_OK) {
		rc = read_pass(&r, 1);
	}
	if (rc == EVL_ADAPTER_OK) {
		rc = finish_protection(&r);
	}
	for (uint32_t l = 0; l < r.lines; l++) {
		strcpy(out->mapping[l], "AU-4/TU-12/E1");
		evl_sdh_map_fill(&r.map[l], r.stm, EVL_SDH_AU4, EVL_SDH_E1);
	}
	if (rc == EVL_ADAPTER_OK) {
		rc = read_pass(&r, 2);
	}
	if (rc == EVL_ADAPTER_OK) {
		make_ports(&r);
		rc = read_pass(&r, 3);
	}
	if (rc == EVL_ADAPTER_OK) {
		rc = check_protection(&r);
	}
	if (rc == EVL_ADAPTER_OK) {
		rc = simmux_faults_read(out->faults, &out->fault_count, &out->ports, args, err);
	}
	return rc;
}

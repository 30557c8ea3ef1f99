/* SPDX-License-Identifier: Apache-2.0 */
/* Options of the software multiplexer: what is taken, and how the rest is refused. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "adapters/simmux/options.h"

#define F "builds.B.faults[0]."

static int read_options(struct simmux_options *out, struct evl_adapter_error *err,
	const char *build, const char *const *pairs)
{
	static char copies[80][256];
	struct evl_adapter_option list[80];
	struct evl_open_args args = {.version = 1, .options = list, .build = build};

	memset(err, 0, sizeof(*err));
	for (uint32_t i = 0; pairs[i] != NULL; i++) {
		size_t path = strcspn(pairs[i], "=");

		assert_true(strlen(pairs[i]) < sizeof(copies[i]));
		strcpy(copies[i], pairs[i]);
		copies[i][path] = '\0';
		list[i] = (struct evl_adapter_option){copies[i], copies[i] + path + 1, i + 1};
		args.option_count++;
	}
	return simmux_options_read(out, &args, err);
}

static void taken(void **state)
{
	static struct simmux_options o;
	struct evl_adapter_error err;

	(void)state;
	assert_int_equal(read_options(&o, &err, "any", (const char *[]){NULL}), 0);
	assert_true(o.looped);
	assert_int_equal(o.order, SIMMUX_BY_COLUMN);
	assert_int_equal(o.los_threshold_us, 20);
	assert_int_equal(o.fault_count, 0);
	assert_int_equal(
		read_options(&o, &err, "B",
			(const char *[]){"line=open", "numbering=klm-order", "los_threshold_us=100",
				"builds.A.faults=none", F "kind=swap", F "first=12", F "second=63",
				"builds.B.faults[1].ratio=2.5e-6", "builds.B.faults[1].kind=errors",
				"builds.B.faults[1].tributary=1",
				"builds.B.faults[2].kind=line-loss", "builds.B.faults[2].at=2.5 s",
				"builds.B.faults[2].for=100ms",
				"builds.B.faults[3].kind=line-delay",
				"builds.B.faults[3].bits=15552000",
				"builds.B.faults[4].kind=line-errors",
				"builds.B.faults[4].ratio=3/1000000",
				"builds.B.faults[5].kind=delay", "builds.B.faults[5].tributary=9",
				"builds.B.faults[5].bits=7", NULL}),
		0);
	assert_false(o.looped);
	assert_int_equal(o.order, SIMMUX_BY_KLM);
	assert_int_equal(o.los_threshold_us, 100);
	assert_int_equal(o.fault_count, 6);
	assert_int_equal(o.faults[0].kind, SIMMUX_SWAP);
	assert_int_equal(o.faults[0].channel, 11);
	assert_int_equal(o.faults[0].second, 62);
	assert_int_equal(o.faults[1].numerator, 25);
	assert_int_equal(o.faults[1].denominator, 10000000);
	assert_int_equal(o.faults[2].at_ns, 2500000000);
	assert_int_equal(o.faults[2].lasting_ns, 100000000);
	assert_int_equal(o.faults[3].bits, 15552000);
	assert_int_equal(o.faults[4].denominator, 1000000);
	assert_int_equal(o.faults[5].bits, 7);
	/* The same file for build A plants nothing; a label may hold dots. */
	assert_int_equal(read_options(&o, &err, "R1.2",
				 (const char *[]){"builds.R1.2.faults=none", F "kind=line-errors",
					 F "ratio=0.5", NULL}),
		0);
	assert_int_equal(o.fault_count, 0);
	/* No label: someone only asks which channels there are (evenlode fit). */
	assert_int_equal(read_options(&o, &err, "",
				 (const char *[]){F "kind=line-errors", F "ratio=0.5", NULL}),
		0);
	assert_int_equal(o.fault_count, 0);
	/* No label: no build is meant. */
	assert_int_equal(read_options(&o, &err, "",
				 (const char *[]){F "kind=line-errors", F "ratio=0.5", NULL}),
		0);
	assert_int_equal(o.fault_count, 0);
}

static void refused(void **state)
{
	static const struct {
		const char *text; /* that the message must hold */
		const char *pairs[8];
	} cases[] = {
		{"option linse is not known", {"linse=open"}},
		{"option lines: '3' is not 1 or 2", {"lines=3"}},
		{"option rate: 'STM-16' is not 'STM-4' or 'STM-1'", {"rate=STM-16"}},
		{"option mapping: ", {"mapping=AU-4/TU-2/E1"}},
		{"option mapping: ", {"mapping=AU-4-4c/VC-4-4c"}},
		{"option mapping.line-2 is not known", {"mapping.line-2=AU-4/VC-4"}},
		{"option tributaries.E1: '64'", {"tributaries.E1=64"}},
		{"option tributaries.E3 is not known", {"tributaries.E3=1"}},
		{"option tributaries.VC-4-4c: '1'", {"tributaries.VC-4-4c=1"}},
		{"option numbering.table.1: '4-1-1'", {"numbering.table.1=4-1-1"}},
		{"place 1-1-1 is given twice",
			{"numbering.table.1=1-1-1", "numbering.table.2=1-1-1"}},
		{"numbering.table.64 is not known", {"numbering.table.64=1-1-1"}},
		{"option los_threshold_us: '26'", {"rate=STM-4", "los_threshold_us=26"}},
		{"option slip_room: '4097'", {"slip_room=4097"}},
		{"option framing.trib-64: there is no such channel", {"framing.trib-64=FAS"}},
		{"option sent.trib-64.J2: there is no such channel", {"sent.trib-64.J2=x"}},
		{"option sent.J0J1J2J3 is not known", {"sent.J0J1J2J3=x"}},
		{"option clock.line_ppm: '101'", {"clock.line_ppm=101"}},
		{"option " F "tributary: '5' is not the name of a tributary",
			{"tributaries.T1=84", F "kind=invert", F "tributary=5"}},
		{"option " F "second: only tributaries of one kind",
			{"tributaries.T1=84", F "kind=swap", F "first=e1-1", F "second=t1-1"}},
		{"option " F "line: '2' is not 1", {F "kind=line-delay", F "line=2"}},
		{"option " F "every: must be 1 ms",
			{F "kind=lost-frame", F "tributary=1", F "at=0 s", F "every=10 us"}},
		{"option " F "bits: a slip is at most 2048",
			{F "kind=slip", F "tributary=1", F "at=0 s", F "bits=2049"}},
		{"option " F "bits: '0'", {F "kind=slip", F "tributary=1", F "at=0 s", F "bits=0"}},
		{"option " F "bits: a delay cannot",
			{F "kind=delay", F "tributary=1", F "bits=-5"}},
		{"option " F "alarm: 'TU_AIS'", {F "kind=unreported", F "alarm=TU_AIS"}},
		{"option " F "layer: 'RS' is not one of MS, HP, LP",
			{F "kind=no-rdi", F "layer=RS"}},
		{"option " F "layer: a tributary has the layer LP",
			{F "kind=no-rdi", F "layer=MS", F "tributary=1"}},
		{"option " F "field: must be J0, J1 or J2", {F "kind=no-trace", F "field=J3"}},
		{"option " F "tributary: goes with the field J2",
			{F "kind=no-trace", F "field=J2"}},
		{"option " F "field: must be B1", {F "kind=wrong-parity", F "field=B4"}},
		{"option " F "value: a label of VC-12",
			{F "kind=wrong-label", F "tributary=1", F "value=08"}},
		{"option " F "value: '5' is not two hexadecimal",
			{F "kind=wrong-label", F "value=5"}},
		{"option " F "timeslot: '32'",
			{F "kind=stuck-timeslot", F "tributary=1", F "timeslot=32", F "value=00"}},
		{"option line: 'closed' is not 'looped' or 'open'", {"line=closed"}},
		{"option line is given twice", {"line=open", "line=open"}},
		{"option numbering: 'klm'", {"numbering=klm"}},
		{"option los_threshold_us: '101'", {"los_threshold_us=101"}},
		{"option los_threshold_us: '2'", {"los_threshold_us=2"}},
		{"option los_threshold_us: '20.5'", {"los_threshold_us=20.5"}},
		{"option los_threshold_us: ''", {"los_threshold_us="}},
		{"no build 'B'; the bench file has A, C",
			{"builds.A.faults=none", "builds.C.faults=none"}},
		{"option builds.B is not known", {"builds.B=none"}},
		{"option builds.B.fault is not known", {"builds.B.fault=none"}},
		{"option builds.B.faults: 'some'", {"builds.B.faults=some"}},
		{"option builds..faults: a build label has", {"builds..faults=none"}},
		{"option " F "kind: 'swaps' is not one of", {F "kind=swaps"}},
		{"option " F "kind is missing", {F "first=1"}},
		{"option " F "second is missing", {F "kind=swap", F "first=1"}},
		{"option " F "ratio has no meaning",
			{F "kind=swap", F "first=1", F "second=2", F "ratio=1e-3"}},
		{"option " F "second: a tributary cannot be swapped with itself",
			{F "kind=swap", F "first=2", F "second=2"}},
		{"option " F "first: '64'", {F "kind=swap", F "first=64", F "second=2"}},
		{"option " F "first: '0'", {F "kind=swap", F "first=0", F "second=2"}},
		{"option " F "first: '-1'", {F "kind=swap", F "first=-1", F "second=2"}},
		{"option " F "colour is not known", {F "kind=swap", F "colour=red"}},
		{"option " F "kind is given twice", {F "kind=swap", F "kind=swap"}},
		{"option builds.B.faults[1].kind: expected faults[0]",
			{"builds.B.faults[1].kind=swap"}},
		{"option builds.B.faults[9999].kind: more than 64",
			{"builds.B.faults[9999].kind=swap"}},
		{"option builds.B.faults[x].kind is not known", {"builds.B.faults[x].kind=swap"}},
		{"option builds.B.faults[0] is not known", {"builds.B.faults[0]=swap"}},
		{"option " F "ratio: '0'", {F "kind=line-errors", F "ratio=0"}},
		{"option " F "ratio: '1.5'", {F "kind=line-errors", F "ratio=1.5"}},
		{"option " F "ratio: '2/1'", {F "kind=line-errors", F "ratio=2/1"}},
		{"option " F "ratio: '1/0'", {F "kind=line-errors", F "ratio=1/0"}},
		{"option " F "ratio: '1e-'", {F "kind=line-errors", F "ratio=1e-"}},
		{"option " F "ratio: '1e-400'", {F "kind=line-errors", F "ratio=1e-400"}},
		{"option " F "ratio: 'e-6'", {F "kind=line-errors", F "ratio=e-6"}},
		{"option " F "ratio: '1.2.3'", {F "kind=line-errors", F "ratio=1.2.3"}},
		{"option " F "bits: '0'", {F "kind=line-delay", F "bits=0"}},
		{"option " F "bits: '15552001'", {F "kind=line-delay", F "bits=15552001"}},
		{"option " F "bits: 2048001 is more than 2048000",
			{F "kind=delay", F "tributary=1", F "bits=2048001"}},
		{"option " F "at: '5'", {F "kind=line-loss", F "at=5", F "for=1 s"}},
		{"option " F "at: '5 min'", {F "kind=line-loss", F "at=5 min", F "for=1 s"}},
		{"option " F "at: '0.1 ns'", {F "kind=line-loss", F "at=0.1 ns", F "for=1 s"}},
		{"option " F "at: '999999999999999 s'",
			{F "kind=line-loss", F "at=999999999999999 s", F "for=1 s"}},
		{"option " F "for: must be longer", {F "kind=line-loss", F "at=1 s", F "for=0 s"}},
		{"option builds.B.faults[1]: a second 'line-errors'",
			{F "kind=line-errors", F "ratio=1e-6",
				"builds.B.faults[1].kind=line-errors",
				"builds.B.faults[1].ratio=1e-6"}},
		{"option builds.B.faults: 'none' is not 'none', alone",
			{F "kind=line-errors", F "ratio=1e-6", "builds.B.faults=none"}},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		static struct simmux_options o;
		struct evl_adapter_error err;
		int rc = read_options(&o, &err, "B", cases[i].pairs);

		if (rc != EVL_ADAPTER_E_OPTION || strstr(err.text, cases[i].text) == NULL) {
			fail_msg("case %zu: wanted '%s', got %d '%s'", i, cases[i].text, rc,
				err.text);
		}
	}
}

static void faults_of_other_builds_are_checked(void **state)
{
	static struct simmux_options o;
	struct evl_adapter_error err;

	(void)state;
	assert_int_equal(
		read_options(&o, &err, "A",
			(const char *[]){"builds.A.faults=none", F "kind=swap", F "first=1", NULL}),
		EVL_ADAPTER_E_OPTION);
	assert_non_null(strstr(err.text, F "second is missing"));
}

static void long_and_foreign_text(void **state)
{
	static struct simmux_options o;
	struct evl_adapter_error err;
	char pair[250];

	(void)state;
	memset(pair, 0xc3, sizeof(pair) - 1);
	pair[sizeof(pair) - 1] = '\0';
	pair[10] = '=';
	assert_int_equal(
		read_options(&o, &err, "A", (const char *[]){pair, NULL}), EVL_ADAPTER_E_OPTION);
	for (const char *c = err.text; *c != '\0'; c++) {
		assert_in_range((unsigned char)*c, ' ', '~');
	}
	memset(pair, 'x', sizeof(pair) - 1);
	memcpy(pair, "builds.", 7);
	memcpy(pair + 200, ".faults=none", 13);
	assert_int_equal(
		read_options(&o, &err, "A", (const char *[]){pair, NULL}), EVL_ADAPTER_E_OPTION);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(taken),
		cmocka_unit_test(refused),
		cmocka_unit_test(faults_of_other_builds_are_checked),
		cmocka_unit_test(long_and_foreign_text),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}

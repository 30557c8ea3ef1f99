/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Writes the dossiers of the invented runs into a folder, to be looked at: sample FOLDER. With
 * `big` behind it a dossier of 10 cases with 50 claims each on 63 channels over 8 hours instead,
 * and how long it took; `big CASES` makes other numbers of cases.
 */
#include "tests/report/invented_service.h"

#include <sys/resource.h>
#include <time.h>

#include "core/report/dossier.h"
#include "core/report/verify.h"

static const char *out;

/* Aims for the whole of it, as a release build on a quiet machine is judged by. */
enum { WHOLE = 10, AIM_S = 5, AIM_MB = 150 };
static int cases = WHOLE;

#if defined(__SANITIZE_ADDRESS__) || !defined(__OPTIMIZE__)
#define JUDGED false
#else
#define JUDGED true
#endif

static const char statement_text[] =
	"# Invented scenario.\nauthorised: {name: N. N. (invented), function: head of the "
	"laboratory}\n"
	"conditions: {temperature: 21 to 24 degrees, humidity: 40 to 50 %}\n"
	"uncertainty: start instants are exact to 1 us\nsampling: one unit, named by the customer\n"
	"deviations: [the second power supply was not fitted]\n"
	"opinions: [{text: Crossed tributaries point at the numbering of the build., author: N. "
	"N.}]\n";
static const char wanted_text[] =
	"# Invented scenario.\nrequirements:\n"
	"  - {id: R1, text: Each tributary arrives at its own number., cases: [bit-errors],\n"
	"     checks: [arrives on its own number], source: 'invented contract, clause 4.1'}\n"
	"  - {id: R2, text: The bit error ratio of each tributary is below 1e-7.,\n"
	"     cases: [bit-errors], checks: [bit error ratio]}\n"
	"  - {id: R3, text: The unit runs on its battery for 24 hours.}\n"
	"waivers:\n  - {requirement: R3, reason: tested by its maker, author: acceptance desk,\n"
	"     date: 2026-11-01, expires: 2027-10-31}\n"
	"observations:\n  - {text: The unit is simulated., author: laboratory}\n";

static void write_sample(void **state)
{
	(void)state;
	struct evl_store *store = NULL;
	char path[4096];
	snprintf(path, sizeof path, "%s/sample.db", out);
	unlink(path);
	OK(evl_file_mkdirs(out, err));
	OK(evl_store_open(&store, path, EVL_STORE_WRITE, err));
	int64_t a = invented_run(store, &(struct invented){.build = "A"});
	int64_t b = invented_run(store, &(struct invented){.build = "B", .faulty = true});
	snprintf(path, sizeof path, "%s/a", out);
	OK(evl_dossier_write(NULL, store, a, path, NULL, err));
	int64_t c = invented_service(store);
	char statement[4200];
	char wanted[4200];
	snprintf(statement, sizeof statement, "%s/statement.yaml", out);
	OK(evl_file_write(statement, statement_text, strlen(statement_text), err));
	snprintf(wanted, sizeof wanted, "%s/requirements.yaml", out);
	OK(evl_file_write(wanted, wanted_text, strlen(wanted_text), err));
	snprintf(path, sizeof path, "%s/b", out);
	OK(evl_dossier_write(NULL, store, b, path,
		&(struct evl_dossier_options){
			.compare_run = a, .statement = statement, .requirements = wanted},
		err));
	snprintf(path, sizeof path, "%s/c", out);
	OK(evl_dossier_write(NULL, store, c, path, NULL, err));
	evl_store_close(store);
}

static void add_claims(struct evl_store *store, int case_no, int claims)
{
	for (int c = 0; c < claims; c++) {
		char title[40];
		snprintf(title, sizeof title, "claim %d", c + 1);
		for (int i = 0; i < 63; i++) {
			bool bad = c % 7 == 0 && i % 21 == 0;
			OK(evl_store_add_check(store, NULL,
				&(struct evl_row_check){.case_no = case_no,
					.title = title,
					.kind = "bit-errors",
					.channel_no = i,
					.value = bad ? "2.0e-6" : "0",
					.unit = "1",
					.limit = "1.0e-7",
					.relation = "below",
					.confidence = "95 %",
					.lower = bad ? "1.9e-6" : "0",
					.upper = bad ? "2.1e-6" : "1e-10",
					.errors = bad ? 118000 : 0,
					.bits = INT64_C(58982400000),
					.verdict = bad ? "fail" : "pass",
					.rule = "exact Poisson limits, one-sided",
					.at_ns = -1},
				err));
		}
	}
}

/* One case in ten has errors in a few seconds of each minute on three channels. */
static void add_hours(struct evl_store *store, int case_no)
{
	int take_no = -1;
	OK(evl_store_take_begin(store, &take_no,
		&(struct evl_row_take){.case_no = case_no, .name = "take 1", .clock = "virtual"},
		err));
	for (int i = 0; i < 63; i += 21) {
		OK(evl_store_tick_begin(store, err));
		for (int second = 0; second < 28800; second += case_no == 0 ? 7 : 600) {
			OK(evl_store_put_second(store,
				&(struct evl_row_second){.case_no = case_no,
					.take_no = take_no,
					.channel_no = i,
					.second = second,
					.bits = SECOND_BITS,
					.errors = 1 + second % 40,
					.in_sync = true},
				err));
		}
		OK(evl_store_tick_commit(store, err));
	}
	OK(evl_store_take_end(
		store, case_no, take_no, EVL_STATE_FINISHED, INT64_C(28800) * 8000, err));
}

/* Of this process, so that other work on the machine does not count. */
static double now_s(void)
{
	struct timespec t;
	clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
	return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static void write_big(void **state)
{
	(void)state;
	struct evl_store *store = NULL;
	struct evl_dossier_report report;
	char path[4096];
	snprintf(path, sizeof path, "%s/big.db", out);
	unlink(path);
	OK(evl_file_mkdirs(out, err));
	OK(evl_store_open(&store, path, EVL_STORE_WRITE, err));
	int64_t run = invented_begin(store, &(struct invented){.build = "B"});
	for (int k = 0; k < cases; k++) {
		int case_no = -1;
		char name[24];
		snprintf(name, sizeof name, "case-%d", k + 1);
		OK(evl_store_case_begin(store, &case_no,
			&(struct evl_row_case){
				.name = name, .title = name, .method = "as invented"},
			err));
		add_hours(store, case_no);
		add_claims(store, case_no, 50);
		OK(evl_store_case_end(store, case_no, EVL_STATE_FINISHED, "fail", NULL,
			INT64_C(28800000000000), err));
	}
	OK(evl_store_run_end(store, EVL_STATE_FINISHED, NULL, NULL, "2026-11-25T17:12:41Z", err));
	struct rusage before;
	struct rusage after;
	snprintf(path, sizeof path, "%s/big", out);
	getrusage(RUSAGE_SELF, &before);
	double t0 = now_s();
	OK(evl_dossier_write(NULL, store, run, path, NULL, err));
	double t1 = now_s();
	getrusage(RUSAGE_SELF, &after);
	OK(evl_dossier_verify(&report, path, NULL, err));
	long peak_mb = after.ru_maxrss / 1024;
	bool missed = JUDGED && cases == WHOLE && (t1 - t0 > AIM_S || peak_mb > AIM_MB);
	printf("processor time: dossier %.2f s, peak memory %ld MB (before it %ld), verify %.2f s "
	       "of %.1f MB%s\n",
		t1 - t0, peak_mb, before.ru_maxrss / 1024, now_s() - t1, (double)report.bytes / 1e6,
		missed ? "  MISSED" : "");
	evl_dossier_report_finish(&report);
	evl_store_close(store);
	assert_false(missed);
}

int main(int argc, char **argv)
{
	const struct CMUnitTest small[] = {cmocka_unit_test(write_sample)};
	const struct CMUnitTest big[] = {cmocka_unit_test(write_big)};
	bool is_big = argc >= 3 && strcmp(argv[2], "big") == 0;
	cases = argc == 4 ? atoi(argv[3]) : cases;
	if (argc < 2 || argc > 4 || (argc >= 3 && !is_big) || cases < 1) {
		fputs("usage: sample FOLDER [big [CASES]]\n", stderr);
		return 64;
	}
	out = argv[1];
	return is_big ? cmocka_run_group_tests(big, NULL, NULL)
		      : cmocka_run_group_tests(small, NULL, NULL);
}

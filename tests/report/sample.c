/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Writes the dossiers of the invented runs into a folder, to be looked at: sample FOLDER. With
 * `big` behind it a dossier of 500 claims on 63 channels over 8 hours instead, and how long it
 * took.
 */
#include "tests/report/invented.h"

#include <sys/resource.h>
#include <time.h>

#include "core/report/dossier.h"
#include "core/report/verify.h"

static const char *out;

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
	snprintf(path, sizeof path, "%s/b", out);
	OK(evl_dossier_write(
		NULL, store, b, path, &(struct evl_dossier_options){.compare_run = a}, err));
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
	for (int k = 0; k < 10; k++) {
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
	printf("processor time: dossier %.2f s, peak memory %ld MB (before it %ld), verify %.2f s "
	       "of %.1f MB\n",
		t1 - t0, after.ru_maxrss / 1024, before.ru_maxrss / 1024, now_s() - t1,
		(double)report.bytes / 1e6);
	evl_dossier_report_finish(&report);
	evl_store_close(store);
}

int main(int argc, char **argv)
{
	const struct CMUnitTest small[] = {cmocka_unit_test(write_sample)};
	const struct CMUnitTest big[] = {cmocka_unit_test(write_big)};
	if (argc < 2 || argc > 3 || (argc == 3 && strcmp(argv[2], "big") != 0)) {
		fputs("usage: sample FOLDER [big]\n", stderr);
		return 64;
	}
	out = argv[1];
	return argc == 3 ? cmocka_run_group_tests(big, NULL, NULL)
			 : cmocka_run_group_tests(small, NULL, NULL);
}

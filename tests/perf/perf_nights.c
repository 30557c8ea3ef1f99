/* SPDX-License-Identifier: Apache-2.0 */
/*
 * How long a history, a matrix and a comparison take over many nights: 1000 nights of 63 channels
 * and 20 checks each, 1.26 million checks with their texts, through the store's own writer. Some
 * checks fail now and then, one build breaks a channel, some errors come everywhere, all by a seed.
 * Says also how many bytes the store takes, how many of them are tallies, and the memory of each
 * question, which is asked in a process of its own. The aim is under 1 s for each: "MISSED" where
 * it took longer; judges nothing else.
 *
 *	perf_nights [NIGHTS [STORE]]	a STORE that is there is asked and kept
 *
 * Writes JSON to $EVL_PERF_JSON (a folder or file), else beside itself in $EVL_BUILD_ROOT or here.
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "core/store/matrix.h"
#include "core/store/store_write.h"
#include "tests/perf/json_path.h"

#define CHANNELS 63
#define CASES    4
#define TITLES   5 /* of a case */
#define AIM_S    1.0

static struct evl_err err;

static void must(enum evl_status st)
{
	if (st != EVL_OK) {
		fprintf(stderr, "perf_nights: %s\n", err.text);
		exit(1);
	}
}

static double now(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* xorshift64 (G. Marsaglia 2003): the same store each time. */
static uint64_t seed = 88172645463325252u;
static uint64_t below(uint64_t n)
{
	seed ^= seed << 13;
	seed ^= seed >> 7;
	seed ^= seed << 17;
	return seed % n;
}

/* ---- the store ---- */

static const char *fill_check(
	struct evl_store *s, int case_no, int title_no, int channel, int night)
{
	char title[64], value[32], reason[160];
	bool broken = night >= 700 && night < 720 && case_no == 1 && channel == 16;
	bool fails = broken || below(4000) == 0 || (case_no == 2 && channel == 5 && below(10) == 0);
	int64_t errors = fails ? 900 : below(50) == 0 ? (int64_t)below(4) : 0;
	const char *verdict = fails ? "fail" : "pass";
	snprintf(title, sizeof title, "bit error ratio in minute %d of 5", title_no + 1);
	snprintf(value, sizeof value, "%.3g", (double)errors / 6144e4);
	snprintf(reason, sizeof reason,
		"%d errors in 61440000 bits: with 95 %% confidence the error ratio is %s the "
		"limit of 1e-06",
		(int)errors, fails ? "above" : "below");
	must(evl_store_add_check(s, NULL,
		&(struct evl_row_check){.case_no = case_no,
			.title = title,
			.kind = "error-ratio",
			.channel_no = channel,
			.value = value,
			.limit = "1e-06",
			.relation = "<",
			.confidence = "0.95",
			.errors = errors,
			.bits = 61440000,
			.verdict = verdict,
			.rule = "exact Poisson limits (Garwood 1936)",
			.reason = reason,
			.standard = "none: an invented limit",
			.at_ns = -1},
		&err));
	return verdict;
}

static void fill_night(struct evl_store *s, int night, const char *source)
{
	int64_t run;
	char build[16], utc[32];
	snprintf(build, sizeof build, "4.%d", night / 10);
	snprintf(utc, sizeof utc, "2026-%02d-%02dT22:00:00Z", night / 28 % 12 + 1, night % 28 + 1);
	must(evl_store_run_begin(s, &run,
		&(struct evl_row_run){.campaign_name = "nights",
			.campaign_source = source,
			.campaign_sha256 = "c0",
			.bench_name = "bench",
			.bench_source = source,
			.bench_sha256 = "b0",
			.build = build,
			.seed = (uint64_t)night,
			.reference_run = -1,
			.clock = "real",
			.started_utc = utc},
		&err));
	for (int i = 0; i < CHANNELS; i++) {
		char name[16];
		snprintf(name, sizeof name, "trib-%d", i + 1);
		must(evl_store_add_channel(s,
			&(struct evl_row_channel){.ordinal = i,
				.role = "trib",
				.number = i + 1,
				.label = name,
				.adapter = "mux",
				.channel = name,
				.rate = "E1"},
			&err));
	}
	for (int c = 0; c < CASES; c++) {
		int case_no, take_no, recording = -1;
		const char *worst = NULL;
		char name[32];
		snprintf(name, sizeof name, "errors-%d", c + 1);
		must(evl_store_case_begin(s, &case_no,
			&(struct evl_row_case){
				.name = name, .title = "Errors", .method = source + 19700},
			&err));
		must(evl_store_take_begin(s, &take_no,
			&(struct evl_row_take){.case_no = case_no, .clock = "real"}, &err));
		must(evl_store_tick_begin(s, &err));
		for (int t = 0; t < TITLES; t++) {
			for (int i = 0; i < CHANNELS; i++) {
				worst = evl_store_verdict_worse(
					worst, fill_check(s, case_no, t, i, night));
			}
		}
		must(evl_store_tick_commit(s, &err));
		must(evl_store_recording_begin(s, &recording,
			&(struct evl_row_recording){.case_no = case_no,
				.take_no = take_no,
				.name = "traffic",
				.path = "nowhere.pcapng"},
			&err));
		must(evl_store_recording_end(s, recording,
			&(struct evl_row_recording){.file_sha256 = "00",
				.bytes = 1000,
				.finished = true,
				.frames = 8000},
			&err));
		must(evl_store_take_end(s, case_no, take_no, EVL_STATE_FINISHED, 8000, &err));
		must(evl_store_case_end(s, case_no, EVL_STATE_FINISHED, worst, NULL, 1, &err));
	}
	must(evl_store_run_end(s, EVL_STATE_FINISHED, NULL, NULL, utc, &err));
}

static void fill(const char *path, int nights)
{
	static char source[20001];
	struct evl_store *s = NULL;
	memset(source, 'x', sizeof source - 1);
	must(evl_store_open(&s, path, EVL_STORE_WRITE, &err));
	for (int i = 0; i < nights; i++) {
		fill_night(s, i, source);
	}
	evl_store_close(s);
}

/* ---- the questions ---- */

static void ask_history(struct evl_store *s, int nights, bool checks)
{
	struct evl_past past = {0};
	must(evl_past_load(&past, s, &(struct evl_past_query){.checks = checks}, &err));
	if (past.run_count != (size_t)(nights < 1000 ? nights : 1000)) {
		fprintf(stderr, "perf_nights: %zu runs\n", past.run_count);
		exit(1);
	}
	evl_past_finish(&past);
}

static void ask_matrix(struct evl_store *s, size_t columns)
{
	int64_t runs[EVL_MATRIX_RUNS_MAX];
	size_t count = 0;
	struct evl_matrix m = {0};
	must(evl_matrix_choose(
		runs, &count, s, &(struct evl_matrix_choice){.last = columns}, &err));
	must(evl_matrix_load(
		&m, s, &(struct evl_matrix_query){.runs = runs, .run_count = count}, &err));
	evl_matrix_finish(&m);
}

static void ask_pair(struct evl_store *s, int nights)
{
	struct evl_run *one = NULL, *two = NULL;
	struct evl_compare cmp = {0};
	must(evl_store_load_run(&one, s, nights / 2, &err));
	must(evl_store_load_run(&two, s, nights, &err));
	must(evl_compare_runs(&cmp, one, two, 0.05, &err));
	evl_compare_finish(&cmp);
	evl_run_destroy(one);
	evl_run_destroy(two);
}

enum { HISTORY, HISTORY_CHECKS, MATRIX_2, MATRIX_10, MATRIX_100, PAIR, QUESTIONS };
static const char *const names[] = {
	"history", "history_checks", "matrix_2", "matrix_10", "matrix_100", "compare_2"};

struct answer {
	double seconds;
	long peak_kib;
};

/* Opening the store and one question, in a process of its own. */
static struct answer ask(int question, const char *path, int nights)
{
	struct answer out = {0};
	int ends[2];
	if (pipe(ends) != 0) {
		perror("perf_nights");
		exit(1);
	}
	pid_t child = fork();
	if (child == 0) {
		struct evl_store *s = NULL;
		struct rusage usage;
		double start = now();
		must(evl_store_open(&s, path, EVL_STORE_READ, &err));
		switch (question) {
		case HISTORY:
		case HISTORY_CHECKS:
			ask_history(s, nights, question == HISTORY_CHECKS);
			break;
		case PAIR:
			ask_pair(s, nights);
			break;
		default:
			ask_matrix(s, question == MATRIX_2 ? 2 : question == MATRIX_10 ? 10 : 100);
		}
		evl_store_close(s);
		out.seconds = now() - start;
		getrusage(RUSAGE_SELF, &usage);
		out.peak_kib = usage.ru_maxrss;
		_exit(write(ends[1], &out, sizeof out) == (ssize_t)sizeof out ? 0 : 1);
	}
	close(ends[1]);
	int status = 1;
	if (child < 0 || read(ends[0], &out, sizeof out) != (ssize_t)sizeof out ||
		waitpid(child, &status, 0) != child || status != 0) {
		fprintf(stderr, "perf_nights: %s was not answered\n", names[question]);
		exit(1);
	}
	close(ends[0]);
	return out;
}

int main(int argc, char **argv)
{
	char folder[] = "/tmp/evl-perf-nights-XXXXXX", path[4096];
	int nights = argc > 1 ? atoi(argv[1]) : 1000;
	bool own = argc <= 2;
	struct stat sb;
	if (nights < 2 || (own && mkdtemp(folder) == NULL)) {
		fprintf(stderr, "perf_nights: NIGHTS is 2 or more, and /tmp can be written to\n");
		return 1;
	}
	snprintf(path, sizeof path, "%s%s", own ? folder : argv[2], own ? "/s" : "");
	double start = now();
	if (stat(path, &sb) != 0) {
		fill(path, nights);
		printf("%d nights of %d checks written in %.1f s\n", nights,
			CASES * TITLES * CHANNELS, now() - start);
	}
	char json_path[PERF_PATH];
	perf_json_path(json_path, "perf_nights");
	FILE *f = fopen(json_path, "w");
	if (f == NULL || stat(path, &sb) != 0) {
		perror("perf_nights");
		return 1;
	}
	printf("store: %.1f MB, %.0f bytes for each check\n", (double)sb.st_size / 1e6,
		(double)sb.st_size / nights / (CASES * TITLES * CHANNELS));
	fprintf(f, "{\"nights\":%d,\"bytes\":%" PRId64, nights, (int64_t)sb.st_size);
	for (int q = 0; q < QUESTIONS; q++) {
		struct answer a = ask(q, path, nights);
		printf("%-14s %6.3f s  %6.1f MB%s\n", names[q], a.seconds,
			(double)a.peak_kib / 1024, a.seconds > AIM_S ? "  MISSED" : "");
		fprintf(f, ",\"%s_s\":%.4f,\"%s_kib\":%ld", names[q], a.seconds, names[q],
			a.peak_kib);
	}
	fprintf(f, "}\n");
	fclose(f);
	if (own) {
		static const char *const made[] = {"s", "s.lock", "s-wal", "s-shm"};
		for (size_t i = 0; i < sizeof made / sizeof *made; i++) {
			snprintf(path, sizeof path, "%s/%s", folder, made[i]);
			unlink(path);
		}
		return rmdir(folder) == 0 ? 0 : 1;
	}
	return 0;
}

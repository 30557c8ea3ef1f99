/* SPDX-License-Identifier: Apache-2.0 */
/*
 * How fast whole takes run on the software multiplexer, as a ratio to line rate (155.52 Mbit/s =
 * 1x) in processor time of one core: 63 E1 made, mapped into an STM-1, demapped, checked bit by
 * bit. Then the same with the line followed apart from the unit and watched for alarms, and with
 * everything recorded and hashed; of that recording the tributaries replayed, hashed (what was
 * sent, what the recording says, what came back) and compared; and the first again through a
 * network of 30 ms and 1e-6 errors, as a ratio to the first. Writes JSON to $EVL_PERF_JSON (a file,
 * or a folder that gets perf_take.json), else to perf_take.json in $EVL_BUILD_ROOT or here. Fails
 * when the first is below 10x on an optimised build without sanitizers.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <time.h>
#include <unistd.h>

#include "core/engine/engine.h"
#include "core/measure/phase.h"
#include "core/recording/reader.h"
#include "tests/perf/json_path.h"

#if defined(__SANITIZE_ADDRESS__) || !defined(__OPTIMIZE__)
#define JUDGED  0
#define SECONDS 1
#else
#define JUDGED  1
#define SECONDS 20
#endif

static const char yaml[] =
	"bench: perf\ntitle: perf\nnumbering: column-order\nadapters:\n  mux:\n    driver: simmux\n"
	"    options: {line: looped}\nroles:\n"
	"  trib: {adapter: mux, channels: 'trib-{1..63}', numbers: 1..63}\n"
	"  line: {adapter: mux, channels: [line]}\n";

static void must(enum evl_status st, const struct evl_err *err)
{
	if (st < 0) {
		fprintf(stderr, "perf_take: %s\n", err->text);
		exit(1);
	}
}

static double cpu(void)
{
	struct timespec t;
	clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static double run_take(struct evl_engine *engine, struct evl_take_plan *plan)
{
	struct evl_err err = {0};
	struct evl_take_result *r = NULL;
	plan->begin_ns = evl_engine_next_begin(engine);
	double before = cpu();
	must(evl_engine_take(engine, plan, UINT64_MAX, NULL, &r, &err), &err);
	double took = cpu() - before;
	for (uint32_t i = 0; i < r->meter_count; i++) {
		const bool errors = plan->parts[0].network != NULL;
		if (r->meters[i].arrival != EVL_ARRIVAL_OWN ||
			(r->meters[i].errors != 0 && !errors)) {
			fprintf(stderr, "perf_take: tributary %u did not come back\n", i + 1);
			exit(1);
		}
	}
	double ratio = (double)r->frames / EVL_FRAMES_PER_S / took;
	evl_take_result_destroy(r);
	return ratio;
}

/* The first half of the 63 tributaries of the recording, twice; what returns is compared. */
static double replay(struct evl_engine *engine, struct evl_take_plan *plan, const char *path)
{
	struct evl_err err = {0};
	struct evl_rec *rec = NULL;
	must(evl_rec_open(&rec, path, &err), &err);
	for (uint32_t i = 0; i < 63; i++) {
		struct evl_take_part *p = &plan->parts[i];
		for (int k = 0; k < 2; k++) {
			struct evl_take_content *c = k ? &p->expected : &p->played;
			char name[EVL_REC_NAME_MAX];
			snprintf(name, sizeof name, "trib-%u.%s", i + 1, k ? "received" : "sent");
			*c = (struct evl_take_content){.kind = EVL_CONTENT_RECORDING,
				.reader = rec,
				.window = {.bits = plan->frames / 2 * 256,
					.times = 2,
					.settle_bits = k ? 16384 : 0}};
			if (!evl_rec_find(rec, name, &c->reader_channel)) {
				fprintf(stderr, "perf_take: %s is not recorded\n", name);
				exit(1);
			}
		}
		p->record_sent = p->record_received = false;
	}
	double ratio = run_take(engine, plan);
	evl_rec_close(rec);
	return ratio;
}

int main(void)
{
	struct evl_err err = {0};
	struct evl_bench *bench = NULL;
	struct evl_loaded *loaded = NULL;
	struct evl_instance *in = NULL;
	struct evl_binding *binding = NULL;
	struct evl_engine *engine = NULL;
	char dir[1024];
	const char *root = getenv("EVL_BUILD_ROOT");
	snprintf(dir, sizeof dir, "%s/adapters", root ? root : ".");
	const char *dirs[] = {dir};
	must(evl_bench_parse(&bench, "perf.yaml", yaml, sizeof yaml - 1, &err), &err);
	must(evl_loader_load(&loaded, dirs, 1, "simmux", &err), &err);
	struct evl_instance_args args = evl_instance_args_of(bench, 0, "", 1, true);
	must(evl_instance_open(&in, loaded, &args, &err), &err);
	struct evl_bound_port ports[80];
	size_t n = evl_instance_ports(in, 0, ports, 80);
	struct evl_need needs[] = {
		{.role = "trib", .rate = EVL_RATE_E1, .count = 63, .play = true, .capture = true},
		{.role = "line", .rate = EVL_RATE_STM1, .count = 1, .capture = true}};
	must(evl_bind(&binding, NULL, bench, needs, 2, ports, n, &err), &err);
	struct evl_engine_args e = {
		.instances = &in, .instance_count = 1, .binding = binding, .is_virtual = true};
	must(evl_engine_create(&engine, &e, &err), &err);

	struct evl_pattern pattern = evl_pattern_prbs(EVL_PRBS15);
	uint32_t phases[63];
	must(evl_phase_assign(phases, 63, &pattern, 1, &err), &err);
	struct evl_take_part parts[64] = {{0}};
	struct evl_take_follow follow[63];
	struct evl_take_inside inside = {.part = 63,
		.pattern = pattern,
		.identity = EVL_IDENTITY_PHASE,
		.count = 63,
		.follow = follow};
	for (uint32_t i = 0; i < 63; i++) {
		struct evl_take_content c = {.kind = EVL_CONTENT_PATTERN,
			.pattern = pattern,
			.identity = EVL_IDENTITY_PHASE,
			.phase = phases[i]};
		parts[i] = (struct evl_take_part){
			.channel = i, .play = true, .played = c, .expected = c, .capture = true};
		follow[i].channel = i;
		uint32_t client = 0;
		evl_require(evl_bound_client(&client, evl_engine_channel(engine, 63)->map,
			evl_engine_channel(engine, i)));
		follow[i].client = client;
		follow[i].phase = phases[i];
	}
	parts[63] = (struct evl_take_part){.channel = 63, .capture = true};
	struct evl_take_plan plan = {.holder = "perf",
		.name = "perf",
		.frames = SECONDS * EVL_FRAMES_PER_S,
		.parts = parts,
		.part_count = 63};
	const struct evl_network_plan network = {
		.seed = 1, .delay_frames = 240, .numerator = 1, .denominator = 1000000};
	double plain = 0, through = 0;
	for (int turn = 0; turn < 6;
		turn++) { /* the best of three each: the machine is not alone */
		for (int i = 0; i < 63; i++) {
			parts[i].network = turn % 2 == 1 ? &network : NULL;
		}
		double ratio = run_take(engine, &plan);
		double *best = turn % 2 == 1 ? &through : &plain;
		*best = ratio > *best ? ratio : *best;
	}
	for (int i = 0; i < 63; i++) {
		parts[i].network = NULL;
	}
	plan.part_count = 64;
	plan.inside = &inside;
	plan.inside_count = 1;
	for (int i = 0; i < 64; i++) {
		parts[i].watch = true;
	}
	double followed = run_take(engine, &plan);
	plan.inside = NULL;
	plan.inside_count = 0;
	char path[1100];
	snprintf(path, sizeof path, "%s/perf_take-%ld.pcapng", root ? root : ".", (long)getpid());
	plan.record_path = path;
	plan.frames = (SECONDS + 3) / 4 * EVL_FRAMES_PER_S;
	for (int i = 0; i < 64; i++) {
		parts[i].watch = false;
		parts[i].record_sent = i < 63;
		parts[i].record_received = true;
	}
	double recorded = run_take(engine, &plan);
	plan.record_path = NULL;
	plan.part_count = 63;
	double replayed = replay(engine, &plan, path);
	unlink(path);
	struct rusage usage;
	getrusage(RUSAGE_SELF, &usage);
	printf("63 E1 -> STM-1 -> 63 E1, all checked      %6.1f x line rate\n", plain);
	printf("  the same behind 30 ms and 1e-6 errors   %6.2f of it\n", through / plain);
	printf("  and followed inside the line, watched   %6.1f x\n", followed);
	printf("  all 127 channels recorded and hashed    %6.1f x\n", recorded);
	printf("  63 E1 of that replayed in two rounds    %6.1f x\n", replayed);
	printf("peak memory %ld MB\n", usage.ru_maxrss / 1024);
	char json_path[PERF_PATH];
	perf_json_path(json_path, "perf_take");
	FILE *f = fopen(json_path, "w");
	if (f != NULL) {
		fprintf(f,
			"{\"checked\": %.2f, \"through\": %.2f, \"followed\": %.2f, \"recorded\": "
			"%.2f, \"replayed\": %.2f, \"peak_mb\": %ld}\n",
			plain, through, followed, recorded, replayed, usage.ru_maxrss / 1024);
		fclose(f);
	}
	evl_engine_destroy(engine);
	evl_binding_destroy(binding);
	evl_instance_close(in);
	evl_loader_unload(loaded);
	evl_bench_destroy(bench);
	return JUDGED && plain < 10.0;
}

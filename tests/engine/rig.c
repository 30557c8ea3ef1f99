/* SPDX-License-Identifier: Apache-2.0 */
#include "rig.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/measure/phase.h"

static void must(enum evl_status st, const struct evl_err *err)
{
	if (st < 0) {
		fprintf(stderr, "rig: %s\n", err->text);
		abort();
	}
}

void rig_up(struct rig *rig, const char *driver, const char *options, uint64_t seed)
{
	rig_up_on(rig, driver, options, seed, 0, NULL);
}

void rig_up_on(struct rig *rig, const char *driver, const char *options, uint64_t seed,
	uint64_t reserve_bytes,
	enum evl_status (*space)(uint64_t *bytes, const char *path, struct evl_err *err))
{
	memset(rig, 0, sizeof *rig);
	struct evl_err err = {0};
	char yaml[1024];
	snprintf(yaml, sizeof yaml,
		"bench: rig\ntitle: rig\nadapters:\n  loop:\n    driver: %s\n    options: {%s}\n"
		"roles:\n  trib:\n    adapter: loop\n    channels: e1-{1..8}\n",
		driver, options);
	must(evl_bench_parse(&rig->bench, "rig.yaml", yaml, strlen(yaml), &err), &err);
	char dir[512];
	snprintf(dir, sizeof dir, "%s/tests/adapter", getenv("EVL_BUILD_ROOT"));
	const char *dirs[] = {dir};
	must(evl_loader_load(&rig->loaded, dirs, 1, driver, &err), &err);
	bool is_virtual = evl_loaded_adapter(rig->loaded)->capabilities & EVL_CAP_VIRTUAL_TIME;
	struct evl_instance_args args = evl_instance_args_of(rig->bench, 0, "A", seed, is_virtual);
	must(evl_instance_open(&rig->instance, rig->loaded, &args, &err), &err);
	struct evl_bound_port ports[16];
	size_t n = evl_instance_ports(rig->instance, 0, ports, 16);
	struct evl_need need = {
		.role = "trib", .rate = EVL_RATE_E1, .count = 8, .play = true, .capture = true};
	must(evl_bind(&rig->binding, NULL, rig->bench, &need, 1, ports, n, &err), &err);
	struct evl_engine_args e = {.instances = &rig->instance,
		.instance_count = 1,
		.binding = rig->binding,
		.is_virtual = is_virtual,
		.stop = &rig->stop,
		.reserve_bytes = reserve_bytes,
		.free_space = space};
	must(evl_engine_create(&rig->engine, &e, &err), &err);
}

void rig_down(struct rig *rig)
{
	evl_engine_destroy(rig->engine);
	evl_binding_destroy(rig->binding);
	evl_instance_close(rig->instance);
	evl_loader_unload(rig->loaded);
	evl_bench_destroy(rig->bench);
}

void rig_patterns(struct rig *rig, uint32_t count, uint64_t frames)
{
	struct evl_err err = {0};
	struct evl_pattern pattern = evl_pattern_prbs(EVL_PRBS15);
	uint32_t phases[16];
	must(evl_phase_assign(phases, count, &pattern, 1, &err), &err);
	for (uint32_t i = 0; i < count; i++) {
		struct evl_take_content c = {.kind = EVL_CONTENT_PATTERN,
			.pattern = pattern,
			.identity = EVL_IDENTITY_PHASE,
			.phase = phases[i]};
		rig->parts[i] = (struct evl_take_part){
			.channel = i, .play = true, .played = c, .expected = c, .capture = true};
	}
	rig->plan = (struct evl_take_plan){.holder = "case test",
		.name = "take 1",
		.frames = frames,
		.parts = rig->parts,
		.part_count = count};
}

enum evl_status rig_take(struct rig *rig, uint64_t deadline_ns, const struct evl_take_sink *sink,
	struct evl_take_result **out, struct evl_err *err)
{
	rig->plan.begin_ns = evl_engine_next_begin(rig->engine);
	return evl_engine_take(rig->engine, &rig->plan, deadline_ns, sink, out, err);
}

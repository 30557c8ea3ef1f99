/* SPDX-License-Identifier: Apache-2.0 */
/* Brings a laboratory up: bench file, adapters, binding. */
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <unistd.h>

#include "core/script/internal.h"

/* One run at a time touches the equipment of a bench, whatever store it writes to: a lock on the
 * bench file itself, which the system gives back when the process ends in any way. */
static enum evl_status take_bench(struct lab *lab, struct evl_err *err)
{
	const char *path = lab->bench->path;
	lab->lock_fd = open(path, O_RDWR | O_CLOEXEC); /* some file servers lock only for writers */
	if (lab->lock_fd < 0) {
		lab->lock_fd = open(path, O_RDONLY | O_CLOEXEC);
	}
	if (lab->lock_fd >= 0 && flock(lab->lock_fd, LOCK_EX | LOCK_NB) == 0) {
		return EVL_OK;
	}
	if (lab->lock_fd >= 0 && errno == EWOULDBLOCK) {
		return evl_err_set(err, EVL_E_CONFLICT,
				   "%s: another process is using this bench; wait for its end, or "
				   "name another bench",
				   path);
	}
	return evl_err_set(err, EVL_E_IO, "%s: the bench cannot be locked: %s", path,
			   strerror(errno));
}

static enum evl_status load_all(struct lab *lab, const struct evl_run_args *args,
				struct evl_err *err)
{
	const struct evl_bench *bench = lab->bench;
	lab->is_virtual = true;
	for (size_t i = 0; i < bench->adapter_count; i++) {
		enum evl_status st =
			evl_loader_load(&lab->loaded[i], args->adapter_dirs,
					args->adapter_dir_count, bench->adapters[i].driver, err);
		if (st < 0) {
			return evl_err_prefix(err, "%s:%u", bench->path, bench->adapters[i].line);
		}
		struct evl_instance_args a = evl_instance_args_of(
			bench, i, args->build != NULL ? args->build : "", args->seed, false);
		st = evl_adapter_identify(
			&lab->identities[i], evl_loaded_adapter(lab->loaded[i]), &a, err);
		if (st < 0) {
			return st;
		}
		uint32_t caps = lab->identities[i].capabilities;
		/* One clock for all: virtual only when every adapter can follow it. */
		lab->is_virtual = lab->is_virtual && (caps & EVL_CAP_VIRTUAL_TIME) != 0;
		lab->simulated = lab->simulated || (caps & EVL_CAP_SIMULATED) != 0;
	}
	/* On the virtual clock all of it is software of this process alone. */
	enum evl_status held = lab->is_virtual ? EVL_OK : take_bench(lab, err);
	if (held < 0) {
		return held;
	}
	for (size_t i = 0; i < bench->adapter_count; i++) {
		struct evl_instance_args a =
			evl_instance_args_of(bench, i, args->build != NULL ? args->build : "",
					     args->seed, lab->is_virtual);
		enum evl_status st = evl_instance_open(&lab->instances[i], lab->loaded[i], &a, err);
		if (st < 0) {
			return st;
		}
	}
	return EVL_OK;
}

static enum evl_status bind_roles(struct lab *lab, const struct campaign *c, struct evl_fit *fit,
				  struct evl_err *err)
{
	size_t total = 0;
	for (size_t i = 0; i < lab->bench->adapter_count; i++) {
		total += evl_instance_ports(lab->instances[i], (uint32_t)i, NULL, 0);
	}
	struct evl_bound_port *ports = evl_xcalloc(total, sizeof *ports);
	size_t n = 0;
	for (size_t i = 0; i < lab->bench->adapter_count; i++) {
		n += evl_instance_ports(lab->instances[i], (uint32_t)i, ports + n, total - n);
	}
	struct evl_need *needs = evl_xcalloc(c->need_count, sizeof *needs);
	for (size_t i = 0; i < c->need_count; i++) {
		const struct campaign_need *from = &c->needs[i];
		needs[i] = (struct evl_need){.role = from->role,
					     .rate = from->rate,
					     .count = from->count,
					     .play = from->play,
					     .capture = from->capture,
					     .alarms = from->alarms,
					     .inject = from->inject,
					     .clock = from->clock,
					     .setup = from->setup,
					     .where = c->path};
	}
	enum evl_status st =
		evl_bind(&lab->binding, fit, lab->bench, needs, c->need_count, ports, n, err);
	free(needs);
	free(ports);
	return st;
}

enum evl_status evl_lab_open(struct lab *lab, const struct evl_run_args *args,
			     const struct campaign *c, struct evl_fit *fit, struct evl_err *err)
{
	*lab = (struct lab){.lock_fd = -1};
	enum evl_status st = evl_bench_load(&lab->bench, args->bench, err);
	if (st < 0) {
		return st;
	}
	lab->loaded = evl_xcalloc(lab->bench->adapter_count, sizeof(struct evl_loaded *));
	lab->identities = evl_xcalloc(lab->bench->adapter_count, sizeof *lab->identities);
	lab->instances = evl_xcalloc(lab->bench->adapter_count, sizeof(struct evl_instance *));
	st = load_all(lab, args, err);
	return st < 0 ? st : bind_roles(lab, c, fit, err);
}

void evl_lab_close(struct lab *lab)
{
	evl_binding_destroy(lab->binding);
	for (size_t i = 0; lab->bench != NULL && i < lab->bench->adapter_count; i++) {
		if (lab->instances != NULL) {
			evl_instance_close(lab->instances[i]);
		}
	}
	for (size_t i = 0; lab->bench != NULL && i < lab->bench->adapter_count; i++) {
		if (lab->loaded != NULL) {
			evl_loader_unload(lab->loaded[i]);
		}
	}
	if (lab->bench != NULL && lab->lock_fd >= 0) {
		close(lab->lock_fd); /* after the adapters let go of the equipment */
	}
	free(lab->identities);
	free(lab->instances);
	free(lab->loaded);
	evl_bench_destroy(lab->bench);
	*lab = (struct lab){0};
}

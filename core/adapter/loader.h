/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Finds, loads and checks adapters. An adapter NAME is DIR/NAME.so or DIR/NAME/NAME.so in one of
 * the folders of the search path, the first that exists.
 *
 *	const char *dirs[] = {"build/adapters"};
 *	struct evl_loaded *mux;
 *	if (evl_loader_load(&mux, dirs, 1, "simmux", &err) < 0) { ... }
 *	evl_instance_open(&instance, mux, &args, &err);
 *	evl_instance_close(instance);
 *	evl_loader_unload(mux);
 *
 * Loading an object runs its constructors: a search path holds only folders that the user trusts.
 */
#pragma once

#include <stddef.h>
#include <stdint.h>

#include "core/adapter/adapter.h"
#include "core/base/digest.h"
#include "core/base/err.h"

struct evl_loaded; /* one adapter in memory */

/* Loads and checks: symbol, ABI version, mandatory functions, name. EVL_E_NOTFOUND names the
 * folders that were searched; EVL_E_VERSION both versions; EVL_E_ADAPTER what is wrong with it;
 * EVL_E_INVALID a name that no adapter can have. On failure *out is NULL. */
enum evl_status evl_loader_load(struct evl_loaded **out, const char *const *dirs, size_t dir_count,
				const char *name, struct evl_err *err);

/* All its instances must be closed. Takes NULL. */
void evl_loader_unload(struct evl_loaded *loaded);

/* Valid until unload. */
const struct evl_adapter *evl_loaded_adapter(const struct evl_loaded *loaded);
const char *evl_loaded_path(const struct evl_loaded *loaded);
const char *evl_loaded_sha256(const struct evl_loaded *loaded); /* of the file, hex */

/* The checks of evl_loader_load on a table that is already in memory (for tests and for adapters
 * that are linked in); `name` is what the file is called. */
enum evl_status evl_loader_check(const struct evl_adapter *adapter, const char *name,
				 struct evl_err *err);

/* One candidate of the search path. */
struct evl_listed {
	const char *name;
	const char *path;
	const char *version; /* "" when not loadable, and so on */
	const char *description;
	const char *problem;     /* "" when it loads, else why not */
	const char *shadowed_by; /* path of one earlier in the search path that wins, or "" */
	uint32_t abi_major;
	uint32_t abi_minor;
	uint32_t capabilities; /* EVL_CAP_x */
};

struct evl_listing {
	const struct evl_listed *items; /* by name, then in the order of the search path */
	size_t count;
};

/* Tries everything in the folders that looks like an adapter. A folder that is not there is
 * skipped; EVL_E_IO when one cannot be read. */
enum evl_status evl_loader_list(struct evl_listing **out, const char *const *dirs, size_t dir_count,
				struct evl_err *err);
void evl_listing_destroy(struct evl_listing *listing); /* takes NULL */

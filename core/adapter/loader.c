/* SPDX-License-Identifier: Apache-2.0 */
#include "core/adapter/loader.h"

#include <dirent.h>
#include <dlfcn.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "core/base/file.h"
#include "core/base/text.h"
#include "core/adapter/internal.h"

struct evl_loaded {
	void *handle;
	const struct evl_adapter *adapter;
	char *path;
	char sha256[EVL_SHA256_HEX];
};

static bool name_good(const char *name)
{
	size_t n = strlen(name);
	if (n == 0 || n >= EVL_NAME_MAX) {
		return false;
	}
	for (size_t i = 0; i < n; i++) {
		char c = name[i];
		if (!(c >= 'a' && c <= 'z') && !(c >= 'A' && c <= 'Z') && !(c >= '0' && c <= '9') &&
		    c != '-' && c != '_') {
			return false;
		}
	}
	return true;
}

enum evl_status evl_loader_check(const struct evl_adapter *adapter, const char *name,
				 struct evl_err *err)
{
	if (adapter->abi_major != EVL_ABI_MAJOR) {
		return evl_err_set(err, EVL_E_VERSION,
				   "adapter %s was built for driver ABI %u.%u, this evenlode has "
				   "%u.%u; the first "
				   "number must be the same",
				   name, (unsigned)adapter->abi_major, (unsigned)adapter->abi_minor,
				   EVL_ABI_MAJOR, EVL_ABI_MINOR);
	}
	if (adapter->abi_minor > EVL_ABI_MINOR) {
		return evl_err_set(
			err, EVL_E_VERSION,
			"adapter %s was built for driver ABI %u.%u, newer than the %u.%u of this "
			"evenlode; use a newer evenlode or an older adapter",
			name, (unsigned)adapter->abi_major, (unsigned)adapter->abi_minor,
			EVL_ABI_MAJOR, EVL_ABI_MINOR);
	}
	const struct {
		const char *what;
		bool there;
	} parts[] = {{"name", adapter->name != NULL},
		     {"version", adapter->version != NULL},
		     {"description", adapter->description != NULL},
		     {"open", adapter->open != NULL},
		     {"channels", adapter->channels != NULL},
		     {"arm", adapter->arm != NULL},
		     {"start", adapter->start != NULL},
		     {"exchange", adapter->exchange != NULL},
		     {"poll", adapter->poll != NULL},
		     {"stop", adapter->stop != NULL},
		     {"close", adapter->close != NULL}};
	for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
		if (!parts[i].there) {
			return evl_err_set(err, EVL_E_ADAPTER,
					   "adapter %s is incomplete: its table has no %s", name,
					   parts[i].what);
		}
	}
	if (strcmp(adapter->name, name) != 0) {
		char told[64];
		return evl_err_set(err, EVL_E_ADAPTER,
				   "adapter %s calls itself \"%s\"; the file must have the name of "
				   "the adapter",
				   name, evl_adapter_text(told, sizeof told, adapter->name, 256));
	}
	return EVL_OK;
}

/* Loads the object at `path`. */
static enum evl_status load_path(struct evl_loaded **out, const char *path, const char *name,
				 struct evl_err *err)
{
	*out = NULL;
	uint8_t digest[EVL_SHA256_BYTES];
	enum evl_status st = evl_sha256_of_file(path, digest, err);
	if (st < 0) {
		return st;
	}
	struct evl_loaded *l = evl_xcalloc(1, sizeof *l);
	evl_hex(digest, sizeof digest, l->sha256);
	l->path = evl_xstrdup(path);
	l->handle = dlopen(path, RTLD_NOW | RTLD_LOCAL);
	if (l->handle == NULL) {
		const char *why = dlerror();
		st = evl_err_set(err, EVL_E_ADAPTER, "adapter %s cannot be loaded: %s", name,
				 why ? why : path);
		goto out;
	}
	l->adapter = dlsym(l->handle, "evl_adapter");
	if (l->adapter == NULL) {
		st = evl_err_set(
			err, EVL_E_ADAPTER,
			"adapter %s: %s exports no symbol evl_adapter; it is not an adapter", name,
			path);
		goto out;
	}
	st = evl_loader_check(l->adapter, name, err);
	if (st < 0) {
		evl_err_set(err, st, "%s (%s)", err ? err->text : "", path);
	}
out:
	if (st < 0) {
		evl_loader_unload(l);
		return st;
	}
	*out = l;
	return EVL_OK;
}

/* DIR/NAME.so or DIR/NAME/NAME.so, the first that exists; NULL when there is none. The caller
 * frees. dlopen looks into system folders unless the path has a '/', so it always gets one. */
static char *candidate(const char *dir, const char *name)
{
	for (int deep = 0; deep < 2; deep++) {
		struct evl_text t = {0};
		evl_text_addf(&t, "%s%s/", strchr(dir, '/') ? "" : "./", dir);
		if (deep) {
			evl_text_addf(&t, "%s/", name);
		}
		evl_text_addf(&t, "%s.so", name);
		struct stat sb;
		if (stat(evl_text_str(&t), &sb) == 0 && S_ISREG(sb.st_mode)) {
			return t.data;
		}
		evl_text_finish(&t);
	}
	return NULL;
}

enum evl_status evl_loader_load(struct evl_loaded **out, const char *const *dirs, size_t dir_count,
				const char *name, struct evl_err *err)
{
	*out = NULL;
	if (!name_good(name)) {
		char told[64];
		return evl_err_set(
			err, EVL_E_INVALID,
			"\"%s\" is no name of an adapter; letters, digits, - and _ make one",
			evl_adapter_text(told, sizeof told, name, 256));
	}
	for (size_t i = 0; i < dir_count; i++) {
		char *path = candidate(dirs[i], name);
		if (path) {
			enum evl_status st = load_path(out, path, name, err);
			free(path);
			return st;
		}
	}
	struct evl_text t = {0};
	for (size_t i = 0; i < dir_count; i++) {
		evl_text_addf(&t, "%s%s", i ? ", " : "", dirs[i]);
	}
	enum evl_status st =
		evl_err_set(err, EVL_E_NOTFOUND, "there is no adapter %s; looked for %s.so in: %s",
			    name, name, dir_count ? evl_text_str(&t) : "no folder at all");
	evl_text_finish(&t);
	return st;
}

void evl_loader_unload(struct evl_loaded *loaded)
{
	if (loaded == NULL) {
		return;
	}
	if (loaded->handle) {
		dlclose(loaded->handle);
	}
	free(loaded->path);
	free(loaded);
}

const struct evl_adapter *evl_loaded_adapter(const struct evl_loaded *loaded)
{
	return loaded->adapter;
}

const char *evl_loaded_path(const struct evl_loaded *loaded)
{
	return loaded->path;
}

const char *evl_loaded_sha256(const struct evl_loaded *loaded)
{
	return loaded->sha256;
}

/* Listing: owned strings, in a growing array. */
struct list {
	struct evl_listed *items;
	size_t count;
};

static void list_one(struct list *l, const char *name, const char *path)
{
	l->items = evl_xrealloc(l->items, (l->count + 1) * sizeof *l->items);
	struct evl_listed *item = &l->items[l->count];
	struct evl_loaded *loaded;
	struct evl_err err = {0};
	enum evl_status st = load_path(&loaded, path, name, &err);
	const struct evl_adapter *a = st == EVL_OK ? loaded->adapter : NULL;
	char version[64], description[256];
	*item = (struct evl_listed){
		.name = evl_xstrdup(name),
		.path = evl_xstrdup(path),
		.version = evl_xstrdup(
			a ? evl_adapter_text(version, sizeof version, a->version, 1024) : ""),
		.description = evl_xstrdup(
			a ? evl_adapter_text(description, sizeof description, a->description, 1024)
			  : ""),
		.problem = evl_xstrdup(st < 0 ? err.text : ""),
		.shadowed_by = "",
	};
	for (size_t i = 0; i < l->count && item->shadowed_by[0] == '\0'; i++) {
		if (strcmp(l->items[i].name, name) == 0) {
			item->shadowed_by = l->items[i].path;
		}
	}
	item->shadowed_by = evl_xstrdup(item->shadowed_by);
	if (a) {
		item->abi_major = a->abi_major;
		item->abi_minor = a->abi_minor;
		item->capabilities = a->capabilities;
	}
	l->count++;
	evl_loader_unload(loaded);
}

static int by_text(const void *a, const void *b)
{
	return strcmp(*(char *const *)a, *(char *const *)b);
}

/* The names of adapters in one folder, sorted; the caller frees them and the array. */
static enum evl_status names_in(char ***out, size_t *count, const char *dir, struct evl_err *err)
{
	*out = NULL;
	*count = 0;
	DIR *d = opendir(dir);
	if (d == NULL) {
		return errno == ENOENT ? EVL_OK
				       : evl_err_set(err, EVL_E_IO, "%s: cannot be read: %s", dir,
						     strerror(errno));
	}
	for (struct dirent *e; (e = readdir(d)) != NULL;) {
		char name[256];
		size_t n = strlen(e->d_name);
		bool object = n > 3 && n < sizeof name && strcmp(e->d_name + n - 3, ".so") == 0;
		snprintf(name, sizeof name, "%.*s", (int)(object ? n - 3 : n), e->d_name);
		char *path = name_good(name) ? candidate(dir, name) : NULL;
		bool known = false;
		for (size_t i = 0; i < *count; i++) {
			known = known || strcmp((*out)[i], name) == 0;
		}
		if (path && !known) {
			*out = evl_xrealloc(*out, (*count + 1) * sizeof **out);
			(*out)[(*count)++] = evl_xstrdup(name);
		}
		free(path);
	}
	closedir(d);
	if (*count) {
		qsort(*out, *count, sizeof **out, by_text);
	}
	return EVL_OK;
}

struct order {
	struct evl_listed item;
	size_t at;
};

static int by_name(const void *a, const void *b)
{
	const struct order *x = a, *y = b;
	int d = strcmp(x->item.name, y->item.name);
	return d != 0 ? d : (x->at > y->at) - (x->at < y->at);
}

enum evl_status evl_loader_list(struct evl_listing **out, const char *const *dirs, size_t dir_count,
				struct evl_err *err)
{
	*out = NULL;
	struct list l = {0};
	enum evl_status st = EVL_OK;
	for (size_t i = 0; i < dir_count && st == EVL_OK; i++) {
		char **names;
		size_t count;
		st = names_in(&names, &count, dirs[i], err);
		for (size_t k = 0; k < count; k++) {
			char *path = candidate(dirs[i], names[k]);
			if (path) {
				list_one(&l, names[k], path);
			}
			free(path);
			free(names[k]);
		}
		free(names);
	}
	struct order *sorted = evl_xcalloc(l.count, sizeof *sorted);
	for (size_t i = 0; i < l.count; i++) {
		sorted[i] = (struct order){.item = l.items[i], .at = i};
	}
	if (l.count) {
		qsort(sorted, l.count, sizeof *sorted, by_name);
	}
	for (size_t i = 0; i < l.count; i++) {
		l.items[i] = sorted[i].item;
	}
	free(sorted);
	struct evl_listing *listing = evl_xcalloc(1, sizeof *listing);
	listing->items = l.items;
	listing->count = l.count;
	if (st < 0) {
		evl_listing_destroy(listing);
		return st;
	}
	*out = listing;
	return EVL_OK;
}

void evl_listing_destroy(struct evl_listing *listing)
{
	if (listing == NULL) {
		return;
	}
	for (size_t i = 0; i < listing->count; i++) {
		const struct evl_listed *item = &listing->items[i];
		free((char *)item->name);
		free((char *)item->path);
		free((char *)item->version);
		free((char *)item->description);
		free((char *)item->problem);
		free((char *)item->shadowed_by);
	}
	free((struct evl_listed *)listing->items);
	free(listing);
}

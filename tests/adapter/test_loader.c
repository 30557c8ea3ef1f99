/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The loader against real shared modules (tests/mocks). What must be refused is written in
 * core/adapter/adapter.h and loader.h; the digest is compared with sha256sum (coreutils).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <cmocka.h>

#include "core/adapter/loader.h"

static char mocks[1024];

static int group_setup(void **state)
{
	(void)state;
	const char *root = getenv("EVL_BUILD_ROOT");
	snprintf(mocks, sizeof mocks, "%s/tests/adapter", root ? root : ".");
	return 0;
}

static void copy_file(const char *from, const char *to)
{
	FILE *a = fopen(from, "rb"), *b = fopen(to, "wb");
	assert_non_null(a);
	assert_non_null(b);
	char buf[65536];
	for (size_t n; (n = fread(buf, 1, sizeof buf, a)) > 0;) {
		assert_int_equal(fwrite(buf, 1, n, b), n);
	}
	fclose(a);
	assert_int_equal(fclose(b), 0);
}

static void test_good(void **state)
{
	(void)state;
	const char *dirs[] = {"/no/such/folder", mocks};
	struct evl_loaded *l;
	struct evl_err err = {0};
	assert_int_equal(evl_loader_load(&l, dirs, 2, "loopback", &err), EVL_OK);
	const struct evl_adapter *a = evl_loaded_adapter(l);
	assert_string_equal(a->name, "loopback");
	assert_int_equal(a->abi_major, EVL_ABI_MAJOR);
	assert_non_null(strstr(evl_loaded_path(l), "/tests/adapter/loopback.so"));
	char command[1200], hex[65] = "";
	snprintf(command, sizeof command, "sha256sum '%s'", evl_loaded_path(l));
	FILE *p = popen(command, "r");
	assert_non_null(p);
	assert_int_equal(fread(hex, 1, 64, p), 64);
	pclose(p);
	assert_string_equal(evl_loaded_sha256(l), hex);
	/* Two at a time keep their own symbol. */
	struct evl_loaded *other;
	assert_int_equal(evl_loader_load(&other, dirs, 2, "realtime", &err), EVL_OK);
	assert_string_equal(evl_loaded_adapter(other)->name, "realtime");
	assert_string_equal(evl_loaded_adapter(l)->name, "loopback");
	evl_loader_unload(other);
	evl_loader_unload(l);
	evl_loader_unload(NULL);
}

static void test_refused(void **state)
{
	(void)state;
	static const struct {
		const char *name;
		enum evl_status status;
		const char *says[2];
	} rows[] = {
		{"wrongmajor", EVL_E_VERSION, {"ABI 2.0, this evenlode has 1.0", "wrongmajor"}},
		{"newerminor", EVL_E_VERSION, {"ABI 1.1, newer than the 1.0", "newerminor"}},
		{"nosymbol", EVL_E_ADAPTER, {"exports no symbol evl_adapter", "nosymbol"}},
		{"nofunction", EVL_E_ADAPTER, {"its table has no exchange", "nofunction"}},
		{"wrongname", EVL_E_ADAPTER, {"calls itself \"somethingelse\"", "wrongname"}},
		{"absent", EVL_E_NOTFOUND, {"no adapter absent", "/tests/adapter"}},
		{"", EVL_E_INVALID, {"no name of an adapter"}},
		{"../loopback", EVL_E_INVALID, {"\"../loopback\" is no name of an adapter"}},
		{"loop back", EVL_E_INVALID, {"no name of an adapter"}},
		{"loopback.so", EVL_E_INVALID, {"no name of an adapter"}},
	};
	const char *dirs[] = {mocks};
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct evl_loaded *l = (struct evl_loaded *)1;
		struct evl_err err = {0};
		enum evl_status st = evl_loader_load(&l, dirs, 1, rows[i].name, &err);
		assert_null(l);
		assert_int_equal(err.status, st);
		assert_int_equal(st, rows[i].status);
		for (size_t k = 0; k < 2 && rows[i].says[k]; k++) {
			if (strstr(err.text, rows[i].says[k]) == NULL) {
				fail_msg("%s: wanted \"%s\" in: %s", rows[i].name, rows[i].says[k],
					 err.text);
			}
		}
		assert_int_equal(evl_loader_load(&l, dirs, 1, rows[i].name, NULL), st);
	}
	struct evl_loaded *l;
	struct evl_err err = {0};
	assert_int_equal(evl_loader_load(&l, NULL, 0, "loopback", &err), EVL_E_NOTFOUND);
	assert_non_null(strstr(err.text, "no folder at all"));
}

static void test_not_an_object(void **state)
{
	(void)state;
	char dir[] = "/tmp/evl-loader-XXXXXX";
	assert_non_null(mkdtemp(dir));
	char path[128];
	snprintf(path, sizeof path, "%s/text.so", dir);
	FILE *f = fopen(path, "w");
	assert_non_null(f);
	fputs("this is no shared object\n", f);
	fclose(f);
	char folder[128];
	snprintf(folder, sizeof folder, "%s/folder.so", dir);
	assert_int_equal(mkdir(folder, 0700), 0);
	const char *dirs[] = {dir};
	struct evl_loaded *l;
	struct evl_err err = {0};
	assert_int_equal(evl_loader_load(&l, dirs, 1, "text", &err), EVL_E_ADAPTER);
	assert_non_null(strstr(err.text, "adapter text cannot be loaded"));
	assert_non_null(strstr(err.text, path));
	assert_int_equal(evl_loader_load(&l, dirs, 1, "folder", &err), EVL_E_NOTFOUND);
	unlink(path);
	rmdir(folder);
	rmdir(dir);
}

static const struct evl_listed *find(const struct evl_listing *l, const char *name, size_t nth)
{
	for (size_t i = 0; i < l->count; i++) {
		if (strcmp(l->items[i].name, name) == 0 && nth-- == 0) {
			return &l->items[i];
		}
	}
	return NULL;
}

static void test_list(void **state)
{
	(void)state;
	/* A second folder with a copy in a folder of its own, as adapters are built. */
	char dir[] = "/tmp/evl-list-XXXXXX";
	assert_non_null(mkdtemp(dir));
	char folder[128], copy[160], original[1200];
	snprintf(folder, sizeof folder, "%s/loopback", dir);
	snprintf(copy, sizeof copy, "%s/loopback.so", folder);
	snprintf(original, sizeof original, "%s/loopback.so", mocks);
	assert_int_equal(mkdir(folder, 0700), 0);
	copy_file(original, copy);
	const char *dirs[] = {"/no/such/folder", mocks, dir};
	struct evl_listing *l;
	struct evl_err err = {0};
	assert_int_equal(evl_loader_list(&l, dirs, 3, &err), EVL_OK);
	const struct evl_listed *a = find(l, "loopback", 0);
	assert_non_null(a);
	assert_string_equal(a->problem, "");
	assert_string_equal(a->version, "1.0");
	assert_string_equal(a->shadowed_by, "");
	assert_int_equal(a->capabilities, EVL_CAP_VIRTUAL_TIME | EVL_CAP_SIMULATED);
	const struct evl_listed *b = find(l, "loopback", 1);
	assert_non_null(b);
	assert_string_equal(b->path, copy);
	assert_string_equal(b->shadowed_by, a->path);
	assert_int_equal(find(l, "realtime", 0)->capabilities, EVL_CAP_SIMULATED);
	assert_non_null(strstr(find(l, "wrongmajor", 0)->problem, "ABI 2.0"));
	assert_non_null(strstr(find(l, "newerminor", 0)->problem, "ABI 1.1"));
	assert_non_null(strstr(find(l, "nosymbol", 0)->problem, "no symbol"));
	assert_non_null(strstr(find(l, "nofunction", 0)->problem, "no exchange"));
	assert_non_null(strstr(find(l, "wrongname", 0)->problem, "somethingelse"));
	for (size_t i = 1; i < l->count; i++) {
		assert_true(strcmp(l->items[i - 1].name, l->items[i].name) <= 0);
	}
	evl_listing_destroy(l);
	/* The copy loads from its own folder. */
	struct evl_loaded *loaded;
	assert_int_equal(evl_loader_load(&loaded, &dirs[2], 1, "loopback", &err), EVL_OK);
	assert_string_equal(evl_loaded_path(loaded), copy);
	evl_loader_unload(loaded);
	unlink(copy);
	rmdir(folder);
	rmdir(dir);
	assert_int_equal(evl_loader_list(&l, dirs, 1, &err), EVL_OK);
	assert_int_equal(l->count, 0);
	evl_listing_destroy(l);
	evl_listing_destroy(NULL);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_good),
		cmocka_unit_test(test_refused),
		cmocka_unit_test(test_not_an_object),
		cmocka_unit_test(test_list),
	};
	return cmocka_run_group_tests_name("adapter.loader", tests, group_setup, NULL);
}

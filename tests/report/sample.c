/* SPDX-License-Identifier: Apache-2.0 */
/* Writes the dossiers of the invented runs into a folder, to be looked at: sample FOLDER */
#include "tests/report/invented.h"

#include "core/report/dossier.h"

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

int main(int argc, char **argv)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(write_sample)};
	if (argc != 2) {
		fputs("usage: sample FOLDER\n", stderr);
		return 64;
	}
	out = argv[1];
	return cmocka_run_group_tests(tests, NULL, NULL);
}

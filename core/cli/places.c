/* SPDX-License-Identifier: Apache-2.0 */
#include <glob.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/base/file.h"
#include "core/cli/cli.h"

/* Takes over `dir`. A folder that is in the list already keeps its place. */
static void add(struct cli_places *p, char *dir)
{
	for (size_t i = 0; i < p->count; i++) {
		if (strcmp(p->dirs[i], dir) == 0) {
			free(dir);
			return;
		}
	}
	p->dirs = evl_xrealloc(p->dirs, (p->count + 1) * sizeof(*p->dirs));
	p->dirs[p->count++] = dir;
}

static void add_list(struct cli_places *p, const char *list)
{
	char *copy = evl_xstrdup(list);
	char *rest = copy;
	for (char *dir = strsep(&rest, ":"); dir != NULL; dir = strsep(&rest, ":")) {
		if (*dir != '\0') {
			add(p, evl_xstrdup(dir));
		}
	}
	free(copy);
}

static void add_beside_program(struct cli_places *p)
{
	char exe[PATH_MAX];
	ssize_t len = readlink("/proc/self/exe", exe, sizeof(exe) - 1);
	if (len <= 0) {
		return;
	}
	exe[len] = '\0';
	char *slash = strrchr(exe, '/');
	if (slash == NULL) {
		return;
	}
	*slash = '\0';
	add(p, evl_file_join(exe, "adapters"));

	char *pattern = evl_file_join(exe, "../lib/*/evenlode/adapters");
	glob_t found;
	if (glob(pattern, 0, NULL, &found) == 0) { /* sorted */
		for (size_t i = 0; i < found.gl_pathc; i++) {
			add(p, evl_xstrdup(found.gl_pathv[i]));
		}
		globfree(&found);
	}
	free(pattern);
	add(p, evl_file_join(exe, "../lib/evenlode/adapters"));
}

void cli_places_find(struct cli_places *p, const char *option)
{
	const char *variable = getenv("EVENLODE_ADAPTER_PATH");
	*p = (struct cli_places){0};
	if (option != NULL) {
		add_list(p, option);
	}
	if (variable != NULL) {
		add_list(p, variable);
	}
	add_beside_program(p);
}

void cli_places_finish(struct cli_places *p)
{
	for (size_t i = 0; i < p->count; i++) {
		free(p->dirs[i]);
	}
	free(p->dirs);
	*p = (struct cli_places){0};
}

/* SPDX-License-Identifier: Apache-2.0 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/cli/cli.h"

json_t *cli_json_text(const char *text)
{
	if (text == NULL) {
		return json_null();
	}
	json_t *value = json_string(text);
	if (value == NULL) { /* no UTF-8: what an adapter or a file name may hold */
		char *copy = evl_xstrdup(text);
		for (char *p = copy; *p != '\0'; p++) {
			if ((unsigned char)*p >= 0x80) {
				*p = '?';
			}
		}
		value = json_string(copy);
		free(copy);
	}
	evl_require(value != NULL);
	return value;
}

json_t *cli_json_object_of(const char *json)
{
	json_t *value = json != NULL ? json_loads(json, JSON_REJECT_DUPLICATES, NULL) : NULL;
	return value != NULL ? value : json_null();
}

void cli_json_print(json_t *value)
{
	evl_require(value != NULL);
	/* jansson's own writer stops at a short write; standard output says so at the end. */
	char *text = json_dumps(value, JSON_INDENT(2));
	json_decref(value);
	evl_require(text != NULL);
	fputs(text, stdout);
	fputc('\n', stdout);
	free(text);
}

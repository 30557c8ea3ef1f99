/* SPDX-License-Identifier: Apache-2.0 */
#include "core/base/personal.h"

#include <string.h>

#include "core/base/err.h"
#include "core/base/text.h"

enum { MARK_BYTES = sizeof EVL_PERSONAL_BEGIN - 1 };

const char *evl_personal_find(const char *text, const char **end, const char **next)
{
	const char *begin = strstr(text, EVL_PERSONAL_BEGIN);
	if (begin == NULL) {
		return NULL;
	}
	begin += MARK_BYTES;
	const char *stop = strstr(begin, EVL_PERSONAL_END);
	*end = stop != NULL ? stop : begin + strlen(begin);
	*next = stop != NULL ? stop + MARK_BYTES : *end;
	return begin;
}

char *evl_personal_hidden(const char *text)
{
	struct evl_text out = {0};
	const char *begin, *end, *next;
	while ((begin = evl_personal_find(text, &end, &next)) != NULL) {
		evl_text_addn(&out, text, (size_t)(begin - MARK_BYTES - text));
		evl_text_add(&out, "[withheld]");
		text = next;
	}
	evl_text_add(&out, text);
	char *copy = evl_xstrdup(evl_text_str(&out));
	evl_text_finish(&out);
	return copy;
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "adapters/process/options.h"

#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HANDED "options."

int process_fail(struct evl_adapter_error *err, int code, const char *fmt, ...)
{
	va_list ap;
	va_start(ap, fmt);
	vsnprintf(err->text, sizeof err->text, fmt, ap);
	va_end(ap);
	return code;
}

static int no_memory(struct evl_adapter_error *err)
{
	return process_fail(err, EVL_ADAPTER_E_NOMEM, "no memory for the options");
}

/* Decimal digits only. */
static bool read_ms(const char *text, uint32_t *out)
{
	uint32_t v = 0;
	if (*text == '\0') {
		return false;
	}
	for (const char *s = text; *s != '\0'; s++) {
		if (*s < '0' || *s > '9' ||
			(v = v * 10 + (uint32_t)(*s - '0')) > PROCESS_LIMIT_MAX) {
			return false;
		}
	}
	*out = v;
	return v > 0;
}

static int read_limit(struct process_options *o, const struct evl_adapter_option *option,
	unsigned *given, struct evl_adapter_error *err)
{
	static const char *const names[] = {"open_ms", "take_ms", "exchange_ms", "call_ms"};
	uint32_t *const to[] = {
		&o->limits.open_ms, &o->limits.take_ms, &o->limits.exchange_ms, &o->limits.call_ms};
	const char *name = option->path + strlen("limits.");
	for (unsigned i = 0; i < 4; i++) {
		if (strcmp(name, names[i]) != 0) {
			continue;
		}
		if (*given & 1u << i) {
			return process_fail(err, EVL_ADAPTER_E_OPTION, "option %s is given twice",
				option->path);
		}
		*given |= 1u << i;
		if (!read_ms(option->value, to[i])) {
			return process_fail(err, EVL_ADAPTER_E_OPTION,
				"option %s: '%.40s' is no number of milliseconds from 1 to %u",
				option->path, option->value, PROCESS_LIMIT_MAX);
		}
		return EVL_ADAPTER_OK;
	}
	return process_fail(err, EVL_ADAPTER_E_OPTION,
		"option %.200s is unknown; limits are open_ms, take_ms, exchange_ms and call_ms",
		option->path);
}

static int read_word(struct process_options *o, const struct evl_adapter_option *option,
	struct evl_adapter_error *err)
{
	char expected[32];
	if (o->words == PROCESS_WORDS_MAX) {
		return process_fail(err, EVL_ADAPTER_E_OPTION, "option command: more than %u words",
			PROCESS_WORDS_MAX);
	}
	snprintf(expected, sizeof expected, "command[%u]", o->words);
	if (strcmp(option->path, expected) != 0) {
		return process_fail(err, EVL_ADAPTER_E_OPTION,
			"option %.200s: the command is one list of words, such as "
			"[python3, child.py]",
			option->path);
	}
	if (o->words == 0 && option->value[0] == '\0') {
		return process_fail(err, EVL_ADAPTER_E_OPTION,
			"option command[0] is empty; it must name a program");
	}
	o->command[o->words] = strdup(option->value);
	return o->command[o->words++] != NULL ? EVL_ADAPTER_OK : no_memory(err);
}

int process_options_read(struct process_options *out, const struct evl_open_args *args,
	struct evl_adapter_error *err)
{
	unsigned limits = 0;
	/* In virtual time a pause of the whole machine is not the child's fault, and nothing is
	 * lost by waiting; in real time the limits are those of the driver ABI. */
	*out = (struct process_options){.limits = {.open_ms = 5000,
						.take_ms = args->virtual_time ? 5000 : 1000,
						.exchange_ms = args->virtual_time ? 5000 : 100,
						.call_ms = 5000}};
	out->build = strdup(args->build != NULL ? args->build : "");
	out->command = calloc(PROCESS_WORDS_MAX + 1, sizeof *out->command);
	out->handed = calloc(args->option_count + 1u, sizeof *out->handed);
	if (out->build == NULL || out->command == NULL || out->handed == NULL) {
		return no_memory(err);
	}
	for (uint32_t i = 0; i < args->option_count; i++) {
		const struct evl_adapter_option *o = &args->options[i];
		int rc = EVL_ADAPTER_OK;
		if (strncmp(o->path, HANDED, strlen(HANDED)) == 0) {
			struct evl_adapter_option *to = &out->handed[out->handed_count++];
			to->path = strdup(o->path + strlen(HANDED));
			to->value = strdup(o->value);
			to->line = o->line;
			rc = to->path == NULL || to->value == NULL ? no_memory(err) : rc;
		} else if (strncmp(o->path, "command", 7) == 0 &&
			   (o->path[7] == '[' || o->path[7] == '\0')) {
			rc = read_word(out, o, err);
		} else if (strncmp(o->path, "limits.", 7) == 0) {
			rc = read_limit(out, o, &limits, err);
		} else {
			rc = process_fail(err, EVL_ADAPTER_E_OPTION,
				"option %.200s is unknown; there are command, options and limits",
				o->path);
		}
		if (rc != EVL_ADAPTER_OK) {
			return rc;
		}
	}
	if (out->words == 0) {
		return process_fail(err, EVL_ADAPTER_E_OPTION,
			"option command is missing; it says which program to start, such as "
			"[evenlode-serve, simmux]");
	}
	return EVL_ADAPTER_OK;
}

void process_options_finish(struct process_options *o)
{
	for (uint32_t i = 0; i < o->words; i++) {
		free(o->command[i]);
	}
	for (uint32_t i = 0; i < o->handed_count; i++) {
		free((char *)o->handed[i].path);
		free((char *)o->handed[i].value);
	}
	free(o->command);
	free(o->handed);
	free(o->build);
	*o = (struct process_options){0};
}

static bool path_char(char c)
{
	return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
	       (c != '\0' && strchr("_-[].", c) != NULL);
}

/* Where the first `len` bytes of `path` stand in the text as a whole word; NULL if nowhere. A full
 * stop or a colon may follow. */
static char *find_path(char *text, const char *path, size_t len)
{
	for (char *s = text; (s = strstr(s, path)) != NULL; s++) {
		bool left = s == text || !path_char(s[-1]);
		bool right = !path_char(s[len]) || (s[len] == '.' && !path_char(s[len + 1]));
		if (left && right) {
			return s;
		}
	}
	return NULL;
}

void process_options_reword(const struct process_options *o, struct evl_adapter_error *err)
{
	char *best = NULL;
	size_t best_len = 0;
	for (uint32_t i = 0; i < o->handed_count; i++) {
		char part[256];
		size_t all = strlen(o->handed[i].path);
		for (size_t len = all < sizeof part ? all : 0; len > best_len; len--) {
			char end = o->handed[i].path[len];
			if (end != '\0' && end != '.' && end != '[') {
				continue;
			}
			memcpy(part, o->handed[i].path, len);
			part[len] = '\0';
			char *at = find_path(err->text, part, len);
			if (at != NULL) {
				best = at;
				best_len = len;
				break;
			}
		}
	}
	size_t n = strlen(HANDED), rest = best != NULL ? strlen(best) + 1 : 0;
	if (best != NULL && (size_t)(best - err->text) + n + rest <= sizeof err->text) {
		memmove(best + n, best, rest);
		memcpy(best, HANDED, n);
	}
}

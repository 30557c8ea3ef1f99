/* SPDX-License-Identifier: Apache-2.0 */
#include <errno.h>
#include <getopt.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/cli/cli.h"

#define OPTIONS_MAX 16

/* The option as it was typed. */
static const char *typed(const struct cli_args *a)
{
	const char *last = a->argv[optind - 1];
	return optarg != NULL && optarg == last ? a->argv[optind - 2] : last;
}

/* What getopt_long did not like: only its argument vector tells. */
static int refuse(const struct cli_args *a)
{
	const char *text = a->argv[optind - 1];
	if (optopt != 0) {
		return cli_usage(a->verb, "unknown option -%c", optopt);
	}
	size_t len = strcspn(text, "=");
	for (int i = 0; len > 2 && text[len] == '=' && a->options[i].name != NULL; i++) {
		if (strlen(a->options[i].name) == len - 2 &&
			memcmp(a->options[i].name, text + 2, len - 2) == 0) {
			return cli_usage(a->verb, "--%s takes no value", a->options[i].name);
		}
	}
	return cli_usage(a->verb, "unknown option %.*s", (int)len, text);
}

bool cli_next(struct cli_args *a)
{
	struct option table[OPTIONS_MAX + 2] = {{0}};
	int n = 0;

	for (; a->options[n].name != NULL; n++) {
		evl_require(n < OPTIONS_MAX);
		table[n] = (struct option){a->options[n].name,
			a->options[n].has_value ? required_argument : no_argument, NULL, 0};
	}
	table[n] = (struct option){"help", no_argument, NULL, 0};
	if (!a->started) {
		a->started = true;
		a->exit = -1;
		optind = 1;
		opterr = 0;
	}
	if (a->exit >= 0) {
		return false;
	}
	a->value = NULL;
	optarg = NULL;
	int got = getopt_long(a->argc, a->argv, ":h", table, &a->index);
	if (got == -1) {
		a->operands = a->argv + optind;
		a->operand_count = a->argc - optind;
		if (a->operand_count < a->operands_min) {
			a->exit = cli_usage(a->verb, "an operand is missing");
		} else if (a->operand_count > a->operands_max) {
			a->exit = cli_usage(a->verb, "\"%s\" is one operand too many",
				a->operands[a->operands_max]);
		}
		return false;
	}
	if (got == 'h') {
		a->index = n;
		got = 0;
	} else if (got == ':') {
		a->exit = cli_usage(a->verb, "%s needs a value", a->argv[optind - 1]);
		return false;
	} else if (got != 0) {
		a->exit = refuse(a);
		return false;
	} else {
		/* getopt_long also takes beginnings of names; a script that relies on one breaks
		 * when an option is added. */
		const char *text = typed(a);
		size_t len = strcspn(text + 2, "=");
		if (strlen(table[a->index].name) != len) {
			a->exit = cli_usage(a->verb, "unknown option %.*s (is --%s meant?)",
				(int)len + 2, text, table[a->index].name);
			return false;
		}
	}
	if (a->index == n) {
		fputs(a->verb->help, stdout);
		a->exit = CLI_GOOD;
		return false;
	}
	const struct cli_option *option = &a->options[a->index];
	if (option->has_value == true && (a->seen >> a->index & 1) != 0) {
		a->exit = cli_usage(a->verb, "--%s is given twice", option->name);
		return false;
	}
	a->seen |= UINT32_C(1) << a->index;
	a->value = optarg;
	return true;
}

bool cli_parse_u64(uint64_t *out, const char *text)
{
	if (*text == '\0' || strspn(text, "0123456789") != strlen(text)) {
		return false;
	}
	errno = 0;
	unsigned long long n = strtoull(text, NULL, 10);
	*out = n;
	return errno == 0;
}

bool cli_parse_run(int64_t *out, const char *text)
{
	uint64_t n;
	if (!cli_parse_u64(&n, text) || n < 1 || n > INT64_MAX) {
		return false;
	}
	*out = (int64_t)n;
	return true;
}

bool cli_parse_hang(uint32_t *seconds, const char *text)
{
	uint64_t v;
	if (!cli_parse_u64(&v, text) || v > 86400) {
		return false;
	}
	*seconds = (uint32_t)v;
	return true;
}

bool cli_parse_megabytes(uint64_t *bytes, const char *text)
{
	uint64_t v;
	if (!cli_parse_u64(&v, text) || v > 1000000000000u) {
		return false;
	}
	*bytes = v * 1000000u;
	return true;
}

bool cli_parse_share(double *out, const char *word)
{
	char *end;
	if (strspn(word, "0123456789.e-") != strlen(word)) { /* no blanks, hex, inf or nan */
		return false;
	}
	errno = 0;
	*out = strtod(word, &end);
	return errno == 0 && end != word && *end == '\0' && *out > 0 && *out < 1;
}

/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "core/cli/cli.h"

/* `whole`.`fraction` with the fraction's zeros at the end left out; `digits` of it at most. */
static void decimal(char *out, size_t size, uint64_t value, uint64_t per, int digits)
{
	uint64_t unit = 1;
	for (int i = 0; i < digits; i++) {
		unit *= 10;
	}
	uint64_t whole = value / per, fraction = value % per * unit / per;
	int n = snprintf(out, size, "%" PRIu64 ".%0*" PRIu64, whole, digits, fraction);
	while (n > 0 && out[n - 1] == '0') {
		out[--n] = '\0';
	}
	if (n > 0 && out[n - 1] == '.') {
		out[n - 1] = '\0';
	}
}

struct cli_word cli_duration(uint64_t ns)
{
	struct cli_word w;
	char number[32];
	uint64_t s = ns / 1000000000u;

	if (s >= 3600) {
		snprintf(
			w.s, sizeof(w.s), "%" PRIu64 " h %02" PRIu64 " min", s / 3600, s / 60 % 60);
	} else if (s >= 120) {
		snprintf(w.s, sizeof(w.s), "%" PRIu64 " min %02" PRIu64 " s", s / 60, s % 60);
	} else if (s >= 1) {
		decimal(number, sizeof(number), ns, 1000000000u, 3);
		snprintf(w.s, sizeof(w.s), "%s s", number);
	} else if (ns >= 1000000u) {
		decimal(number, sizeof(number), ns, 1000000u, 3);
		snprintf(w.s, sizeof(w.s), "%s ms", number);
	} else {
		decimal(number, sizeof(number), ns, 1000u, 3);
		snprintf(w.s, sizeof(w.s), "%s us", number);
	}
	return w;
}

struct cli_word cli_count(uint64_t n)
{
	struct cli_word w;
	char plain[32];
	int len = snprintf(plain, sizeof(plain), "%" PRIu64, n);
	char *p = w.s;
	for (int i = 0; i < len; i++) {
		if (i > 0 && (len - i) % 3 == 0) {
			*p++ = ' ';
		}
		*p++ = plain[i];
	}
	*p = '\0';
	return w;
}

struct cli_word cli_number_of(uint64_t n, const char *singular)
{
	struct cli_word w;
	snprintf(w.s, sizeof(w.s), "%.31s %.30s%s", cli_count(n).s, singular, n == 1 ? "" : "s");
	return w;
}

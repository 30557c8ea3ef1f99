/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/framing.h"

#include <string.h>

static const struct known {
	const char *text;
	enum evl_rate rate;
	struct evl_framing framing;
} known[] = {
	{"FAS", EVL_RATE_E1, {.e1 = EVL_E1_FAS_ONLY}},
	{"FAS CAS", EVL_RATE_E1, {.e1 = EVL_E1_FAS_ONLY, .cas = true}},
	{"CRC-4", EVL_RATE_E1, {.e1 = EVL_E1_CRC4}},
	{"CRC-4 CAS", EVL_RATE_E1, {.e1 = EVL_E1_CRC4, .cas = true}},
	{"SF", EVL_RATE_T1, {.t1 = EVL_T1_SF}},
	{"ESF", EVL_RATE_T1, {.t1 = EVL_T1_ESF}},
};

#define KNOWN (sizeof known / sizeof known[0])

enum evl_status evl_framing_parse(
	struct evl_framing *out, enum evl_rate rate, const char *text, struct evl_err *err)
{
	*out = (struct evl_framing){0};
	if (rate != EVL_RATE_E1 && rate != EVL_RATE_T1) {
		return evl_err_set(err, EVL_E_INVALID,
			"framing \"%.40s\": a channel of %s has none; framing is for E1 and T1",
			text, evl_rate_name(rate));
	}
	if (strcmp(text, "unframed") == 0) {
		return EVL_OK;
	}
	for (size_t i = 0; i < KNOWN; i++) {
		if (known[i].rate == rate && strcmp(known[i].text, text) == 0) {
			*out = known[i].framing;
			return EVL_OK;
		}
	}
	return evl_err_set(err, EVL_E_INVALID,
		rate == EVL_RATE_E1
			? "framing \"%.40s\" is not known for E1; write unframed, FAS, "
			  "CRC-4, FAS CAS or CRC-4 CAS"
			: "framing \"%.40s\" is not known for T1; write unframed, SF or "
			  "ESF",
		text);
}

const char *evl_framing_name(const struct evl_framing *f)
{
	for (size_t i = 0; i < KNOWN; i++) {
		if (known[i].framing.e1 == f->e1 && known[i].framing.cas == f->cas &&
			known[i].framing.t1 == f->t1) {
			return known[i].text;
		}
	}
	return "unframed";
}

uint32_t evl_framing_payload(const struct evl_framing *f)
{
	if (f->t1 != EVL_T1_UNFRAMED) {
		return 0x01fffffeu;
	}
	return f->cas ? 0xfffefffeu : 0xfffffffeu;
}

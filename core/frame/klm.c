/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/klm.h"

#include "core/base/err.h"

#define TUG3_COUNT 3
#define TUG2_COUNT 7
#define TU12_COUNT 3

bool evl_klm_valid(struct evl_klm klm)
{
	return klm.k >= 1 && klm.k <= TUG3_COUNT && klm.l >= 1 && klm.l <= TUG2_COUNT &&
	       klm.m >= 1 && klm.m <= TU12_COUNT;
}

uint32_t evl_klm_number(struct evl_klm klm, enum evl_klm_order order)
{
	evl_require(evl_klm_valid(klm));
	uint32_t k = klm.k - 1u, l = klm.l - 1u, m = klm.m - 1u;
	return 1 + (order == EVL_KLM_BY_KLM ? 21 * k + 3 * l + m : k + 3 * l + 21 * m);
}

enum evl_status evl_klm_from_number(struct evl_klm *out, uint32_t number, enum evl_klm_order order)
{
	if (number < 1 || number > EVL_KLM_COUNT) {
		return EVL_E_INVALID;
	}
	uint32_t n = number - 1;
	if (order == EVL_KLM_BY_KLM) {
		out->k = (uint8_t)(n / 21 + 1);
		out->l = (uint8_t)(n % 21 / 3 + 1);
		out->m = (uint8_t)(n % 3 + 1);
	} else {
		out->k = (uint8_t)(n % 3 + 1);
		out->l = (uint8_t)(n / 3 % 7 + 1);
		out->m = (uint8_t)(n / 21 + 1);
	}
	return EVL_OK;
}

uint32_t evl_klm_index(struct evl_klm klm)
{
	return evl_klm_number(klm, EVL_KLM_BY_COLUMN) - 1;
}

struct evl_klm evl_klm_from_index(uint32_t index)
{
	struct evl_klm klm = {0};
	evl_require(evl_klm_from_number(&klm, index + 1, EVL_KLM_BY_COLUMN) == EVL_OK);
	return klm;
}

void evl_klm_columns(struct evl_klm klm, uint16_t columns[4])
{
	uint32_t first = 10 + evl_klm_index(klm);
	for (uint32_t x = 0; x < 4; x++) {
		columns[x] = (uint16_t)(first + EVL_KLM_COUNT * x);
	}
}

const char *evl_klm_format(struct evl_klm klm, char text[EVL_KLM_TEXT])
{
	evl_require(evl_klm_valid(klm));
	text[0] = (char)('0' + klm.k);
	text[1] = '-';
	text[2] = (char)('0' + klm.l);
	text[3] = '-';
	text[4] = (char)('0' + klm.m);
	text[5] = '\0';
	return text;
}

enum evl_status evl_klm_parse(struct evl_klm *out, const char *text)
{
	uint8_t digits[3];
	for (int i = 0; i < 3; i++) {
		const char *p = text + 2 * i;
		if (p[0] < '0' || p[0] > '9' || p[1] != (i < 2 ? '-' : '\0')) {
			return EVL_E_INVALID;
		}
		digits[i] = (uint8_t)(p[0] - '0');
	}
	struct evl_klm klm = {digits[0], digits[1], digits[2]};
	if (!evl_klm_valid(klm)) {
		return EVL_E_INVALID;
	}
	*out = klm;
	return EVL_OK;
}

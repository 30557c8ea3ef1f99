/* SPDX-License-Identifier: Apache-2.0 */
/*
 * JSON in the one form of RFC 8785, so that its digest says what it says. Within this room only.
 *
 *	struct evl_text text = {0};
 *	bool good = evl_canonical_json(&text, value);
 */
#pragma once

#include <jansson.h>
#include <stdbool.h>

#include "core/base/text.h"

/* No blanks, members by the UTF-16 code units of their names, numbers as ECMAScript writes them.
 * False when an integer is beyond 2^53 - 1, which JSON numbers do not hold exactly. */
bool evl_canonical_json(struct evl_text *out, const json_t *value);

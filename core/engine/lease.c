/* SPDX-License-Identifier: Apache-2.0 */
#include "core/engine/lease.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct lease {
	char holder[96]; /* empty: free */
};

struct evl_leases {
	uint32_t count;
	struct lease *items;
};

struct evl_leases *evl_leases_create(uint32_t channels)
{
	struct evl_leases *l = evl_xcalloc(1, sizeof *l);
	l->count = channels;
	l->items = evl_xcalloc(channels, sizeof *l->items);
	return l;
}

void evl_leases_destroy(struct evl_leases *l)
{
	if (l != NULL) {
		free(l->items);
		free(l);
	}
}

enum evl_status evl_lease_take(struct evl_leases *l, uint32_t channel, const char *holder,
	const char *label, struct evl_err *err)
{
	evl_require(channel < l->count && holder[0] != '\0');
	struct lease *it = &l->items[channel];
	if (it->holder[0] != '\0') {
		return evl_err_set(err, EVL_E_CONFLICT,
			"%s is held by %s; a channel serves one take at a time", label, it->holder);
	}
	snprintf(it->holder, sizeof it->holder, "%s", holder);
	return EVL_OK;
}

void evl_lease_release(struct evl_leases *l, const char *holder)
{
	struct lease key = {0};
	snprintf(key.holder, sizeof key.holder, "%s", holder);
	for (uint32_t i = 0; i < l->count; i++) {
		if (strcmp(l->items[i].holder, key.holder) == 0) {
			l->items[i].holder[0] = '\0';
		}
	}
}

const char *evl_lease_holder(const struct evl_leases *l, uint32_t channel)
{
	evl_require(channel < l->count);
	return l->items[channel].holder[0] ? l->items[channel].holder : NULL;
}

/* SPDX-License-Identifier: Apache-2.0 */
#include <stdlib.h>
#include <string.h>

#include "core/recording/internal.h"

void rec_pairs_finish(struct rec_pairs *p)
{
	free(p->partner);
	free(p->taken);
	free(p->candidate);
	memset(p, 0, sizeof *p);
}

enum evl_status rec_pairs_init(struct rec_pairs *p, const struct evl_rec *a,
	const struct evl_rec *b, const struct evl_rec_pair *map, uint32_t map_count,
	struct evl_err *err)
{
	uint32_t a_count = evl_rec_channel_count(a);
	uint32_t b_count = evl_rec_channel_count(b);
	p->partner = evl_xcalloc(a_count, sizeof *p->partner);
	p->taken = evl_xcalloc(b_count, sizeof *p->taken);
	p->candidate = evl_xcalloc(b_count, sizeof *p->candidate);
	for (uint32_t c = 0; c < a_count; c++) {
		uint32_t o;
		p->partner[c] = map_count > 0 ? -2 : -1;
		if (map_count == 0 && evl_rec_find(b, evl_rec_info(a, c)->channel.name, &o)) {
			p->partner[c] = o;
			p->taken[o] = true;
		}
	}
	for (uint32_t i = 0; i < map_count; i++) {
		uint32_t c, o;
		bool in_a = evl_rec_find(a, map[i].a, &c);
		if (!in_a || !evl_rec_find(b, map[i].b, &o)) {
			return evl_err_set(err, EVL_E_NOTFOUND, "%s: has no channel %s",
				evl_rec_path(in_a ? b : a), in_a ? map[i].b : map[i].a);
		}
		if (p->partner[c] >= 0) {
			return evl_err_set(err, EVL_E_INVALID,
				"channel %s of %s is to be compared with both %s and %s", map[i].a,
				evl_rec_path(a),
				evl_rec_info(b, (uint32_t)p->partner[c])->channel.name, map[i].b);
		}
		p->partner[c] = o;
		p->candidate[o] = true;
	}
	for (uint32_t o = 0; map_count == 0 && o < b_count; o++) {
		p->candidate[o] = true;
	}
	return EVL_OK;
}

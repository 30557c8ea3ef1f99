/* SPDX-License-Identifier: Apache-2.0 */
/* What rides where: the map of a line, and the place of a channel in it. */
#include <stdio.h>
#include <string.h>

#include "core/bench/internal.h"
#include "core/frame/sdh_map_text.h"

/* What the tributaries of an adapter are, for a line of which the bench says nothing. */
static enum evl_rate tributary_rate(
	uint32_t adapter, const struct evl_bound_port *ports, size_t port_count)
{
	static const enum evl_rate order[] = {
		EVL_RATE_E1, EVL_RATE_T1, EVL_RATE_VC3, EVL_RATE_VC4, EVL_RATE_VC4_4C};
	for (size_t k = 0; k < sizeof order / sizeof order[0]; k++) {
		for (size_t i = 0; i < port_count; i++) {
			if (ports[i].adapter == adapter && ports[i].rate == order[k]) {
				return order[k];
			}
		}
	}
	return EVL_RATE_E1;
}

static void default_map(
	struct evl_sdh_map *out, uint32_t stm, const struct evl_numbering *map, enum evl_rate rate)
{
	const char *route = evl_numbering_route_name(map->route);
	char text[64];
	if (rate == EVL_RATE_VC4_4C && stm == 4) {
		snprintf(text, sizeof text, "AU-4-4c/VC-4-4c");
	} else if (rate == EVL_RATE_VC4 || rate == EVL_RATE_VC4_4C) {
		snprintf(text, sizeof text, "AU-4/VC-4");
	} else if (rate == EVL_RATE_VC3) {
		snprintf(text, sizeof text, "%s/VC-3",
			map->route == EVL_NUMBERING_AU3 ? route : "AU-4/TU-3");
	} else {
		enum evl_numbering_unit unit = map->unit != EVL_NUMBERING_BY_RATE ? map->unit
					       : rate == EVL_RATE_T1 ? EVL_NUMBERING_TU11
								     : EVL_NUMBERING_TU12;
		/* E1 do not fit a TU-11, so a map of TU-11 is one for T1. */
		snprintf(text, sizeof text, "%s/%s/%s", route, evl_numbering_unit_name(unit),
			unit == EVL_NUMBERING_TU11 || rate == EVL_RATE_T1 ? "T1" : "E1");
	}
	evl_require(evl_sdh_map_parse(out, stm, text, NULL) == EVL_OK);
}

bool evl_ride_map(struct evl_sdh_map *out, const struct evl_bench *bench,
	const struct evl_bench_role *role, const struct evl_bound_port *line,
	const struct evl_bound_port *ports, size_t port_count, struct evl_err *err)
{
	const uint32_t stm = line->rate == EVL_RATE_STM4 ? 4 : 1;
	if (role->mapping[0] != '\0') {
		return evl_sdh_map_parse(out, stm, role->mapping, err) == EVL_OK;
	}
	default_map(out, stm, role->numbering ? role->numbering : &bench->numbering,
		tributary_rate(line->adapter, ports, port_count));
	return true;
}

static bool same_rate(uint32_t kind, enum evl_rate rate)
{
	switch (kind) {
	case EVL_SDH_E1:
	case EVL_SDH_E1_BYTE:
		return rate == EVL_RATE_E1;
	case EVL_SDH_T1:
	case EVL_SDH_T1_BYTE:
		return rate == EVL_RATE_T1;
	case EVL_SDH_VC3:
		return rate == EVL_RATE_VC3;
	case EVL_SDH_VC4:
		return rate == EVL_RATE_VC4;
	case EVL_SDH_VC4_4C:
		return rate == EVL_RATE_VC4_4C;
	default:
		return false;
	}
}

/* `numbering` may be NULL: then only containers have a place. */
static bool find_client(uint32_t *client, const struct evl_sdh_map *map,
	const struct evl_numbering *numbering, enum evl_rate rate, uint32_t number)
{
	struct evl_sdh_client list[EVL_SDH_MOST_CLIENTS];
	const uint32_t n = evl_sdh_map_clients(map, list);
	for (uint32_t i = 0; i < n; i++) {
		const struct evl_sdh_client *c = &list[i];
		struct evl_numbering_place place = {0};
		if (!same_rate(c->kind, rate)) {
			continue;
		}
		if (c->m == 0) { /* a container of its own */
			if (number == (rate == EVL_RATE_VC3 ? 3u * (c->aug - 1u) + c->k : c->aug)) {
				*client = i;
				return true;
			}
			continue;
		}
		enum evl_numbering_unit unit = c->tu11 ? EVL_NUMBERING_TU11 : EVL_NUMBERING_TU12;
		if (numbering != NULL &&
			(numbering->unit == EVL_NUMBERING_BY_RATE || numbering->unit == unit) &&
			evl_numbering_place(&place, numbering, unit, number) &&
			place.aug == c->aug && place.k == c->k && place.l == c->l &&
			place.m == c->m) {
			*client = i;
			return true;
		}
	}
	return false;
}

bool evl_bound_client(
	uint32_t *client, const struct evl_sdh_map *map, const struct evl_bound_channel *channel)
{
	return find_client(client, map, channel->numbering, channel->rate, channel->line_number);
}

static const struct evl_bound_port *line_port(const struct evl_bench_role *role,
	const struct evl_bench_ride *ride, const struct evl_bound_port *ports, size_t port_count)
{
	const struct evl_bound_port *found = NULL;
	for (size_t i = 0; i < port_count; i++) {
		const struct evl_bound_port *p = &ports[i];
		if (p->adapter != role->adapter || !evl_rate_is_line(p->rate)) {
			continue;
		}
		if (ride != NULL && strcmp(p->name, ride->line_channel) == 0) {
			return p;
		}
		if (ride == NULL && found != NULL) {
			return NULL; /* more than one: which one is not said */
		}
		found = ride == NULL ? p : NULL;
	}
	return found;
}

/* The first role of the bench that says what this line carries, or NULL. */
static const struct evl_bench_role *line_role(
	const struct evl_bench *bench, const struct evl_bound_port *line)
{
	for (size_t i = 0; i < bench->role_count; i++) {
		const struct evl_bench_role *role = &bench->roles[i];
		if (role->adapter != line->adapter || role->mapping[0] == '\0') {
			continue;
		}
		for (size_t k = 0; k < role->channel_count; k++) {
			if (strcmp(role->channels[k].name, line->name) == 0) {
				return role;
			}
		}
	}
	return NULL;
}

bool evl_ride_line(uint32_t *line_channel, const struct evl_bench *bench,
	const struct evl_bench_role *role, const struct evl_bench_channel *channel,
	enum evl_rate rate, const struct evl_bound_port *ports, size_t port_count,
	struct evl_err *err)
{
	const struct evl_bench_ride *ride = evl_bench_ride_of(role, channel);
	*line_channel = UINT32_MAX;
	if (evl_rate_is_line(rate)) {
		if (ride != NULL) {
			evl_err_set(err, EVL_E_INVALID,
				"it is a line itself; take line: out of the role");
			return false;
		}
		return true;
	}
	const struct evl_bound_port *line = line_port(role, ride, ports, port_count);
	if (line == NULL) {
		if (ride != NULL) {
			evl_err_set(err, EVL_E_INVALID,
				"rides on %s (line %u), but adapter %s has no line of that name",
				ride->line_channel, (unsigned)ride->line,
				bench->adapters[role->adapter].name);
		}
		return ride == NULL;
	}
	*line_channel = line->channel;
	const struct evl_bench_role *says = line_role(bench, line);
	const uint32_t number = evl_bench_line_number(role, channel);
	struct evl_numbering_place place;
	struct evl_sdh_map map;
	uint32_t client;
	if (says == NULL || role->numbering == NULL ||
		evl_sdh_map_parse(&map, line->rate == EVL_RATE_STM4 ? 4 : 1, says->mapping, NULL) <
			0) {
		return true;
	}
	struct evl_numbering fixed = *role->numbering;
	fixed.unit = evl_numbering_unit_of(role->numbering, rate);
	if (fixed.unit == EVL_NUMBERING_BY_RATE ||
		!evl_numbering_place(&place, &fixed, fixed.unit, number) ||
		find_client(&client, &map, &fixed, rate, number)) {
		return true;
	}
	char text[EVL_NUMBERING_TEXT];
	evl_err_set(err, EVL_E_INVALID,
		"%s %u is in %s %s by its numbering, but %s carries no %s there: mapping %.200s in "
		"line %u; correct numbering or mapping",
		evl_rate_name(rate), (unsigned)channel->number, evl_numbering_unit_name(fixed.unit),
		evl_numbering_format(&fixed, place, text), line->name, evl_rate_name(rate),
		says->mapping, (unsigned)says->mapping_line);
	return false;
}

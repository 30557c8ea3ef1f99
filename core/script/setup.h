/* SPDX-License-Identifier: Apache-2.0 */
/*
 * What a case set up, until it ends: the unit by "evl.setup/1" of its adapter, and what the
 *tester's receivers expect from it. test:setup replaces all that was set before in the case.
 *
 *	core.set_up { { role, number, kind = "mapping", text = "AU-4/TU-11/T1" }, ... }
 *
 * Of a channel whose role does not need `setup` only the tester is told: its unit is set by hand.
 */
#pragma once

#include "core/script/internal.h"

/* core.set_up(list). Raises what is wrong at the campaign's line. */
int evl_setup_apply(lua_State *L);

/* At the end of the case: all as the options of the bench say. */
enum evl_status evl_setup_clear(struct case_run *c, struct evl_err *err);
void evl_setup_destroy(struct setup *s); /* takes NULL */

/* By engine channel. The map of a line: as set up, else by the bench. */
const struct evl_sdh_map *evl_setup_map(const struct case_run *c, uint32_t channel);
struct evl_framing evl_setup_framing(const struct case_run *c, uint32_t channel);

/* What is expected on a line: its own, and that of the tributaries that ride on it. *out belongs to
 * the caller. */
enum evl_status evl_setup_expectations(struct evl_take_expectation **out, uint32_t *count,
	const struct case_run *c, uint32_t line_channel, struct evl_err *err);

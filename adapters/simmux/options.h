/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The options of the software multiplexer and its planted defects, as a bench file gives them:
 *
 *	options:
 *	  line: looped
 *	  mapping: AU-4/TU-12/E1
 *	  numbering: column-order
 *	  clock: {vc4_ppm: -4.6, tributaries: {7: 20}}
 *	  builds:
 *	    A: {faults: none}
 *	    B:
 *	      faults:
 *	        - {kind: swap, first: 12, second: 13}
 *	        - {kind: errors, tributary: 40, ratio: 1e-6}
 *
 * Every option of every build is checked, not only those of the build under test. All of them are
 * described in docs/simmux.md.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "adapters/simmux/faults.h"
#include "adapters/simmux/ports.h"
#include "adapters/simmux/protect.h"
#include "core/adapter/adapter.h"
#include "core/frame/sdh_map_text.h"

#define SIMMUX_CLOCK_PPM      100u  /* most that a VC's or the line's clock can be off */
#define SIMMUX_SETTINGS_MAX   512u  /* that the options may give */
#define SIMMUX_SLIP_ROOM_BITS 4096u /* most for which a slip store begins with a delay */

#define SIMMUX_ALL UINT32_MAX /* as channel of a setting: every one that it fits */

enum simmux_order { SIMMUX_BY_COLUMN = 0, SIMMUX_BY_KLM, SIMMUX_BY_TABLE };

/* A place in a line; aug 0: none. */
struct simmux_klm {
	uint8_t aug, k, l, m;
};

struct simmux_options {
	bool looped; /* a line input that nobody plays into gets the line output; else it is dark */
	uint8_t order;                       /* enum simmux_order */
	struct simmux_protection protection; /* where ports.protection */
	uint32_t los_threshold_us;
	uint32_t slip_room_bits;
	int32_t line_ppb;                /* clock of the lines against bench time, 1e-9 */
	int32_t vc4_ppb;                 /* of high-order VCs against the bench */
	int32_t vc_ppb[SIMMUX_CHANNELS]; /* of each port's VC against what carries it */
	struct simmux_ports ports;
	char mapping[SIMMUX_LINES][EVL_SDH_MAP_TEXT];
	/* SIMMUX_BY_TABLE: where the ports of a line go, by kind and place. */
	struct simmux_klm table[SIMMUX_VC3][EVL_SDH_MOST_CLIENTS];
	struct evl_setting settings[SIMMUX_SETTINGS_MAX]; /* framing, sent, expected */
	uint32_t setting_count;
	struct simmux_fault faults[SIMMUX_FAULTS_MAX];
	uint32_t fault_count;
};

/* EVL_ADAPTER_OK, or EVL_ADAPTER_E_OPTION with the path of the option in err->text. The object is
 * large; it holds no other memory. */
int simmux_options_read(struct simmux_options *out, const struct evl_open_args *args,
	struct evl_adapter_error *err);

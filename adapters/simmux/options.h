/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The options of the software multiplexer and its planted defects, as a bench file gives them:
 *
 *	options:
 *	  line: looped
 *	  numbering: column-order
 *	  clock: {vc4_ppm: -4.6, tributaries: {7: 20}}
 *	  builds:
 *	    A: {faults: none}
 *	    B:
 *	      faults:
 *	        - {kind: swap, first: 12, second: 13}
 *	        - {kind: errors, tributary: 40, ratio: 1e-6}
 *
 * Every option of every build is checked, not only those of the build under test.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "core/adapter/adapter.h"

#define SIMMUX_TRIBUTARIES 63u
#define SIMMUX_FAULTS_MAX  64u /* of one build */
#define SIMMUX_BUILDS_MAX  64u
#define SIMMUX_CLOCK_PPM   100u /* most that a VC's clock can be off */

#define SIMMUX_DELAY_MAX_BITS      2048000u  /* of a tributary: 1 s */
#define SIMMUX_LINE_DELAY_MAX_BITS 15552000u /* of the line: 100 ms */

enum simmux_fault_kind {
	SIMMUX_SWAP = 0,    /* the outputs `tributary` and `second` are exchanged */
	SIMMUX_ERRORS,      /* bit errors on the output of `tributary` */
	SIMMUX_DELAY,       /* the output of `tributary` comes `bits` later */
	SIMMUX_LINE_ERRORS, /* bit errors on the line output */
	SIMMUX_LINE_DELAY,  /* the line output comes `bits` later */
	SIMMUX_LINE_LOSS,   /* the line input is dark from at_ns on, for lasting_ns */
	SIMMUX_KINDS
};

struct simmux_fault {
	enum simmux_fault_kind kind;
	uint32_t tributary; /* 1..63 */
	uint32_t second;    /* 1..63 */
	uint32_t bits;
	uint64_t numerator; /* ratio, 0 < numerator / denominator <= 1 */
	uint64_t denominator;
	uint64_t at_ns; /* from the moment at which the unit was switched on */
	uint64_t lasting_ns;
};

struct simmux_options {
	bool looped; /* a line input that nobody plays into gets the line output; else it is dark */
	bool klm_order; /* port n is TU-12 n by K-L-M order; else by column order */
	uint32_t los_threshold_us;
	int32_t vc4_ppb;                      /* clock of the VC-4 against the line, 1e-9 */
	int32_t vc12_ppb[SIMMUX_TRIBUTARIES]; /* of each port's VC-12 against the VC-4 */
	struct simmux_fault faults[SIMMUX_FAULTS_MAX];
	uint32_t fault_count;
};

/* EVL_ADAPTER_OK, or EVL_ADAPTER_E_OPTION with the path of the option in err->text. */
int simmux_options_read(struct simmux_options *out, const struct evl_open_args *args,
			struct evl_adapter_error *err);

/* Words an error and returns `code`. */
int simmux_fail(struct evl_adapter_error *err, int code, const char *fmt, ...)
	__attribute__((format(printf, 3, 4)));

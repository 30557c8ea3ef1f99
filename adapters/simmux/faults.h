/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Planted defects: `builds.LABEL.faults` of the options. Each kind, its keys and what it does are
 * described in docs/simmux.md.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "adapters/simmux/ports.h"
#include "core/adapter/adapter.h"

#define SIMMUX_FAULTS_MAX 64u /* of one build */
#define SIMMUX_BUILDS_MAX 64u

#define SIMMUX_DELAY_MAX_BITS      2048000u  /* of a tributary: 1 s of an E1 */
#define SIMMUX_LINE_DELAY_MAX_BITS 15552000u /* of the line: 100 ms of an STM-1 */
#define SIMMUX_SLIP_MAX_BITS       2048u     /* of one planted slip */
#define SIMMUX_FAULT_TEXT          80u

enum simmux_fault_kind {
	/* on the outputs of tributaries */
	SIMMUX_SWAP = 0,
	SIMMUX_ERRORS,
	SIMMUX_DELAY,
	SIMMUX_INVERT,
	SIMMUX_BURST,
	SIMMUX_SLIP,
	SIMMUX_LOST_FRAME,
	SIMMUX_REPEATED_FRAME,
	SIMMUX_STUCK_TIMESLOT,
	SIMMUX_NO_AIS,
	SIMMUX_POINTER_SLIP,
	SIMMUX_SWITCH_SLIP,
	SIMMUX_JUSTIFICATION_ERROR,
	/* in what is sent */
	SIMMUX_WRONG_LABEL,
	SIMMUX_WRONG_TRACE,
	SIMMUX_NO_TRACE,
	SIMMUX_WRONG_PARITY,
	SIMMUX_WRONG_NUMBERING,
	/* in what is told to the far end */
	SIMMUX_NO_RDI,
	SIMMUX_NO_REI,
	SIMMUX_NO_BIP_CHECK,
	/* in what is reported */
	SIMMUX_UNREPORTED,
	SIMMUX_REPORTED_LATE,
	SIMMUX_STUCK_REPORT,
	SIMMUX_FALSE_REPORT,
	/* on lines */
	SIMMUX_LINE_ERRORS,
	SIMMUX_LINE_DELAY,
	SIMMUX_LINE_LOSS,
	SIMMUX_LINE_SLIP,
	SIMMUX_KINDS
};

enum simmux_layer { SIMMUX_LAYER_MS = 0, SIMMUX_LAYER_HP, SIMMUX_LAYER_LP, SIMMUX_LAYERS };

struct simmux_fault {
	enum simmux_fault_kind kind;
	uint32_t channel;   /* tributary; SIMMUX_NOWHERE: all, or of no meaning */
	uint32_t second;    /* channel */
	uint32_t line;      /* from 0; SIMMUX_NOWHERE: all of them */
	int32_t bits;       /* delays: above 0; slips: more or fewer */
	uint64_t numerator; /* ratio, 0 < numerator / denominator <= 1 */
	uint64_t denominator;
	uint64_t at_ns; /* from the moment at which the unit was switched on */
	uint64_t lasting_ns;
	uint64_t every_ns; /* 0: once */
	uint32_t alarm;    /* enum evl_alarm */
	uint32_t layer;    /* enum simmux_layer */
	uint32_t timeslot;
	uint32_t value;
	bool by_klm;    /* WRONG_NUMBERING */
	bool decrement; /* POINTER_SLIP */
	char field[8];
	char text[SIMMUX_FAULT_TEXT];
};

#define SIMMUX_NOWHERE UINT32_MAX

/* Reads all options of `args` that begin with "builds.", keeps the faults of the build under test
 * in out[SIMMUX_FAULTS_MAX]. EVL_ADAPTER_E_OPTION with the path in err->text. */
int simmux_faults_read(struct simmux_fault *out, uint32_t *count, const struct simmux_ports *ports,
	const struct evl_open_args *args, struct evl_adapter_error *err);

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Names of defects, as the standards name them (ITU-T G.707 3.x, G.783, G.775). Values are those
 * of the driver ABI (core/adapter/adapter.h) and never change; new ones are added at the end.
 */
#pragma once

#include <string.h>

enum evl_alarm {
	EVL_ALARM_NONE = 0,
	EVL_ALARM_LOS = 1,	/* loss of signal */
	EVL_ALARM_OOF = 2,	/* out of frame */
	EVL_ALARM_LOF = 3,	/* loss of frame */
	EVL_ALARM_MS_AIS = 4,	/* multiplex section alarm indication signal */
	EVL_ALARM_MS_RDI = 5,	/* multiplex section remote defect indication */
	EVL_ALARM_AU_AIS = 6,	/* administrative unit AIS */
	EVL_ALARM_AU_LOP = 7,	/* administrative unit loss of pointer */
	EVL_ALARM_HP_UNEQ = 8,	/* high-order path unequipped */
	EVL_ALARM_HP_PLM = 9,	/* high-order path payload mismatch */
	EVL_ALARM_HP_RDI = 10,	/* high-order path RDI */
	EVL_ALARM_HP_LOM = 11,	/* loss of TU multiframe */
	EVL_ALARM_TU_AIS = 12,	/* tributary unit AIS */
	EVL_ALARM_TU_LOP = 13,	/* tributary unit loss of pointer */
	EVL_ALARM_LP_UNEQ = 14, /* low-order path unequipped */
	EVL_ALARM_LP_PLM = 15,	/* low-order path payload mismatch */
	EVL_ALARM_LP_RDI = 16,	/* low-order path RDI */
	EVL_ALARM_AIS = 17,	/* AIS at a primary-rate (E1, T1) interface */
	EVL_ALARM_RAI = 18,	/* remote alarm indication of an E1 or T1 frame */
	EVL_ALARM_LOM = 19,	/* E1: no CRC-4 multiframe alignment (G.706 4.2) */
	EVL_ALARM_TS16_LOM = 20, /* E1: no TS16 (CAS) multiframe alignment (G.732 5.2) */
	EVL_ALARM_TS16_AIS = 21, /* E1: TS16 all ones (G.732 4.2.6) */
	EVL_ALARM_TS16_RAI = 22, /* E1: distant multiframe alarm, the y bit (G.704 5.1.3) */
	EVL_ALARM_RS_TIM = 23,	/* trace in J0 is not the expected one (G.783) */
	EVL_ALARM_HP_TIM = 24,	/* trace in J1 is not the expected one */
	EVL_ALARM_LP_TIM = 25,	/* trace in J2, or J1 of a VC-3 in TU-3, not as expected */
	EVL_ALARM_LP_RFI = 26,	/* low-order remote failure, byte-synchronous VC-11 (V5 bit 4) */
	EVL_ALARM_PSE = 27, /* protection switch event (G.784, from memory): told by the protection
			     * section while traffic is taken from it */
	EVL_ALARM_COUNT
};

static inline const char *evl_alarm_name(enum evl_alarm alarm)
{
	static const char *const names[EVL_ALARM_COUNT] = {"none", "LOS", "OOF", "LOF", "MS-AIS",
		"MS-RDI", "AU-AIS", "AU-LOP", "HP-UNEQ", "HP-PLM", "HP-RDI", "HP-LOM", "TU-AIS",
		"TU-LOP", "LP-UNEQ", "LP-PLM", "LP-RDI", "AIS", "RAI", "LOM", "TS16-LOM",
		"TS16-AIS", "TS16-RAI", "RS-TIM", "HP-TIM", "LP-TIM", "LP-RFI",
		"PSE"};
	return alarm >= EVL_ALARM_NONE && alarm < EVL_ALARM_COUNT ? names[alarm] : "none";
}

/* EVL_ALARM_NONE when the name is not known. */
static inline enum evl_alarm evl_alarm_by_name(const char *name)
{
	for (int a = EVL_ALARM_LOS; a < EVL_ALARM_COUNT; a++) {
		if (strcmp(name, evl_alarm_name((enum evl_alarm)a)) == 0) {
			return (enum evl_alarm)a;
		}
	}
	return EVL_ALARM_NONE;
}

/* SPDX-License-Identifier: Apache-2.0 */
/* Between the files of the E1 receiver. */
#pragma once

#include "core/frame/e1_receive.h"

/* Sets an alarm and reports the change, if it is one. */
void e1_set_alarm(struct evl_e1_receiver *r, enum evl_alarm alarm, bool on, uint64_t offset);

/* One frame in alignment that begins at offset `at`. */
void e1_cas_frame(struct evl_e1_receiver *r, uint8_t ts16, uint64_t at);

/* Forgets the TS16 multiframe; its alarms are cleared at `offset`. */
void e1_cas_reset(struct evl_e1_receiver *r, uint64_t offset);

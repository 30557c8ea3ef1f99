/* SPDX-License-Identifier: Apache-2.0 */
/* The TS16 multiframe of the E1 receiver (ITU-T G.704 5.1.3, G.732 4.2.6, 5.2). */
#include "core/frame/e1_internal.h"

#define MULTIFRAME   16
#define AIS_FRAMES   (2 * MULTIFRAME)
#define WAIT_FRAMES  (2 * MULTIFRAME)
#define Y_BIT        0x04u
#define Y_SET        2
#define BAD_MFAS     2
#define MFAS_DECIDED (16 * 8 + 4) /* bit 4 of TS16 */
#define Y_DECIDED    (16 * 8 + 6)
#define TS16_DECIDED (16 * 8 + 8)

void e1_cas_reset(struct evl_e1_receiver *r, uint64_t offset)
{
	r->cas = (struct evl_e1_cas){0};
	e1_set_alarm(r, EVL_ALARM_TS16_LOM, false, offset);
	e1_set_alarm(r, EVL_ALARM_TS16_AIS, false, offset);
	e1_set_alarm(r, EVL_ALARM_TS16_RAI, false, offset);
}

static void lose(struct evl_e1_receiver *r, uint64_t offset)
{
	r->cas.aligned = false;
	r->cas.bad = 0;
	r->cas.y = 0;
	e1_set_alarm(r, EVL_ALARM_TS16_RAI, false, offset);
	e1_set_alarm(r, EVL_ALARM_TS16_LOM, true, offset);
}

static void watch_y(struct evl_e1_receiver *r, uint8_t ts16, uint64_t at)
{
	struct evl_e1_cas *c = &r->cas;
	r->ts16_mfas = ts16;
	if ((ts16 & Y_BIT) == 0) {
		c->y = 0;
		e1_set_alarm(r, EVL_ALARM_TS16_RAI, false, at + Y_DECIDED);
	} else if (c->y < Y_SET && ++c->y == Y_SET) {
		e1_set_alarm(r, EVL_ALARM_TS16_RAI, true, at + Y_DECIDED);
	}
}

static void take(struct evl_e1_receiver *r, uint32_t voice, unsigned abcd, uint64_t offset)
{
	if (r->abcd[voice - 1] == abcd) {
		return;
	}
	r->abcd[voice - 1] = (uint8_t)abcd;
	if (r->abcd_fn != NULL) {
		r->abcd_fn(r->ctx, r->channel, voice, (uint8_t)abcd, offset);
	}
}

static void search(struct evl_e1_receiver *r, uint8_t ts16, uint64_t at)
{
	struct evl_e1_cas *c = &r->cas;
	if (ts16 >> 4 == 0 && c->have_last && c->last != 0) {
		c->aligned = true;
		c->frame = 0;
		c->bad = 0;
		c->frames = 0;
		e1_set_alarm(r, EVL_ALARM_TS16_LOM, false, at + MFAS_DECIDED);
		watch_y(r, ts16, at);
	} else if (c->frames < WAIT_FRAMES && ++c->frames == WAIT_FRAMES) {
		e1_set_alarm(r, EVL_ALARM_TS16_LOM, true, at + TS16_DECIDED);
	}
}

static void follow(struct evl_e1_receiver *r, uint8_t ts16, uint64_t at)
{
	struct evl_e1_cas *c = &r->cas;
	c->frame = (uint8_t)((c->frame + 1) % MULTIFRAME);
	if (c->frame != 0) {
		take(r, c->frame, ts16 >> 4, at + MFAS_DECIDED);
		take(r, c->frame + 15u, ts16 & 0x0fu, at + TS16_DECIDED);
	} else if (ts16 >> 4 == 0) {
		c->bad = 0;
		watch_y(r, ts16, at);
	} else {
		r->counts.ts16_errors++;
		if (++c->bad == BAD_MFAS) {
			lose(r, at + MFAS_DECIDED);
			return;
		}
	}
	if (c->zeros >= r->options.cas_zero * MULTIFRAME) {
		lose(r, at + TS16_DECIDED);
	}
}

void e1_cas_frame(struct evl_e1_receiver *r, uint8_t ts16, uint64_t at)
{
	struct evl_e1_cas *c = &r->cas;
	if (ts16 == 0xff) {
		if (c->ones < AIS_FRAMES && ++c->ones == AIS_FRAMES) {
			e1_set_alarm(r, EVL_ALARM_TS16_AIS, true, at + TS16_DECIDED);
		}
	} else {
		c->ones = 0;
		e1_set_alarm(r, EVL_ALARM_TS16_AIS, false, at + TS16_DECIDED);
	}
	if (ts16 != 0) {
		c->zeros = 0;
	} else if (c->zeros < AIS_FRAMES) {
		c->zeros++;
	}
	if (c->aligned) {
		follow(r, ts16, at);
	} else {
		search(r, ts16, at);
	}
	c->last = ts16;
	c->have_last = true;
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "core/frame/timeslot.h"

#include <string.h>

#include "core/frame/e1_frame.h"
#include "core/frame/t1_frame.h"

static unsigned lowest(enum evl_rate rate)
{
	return rate == EVL_RATE_T1 ? 1 : 0;
}

static unsigned highest(enum evl_rate rate)
{
	return rate == EVL_RATE_T1 ? EVL_T1_SLOTS : EVL_E1_FRAME_BYTES - 1;
}

static enum evl_status check_rate(enum evl_rate rate, struct evl_err *err)
{
	if (rate != EVL_RATE_E1 && rate != EVL_RATE_T1) {
		return evl_err_set(err, EVL_E_INVALID, "timeslots: %s has none, use E1 or T1",
			evl_rate_name(rate));
	}
	return EVL_OK;
}

enum evl_status evl_timeslots_init(
	struct evl_timeslots *ts, enum evl_rate rate, uint32_t mask, struct evl_err *err)
{
	enum evl_status st = check_rate(rate, err);
	if (st < 0) {
		return st;
	}
	if (mask == 0) {
		return evl_err_set(err, EVL_E_INVALID, "timeslots: the group is empty, name one");
	}
	unsigned low = lowest(rate);
	*ts = (struct evl_timeslots){.rate = rate, .mask = mask, .stride = highest(rate) - low + 1};
	for (unsigned n = 0; n < 32; n++) {
		if ((mask >> n & 1) == 0) {
			continue;
		}
		if (n < low || n > highest(rate)) {
			return evl_err_set(err, EVL_E_INVALID,
				"timeslots: %s has no timeslot %u, use %u to %u",
				evl_rate_name(rate), n, low, highest(rate));
		}
		if (n > 0 && (mask >> (n - 1) & 1) != 0) {
			ts->run[ts->runs - 1].len++;
		} else {
			ts->run[ts->runs].at = (uint8_t)(n - low);
			ts->run[ts->runs++].len = 1;
		}
		ts->count++;
	}
	return EVL_OK;
}

/* Digits from *p on, at most 99; moves *p behind them. False when there are none, or too many. */
static bool number(const char **p, unsigned *n)
{
	const char *s = *p;
	*n = 0;
	while (*s >= '0' && *s <= '9' && s - *p < 2) {
		*n = *n * 10 + (unsigned)(*s++ - '0');
	}
	bool good = s > *p && (*s < '0' || *s > '9');
	*p = s;
	return good;
}

enum evl_status evl_timeslots_parse(
	struct evl_timeslots *ts, enum evl_rate rate, const char *text, struct evl_err *err)
{
	enum evl_status st = check_rate(rate, err);
	if (st < 0) {
		return st;
	}
	uint32_t mask = 0;
	for (const char *p = text;; p++) {
		const char *part = p;
		unsigned from, to;
		bool good = number(&p, &from);
		to = from;
		if (good && *p == '-') {
			p++;
			good = number(&p, &to) && to >= from;
		}
		int len = (int)strcspn(part, ",");
		if (!good || (*p != ',' && *p != '\0')) {
			return evl_err_set(err, EVL_E_INVALID,
				"timeslots \"%.80s\": \"%.*s\" is no number and no range "
				"such as 1-15",
				text, len < 40 ? len : 40, part);
		}
		if (from < lowest(rate) || to > highest(rate)) {
			return evl_err_set(err, EVL_E_INVALID,
				"timeslots \"%.80s\": %s has no timeslot %u, use %u to "
				"%u",
				text, evl_rate_name(rate), from < lowest(rate) ? from : to,
				lowest(rate), highest(rate));
		}
		for (unsigned n = from; n <= to; n++) {
			if ((mask >> n & 1) != 0) {
				return evl_err_set(err, EVL_E_INVALID,
					"timeslots \"%.80s\": timeslot %u is named twice", text, n);
			}
			mask |= UINT32_C(1) << n;
		}
		if (*p == '\0') {
			break;
		}
	}
	return evl_timeslots_init(ts, rate, mask, err);
}

/* 1 to 32 bytes, by two copies of a fixed size that may overlap. */
static inline void copy(uint8_t *dst, const uint8_t *src, size_t n)
{
	if (n >= 16) {
		memcpy(dst, src, 16);
		memcpy(dst + n - 16, src + n - 16, 16);
	} else if (n >= 8) {
		memcpy(dst, src, 8);
		memcpy(dst + n - 8, src + n - 8, 8);
	} else if (n >= 4) {
		memcpy(dst, src, 4);
		memcpy(dst + n - 4, src + n - 4, 4);
	} else {
		dst[0] = src[0];
		dst[n / 2] = src[n / 2];
		dst[n - 1] = src[n - 1];
	}
}

static inline uint8_t *gather(const struct evl_timeslots *ts, uint8_t *group, const uint8_t *frame)
{
	for (uint32_t i = 0; i < ts->runs; i++) {
		copy(group, frame + ts->run[i].at, ts->run[i].len);
		group += ts->run[i].len;
	}
	return group;
}

static inline const uint8_t *scatter(
	const struct evl_timeslots *ts, uint8_t *frame, const uint8_t *group)
{
	for (uint32_t i = 0; i < ts->runs; i++) {
		copy(frame + ts->run[i].at, group, ts->run[i].len);
		group += ts->run[i].len;
	}
	return group;
}

void evl_timeslots_extract(
	const struct evl_timeslots *ts, uint8_t *group, const uint8_t *frames, uint32_t count)
{
	size_t stride = ts->stride;
	if (ts->count == stride) {
		memcpy(group, frames, stride * count);
		return;
	}
	if (ts->count == 1) {
		const uint8_t *p = frames + ts->run[0].at;
		for (uint32_t f = 0; f < count; f++) {
			group[f] = p[f * stride];
		}
		return;
	}
	for (uint32_t f = 0; f < count; f++) {
		group = gather(ts, group, frames + f * stride);
	}
}

void evl_timeslots_insert(
	const struct evl_timeslots *ts, uint8_t *frames, const uint8_t *group, uint32_t count)
{
	for (uint32_t f = 0; f < count; f++) {
		group = scatter(ts, frames + (size_t)f * ts->stride, group);
	}
}

void evl_timeslots_extract_t1(
	const struct evl_timeslots *ts, uint8_t *group, const uint8_t *slab, uint32_t count)
{
	evl_require(ts->rate == EVL_RATE_T1);
	for (uint32_t f = 0; f < count; f++) {
		uint8_t frame[EVL_T1_SLOTS];
		evl_t1_unpack(frame, slab, (uint64_t)f * EVL_T1_FRAME_BITS);
		group = gather(ts, group, frame);
	}
}

void evl_timeslots_insert_t1(
	const struct evl_timeslots *ts, uint8_t *slab, const uint8_t *group, uint32_t count)
{
	evl_require(ts->rate == EVL_RATE_T1);
	for (uint32_t f = 0; f < count; f++) {
		uint8_t frame[EVL_T1_SLOTS];
		evl_t1_unpack(frame, slab, (uint64_t)f * EVL_T1_FRAME_BITS);
		group = scatter(ts, frame, group);
		evl_t1_pack(slab, (uint64_t)f * EVL_T1_FRAME_BITS, frame);
	}
}

/* SPDX-License-Identifier: Apache-2.0 */
/* What a writer puts before the first bit, checked. */
#include <inttypes.h>
#include <jansson.h>
#include <stdlib.h>
#include <string.h>

#include "core/recording/internal.h"

enum evl_status rec_check_channels(
	const char *path, const struct evl_rec_channel *ch, uint32_t count, struct evl_err *err)
{
	if (count == 0 || count > EVL_REC_CHANNELS_MAX) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: a recording has 1 to %u channels, not %" PRIu32, path,
			EVL_REC_CHANNELS_MAX, count);
	}
	for (uint32_t c = 0; c < count; c++) {
		const char *name = ch[c].name;
		size_t n = name != NULL ? strlen(name) : 0;
		if (n == 0 || n >= EVL_REC_NAME_MAX) {
			return evl_err_set(err, EVL_E_INVALID,
				"%s: the name of channel %" PRIu32
				" must have 1 to %u bytes, not %zu",
				path, c, EVL_REC_NAME_MAX - 1, n);
		}
		for (size_t i = 0; i < n; i++) {
			if ((unsigned char)name[i] < 0x20 || name[i] == 0x7F) {
				return evl_err_set(err, EVL_E_INVALID,
					"%s: the name of channel %" PRIu32
					" has a control character",
					path, c);
			}
		}
		json_t *text = json_string(name); /* NULL unless it is UTF-8 */
		json_decref(text);
		if (text == NULL) {
			return evl_err_set(err, EVL_E_INVALID,
				"%s: the name of channel %" PRIu32 " is not UTF-8", path, c);
		}
		if (evl_rate_frame_bits(ch[c].rate) == 0) {
			return evl_err_set(
				err, EVL_E_INVALID, "%s: channel %s has no rate", path, name);
		}
		if (ch[c].direction != EVL_REC_SENT && ch[c].direction != EVL_REC_RECEIVED) {
			return evl_err_set(err, EVL_E_INVALID,
				"%s: channel %s is neither sent nor received", path, name);
		}
		if (ch[c].clock_ppb > EVL_REC_CLOCK_PPB_MAX ||
			ch[c].clock_ppb < -EVL_REC_CLOCK_PPB_MAX ||
			(ch[c].clock_ppb != 0 && ch[c].direction != EVL_REC_SENT)) {
			return evl_err_set(err, EVL_E_INVALID,
				"%s: channel %s has a clock offset of %" PRId32
				" ppb; a sent one can have up to %d, others none",
				path, name, ch[c].clock_ppb, EVL_REC_CLOCK_PPB_MAX);
		}
		if (ch[c].start_ns >= (uint64_t)1 << 62) {
			return evl_err_set(err, EVL_E_INVALID,
				"%s: the start of channel %s is out of range", path, name);
		}
		for (uint32_t o = 0; o < c; o++) {
			if (strcmp(ch[o].name, name) == 0) {
				return evl_err_set(err, EVL_E_INVALID,
					"%s: two channels have the name %s", path, name);
			}
		}
	}
	return EVL_OK;
}

enum evl_status rec_make_comment(char **out, const char *path, uint32_t count,
	const char *meta_json, uint32_t part, struct evl_err *err)
{
	json_error_t je;
	json_t *meta =
		json_loads(meta_json != NULL ? meta_json : "{}", JSON_REJECT_DUPLICATES, &je);
	if (!json_is_object(meta)) {
		json_decref(meta);
		return evl_err_set(err, EVL_E_INVALID, "%s: the metadata is not a JSON object%s%s",
			path, meta == NULL ? ": " : "", meta == NULL ? je.text : "");
	}
	json_t *all = json_pack("{s:s, s:i, s:I, s:o}", "format", "evenlode-recording", "version",
		FORMAT_VERSION, "channels", (json_int_t)count, "meta", meta);
	if (all != NULL && part > 0) {
		json_object_set_new(all, "set", json_pack("{s:I}", "part", (json_int_t)part));
	}
	char *text = all != NULL ? json_dumps(all, JSON_COMPACT) : NULL;
	json_decref(all);
	if (text == NULL) {
		return evl_err_set(err, EVL_E_NOMEM, "%s: no memory for the metadata", path);
	}
	if (strlen(text) > EVL_REC_META_MAX) {
		enum evl_status st = evl_err_set(err, EVL_E_INVALID,
			"%s: the metadata has %zu bytes, more than %u", path, strlen(text),
			EVL_REC_META_MAX);
		free(text);
		return st;
	}
	*out = text;
	return EVL_OK;
}

/* SPDX-License-Identifier: Apache-2.0 */
/* Judges single things that came from an adapter, and words what is wrong with them. */
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "core/adapter/internal.h"
#include "core/base/alarm.h"
#include "core/base/rate.h"

/* Bytes of the UTF-8 character at s within `left` bytes; 0 when it is none. */
static size_t character(const unsigned char *s, size_t left)
{
	size_t n = s[0] < 0x80                    ? 1
		   : s[0] >= 0xC2 && s[0] <= 0xDF ? 2
		   : s[0] >= 0xE0 && s[0] <= 0xEF ? 3
		   : s[0] >= 0xF0 && s[0] <= 0xF4 ? 4
						  : 0;
	if (n > left) {
		return 0;
	}
	for (size_t i = 1; i < n; i++) {
		if ((s[i] & 0xC0) != 0x80) {
			return 0;
		}
	}
	return n;
}

const char *evl_adapter_text(char *out, size_t out_bytes, const char *text, size_t max)
{
	size_t len = strnlen(text, max), o = 0;
	for (size_t i = 0; i < len;) {
		size_t n = character((const unsigned char *)text + i, len - i);
		if (o + (n ? n : 1) >= out_bytes) {
			break;
		}
		if (n == 0) {
			out[o++] = '?';
			i++;
		} else if (n == 1) {
			unsigned char c = (unsigned char)text[i++];
			out[o++] = c < 0x20 || c == 0x7F ? ' ' : (char)c;
		} else {
			memcpy(out + o, text + i, n);
			o += n;
			i += n;
		}
	}
	out[o] = '\0';
	return out;
}

const char *evl_adapter_code_name(int code)
{
	switch (code) {
	case EVL_ADAPTER_E_OPTION:
		return "a wrong option";
	case EVL_ADAPTER_E_UNSUPPORTED:
		return "not supported";
	case EVL_ADAPTER_E_STATE:
		return "called out of order";
	case EVL_ADAPTER_E_HARDWARE:
		return "the equipment failed";
	case EVL_ADAPTER_E_NOMEM:
		return "out of memory";
	default:
		return NULL;
	}
}

static bool name_good(const char *name)
{
	size_t n = strnlen(name, EVL_NAME_MAX);
	for (size_t i = 0; i < n; i++) {
		char c = name[i];
		if (!(c >= 'a' && c <= 'z') && !(c >= 'A' && c <= 'Z') && !(c >= '0' && c <= '9') &&
		    strchr("-_./", c) == NULL) {
			return false;
		}
	}
	return n > 0;
}

const char *evl_channel_problem(const struct evl_channel_info *list, uint32_t i)
{
	const struct evl_channel_info *c = &list[i];
	if (c->version != 1) {
		return "its record has a version that is not 1";
	}
	if (memchr(c->name, '\0', sizeof c->name) == NULL) {
		return "its name has no end";
	}
	if (!name_good(c->name)) {
		return "its name is empty or has characters other than letters, digits, - _ . /";
	}
	if (memchr(c->port, '\0', sizeof c->port) == NULL) {
		return "the name of its port has no end";
	}
	if (!name_good(c->port)) {
		return "the name of its port is empty or has characters other than letters, "
		       "digits, "
		       "- _ . /";
	}
	if (evl_rate_frame_bits((enum evl_rate)c->rate) == 0) {
		return "its rate is not known";
	}
	if (c->abilities & ~(uint32_t)(EVL_CH_PLAY | EVL_CH_CAPTURE | EVL_CH_ALARMS |
				       EVL_CH_INJECT | EVL_CH_CLOCK | EVL_CH_SETUP)) {
		return "it declares an ability that this ABI does not have";
	}
	if ((c->abilities & EVL_CH_CLOCK) && !(c->abilities & EVL_CH_PLAY)) {
		return "it takes a clock offset but cannot play";
	}
	for (uint32_t k = 0; k < i; k++) {
		if (strcmp(list[k].name, c->name) == 0) {
			return "its name comes twice";
		}
	}
	return NULL;
}

const char *evl_event_problem(const struct evl_event *event, uint32_t channel_count,
			      uint64_t from_ns, uint64_t until_ns)
{
	if (event->version != 1) {
		return "its record has a version that is not 1";
	}
	if (event->channel >= channel_count) {
		return "it is on a channel that does not exist";
	}
	if (event->alarm < EVL_ABI_LOS || event->alarm >= EVL_ALARM_COUNT) {
		return "its alarm is not in the ABI";
	}
	if (event->at_ns < from_ns) {
		return "it is older than the one before";
	}
	if (event->at_ns > until_ns) {
		return "its time has not come yet";
	}
	return NULL;
}

enum evl_status evl_instance_refuse(const struct evl_instance *in, struct evl_err *err,
				    const char *call, const char *fmt, ...)
{
	char text[512];
	va_list ap;
	va_start(ap, fmt);
	vsnprintf(text, sizeof text, fmt, ap);
	va_end(ap);
	return evl_err_set(err, EVL_E_INVALID, "adapter %s (instance %s): %s refused: %s",
			   in->adapter->name, in->name, call, text);
}

enum evl_status evl_instance_broken(const struct evl_instance *in, struct evl_err *err,
				    const char *call, const char *fmt, ...)
{
	char text[512];
	va_list ap;
	va_start(ap, fmt);
	vsnprintf(text, sizeof text, fmt, ap);
	va_end(ap);
	return evl_err_set(err, EVL_E_ADAPTER,
			   "adapter %s (instance %s): %s broke the driver ABI: %s",
			   in->adapter->name, in->name, call, text);
}

enum evl_status evl_instance_judge(const struct evl_instance *in, struct evl_err *err,
				   const char *call, int code, const struct evl_adapter_error *said)
{
	if (code == EVL_ADAPTER_OK) {
		return EVL_OK;
	}
	const char *name = evl_adapter_code_name(code);
	char text[sizeof said->text];
	evl_adapter_text(text, sizeof text, said->text, sizeof said->text);
	if (name == NULL) {
		return evl_instance_broken(in, err, call,
					   "it returned %d, which is no code; its text: %s", code,
					   text[0] ? text : "none");
	}
	bool open_end = memchr(said->text, '\0', sizeof said->text) == NULL;
	return evl_err_set(err, EVL_E_ADAPTER, "adapter %s (instance %s): %s failed: %s%s",
			   in->adapter->name, in->name, call, text[0] ? text : name,
			   open_end ? " (the text has no end)" : "");
}

struct evl_adapter_error evl_no_error(void)
{
	return (struct evl_adapter_error){.version = 1};
}

/* SPDX-License-Identifier: Apache-2.0 */
#include "core/adapter/instance.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

#include "core/adapter/guard.h"
#include "core/adapter/internal.h"
#include "core/base/alarm.h"
#include "core/base/rate.h"

/* The ABI repeats values of core/base, so that adapters need only one header. */
static_assert((int)EVL_ABI_RATE_E1 == (int)EVL_RATE_E1, "rates");
static_assert((int)EVL_ABI_RATE_T1 == (int)EVL_RATE_T1, "rates");
static_assert((int)EVL_ABI_RATE_STM1 == (int)EVL_RATE_STM1, "rates");
static_assert((int)EVL_ABI_RATE_STM4 == (int)EVL_RATE_STM4, "rates");
static_assert((int)EVL_ABI_RATE_VC3 == (int)EVL_RATE_VC3, "rates");
static_assert((int)EVL_ABI_RATE_VC4 == (int)EVL_RATE_VC4, "rates");
static_assert((int)EVL_ABI_RATE_VC4_4C == (int)EVL_RATE_COUNT - 1, "rates");
static_assert((int)EVL_ABI_LOS == (int)EVL_ALARM_LOS, "alarms");
static_assert((int)EVL_ABI_AIS == (int)EVL_ALARM_AIS, "alarms");
static_assert((int)EVL_ABI_TS16_RAI == (int)EVL_ALARM_TS16_RAI, "alarms");
static_assert((int)EVL_ABI_PSE == (int)EVL_ALARM_COUNT - 1, "alarms");
static_assert((int)EVL_CH_PLAY == (int)EVL_ABLE_PLAY, "abilities");
static_assert((int)EVL_CH_CAPTURE == (int)EVL_ABLE_CAPTURE, "abilities");
static_assert((int)EVL_CH_ALARMS == (int)EVL_ABLE_ALARMS, "abilities");
static_assert((int)EVL_CH_INJECT == (int)EVL_ABLE_INJECT, "abilities");
static_assert((int)EVL_CH_CLOCK == (int)EVL_ABLE_CLOCK, "abilities");

struct evl_instance_args evl_instance_args_of(const struct evl_bench *bench, size_t adapter,
					      const char *build, uint64_t seed, bool virtual_time)
{
	const struct evl_bench_adapter *a = &bench->adapters[adapter];
	return (struct evl_instance_args){
		.name = a->name,
		.bench_path = bench->path,
		.options = a->options,
		.option_count = a->option_count,
		.line = a->line,
		.build = build,
		.seed = seed,
		.virtual_time = virtual_time,
	};
}

static bool path_char(char c)
{
	return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
	       (c != '\0' && strchr("_-[]", c) != NULL);
}

/* Is the first `len` bytes of `path` in the text, as a whole word? */
static bool names_path(const char *text, const char *path, size_t len)
{
	for (const char *s = text; (s = strchr(s, path[0])) != NULL; s++) {
		if (strncmp(s, path, len) != 0) {
			continue;
		}
		bool left = s == text || !(path_char(s[-1]) || s[-1] == '.');
		bool right = !path_char(s[len]) && !(s[len] == '.' && path_char(s[len + 1]));
		if (left && right) {
			return true;
		}
	}
	return false;
}

/* The line of the option that the text names: itself or the mapping or list it is in, the longest
 * path that is found; else the line of the instance. */
static uint32_t option_line(const struct evl_instance_args *args, const char *text)
{
	uint32_t line = args->line;
	size_t best = 0;
	for (size_t i = 0; i < args->option_count; i++) {
		const char *path = args->options[i].path;
		for (size_t len = strlen(path); len > best; len--) {
			bool end = path[len] == '\0' || path[len] == '.' || path[len] == '[';
			if (end && names_path(text, path, len)) {
				best = len;
				line = args->options[i].line;
				break;
			}
		}
	}
	return line;
}

static enum evl_status read_channels(struct evl_instance *in, struct evl_err *err)
{
	uint32_t capacity = 256, count = 0;
	for (int round = 0;; round++) {
		/* One entry more than told shows whether the adapter keeps to the capacity. */
		size_t bytes = ((size_t)capacity + 1) * sizeof *in->channels;
		in->channels = evl_xrealloc(in->channels, bytes);
		memset(in->channels, 0, bytes);
		struct evl_adapter_error said = evl_no_error();
		count = UINT32_MAX;
		evl_guard_enter(in->name, "channels");
		int code = in->adapter->channels(in->self, in->channels, capacity, &count, &said);
		evl_guard_leave();
		enum evl_status st = evl_instance_judge(in, err, "channels", code, &said);
		if (st < 0) {
			return st;
		}
		const struct evl_channel_info nothing = {0};
		if (memcmp(&in->channels[capacity], &nothing, sizeof nothing) != 0) {
			return evl_instance_broken(in, err, "channels",
						   "it wrote more than the capacity of %u",
						   (unsigned)capacity);
		}
		if (count == 0 || count > EVL_INSTANCE_CHANNELS_MAX) {
			return evl_instance_broken(in, err, "channels",
						   "it has %u channels; 1..%u are possible",
						   (unsigned)count, EVL_INSTANCE_CHANNELS_MAX);
		}
		if (count <= capacity) {
			break;
		}
		if (round > 0) {
			return evl_instance_broken(in, err, "channels",
						   "the number of channels changes");
		}
		capacity = count;
	}
	in->channel_count = count;
	for (uint32_t i = 0; i < count; i++) {
		const char *problem = evl_channel_problem(in->channels, i);
		if (problem) {
			char name[EVL_NAME_MAX];
			evl_adapter_text(name, sizeof name, in->channels[i].name, EVL_NAME_MAX);
			return evl_instance_broken(in, err, "channels", "channel %u (\"%s\"): %s",
						   (unsigned)i, name, problem);
		}
	}
	in->arms = evl_xcalloc(count, sizeof *in->arms);
	in->slabs = evl_xcalloc(count, sizeof *in->slabs);
	in->ahead = evl_xcalloc(count, sizeof *in->ahead);
	return EVL_OK;
}

/* What an adapter gets to open with; free the options. */
static struct evl_open_args open_args_of(const struct evl_instance_args *args,
					 struct evl_adapter_option **options)
{
	*options = evl_xcalloc(args->option_count, sizeof **options);
	for (size_t i = 0; i < args->option_count; i++) {
		(*options)[i] = (struct evl_adapter_option){.path = args->options[i].path,
							    .value = args->options[i].value,
							    .line = args->options[i].line};
	}
	return (struct evl_open_args){
		.version = 1,
		.options = *options,
		.option_count = (uint32_t)args->option_count,
		.build = args->build ? args->build : "",
		.seed = args->seed,
		.virtual_time = args->virtual_time,
	};
}

/* Puts file and line in front when an option was refused. */
static enum evl_status judge_open(const struct evl_instance *in,
				  const struct evl_instance_args *args, const char *call, int code,
				  const struct evl_adapter_error *said, struct evl_err *err)
{
	enum evl_status st = evl_instance_judge(in, err, call, code, said);
	if (code == EVL_ADAPTER_E_OPTION && args->bench_path && err) {
		evl_err_prefix(err, "%s:%u", args->bench_path,
			       (unsigned)option_line(args, err->text));
		st = err->status = EVL_E_INVALID;
	}
	return st;
}

enum evl_status evl_adapter_identify(struct evl_identity *out, const struct evl_adapter *adapter,
				     const struct evl_instance_args *args, struct evl_err *err)
{
	const struct evl_instance in = {.adapter = adapter, .name = (char *)args->name};
	const struct evl_identity_extension *x =
		adapter->get_extension ? adapter->get_extension(EVL_IDENTITY_EXTENSION) : NULL;
	memset(out, 0, sizeof *out);
	out->version = 1;
	if (x == NULL) {
		out->capabilities = adapter->capabilities;
		evl_adapter_text(out->name, sizeof out->name, adapter->name, sizeof out->name);
		evl_adapter_text(out->release, sizeof out->release, adapter->version,
				 sizeof out->release);
		evl_adapter_text(out->description, sizeof out->description, adapter->description,
				 sizeof out->description);
		return EVL_OK;
	}
	if (x->version != 1 || x->identify == NULL) {
		return evl_instance_broken(&in, err, "get_extension",
					   "what it gave for " EVL_IDENTITY_EXTENSION
					   " is not of version 1");
	}
	struct evl_adapter_option *options;
	struct evl_open_args to = open_args_of(args, &options);
	struct evl_adapter_error said = evl_no_error();
	struct evl_identity got = *out;
	int code = x->identify(&to, &got, &said);
	free(options);
	enum evl_status st = judge_open(&in, args, "identify", code, &said, err);
	if (st < 0) {
		return st;
	}
	/* An instance cannot do more than its adapter says it can. */
	out->capabilities = got.capabilities;
	evl_adapter_text(out->name, sizeof out->name, got.name, sizeof got.name);
	evl_adapter_text(out->release, sizeof out->release, got.release, sizeof got.release);
	evl_adapter_text(out->description, sizeof out->description, got.description,
			 sizeof got.description);
	if ((got.capabilities & EVL_CAP_VIRTUAL_TIME) &&
	    !(adapter->capabilities & EVL_CAP_VIRTUAL_TIME)) {
		return evl_instance_broken(&in, err, "identify",
			"the instance runs in virtual time, which the adapter does not declare");
	}
	return EVL_OK;
}

static enum evl_status open_adapter(struct evl_instance *in, const struct evl_instance_args *args,
				    struct evl_err *err)
{
	struct evl_adapter_option *options;
	struct evl_open_args to = open_args_of(args, &options);
	struct evl_adapter_error said = evl_no_error();
	evl_guard_enter(in->name, "open");
	int code = in->adapter->open(&in->self, &to, &said);
	evl_guard_leave();
	free(options);
	enum evl_status st = judge_open(in, args, "open", code, &said, err);
	if (st < 0 && in->self != NULL) {
		in->self = NULL; /* not ours to close after a failed open */
		return evl_instance_broken(in, err, "open",
					   "it failed but left an instance behind");
	}
	if (st == EVL_OK && in->self == NULL) {
		return evl_instance_broken(in, err, "open",
					   "it reported success but gave no instance");
	}
	return st;
}

enum evl_status evl_instance_open_table(struct evl_instance **out,
					const struct evl_adapter *adapter,
					const struct evl_instance_args *args, struct evl_err *err)
{
	*out = NULL;
	struct evl_instance *in = evl_xcalloc(1, sizeof *in);
	in->adapter = adapter;
	in->name = evl_xstrdup(args->name);
	in->virtual_time = args->virtual_time;
	enum evl_status st;
	if (args->virtual_time && !(adapter->capabilities & EVL_CAP_VIRTUAL_TIME)) {
		st = evl_instance_refuse(
			in, err, "open",
			"this adapter runs in real time only, it cannot take part in virtual time");
		goto out;
	}
	st = open_adapter(in, args, err);
	if (st == EVL_OK) {
		st = read_channels(in, err);
	}
	if (st == EVL_OK && adapter->get_extension != NULL) {
		in->setup = adapter->get_extension(EVL_SETUP_EXTENSION);
		if (in->setup != NULL && (in->setup->version != 1 || in->setup->apply == NULL)) {
			in->setup = NULL;
			st = evl_instance_broken(in, err, "get_extension",
				"what it gave for " EVL_SETUP_EXTENSION " is not of version 1");
		}
	}
out:
	if (st < 0) {
		evl_instance_close(in);
		return st;
	}
	*out = in;
	return EVL_OK;
}

enum evl_status evl_instance_open(struct evl_instance **out, const struct evl_loaded *loaded,
				  const struct evl_instance_args *args, struct evl_err *err)
{
	return evl_instance_open_table(out, evl_loaded_adapter(loaded), args, err);
}

void evl_instance_close(struct evl_instance *in)
{
	if (in == NULL) {
		return;
	}
	if (in->self) {
		evl_instance_stop(in, NULL);
		evl_guard_enter(in->name, "close");
		in->adapter->close(in->self);
		evl_guard_leave();
	}
	free(in->channels);
	free(in->arms);
	free(in->slabs);
	free(in->ahead);
	free(in->name);
	free(in);
}

const char *evl_instance_name(const struct evl_instance *in)
{
	return in->name;
}

const struct evl_adapter *evl_instance_adapter(const struct evl_instance *in)
{
	return in->adapter;
}

enum evl_instance_state evl_instance_state(const struct evl_instance *in)
{
	return in->state;
}

const struct evl_channel_info *evl_instance_channels(const struct evl_instance *in, uint32_t *count)
{
	*count = in->channel_count;
	return in->channels;
}

size_t evl_instance_ports(const struct evl_instance *in, uint32_t adapter,
			  struct evl_bound_port *out, size_t capacity)
{
	for (uint32_t i = 0; i < in->channel_count && i < capacity; i++) {
		out[i] = (struct evl_bound_port){
			.adapter = adapter,
			.channel = i,
			.name = in->channels[i].name,
			.rate = (enum evl_rate)in->channels[i].rate,
			.abilities = in->channels[i].abilities,
		};
	}
	return in->channel_count;
}

uint64_t evl_instance_frames(const struct evl_instance *in)
{
	return in->frames;
}

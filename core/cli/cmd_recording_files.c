/* SPDX-License-Identifier: Apache-2.0 */
/* `evenlode recording extract` and `import`: channels as files of other kinds, and back. */
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/base/text.h"
#include "core/cli/recording.h"
#include "core/recording/bundle.h"
#include "core/recording/convert.h"
#include "core/recording/reader.h"
#include "core/recording/wav.h"
#include "core/recording/writer.h"

static const struct cli_verb verb_extract = {"recording extract", "", cli_recording_help, NULL};
static const struct cli_verb verb_import = {"recording import", "", cli_recording_help, NULL};
static const struct cli_verb verb_copy = {"recording copy", "", cli_recording_help, NULL};

struct extraction {
	const char *channel, *raw, *wav;
	struct evl_rec_wav_plan plan;
};

static enum evl_status write_raw(struct evl_rec *r, uint32_t channel, FILE *f, const char *path,
	struct evl_text *said, struct evl_err *err)
{
	uint64_t bytes = 0, gaps = 0;
	enum evl_status st = evl_rec_extract(r, channel, f, path, &bytes, &gaps, err);
	evl_text_addf(said, "%s bytes of channel %s", cli_count(bytes).s,
		evl_rec_info(r, channel)->channel.name);
	if (gaps > 0) {
		evl_text_addf(said, ", %s left out", cli_number_of(gaps, "gap").s);
	}
	return st;
}

static enum evl_status write_wav(struct evl_rec *r, uint32_t channel, FILE *f,
	const struct extraction *x, struct evl_text *said, struct evl_err *err)
{
	struct evl_rec_wav_result w = {0};
	enum evl_status st = evl_rec_export_wav(r, channel, &x->plan, f, x->wav, &w, err);
	evl_text_addf(said, "%s of timeslot %" PRIu32 " of channel %s, %s",
		cli_number_of(w.samples, "sample").s, x->plan.timeslot,
		evl_rec_info(r, channel)->channel.name,
		w.law == EVL_REC_A_LAW ? "A-law" : "mu-law");
	if (w.unaligned > 0) {
		evl_text_addf(said, "; %s without frame alignment, as all ones",
			cli_count(w.unaligned).s);
	}
	if (w.silence > 0) {
		evl_text_addf(said, "; %s of silence in the place of gaps", cli_count(w.silence).s);
	}
	return st;
}

/* Writes over nothing but a file of its own: the recording itself would be lost. */
static enum evl_status extract_to(
	struct evl_rec *r, uint32_t channel, const struct extraction *x, struct evl_err *err)
{
	const char *path = x->raw != NULL ? x->raw : x->wav;
	struct stat from, to;
	struct evl_text said = {0};

	if (stat(path, &to) == 0) {
		if (!S_ISREG(to.st_mode) && !S_ISFIFO(to.st_mode) && !S_ISCHR(to.st_mode)) {
			return evl_err_set(err, EVL_E_INVALID, "%s: is no file to write to", path);
		}
		if (stat(evl_rec_path(r), &from) == 0 && from.st_dev == to.st_dev &&
			from.st_ino == to.st_ino) {
			return evl_err_set(err, EVL_E_INVALID,
				"%s: is the recording itself; give --%s another name", path,
				x->raw != NULL ? "raw" : "wav");
		}
	}
	FILE *f = fopen(path, "wb");
	if (f == NULL) {
		return evl_err_set(
			err, EVL_E_IO, "%s: cannot be written: %s", path, strerror(errno));
	}
	enum evl_status st = x->raw != NULL ? write_raw(r, channel, f, path, &said, err)
					    : write_wav(r, channel, f, x, &said, err);
	if (fclose(f) != 0 && st == EVL_OK) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be written: %s", path, strerror(errno));
	}
	if (st == EVL_OK) {
		cli_out("%s: %s\n", path, evl_text_str(&said));
	} else if (stat(path, &to) == 0 && S_ISREG(to.st_mode)) {
		unlink(path);
	}
	evl_text_finish(&said);
	return st;
}

enum { EXTRACT_CHANNEL, EXTRACT_RAW, EXTRACT_WAV, EXTRACT_TIMESLOT, EXTRACT_LAW };
static const struct cli_option extract_options[] = {[EXTRACT_CHANNEL] = {"channel", true},
	[EXTRACT_RAW] = {"raw", true},
	[EXTRACT_WAV] = {"wav", true},
	[EXTRACT_TIMESLOT] = {"timeslot", true},
	[EXTRACT_LAW] = {"law", true},
	{NULL, false}};

/* What is wrong with the options together, or NULL. */
static const char *unfit(const struct extraction *x, bool slot)
{
	if (x->channel == NULL) {
		return "--channel is missing";
	}
	if ((x->raw == NULL) == (x->wav == NULL)) {
		return x->raw == NULL ? "--raw or --wav is missing"
				      : "give --raw or --wav, not both";
	}
	if (x->wav != NULL && !slot) {
		return "--timeslot is missing";
	}
	if (x->wav == NULL && (slot || x->plan.law != EVL_REC_LAW_OF_RATE)) {
		return "--timeslot and --law are for --wav";
	}
	return NULL;
}

int cli_recording_extract(int argc, char **argv)
{
	struct cli_args a = {.verb = &verb_extract,
		.options = extract_options,
		.argc = argc,
		.argv = argv,
		.operands_min = 1,
		.operands_max = 1};
	struct extraction x = {0};
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	uint64_t slot = 0;
	bool has_slot = false;
	uint32_t index;
	int status = CLI_GOOD;

	while (cli_next(&a)) {
		if (a.index == EXTRACT_TIMESLOT) {
			has_slot = true;
			if (!cli_parse_u64(&slot, a.value) || slot > 31) {
				a.exit = cli_usage(a.verb,
					"--timeslot \"%s\" is not a whole number from 0 to 31",
					a.value);
			}
			x.plan.timeslot = (uint32_t)slot;
		} else if (a.index == EXTRACT_LAW) {
			x.plan.law = strcmp(a.value, "a") == 0 ? EVL_REC_A_LAW : EVL_REC_MU_LAW;
			if (x.plan.law == EVL_REC_MU_LAW && strcmp(a.value, "mu") != 0) {
				a.exit = cli_usage(
					a.verb, "--law \"%s\" is neither a nor mu", a.value);
			}
		} else {
			*(a.index == EXTRACT_CHANNEL     ? &x.channel
				: a.index == EXTRACT_RAW ? &x.raw
							 : &x.wav) = a.value;
		}
	}
	if (a.exit >= 0) {
		return a.exit;
	}
	const char *wrong = unfit(&x, has_slot);
	if (wrong != NULL) {
		return cli_usage(a.verb, "%s", wrong);
	}
	if (evl_rec_open(&r, a.operands[0], &err) != EVL_OK) {
		return cli_error(&err);
	}
	if (!evl_rec_find(r, x.channel, &index)) {
		evl_err_set(&err, EVL_E_NOTFOUND,
			"%s: has no channel \"%s\"; see evenlode recording info", a.operands[0],
			x.channel);
		status = cli_error(&err);
	} else if (extract_to(r, index, &x, &err) != EVL_OK) {
		status = cli_error(&err);
	}
	evl_rec_close(r);
	return status;
}

/* ---- import ---- */

enum { IMPORT_RAW, IMPORT_RATE, IMPORT_DIRECTION };
static const struct cli_option import_options[] = {[IMPORT_RAW] = {"raw", CLI_MANY},
	[IMPORT_RATE] = {"rate", true},
	[IMPORT_DIRECTION] = {"direction", true},
	{NULL, false}};

static enum evl_status import_files(const char *out, const struct evl_rec_channel *ch, char **files,
	uint32_t count, struct evl_err *err)
{
	struct evl_rec_writer *w = NULL;
	struct evl_rec_totals totals;
	uint64_t bytes = 0;
	enum evl_status st =
		evl_rec_writer_create(&w, out, ch, count, "{\"imported\":\"raw\"}", err);
	if (st < 0) {
		return st;
	}
	for (uint32_t c = 0; st == EVL_OK && c < count; c++) {
		uint64_t n = 0;
		st = evl_rec_import_raw(w, c, files[c], &n, err);
		bytes += n;
	}
	if (st == EVL_OK) {
		st = evl_rec_finish(w, NULL, &totals, err);
	} else {
		evl_rec_abandon(w);
	}
	if (st < 0) {
		unlink(out); /* ours: create refuses a file that was there before */
		return st;
	}
	cli_out("%s: %s bytes of %s\n", out, cli_count(bytes).s, cli_number_of(count, "channel").s);
	return EVL_OK;
}

int cli_recording_import(int argc, char **argv)
{
	struct cli_args a = {.verb = &verb_import,
		.options = import_options,
		.argc = argc,
		.argv = argv,
		.operands_min = 1,
		.operands_max = 1};
	struct evl_rec_channel *ch = evl_xcalloc((unsigned long)argc, sizeof *ch);
	char **names = evl_xcalloc((unsigned long)argc, sizeof *names);
	char **files = evl_xcalloc((unsigned long)argc, sizeof *files);
	enum evl_rate rate = EVL_RATE_NONE;
	enum evl_rec_direction direction = EVL_REC_RECEIVED;
	uint32_t count = 0;
	struct evl_err err = {0};

	while (cli_next(&a)) {
		if (a.index == IMPORT_RATE) {
			rate = evl_rate_by_name(a.value);
			if (rate == EVL_RATE_NONE) {
				a.exit = cli_usage(
					a.verb, "--rate \"%s\" is none of E1, T1, STM-1", a.value);
			}
		} else if (a.index == IMPORT_DIRECTION) {
			direction = strcmp(a.value, "sent") == 0 ? EVL_REC_SENT : EVL_REC_RECEIVED;
			if (direction == EVL_REC_RECEIVED && strcmp(a.value, "received") != 0) {
				a.exit = cli_usage(a.verb,
					"--direction \"%s\" is neither sent nor received", a.value);
			}
		} else {
			char *copy = evl_xstrdup(a.value);
			char *equals = strchr(copy, '=');
			names[count] = copy;
			files[count++] = equals != NULL ? equals + 1 : NULL;
			if (equals == NULL || equals == copy || equals[1] == '\0') {
				a.exit = cli_usage(a.verb,
					"--raw \"%s\" is not of the form NAME=FILE", a.value);
			} else {
				*equals = '\0';
			}
		}
	}
	int status = a.exit;
	if (status < 0 && (count == 0 || rate == EVL_RATE_NONE)) {
		status = cli_usage(a.verb, "%s is missing", count == 0 ? "--raw" : "--rate");
	}
	if (status < 0) {
		for (uint32_t c = 0; c < count; c++) {
			ch[c] = (struct evl_rec_channel){
				.name = names[c], .rate = rate, .direction = direction};
		}
		status = import_files(a.operands[0], ch, files, count, &err) == EVL_OK
				 ? CLI_GOOD
				 : cli_error(&err);
	}
	for (uint32_t c = 0; c < count; c++) {
		free(names[c]);
	}
	free(names);
	free(files);
	free(ch);
	return status;
}

/* ---- copy ---- */

enum { COPY_BYTES, COPY_SECONDS, COPY_COMPRESS };
static const struct cli_option copy_options[] = {[COPY_BYTES] = {"part-bytes", true},
	[COPY_SECONDS] = {"part-seconds", true},
	[COPY_COMPRESS] = {"compress", false},
	{NULL, false}};

int cli_recording_copy(int argc, char **argv)
{
	struct cli_args a = {.verb = &verb_copy,
		.options = copy_options,
		.argc = argc,
		.argv = argv,
		.operands_min = 2,
		.operands_max = 2};
	struct evl_rec_limits limits = {0};
	struct evl_rec_totals totals;
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	bool set = false;

	while (cli_next(&a)) {
		uint64_t n = 0;
		bool seconds = a.index == COPY_SECONDS;
		if (a.index == COPY_COMPRESS) {
			limits.compress = true;
			continue;
		}
		if (!cli_parse_u64(&n, a.value) || n < (seconds ? 1 : 65536) ||
			n > UINT32_MAX * 1000ull) {
			a.exit = cli_usage(a.verb, "--%s \"%s\" is not a whole number from %d on",
				copy_options[a.index].name, a.value, seconds ? 1 : 65536);
		}
		set = true;
		*(seconds ? &limits.part_ns : &limits.part_bytes) = seconds ? n * 1000000000 : n;
	}
	if (a.exit >= 0) {
		return a.exit;
	}
	if (limits.compress && !set) {
		return cli_usage(a.verb,
			"--compress is for the parts of a set; one file is compressed when its "
			"name ends in .zst");
	}
	if (evl_rec_open(&r, a.operands[0], &err) != EVL_OK) {
		return cli_error(&err);
	}
	int status = CLI_GOOD;
	if (evl_rec_copy(r, a.operands[1], set ? &limits : NULL, &totals, &err) != EVL_OK) {
		status = cli_error(&err);
	} else {
		cli_out("%s: %s, %s bytes\n", a.operands[1],
			cli_number_of(totals.blocks, "block").s, cli_count(totals.file_bytes).s);
	}
	evl_rec_close(r);
	return status;
}

/* ---- bundle, unbundle ---- */

static const struct cli_verb verb_bundle = {"recording bundle", "", cli_recording_help, NULL};
static const struct cli_verb verb_unbundle = {"recording unbundle", "", cli_recording_help, NULL};
static const struct cli_option no_options[] = {{NULL, false}};

/* The two operands; false with *status when they are not so. */
static bool two_operands(struct cli_args *a, int *status)
{
	while (cli_next(a)) {
	}
	*status = a->exit;
	return a->exit < 0;
}

int cli_recording_bundle(int argc, char **argv)
{
	struct cli_args a = {.verb = &verb_bundle,
		.options = no_options,
		.argc = argc,
		.argv = argv,
		.operands_min = 2,
		.operands_max = 2};
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	int status;

	if (!two_operands(&a, &status)) {
		return status;
	}
	if (evl_rec_open(&r, a.operands[0], &err) != EVL_OK) {
		return cli_error(&err);
	}
	status = evl_rec_bundle(r, a.operands[1], &err) == EVL_OK ? CLI_GOOD : cli_error(&err);
	evl_rec_close(r);
	return status;
}

int cli_recording_unbundle(int argc, char **argv)
{
	struct cli_args a = {.verb = &verb_unbundle,
		.options = no_options,
		.argc = argc,
		.argv = argv,
		.operands_min = 2,
		.operands_max = 2};
	struct evl_err err = {0};
	char *name = NULL;
	int status;

	if (!two_operands(&a, &status)) {
		return status;
	}
	if (evl_rec_unbundle(a.operands[0], a.operands[1], &name, &err) != EVL_OK) {
		return cli_error(&err);
	}
	cli_out("%s: all digests fit\n", name);
	free(name);
	return CLI_GOOD;
}

/* SPDX-License-Identifier: Apache-2.0 */
/* `evenlode recording extract` and `import`: channels as files of other kinds, and back. */
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/cli/recording.h"
#include "core/recording/convert.h"
#include "core/recording/reader.h"
#include "core/recording/writer.h"

static const struct cli_verb verb_extract = {"recording extract", "", cli_recording_help, NULL};
static const struct cli_verb verb_import = {"recording import", "", cli_recording_help, NULL};
static const struct cli_verb verb_copy = {"recording copy", "", cli_recording_help, NULL};

/* Writes over nothing but a file of its own: the recording itself would be lost. */
static enum evl_status extract_to(
	struct evl_rec *r, uint32_t channel, const char *path, struct evl_err *err)
{
	struct stat from, to;
	uint64_t bytes = 0, gaps = 0;

	if (stat(path, &to) == 0) {
		if (!S_ISREG(to.st_mode) && !S_ISFIFO(to.st_mode) && !S_ISCHR(to.st_mode)) {
			return evl_err_set(err, EVL_E_INVALID, "%s: is no file to write to", path);
		}
		if (stat(evl_rec_path(r), &from) == 0 && from.st_dev == to.st_dev &&
			from.st_ino == to.st_ino) {
			return evl_err_set(err, EVL_E_INVALID,
				"%s: is the recording itself; give --raw another name", path);
		}
	}
	FILE *f = fopen(path, "wb");
	if (f == NULL) {
		return evl_err_set(
			err, EVL_E_IO, "%s: cannot be written: %s", path, strerror(errno));
	}
	enum evl_status st = evl_rec_extract(r, channel, f, path, &bytes, &gaps, err);
	if (fclose(f) != 0 && st == EVL_OK) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be written: %s", path, strerror(errno));
	}
	if (st != EVL_OK) {
		if (stat(path, &to) == 0 && S_ISREG(to.st_mode)) {
			unlink(path);
		}
		return st;
	}
	cli_out("%s: %s bytes of channel %s", path, cli_count(bytes).s,
		evl_rec_info(r, channel)->channel.name);
	if (gaps > 0) {
		cli_out(", %s left out", cli_number_of(gaps, "gap").s);
	}
	cli_out("\n");
	return EVL_OK;
}

enum { EXTRACT_CHANNEL, EXTRACT_RAW };
static const struct cli_option extract_options[] = {
	[EXTRACT_CHANNEL] = {"channel", true}, [EXTRACT_RAW] = {"raw", true}, {NULL, false}};

int cli_recording_extract(int argc, char **argv)
{
	struct cli_args a = {.verb = &verb_extract,
		.options = extract_options,
		.argc = argc,
		.argv = argv,
		.operands_min = 1,
		.operands_max = 1};
	const char *channel = NULL, *raw = NULL;
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	uint32_t index;
	int status = CLI_GOOD;

	while (cli_next(&a)) {
		if (a.index == EXTRACT_CHANNEL) {
			channel = a.value;
		} else {
			raw = a.value;
		}
	}
	if (a.exit >= 0) {
		return a.exit;
	}
	if (channel == NULL || raw == NULL) {
		return cli_usage(a.verb, "%s is missing", channel == NULL ? "--channel" : "--raw");
	}
	if (evl_rec_open(&r, a.operands[0], &err) != EVL_OK) {
		return cli_error(&err);
	}
	if (!evl_rec_find(r, channel, &index)) {
		evl_err_set(&err, EVL_E_NOTFOUND,
			"%s: has no channel \"%s\"; see evenlode recording info", a.operands[0],
			channel);
		status = cli_error(&err);
	} else if (extract_to(r, index, raw, &err) != EVL_OK) {
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

enum { COPY_BYTES, COPY_SECONDS };
static const struct cli_option copy_options[] = {[COPY_BYTES] = {"part-bytes", true},
	[COPY_SECONDS] = {"part-seconds", true},
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

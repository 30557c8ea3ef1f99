/* SPDX-License-Identifier: Apache-2.0 */
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "core/base/digest.h"
#include "core/cli/cli.h"
#include "core/recording/diff.h"
#include "core/recording/reader.h"

static const char help[] =
	"usage: evenlode recording info FILE [--json]\n"
	"       evenlode recording verify FILE\n"
	"       evenlode recording diff FILE FILE [--pair A=B]... [--json]\n"
	"       evenlode recording extract FILE --channel NAME --raw OUT\n"
	"\n"
	"Reads recordings (pcapng), also one that was cut off.\n"
	"\n"
	"  info     channels, rates, lengths, digests\n"
	"  verify   reads every byte and computes every digest again\n"
	"  diff     compares channels of the same name, or the pairs that are given\n"
	"  extract  writes the bits of one channel as bytes, most significant bit first\n"
	"\n"
	"  --channel NAME  the channel to extract\n"
	"  --raw OUT       the file to write\n"
	"  --pair A=B      compare channel A of the first with channel B of the second recording\n"
	"  --json          machine-readable\n"
	"  --help          this text\n"
	"\n"
	"Exit status: 0 done; of verify: intact; of diff: equal. 1 of verify: not intact; of "
	"diff:\n"
	"not equal. 3 error. 64 usage\n";

/* Each with the one help text. */
static const struct cli_verb verb_info = {"recording info", "", help, NULL};
static const struct cli_verb verb_verify = {"recording verify", "", help, NULL};
static const struct cli_verb verb_diff = {"recording diff", "", help, NULL};
static const struct cli_verb verb_extract = {"recording extract", "", help, NULL};

static struct cli_word digest_text(const struct evl_rec_info *c)
{
	struct cli_word w = {""};
	char hex[EVL_SHA256_HEX];
	if (c->has_digest) {
		evl_hex(c->digest, sizeof(c->digest), hex);
		memcpy(w.s, hex, 16); /* enough to see by eye; --json has all of it */
		memcpy(w.s + 16, "...", 4);
	}
	return w;
}

static void info_plain(const struct evl_rec *r)
{
	cli_out("recording %s\n", evl_rec_path(r));
	cli_out("made by   %s\n", evl_rec_software(r));
	cli_out("about     %s\n", evl_rec_meta(r));
	if (evl_rec_missing(r)[0] != '\0') {
		cli_out("state     %s\n", evl_rec_missing(r));
	} else {
		cli_out("state     finished\n");
	}
	cli_out("\n%-20s  %-6s  %-9s  %20s  %14s  %s\n", "channel", "rate", "direction", "bits",
		"length", "digest");
	for (uint32_t i = 0; i < evl_rec_channel_count(r); i++) {
		const struct evl_rec_info *c = evl_rec_info(r, i);
		uint32_t frame_bits = evl_rate_frame_bits(c->channel.rate);
		uint64_t ns = frame_bits != 0 ? c->end_bits / frame_bits * EVL_FRAME_NS : 0;
		cli_out("%-20s  %-6s  %-9s  %20s  %14s  %s\n", c->channel.name,
			evl_rate_name(c->channel.rate),
			evl_rec_direction_name(c->channel.direction), cli_count(c->bits).s,
			cli_duration(ns).s, digest_text(c).s);
		if (c->gaps > 0 || c->overruns > 0) {
			cli_out("    %s, %s of filler or overrun\n",
				cli_number_of(c->gaps, "gap").s,
				cli_number_of(c->overruns, "block").s);
		}
		if (c->channel.skew_ns != 0) {
			cli_out("    began %" PRId64 " ns off\n", c->channel.skew_ns);
		}
	}
}

static json_t *info_json(const struct evl_rec *r)
{
	json_t *channels = json_array();
	for (uint32_t i = 0; i < evl_rec_channel_count(r); i++) {
		const struct evl_rec_info *c = evl_rec_info(r, i);
		char hex[EVL_SHA256_HEX] = "";
		if (c->has_digest) {
			evl_hex(c->digest, sizeof(c->digest), hex);
		}
		json_array_append_new(channels,
			json_pack("{s:o, s:s, s:s, s:I, s:I, s:I, s:I, s:I, s:I, s:I, s:I, s:o}",
				"name", cli_json_text(c->channel.name), "rate",
				evl_rate_name(c->channel.rate), "direction",
				evl_rec_direction_name(c->channel.direction), "start_ns",
				(json_int_t)c->channel.start_ns, "skew_ns",
				(json_int_t)c->channel.skew_ns, "bits", (json_int_t)c->bits,
				"first_bit", (json_int_t)c->first_bit, "end_bits",
				(json_int_t)c->end_bits, "blocks", (json_int_t)c->blocks, "gaps",
				(json_int_t)c->gaps, "overruns", (json_int_t)c->overruns, "sha256",
				cli_json_text(c->has_digest ? hex : NULL)));
	}
	return json_pack("{s:o, s:o, s:o, s:b, s:o, s:o}", "path", cli_json_text(evl_rec_path(r)),
		"software", cli_json_text(evl_rec_software(r)), "about",
		cli_json_object_of(evl_rec_meta(r)), "finished", evl_rec_is_finished(r), "missing",
		cli_json_text(evl_rec_missing(r)), "channels", channels);
}

enum { INFO_JSON };
static const struct cli_option info_options[] = {[INFO_JSON] = {"json", false}, {NULL, false}};

static int info(int argc, char **argv)
{
	struct cli_args a = {.verb = &verb_info,
		.options = info_options,
		.argc = argc,
		.argv = argv,
		.operands_min = 1,
		.operands_max = 1};
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	bool json = false;

	while (cli_next(&a)) {
		json = true;
	}
	if (a.exit >= 0) {
		return a.exit;
	}
	if (evl_rec_open(&r, a.operands[0], &err) != EVL_OK) {
		return cli_error(&err);
	}
	if (json) {
		cli_json_print(info_json(r));
	} else {
		info_plain(r);
	}
	evl_rec_close(r);
	return CLI_GOOD;
}

struct verify_context {
	const struct evl_rec *rec;
};

static void print_finding(void *context, const struct evl_rec_finding *f)
{
	const struct verify_context *c = context;
	if (f->channel >= 0) {
		cli_out("channel %s: ", evl_rec_info(c->rec, (uint32_t)f->channel)->channel.name);
	}
	cli_out("%s", f->text);
	if (f->position > 0) {
		cli_out(" (block %" PRIu64 ", at byte %" PRIu64 ")", f->block, f->position);
	}
	cli_out("\n");
}

static const struct cli_option no_options[] = {{NULL, false}};

static int verify(int argc, char **argv)
{
	struct cli_args a = {.verb = &verb_verify,
		.options = no_options,
		.argc = argc,
		.argv = argv,
		.operands_min = 1,
		.operands_max = 1};
	struct evl_rec_verdict v = {0};
	struct verify_context context = {0};
	struct evl_rec *r = NULL;
	struct evl_err err = {0};
	char hex[EVL_SHA256_HEX];
	int status;

	while (cli_next(&a)) {
	}
	if (a.exit >= 0) {
		return a.exit;
	}
	if (evl_rec_open(&r, a.operands[0], &err) != EVL_OK) {
		/* A file that is ours but too damaged to open is an answer, not an error. */
		cli_error(&err);
		return err.status == EVL_E_CORRUPT ? CLI_NO : CLI_ERROR;
	}
	context.rec = r;
	enum evl_status st = evl_rec_verify(r, print_finding, &context, &v, &err);
	if (st != EVL_OK && st != EVL_E_CORRUPT) {
		status = cli_error(&err);
	} else {
		evl_hex(v.file_sha256, sizeof(v.file_sha256), hex);
		cli_out("checked   %s, %s bytes\n", cli_number_of(v.blocks, "block").s,
			cli_count(v.bytes).s);
		cli_out("SHA-256   %s of the whole file\n", hex);
		cli_out("%s\n",
			st == EVL_OK ? "The recording is intact." : "The recording is NOT intact.");
		status = st == EVL_OK ? CLI_GOOD : CLI_NO;
	}
	evl_rec_close(r);
	return status;
}

struct diff_context {
	json_t *list; /* NULL: plain text */
	bool equal;
};

static void diff_plain(const struct evl_rec_difference *d)
{
	cli_out("%-12s %s", evl_rec_relation_name(d->relation),
		d->a_name != NULL ? d->a_name : d->b_name);
	if (d->a_name != NULL && d->b_name != NULL && strcmp(d->a_name, d->b_name) != 0) {
		cli_out(" and %s", d->b_name);
	}
	if (d->different_bits > 0) {
		cli_out(": %s of %s differ, first in frame %" PRIu64 ", byte %" PRIu32
			", bit %" PRIu32 " (bit %" PRIu64 " of the channel)",
			cli_count(d->different_bits).s, cli_number_of(d->compared_bits, "bit").s,
			d->first_frame, d->first_byte, d->first_bit_no, d->first_bit);
	}
	if (d->only_a_bits > 0) {
		cli_out("; %s only in the first", cli_number_of(d->only_a_bits, "bit").s);
	}
	if (d->only_b_bits > 0) {
		cli_out("; %s only in the second", cli_number_of(d->only_b_bits, "bit").s);
	}
	if (d->crossing == EVL_REC_CROSSED_BY_DIGEST) {
		cli_out("; its bits are in %s", d->crossed_name);
	} else if (d->crossing == EVL_REC_CROSSED_BY_CONTENT) {
		cli_out("; its bits are in %s but for %s of a sample of %s", d->crossed_name,
			cli_count(d->sample_different).s, cli_count(d->sample_bits).s);
	}
	cli_out("\n");
}

static void on_difference(void *context, const struct evl_rec_difference *d)
{
	struct diff_context *c = context;
	c->equal = c->equal && d->relation == EVL_REC_EQUAL;
	if (c->list == NULL) {
		diff_plain(d);
		return;
	}
	json_t *o = json_pack("{s:s, s:o, s:o, s:I, s:I, s:I, s:I, s:o}", "relation",
		evl_rec_relation_name(d->relation), "a", cli_json_text(d->a_name), "b",
		cli_json_text(d->b_name), "compared_bits", (json_int_t)d->compared_bits,
		"different_bits", (json_int_t)d->different_bits, "only_a_bits",
		(json_int_t)d->only_a_bits, "only_b_bits", (json_int_t)d->only_b_bits,
		"crossed_with", cli_json_text(d->crossed_name));
	if (d->different_bits > 0) {
		json_object_set_new(o, "first",
			json_pack("{s:I, s:I, s:I, s:I}", "bit_offset", (json_int_t)d->first_bit,
				"frame", (json_int_t)d->first_frame, "byte",
				(json_int_t)d->first_byte, "bit", (json_int_t)d->first_bit_no));
	}
	json_array_append_new(c->list, o);
}

enum { DIFF_PAIR, DIFF_JSON };
static const struct cli_option diff_options[] = {
	[DIFF_PAIR] = {"pair", CLI_MANY}, [DIFF_JSON] = {"json", false}, {NULL, false}};

static int diff(int argc, char **argv)
{
	struct cli_args a = {.verb = &verb_diff,
		.options = diff_options,
		.argc = argc,
		.argv = argv,
		.operands_min = 2,
		.operands_max = 2};
	struct evl_rec *r[2] = {NULL, NULL};
	struct evl_rec_diff_summary sum = {0};
	struct diff_context context = {.equal = true};
	struct evl_err err = {0};
	struct evl_rec_pair *pairs = evl_xcalloc((unsigned long)argc, sizeof(*pairs));
	char **copies = evl_xcalloc((unsigned long)argc, sizeof(*copies));
	uint32_t pair_count = 0;
	bool json = false;
	int status;

	while (cli_next(&a)) {
		if (a.index == DIFF_JSON) {
			json = true;
			continue;
		}
		char *copy = evl_xstrdup(a.value);
		char *equals = strchr(copy, '=');
		copies[pair_count] = copy;
		if (equals == NULL || equals == copy || equals[1] == '\0') {
			a.exit = cli_usage(a.verb, "--pair \"%s\" is not of the form A=B", a.value);
			pair_count++;
			continue;
		}
		*equals = '\0';
		pairs[pair_count++] = (struct evl_rec_pair){copy, equals + 1};
	}
	status = a.exit;
	if (status >= 0) {
		goto out;
	}
	for (int i = 0; i < 2; i++) {
		if (evl_rec_open(&r[i], a.operands[i], &err) != EVL_OK) {
			status = cli_error(&err);
			goto out;
		}
	}
	context.list = json ? json_array() : NULL;
	if (evl_rec_diff(r[0], r[1], pairs, pair_count, on_difference, &context, &sum, &err) !=
		EVL_OK) {
		json_decref(context.list);
		status = cli_error(&err);
		goto out;
	}
	if (json) {
		cli_json_print(json_pack("{s:b, s:I, s:I, s:I, s:I, s:I, s:o}", "equal",
			context.equal, "pairs", (json_int_t)sum.pairs, "equal_pairs",
			(json_int_t)sum.equal, "crossed", (json_int_t)sum.crossed, "compared_bits",
			(json_int_t)sum.compared_bits, "different_bits",
			(json_int_t)sum.different_bits, "channels", context.list));
	} else {
		cli_out("%s compared, %" PRIu32 " equal, %" PRIu32 " crossed; %s of %s differ\n",
			cli_number_of(sum.pairs, "pair").s, sum.equal, sum.crossed,
			cli_count(sum.different_bits).s, cli_number_of(sum.compared_bits, "bit").s);
	}
	status = context.equal ? CLI_GOOD : CLI_NO;
out:
	evl_rec_close(r[0]);
	evl_rec_close(r[1]);
	for (uint32_t i = 0; i < pair_count; i++) {
		free(copies[i]);
	}
	free(copies);
	free(pairs);
	return status;
}

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

static int extract(int argc, char **argv)
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

static int recording(int argc, char **argv)
{
	static const struct {
		const char *name;
		int (*run)(int argc, char **argv);
	} verbs[] = {{"info", info}, {"verify", verify}, {"diff", diff}, {"extract", extract}};

	if (argc < 2) {
		return cli_usage(&cli_verb_recording, "info, verify, diff or extract is missing");
	}
	if (strcmp(argv[1], "--help") == 0 || strcmp(argv[1], "-h") == 0) {
		fputs(help, stdout);
		return CLI_GOOD;
	}
	for (size_t i = 0; i < sizeof(verbs) / sizeof(verbs[0]); i++) {
		if (strcmp(argv[1], verbs[i].name) == 0) {
			return verbs[i].run(argc - 1, argv + 1);
		}
	}
	return cli_usage(&cli_verb_recording,
		argv[1][0] == '-' ? "unknown option %s"
				  : "\"%s\" is none of info, verify, diff, extract",
		argv[1]);
}

const struct cli_verb cli_verb_recording = {
	"recording", "look into, verify, compare recordings; extract a channel", help, recording};

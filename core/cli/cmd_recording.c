/* SPDX-License-Identifier: Apache-2.0 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core/base/digest.h"
#include "core/cli/recording.h"
#include "core/recording/reader.h"

const char cli_recording_help[] =
	"usage: evenlode recording info FILE [--json]\n"
	"       evenlode recording verify FILE\n"
	"       evenlode recording diff FILE FILE [--pair A=B]... [--align [--range MS]] [--json]\n"
	"       evenlode recording extract FILE --channel NAME --raw OUT\n"
	"       evenlode recording extract FILE --channel NAME --timeslot N --wav OUT "
	"[--law LAW]\n"
	"       evenlode recording import OUT --rate RATE [--direction D] --raw NAME=FILE...\n"
	"       evenlode recording copy FILE OUT [--part-bytes N] [--part-seconds N] "
	"[--compress]\n"
	"       evenlode recording bundle FILE OUT\n"
	"       evenlode recording unbundle FILE FOLDER\n"
	"\n"
	"Reads recordings (pcapng), also one that was cut off.\n"
	"\n"
	"  info     channels, rates, lengths, digests\n"
	"  verify   reads every byte and computes every digest again\n"
	"  diff     compares channels of the same name, or the pairs that are given, at equal\n"
	"           offsets; with --align across a constant delay, which is searched for, and\n"
	"           with lost and repeated bits told from changed ones\n"
	"  extract  writes the bits of one channel as bytes, most significant bit first\n"
	"           with --wav the G.711 codes of one timeslot as a sound file\n"
	"  import   makes the recording OUT from files of such bytes\n"
	"  copy     writes the recording again as one file, or with a limit as a set: numbered\n"
	"           parts and the index OUT; compressed (zstd) when OUT ends in .zst\n"
	"  bundle   packs a whole recording or set into one tar archive with its digests\n"
	"  unbundle unpacks such an archive and compares the digests\n"
	"\n"
	"FILE may be a pcapng file, such a file compressed by this program, or the index of a "
	"set.\n"
	"\n"
	"  --align         look for the delay between the two\n"
	"  --channel NAME  the channel to extract\n"
	"  --compress      compress the parts of a set\n"
	"  --direction D   sent or received (the default)\n"
	"  --json          machine-readable\n"
	"  --law LAW       a or mu; without it a for E1, mu for T1\n"
	"  --pair A=B      compare channel A of the first with channel B of the second recording\n"
	"  --part-bytes N  a part has at most N bytes, 65536 or more\n"
	"  --part-seconds N  a part has at most N seconds of line time\n"
	"  --range MS      longest delay to look for in ms, 1 to 2000; without it 600\n"
	"  --rate RATE     E1, T1 or STM-1\n"
	"  --raw OUT       the file to write; of import: NAME=FILE, a channel and its file\n"
	"  --timeslot N    0 to 31 of an E1, 1 to 24 of a T1\n"
	"  --wav OUT       the sound file to write\n"
	"  --help          this text\n"
	"\n"
	"Exit status: 0 done; of verify: intact; of diff: equal. 1 of verify: not intact; of "
	"diff:\n"
	"not equal. 3 error. 64 usage\n";

/* Each with the one help text. */
static const struct cli_verb verb_info = {"recording info", "", cli_recording_help, NULL};
static const struct cli_verb verb_verify = {"recording verify", "", cli_recording_help, NULL};

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
	if (evl_rec_part_count(r) > 0) {
		cli_out("set of    %s\n", cli_number_of(evl_rec_part_count(r), "part").s);
	}
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

static void marks_plain(const struct evl_rec *r)
{
	for (uint32_t i = 0; i < evl_rec_mark_count(r); i++) {
		const struct evl_rec_mark *m = evl_rec_mark_at(r, i);
		cli_out("%smark at %" PRIu64 " ns", i == 0 ? "\n" : "", m->time_ns);
		if (m->channel >= 0) {
			cli_out(", %s", evl_rec_info(r, (uint32_t)m->channel)->channel.name);
		}
		cli_out(": %s\n", m->text);
	}
}

static json_t *marks_json(const struct evl_rec *r)
{
	json_t *list = json_array();
	for (uint32_t i = 0; i < evl_rec_mark_count(r); i++) {
		const struct evl_rec_mark *m = evl_rec_mark_at(r, i);
		const char *name = m->channel >= 0
					   ? evl_rec_info(r, (uint32_t)m->channel)->channel.name
					   : NULL;
		json_array_append_new(list,
			json_pack("{s:I, s:o, s:o}", "time_ns", (json_int_t)m->time_ns, "channel",
				cli_json_text(name), "text", cli_json_text(m->text)));
	}
	return list;
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
	return json_pack("{s:o, s:I, s:o, s:o, s:b, s:o, s:o, s:o}", "path",
		cli_json_text(evl_rec_path(r)), "parts", (json_int_t)evl_rec_part_count(r),
		"software", cli_json_text(evl_rec_software(r)), "about",
		cli_json_object_of(evl_rec_meta(r)), "finished", evl_rec_is_finished(r), "missing",
		cli_json_text(evl_rec_missing(r)), "channels", channels, "marks", marks_json(r));
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
		marks_plain(r);
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
		cli_out("SHA-256   %s of the %s\n", hex,
			evl_rec_part_count(r) > 0 ? "index" : "whole file");
		cli_out("%s\n",
			st == EVL_OK ? "The recording is intact." : "The recording is NOT intact.");
		status = st == EVL_OK ? CLI_GOOD : CLI_NO;
	}
	evl_rec_close(r);
	return status;
}

static int recording(int argc, char **argv)
{
	static const struct {
		const char *name;
		int (*run)(int argc, char **argv);
	} verbs[] = {{"info", info}, {"verify", verify}, {"diff", cli_recording_diff},
		{"extract", cli_recording_extract}, {"import", cli_recording_import},
		{"copy", cli_recording_copy}, {"bundle", cli_recording_bundle},
		{"unbundle", cli_recording_unbundle}};

	if (argc < 2) {
		return cli_usage(&cli_verb_recording,
			"info, verify, diff, extract, import, copy, bundle or unbundle is missing");
	}
	if (strcmp(argv[1], "--help") == 0 || strcmp(argv[1], "-h") == 0) {
		fputs(cli_recording_help, stdout);
		return CLI_GOOD;
	}
	for (size_t i = 0; i < sizeof(verbs) / sizeof(verbs[0]); i++) {
		if (strcmp(argv[1], verbs[i].name) == 0) {
			return verbs[i].run(argc - 1, argv + 1);
		}
	}
	return cli_usage(&cli_verb_recording,
		argv[1][0] == '-'
			? "unknown option %s"
			: "\"%s\" is none of info, verify, diff, extract, import, copy, bundle, "
			  "unbundle",
		argv[1]);
}

const struct cli_verb cli_verb_recording = {"recording",
	"look into, verify, compare recordings; import and extract channels", cli_recording_help,
	recording};

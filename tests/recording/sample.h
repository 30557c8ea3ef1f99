/* SPDX-License-Identifier: Apache-2.0 */
/* Small recordings of known content for the tests of this room. */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/recording/reader.h"
#include "core/recording/writer.h"

/* A path in a fresh folder under $TMPDIR or /tmp; the folder goes when the process ends. The text
 * is valid until the process ends. */
const char *sample_path(const char *name);

/* Byte `i` of the content of stream `seed`: SplitMix64 (Steele, Lea, Flood 2014), so that no two
 * places look alike. */
uint8_t sample_byte(uint64_t seed, uint64_t i);
void sample_fill(uint8_t *out, uint64_t seed, uint64_t from, size_t bytes);

/* Two E1 and one T1 channel with a gap and an overrun, and two marks: "begin", and for channel 2
 * "loss of \"frame\" ä" (UTF-8); 48 frames or so: a small file. */
enum { SMALL_CHANNELS = 3 };
extern const struct evl_rec_channel small_channels[SMALL_CHANNELS];
/* What a channel of the small recording holds: *pieces runs, in order. */
struct sample_run {
	uint64_t bit_offset;
	size_t bytes;
	uint32_t flags;
};
size_t sample_runs(uint32_t channel, const struct sample_run **runs);
/* Writes it to `path`; finished when `finish`, else abandoned. */
void sample_small(const char *path, bool finish);

uint8_t *sample_read_file(const char *path, size_t *bytes); /* the caller frees */
void sample_write_file(const char *path, const void *data, size_t bytes);

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Lines whose clock is not that of the bench (clock.line_ppm). Encoder and decoder work in batches
 * of 8 frames of line time; what belongs to a batch is cut out of what the bench's milliseconds
 * bring, evenly, and given back so. Each direction waits one batch (8 frames).
 *
 *	simmux_elastic_start(u);				// in simmux_unit_reach
 *	bytes = simmux_elastic_encode(u, l, io, line_out);	// a chunk
 *	simmux_elastic_decode(u, l, line_in, bytes);
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

struct simmux_unit;
struct simmux_line;
struct simmux_io;

/* Of a line. */
struct simmux_elastic {
	uint64_t chunks;   /* of bench time since the start */
	uint64_t batches;  /* that the encoder made */
	uint8_t *out, *in; /* owned: line bytes that wait */
	uint32_t out_bytes, in_bytes;
	uint64_t given; /* line bytes put out */
};

/* Of a tributary. */
struct simmux_elastic_port {
	uint8_t *in, *out; /* owned: bytes that wait */
	uint32_t in_bytes, out_bytes;
	uint32_t fresh; /* bytes that this chunk brought ... */
	uint32_t taken; /* ... of which so many are taken */
	uint32_t last;  /* bytes that the last batch brought */
};

/* Memory for all lines and ports. False: there is none. */
bool simmux_elastic_create(struct simmux_unit *u);
void simmux_elastic_destroy(struct simmux_unit *u);
void simmux_elastic_start(struct simmux_unit *u);

/* Makes the line of one chunk; returns its bytes. */
uint32_t simmux_elastic_encode(
	struct simmux_unit *u, struct simmux_line *l, struct simmux_io *io, uint8_t *line);

/* Takes `bytes` of the line; sets l->out_bytes to what is due to come out. */
void simmux_elastic_decode(
	struct simmux_unit *u, struct simmux_line *l, const uint8_t *line, uint32_t bytes);

/* Gives out what is due, to where each output goes. */
void simmux_elastic_collect(struct simmux_unit *u, struct simmux_io *io);

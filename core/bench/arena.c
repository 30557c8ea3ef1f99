/* SPDX-License-Identifier: Apache-2.0 */
#include <stdalign.h>
#include <stdlib.h>
#include <string.h>

#include "core/bench/internal.h"

#define CHUNK_BYTES 16384u

struct evl_arena_chunk {
	struct evl_arena_chunk *next;
	size_t used, size;
	alignas(max_align_t) unsigned char data[];
};

void *evl_arena_alloc(struct evl_arena *arena, size_t bytes)
{
	size_t step = alignof(max_align_t);
	bytes = (bytes + step - 1) / step * step;
	struct evl_arena_chunk *c = arena->chunks;
	if (c == NULL || c->size - c->used < bytes) {
		size_t size = bytes > CHUNK_BYTES ? bytes : CHUNK_BYTES;
		c = evl_xcalloc(1, sizeof *c + size);
		c->size = size;
		c->next = arena->chunks;
		arena->chunks = c;
	}
	void *p = c->data + c->used;
	c->used += bytes;
	return p;
}

char *evl_arena_copy(struct evl_arena *arena, const char *text, size_t bytes)
{
	char *p = evl_arena_alloc(arena, bytes + 1);
	memcpy(p, text, bytes);
	return p;
}

void evl_arena_finish(struct evl_arena *arena)
{
	for (struct evl_arena_chunk *c = arena->chunks; c != NULL;) {
		struct evl_arena_chunk *next = c->next;
		free(c);
		c = next;
	}
	arena->chunks = NULL;
}

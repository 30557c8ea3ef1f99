/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Merkle trees as RFC 9162 2.1 has them, with SHA-256: one entry can be shown to belong to a tree
 * of which only the root is known.
 *
 *	struct evl_merkle tree = {0};
 *	evl_merkle_add(&tree, row, len);			// each entry, in order
 *	evl_merkle_root(&tree, root);
 *	size_t n = evl_merkle_path(&tree, index, path);		// at most EVL_MERKLE_PATH_MAX
 *	evl_merkle_finish(&tree);
 *
 * A leaf is SHA-256(0x00, entry), a node SHA-256(0x01, left, right), the empty tree SHA-256 of
 * nothing.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/base/digest.h"

#define EVL_MERKLE_PATH_MAX 64

struct evl_merkle {
	uint8_t (*leaves)[EVL_SHA256_BYTES]; /* owned */
	size_t count, cap;
};

void evl_merkle_leaf(uint8_t out[EVL_SHA256_BYTES], const void *entry, size_t len);
void evl_merkle_add(struct evl_merkle *tree, const void *entry, size_t len);
void evl_merkle_root(const struct evl_merkle *tree, uint8_t out[EVL_SHA256_BYTES]);
/* Inclusion proof of the entry (RFC 9162 2.1.3.1), from the leaf upwards; `index` < count. Returns
 * how many digests it has. */
size_t evl_merkle_path(const struct evl_merkle *tree, size_t index,
	uint8_t path[EVL_MERKLE_PATH_MAX][EVL_SHA256_BYTES]);
/* RFC 9162 2.1.3.2: does the proof lead from the leaf to the root of a tree of `count` entries? */
bool evl_merkle_proves(const uint8_t leaf[EVL_SHA256_BYTES], uint64_t index, uint64_t count,
	const uint8_t (*path)[EVL_SHA256_BYTES], size_t path_len,
	const uint8_t root[EVL_SHA256_BYTES]);
void evl_merkle_finish(struct evl_merkle *tree); /* takes a zeroed object */

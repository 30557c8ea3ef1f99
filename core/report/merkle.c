/* SPDX-License-Identifier: Apache-2.0 */
#include "core/report/merkle.h"

#include <stdlib.h>
#include <string.h>

#include "core/base/err.h"

void evl_merkle_leaf(uint8_t out[EVL_SHA256_BYTES], const void *entry, size_t len)
{
	static const uint8_t prefix = 0;
	struct evl_sha256 *d = evl_sha256_create();
	evl_sha256_update(d, &prefix, 1);
	evl_sha256_update(d, entry, len);
	evl_sha256_peek(d, out);
	evl_sha256_destroy(d);
}

static void node(uint8_t out[EVL_SHA256_BYTES], const uint8_t *left, const uint8_t *right)
{
	uint8_t both[1 + 2 * EVL_SHA256_BYTES] = {1};
	memcpy(both + 1, left, EVL_SHA256_BYTES);
	memcpy(both + 1 + EVL_SHA256_BYTES, right, EVL_SHA256_BYTES);
	evl_sha256_of(both, sizeof both, out);
}

void evl_merkle_add(struct evl_merkle *tree, const void *entry, size_t len)
{
	if (tree->count == tree->cap) {
		tree->cap = tree->cap == 0 ? 256 : tree->cap * 2;
		tree->leaves = evl_xrealloc(tree->leaves, tree->cap * sizeof *tree->leaves);
	}
	evl_merkle_leaf(tree->leaves[tree->count++], entry, len);
}

/* The largest power of two below n; n > 1. */
static size_t split(size_t n)
{
	size_t k = 1;
	while (k < n - k) {
		k *= 2;
	}
	return k;
}

static void subtree(
	const uint8_t (*leaves)[EVL_SHA256_BYTES], size_t n, uint8_t out[EVL_SHA256_BYTES])
{
	uint8_t left[EVL_SHA256_BYTES];
	uint8_t right[EVL_SHA256_BYTES];
	if (n == 1) {
		memcpy(out, leaves[0], EVL_SHA256_BYTES);
		return;
	}
	size_t k = split(n);
	subtree(leaves, k, left); /* the depth is log2 n */
	subtree(leaves + k, n - k, right);
	node(out, left, right);
}

void evl_merkle_root(const struct evl_merkle *tree, uint8_t out[EVL_SHA256_BYTES])
{
	if (tree->count == 0) {
		evl_sha256_of("", 0, out);
		return;
	}
	subtree((const uint8_t(*)[EVL_SHA256_BYTES])tree->leaves, tree->count, out);
}

size_t evl_merkle_path(const struct evl_merkle *tree, size_t index,
	uint8_t path[EVL_MERKLE_PATH_MAX][EVL_SHA256_BYTES])
{
	const uint8_t(*leaves)[EVL_SHA256_BYTES] = (const uint8_t(*)[EVL_SHA256_BYTES])tree->leaves;
	size_t n = tree->count;
	size_t found = 0;
	evl_require(index < n);
	/* From the root downwards, then turned round. */
	while (n > 1) {
		size_t k = split(n);
		evl_require(found < EVL_MERKLE_PATH_MAX);
		if (index < k) {
			subtree(leaves + k, n - k, path[found++]);
			n = k;
		} else {
			subtree(leaves, k, path[found++]);
			leaves += k;
			index -= k;
			n -= k;
		}
	}
	for (size_t i = 0; i < found / 2; i++) {
		uint8_t swap[EVL_SHA256_BYTES];
		memcpy(swap, path[i], sizeof swap);
		memcpy(path[i], path[found - 1 - i], sizeof swap);
		memcpy(path[found - 1 - i], swap, sizeof swap);
	}
	return found;
}

bool evl_merkle_proves(const uint8_t leaf[EVL_SHA256_BYTES], uint64_t index, uint64_t count,
	const uint8_t (*path)[EVL_SHA256_BYTES], size_t path_len,
	const uint8_t root[EVL_SHA256_BYTES])
{
	uint8_t r[EVL_SHA256_BYTES];
	if (index >= count) {
		return false;
	}
	uint64_t fn = index;
	uint64_t sn = count - 1;
	memcpy(r, leaf, sizeof r);
	for (size_t i = 0; i < path_len; i++) {
		if (sn == 0) {
			return false;
		}
		if ((fn & 1) != 0 || fn == sn) {
			node(r, path[i], r);
			while ((fn & 1) == 0 && fn != 0) {
				fn >>= 1;
				sn >>= 1;
			}
		} else {
			node(r, r, path[i]);
		}
		fn >>= 1;
		sn >>= 1;
	}
	return sn == 0 && memcmp(r, root, sizeof r) == 0;
}

void evl_merkle_finish(struct evl_merkle *tree)
{
	free(tree->leaves);
	memset(tree, 0, sizeof *tree);
}

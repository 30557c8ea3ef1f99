/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Merkle trees. Roots: the tree of RFC 9162 2.1 over "", "a", "ab" ... is built by an independent
 * recursion below, straight from the definition MTH(D[n]); the empty tree and one empty entry are
 * SHA-256 of nothing (FIPS 180-4) and of one zero byte. The seven-leaf example of RFC 9162 2.1.5
 * names which nodes each proof has.
 */
#include "tests/report/invented.h"

#include "core/report/evidence_rows.h"
#include "core/report/merkle.h"

/* MTH of RFC 9162 2.1.1 over entries whose bytes are their numbers. */
static void mth(const uint8_t *entries, size_t n, uint8_t out[EVL_SHA256_BYTES])
{
	uint8_t text[65] = {0};
	if (n == 0) {
		evl_sha256_of("", 0, out);
	} else if (n == 1) {
		text[1] = entries[0];
		evl_sha256_of(text, 2, out);
	} else {
		size_t k = 1;
		while (k * 2 < n) {
			k *= 2;
		}
		text[0] = 1;
		mth(entries, k, text + 1);
		mth(entries + k, n - k, text + 33);
		evl_sha256_of(text, 65, out);
	}
}

static void roots(void **state)
{
	(void)state;
	uint8_t entries[70];
	uint8_t want[EVL_SHA256_BYTES];
	uint8_t have[EVL_SHA256_BYTES];
	char hex[EVL_SHA256_HEX];
	struct evl_merkle tree = {0};
	evl_merkle_root(&tree, have);
	evl_hex(have, sizeof have, hex);
	assert_string_equal(
		hex, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
	for (size_t n = 1; n <= sizeof entries; n++) {
		entries[n - 1] = (uint8_t)(n * 7);
		evl_merkle_add(&tree, &entries[n - 1], 1);
		evl_merkle_root(&tree, have);
		mth(entries, n, want);
		assert_memory_equal(have, want, sizeof want);
	}
	evl_merkle_finish(&tree);
	evl_merkle_add(&tree, "", 0);
	evl_merkle_root(&tree, have);
	evl_hex(have, sizeof have, hex);
	/* printf '\0' | sha256sum */
	assert_string_equal(
		hex, "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d");
	evl_merkle_finish(&tree);
}

/* Every proof of every tree up to 70 entries holds, and fails with any other entry, index, size,
 * root or digest. */
static void proofs(void **state)
{
	(void)state;
	struct evl_merkle tree = {0};
	uint8_t path[EVL_MERKLE_PATH_MAX][EVL_SHA256_BYTES];
	uint8_t root[EVL_SHA256_BYTES];
	for (size_t n = 1; n <= 70; n++) {
		uint8_t entry = (uint8_t)n;
		evl_merkle_add(&tree, &entry, 1);
		evl_merkle_root(&tree, root);
		for (size_t i = 0; i < n; i++) {
			size_t m = evl_merkle_path(&tree, i, path);
			const uint8_t(*p)[EVL_SHA256_BYTES] =
				(const uint8_t(*)[EVL_SHA256_BYTES])path;
			assert_true(evl_merkle_proves(tree.leaves[i], i, n, p, m, root));
			for (size_t other = 0; other < n; other++) {
				assert_int_equal(
					evl_merkle_proves(tree.leaves[i], other, n, p, m, root),
					other == i);
				assert_int_equal(
					evl_merkle_proves(tree.leaves[other], i, n, p, m, root),
					other == i);
			}
			assert_false(evl_merkle_proves(tree.leaves[i], n, n, p, m, root));
			assert_false(evl_merkle_proves(tree.leaves[i], i, n, p, m + 1, root));
			if (m > 0) {
				assert_false(
					evl_merkle_proves(tree.leaves[i], i, n, p, m - 1, root));
				path[m - 1][31] ^= 1;
				assert_false(evl_merkle_proves(tree.leaves[i], i, n, p, m, root));
			}
			root[0] ^= 1;
			assert_false(evl_merkle_proves(tree.leaves[i], i, n, p, m, root));
			root[0] ^= 1;
		}
	}
	evl_merkle_finish(&tree);
}

/* RFC 9162 2.1.5, the tree with seven leaves d0 to d6: proof of d0 is [b, h, l], of d3 [c, g, l],
 * of d4 [f, j, k], of d6 [i, k], with a..f, j the leaves, g, h, i the nodes over two, k and l over
 * four and three. */
static void seven_leaves(void **state)
{
	(void)state;
	struct evl_merkle t = {0};
	uint8_t path[EVL_MERKLE_PATH_MAX][EVL_SHA256_BYTES];
	uint8_t g[32], h[32], i[32], k[32], l[32];
	uint8_t two[65] = {1};
	for (uint8_t n = 0; n < 7; n++) {
		evl_merkle_add(&t, &n, 1);
	}
#define NODE(out, left, right)                                                                     \
	(memcpy(two + 1, left, 32), memcpy(two + 33, right, 32), evl_sha256_of(two, 65, out))
	NODE(g, t.leaves[0], t.leaves[1]);
	NODE(h, t.leaves[2], t.leaves[3]);
	NODE(i, t.leaves[4], t.leaves[5]);
	NODE(k, g, h);
	NODE(l, i, t.leaves[6]);
	const struct {
		size_t leaf, n;
		const uint8_t *want[3];
	} proof[] = {{0, 3, {t.leaves[1], h, l}}, {3, 3, {t.leaves[2], g, l}},
		{4, 3, {t.leaves[5], t.leaves[6], k}}, {6, 2, {i, k, NULL}}};
	for (size_t p = 0; p < 4; p++) {
		assert_int_equal(evl_merkle_path(&t, proof[p].leaf, path), proof[p].n);
		for (size_t s = 0; s < proof[p].n; s++) {
			assert_memory_equal(path[s], proof[p].want[s], 32);
		}
	}
	evl_merkle_finish(&t);
}

/* The reader of rows takes the text as jansson would, and sees what is not whole. */
static void rows(void **state)
{
	(void)state;
	static const char text[] =
		"{\"format\":\"f\",\"open\":[\",\\\"rows\\\":[\"],\"results\":\"r\",\"rows\":["
		"{\"key\":\"0/1\",\"link\":\"l\",\"row\":\"aa\",\"table\":\"t\","
		"\"text\":\"[\\\"x\\\",\\\"\\\\\\\\ \\\\u0001\\n\\\"]\"},"
		"{\"key\":\"2\",\"link\":\"l\",\"row\":\"bb\",\"table\":\"u\",\"text\":\"\\u001f\"}"
		"],"
		"\"run\":1}";
	struct evl_evidence e;
	evl_evidence_begin(&e, text, strlen(text));
	assert_true(evl_evidence_next(&e));
	assert_string_equal(e.key, "0/1");
	assert_string_equal(e.row, "aa");
	assert_string_equal(e.table, "t");
	assert_string_equal(evl_text_str(&e.text), "[\"x\",\"\\\\ \\u0001\n\"]");
	assert_true(evl_evidence_next(&e));
	assert_string_equal(evl_text_str(&e.text), "\x1f");
	assert_false(evl_evidence_next(&e));
	assert_true(e.whole);
	evl_evidence_finish(&e);
	for (size_t n = 0; n < strlen(text) - 9; n++) {
		char *cut = malloc(n + 1);
		assert_non_null(cut);
		memcpy(cut, text, n);
		evl_evidence_begin(&e, cut, n);
		while (evl_evidence_next(&e)) {
		}
		assert_false(e.whole);
		evl_evidence_finish(&e);
		free(cut);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(roots),
		cmocka_unit_test(proofs),
		cmocka_unit_test(seven_leaves),
		cmocka_unit_test(rows),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}

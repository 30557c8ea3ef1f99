/* SPDX-License-Identifier: Apache-2.0 */
/* The fuzz target in a seeded loop over changed copies of a small recording. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "core/base/bytes.h"
#include "sample.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static uint64_t drawn;

static uint32_t draw(uint32_t below)
{
	uint32_t v = 0;
	for (int i = 0; i < 4; i++) {
		v = v << 8 | sample_byte(2024, drawn++);
	}
	return v % below;
}

/* Values that parsers get wrong. */
static const uint32_t odd[] = {
	0,          1,          3,          4,      7,      8,     12,         31, 32,   0x7FFFFFFF,
	0x80000000, 0xFFFFFFFF, 0xFFFFFFFC, 262144, 262145, 65535, 0x40000BAD, 6,  1024, 1025};

static void changed_copies(void **state)
{
	(void)state;
	for (int finish = 0; finish < 2; finish++) {
		const char *path = sample_path("seed.pcapng");
		sample_small(path, finish);
		size_t bytes;
		uint8_t *f = sample_read_file(path, &bytes);
		uint8_t *g = malloc(bytes + 1);
		assert_non_null(g);
		for (int round = 0; round < 1000; round++) {
			g[0] = (uint8_t)round;
			memcpy(g + 1, f, bytes);
			size_t n = bytes;
			for (uint32_t k = draw(4) + 1; k > 0; k--) {
				uint32_t at = draw((uint32_t)n - 4);
				switch (draw(4)) {
				case 0:
					g[1 + at] = (uint8_t)draw(256);
					break;
				case 1:
					evl_store_le32(g + 1 + at / 4 * 4,
						       odd[draw(sizeof odd / sizeof *odd)]);
					break;
				case 2:
					memmove(g + 1 + at, g + 1 + draw((uint32_t)n - 4),
						draw(4) + 1);
					break;
				default:
					if (draw(4) == 0) {
						n = at + 4;
					}
				}
				if (n < 64) {
					break;
				}
			}
			LLVMFuzzerTestOneInput(g, n + 1);
		}
		free(g);
		free(f);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(changed_copies),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}

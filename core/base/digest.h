/* SPDX-License-Identifier: Apache-2.0 */
/* SHA-256 (FIPS 180-4), by OpenSSL; digests are 32 bytes, or 64 lower-case hex digits and a NUL. */
#pragma once

#include <stddef.h>
#include <stdint.h>

#include "core/base/err.h"

#define EVL_SHA256_BYTES 32
#define EVL_SHA256_HEX	 65

struct evl_sha256; /* a running digest */

struct evl_sha256 *evl_sha256_create(void);
void evl_sha256_destroy(struct evl_sha256 *d); /* takes NULL */
void evl_sha256_update(struct evl_sha256 *d, const void *data, size_t bytes);
/* Writes the digest of all data so far; the running digest may go on afterwards. */
void evl_sha256_peek(const struct evl_sha256 *d, uint8_t out[EVL_SHA256_BYTES]);
/* The digest of all data so far and then `tail`; the running digest is left as it was. */
void evl_sha256_peek_with(const struct evl_sha256 *d, const void *tail, size_t bytes,
	uint8_t out[EVL_SHA256_BYTES]);
/* Starts again from nothing. */
void evl_sha256_reset(struct evl_sha256 *d);

void evl_sha256_of(const void *data, size_t bytes, uint8_t out[EVL_SHA256_BYTES]);
enum evl_status evl_sha256_of_file(const char *path, uint8_t out[EVL_SHA256_BYTES],
	struct evl_err *err);
void evl_hex(const uint8_t *data, size_t bytes, char *out); /* out holds 2 * bytes + 1 */
/* Returns EVL_E_INVALID unless `text` is exactly 2 * bytes hex digits. */
enum evl_status evl_unhex(const char *text, uint8_t *out, size_t bytes);

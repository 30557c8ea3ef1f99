/* SPDX-License-Identifier: Apache-2.0 */
#include "core/base/digest.h"

#include <errno.h>
#include <openssl/evp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct evl_sha256 {
	EVP_MD_CTX *ctx;
	EVP_MD_CTX *scratch; /* copy for peek, made once so that streaming never allocates */
};

struct evl_sha256 *evl_sha256_create(void)
{
	struct evl_sha256 *d = evl_xcalloc(1, sizeof *d);
	d->ctx = EVP_MD_CTX_new();
	d->scratch = EVP_MD_CTX_new();
	evl_require(d->ctx != NULL && d->scratch != NULL);
	evl_sha256_reset(d);
	return d;
}

void evl_sha256_destroy(struct evl_sha256 *d)
{
	if (d == NULL) {
		return;
	}
	EVP_MD_CTX_free(d->ctx);
	EVP_MD_CTX_free(d->scratch);
	free(d);
}

void evl_sha256_update(struct evl_sha256 *d, const void *data, size_t bytes)
{
	evl_require(EVP_DigestUpdate(d->ctx, data, bytes) == 1);
}

void evl_sha256_peek(const struct evl_sha256 *d, uint8_t out[EVL_SHA256_BYTES])
{
	evl_sha256_peek_with(d, NULL, 0, out);
}

void evl_sha256_peek_with(const struct evl_sha256 *d, const void *tail, size_t bytes,
	uint8_t out[EVL_SHA256_BYTES])
{
	unsigned int n = 0;
	evl_require(EVP_MD_CTX_copy_ex(d->scratch, d->ctx) == 1);
	evl_require(bytes == 0 || EVP_DigestUpdate(d->scratch, tail, bytes) == 1);
	evl_require(EVP_DigestFinal_ex(d->scratch, out, &n) == 1 && n == EVL_SHA256_BYTES);
}

void evl_sha256_reset(struct evl_sha256 *d)
{
	evl_require(EVP_DigestInit_ex(d->ctx, EVP_sha256(), NULL) == 1);
}

void evl_sha256_of(const void *data, size_t bytes, uint8_t out[EVL_SHA256_BYTES])
{
	unsigned int n = 0;
	evl_require(EVP_Digest(data, bytes, out, &n, EVP_sha256(), NULL) == 1);
}

enum evl_status evl_sha256_of_file(const char *path, uint8_t out[EVL_SHA256_BYTES],
	struct evl_err *err)
{
	FILE *f = fopen(path, "rb");
	if (f == NULL) {
		return evl_err_set(err, errno == ENOENT ? EVL_E_NOTFOUND : EVL_E_IO,
			"%s: cannot be opened: %s", path, strerror(errno));
	}
	enum { CHUNK = 1 << 16 };
	uint8_t *buf = evl_xmalloc(CHUNK);
	struct evl_sha256 *d = evl_sha256_create();
	size_t n;
	while ((n = fread(buf, 1, CHUNK, f)) > 0) {
		evl_sha256_update(d, buf, n);
	}
	enum evl_status st = EVL_OK;
	if (ferror(f)) {
		st = evl_err_set(err, EVL_E_IO, "%s: cannot be read: %s", path, strerror(errno));
	} else {
		evl_sha256_peek(d, out);
	}
	evl_sha256_destroy(d);
	free(buf);
	fclose(f);
	return st;
}

void evl_hex(const uint8_t *data, size_t bytes, char *out)
{
	static const char digits[] = "0123456789abcdef";
	for (size_t i = 0; i < bytes; i++) {
		out[2 * i] = digits[data[i] >> 4];
		out[2 * i + 1] = digits[data[i] & 15];
	}
	out[2 * bytes] = '\0';
}

static int nibble(char c)
{
	if (c >= '0' && c <= '9') {
		return c - '0';
	}
	if (c >= 'a' && c <= 'f') {
		return c - 'a' + 10;
	}
	if (c >= 'A' && c <= 'F') {
		return c - 'A' + 10;
	}
	return -1;
}

enum evl_status evl_unhex(const char *text, uint8_t *out, size_t bytes)
{
	if (strlen(text) != 2 * bytes) {
		return EVL_E_INVALID;
	}
	for (size_t i = 0; i < bytes; i++) {
		int hi = nibble(text[2 * i]);
		int lo = nibble(text[2 * i + 1]);
		if (hi < 0 || lo < 0) {
			return EVL_E_INVALID;
		}
		out[i] = (uint8_t)(hi << 4 | lo);
	}
	return EVL_OK;
}

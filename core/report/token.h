/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A signing key in a PKCS#11 token, named by a URI (RFC 7512).
 *
 *	struct evl_token *token;
 *	evl_token_open(&token, "pkcs11:token=lab;object=sign", pin, &err);
 *	evl_token_key(&key, token, true, &err);
 *	... sign ...
 *	EVP_PKEY_free(key);
 *	evl_token_close(token);		// after the key
 */
#pragma once

#include <openssl/evp.h>
#include <openssl/x509.h>
#include <stdbool.h>

#include "core/base/err.h"

struct evl_token;

/* Loads the module that the URI names by `module-path`, else the system's own (p11-kit). `pin` may
 * be NULL when the URI has pin-source. EVL_E_INVALID: no such URI, or the module cannot be loaded;
 * EVL_E_NOTFOUND: this machine has no support for tokens. */
enum evl_status evl_token_open(
	struct evl_token **out, const char *uri, const char *pin, struct evl_err *err);
/* The private key of the URI, which stays in the token; the caller frees it. `pin`: one was given,
 * for the message. */
enum evl_status evl_token_key(
	EVP_PKEY **key, struct evl_token *token, bool pin, struct evl_err *err);
/* The certificate of the URI; the caller frees it. */
enum evl_status evl_token_cert(X509 **cert, struct evl_token *token, struct evl_err *err);
void evl_token_close(struct evl_token *token); /* takes NULL */

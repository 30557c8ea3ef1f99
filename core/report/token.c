/* SPDX-License-Identifier: Apache-2.0 */
/*
 * A key that never leaves its token: PKCS#11 (OASIS), named by a URI (RFC 7512), through the pkcs11
 * engine of libp11. Engines are deprecated in OpenSSL 3, but the provider that takes their place is
 * not in Debian 12.
 */
#define OPENSSL_SUPPRESS_DEPRECATED
#include "core/report/token.h"

#include <openssl/engine.h>
#include <openssl/err.h>
#include <openssl/ui.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core/report/internal.h"

struct evl_token {
	ENGINE *engine;
	char *told; /* the URI as it was given, for messages ... */
	char *uri;  /* ... and without what only we understand */
};

/* Takes the attribute `module-path` out of the URI's query (RFC 7512 2.4); the caller frees both.
 */
static char *without_module(const char *uri, char **module)
{
	static const char name[] = "module-path=";
	char *out = evl_xstrdup(uri);
	*module = NULL;
	char *query = strchr(out, '?');
	for (char *at = query; at != NULL && *module == NULL; at = strchr(at, '&')) {
		at++;
		if (strncmp(at, name, sizeof name - 1) != 0) {
			continue;
		}
		const char *value = at + sizeof name - 1;
		size_t n = strcspn(value, "&");
		char *to = *module = evl_xcalloc(1, n + 1);
		for (size_t i = 0; i < n; i++) {
			uint8_t byte = 0;
			char hex[3] = {0};
			if (value[i] == '%' && n - i > 2) {
				memcpy(hex, value + i + 1, 2);
			}
			bool coded = hex[0] != '\0' && evl_unhex(hex, &byte, 1) == EVL_OK;
			*to++ = coded ? (char)byte : value[i];
			i += coded ? 2 : 0;
		}
		const char *rest = value + n;
		size_t left = strlen(rest);
		/* "?a=1&module-path=x&b=2" -> "?a=1&b=2"; a query that becomes empty goes */
		memmove(at - 1, rest, left + 1);
		if (at - 1 == query && left > 0) {
			*query = '?';
		}
	}
	return out;
}

static bool command(struct evl_token *t, const char *name, const char *value)
{
	return value == NULL || ENGINE_ctrl_cmd_string(t->engine, name, value, 0) == 1;
}

static void release(struct evl_token *t)
{
	free(t->told);
	free(t->uri);
	free(t);
}

enum evl_status evl_token_open(
	struct evl_token **out, const char *uri, const char *pin, struct evl_err *err)
{
	*out = NULL;
	if (strncmp(uri, "pkcs11:", 7) != 0) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: is no URI of a token (RFC 7512); it looks like "
			"pkcs11:token=NAME;object=NAME?module-path=/path/of/module.so",
			uri);
	}
	enum evl_status st = EVL_OK;
	char *module = NULL;
	struct evl_token *t = evl_xcalloc(1, sizeof *t);
	t->told = evl_xstrdup(uri);
	t->uri = without_module(uri, &module);
	ENGINE_load_builtin_engines();
	t->engine = ENGINE_by_id("pkcs11");
	if (t->engine == NULL) {
		st = evl_err_set(err, EVL_E_NOTFOUND,
			"tokens need the pkcs11 engine of OpenSSL, which is not installed (Debian: "
			"libengine-pkcs11-openssl)");
	} else if (module != NULL && access(module, R_OK) != 0) {
		st = evl_err_set(err, EVL_E_NOTFOUND,
			"%s: the module of the token, %s, cannot be opened", uri, module);
	} else if (!command(t, "MODULE_PATH", module) || !command(t, "PIN", pin) ||
		   ENGINE_ctrl_cmd(t->engine, "QUIET", 0, NULL, NULL, 0) != 1 ||
		   ENGINE_init(t->engine) != 1) {
		st = evl_err_set(
			err, EVL_E_INVALID, "%s: the module of the token cannot be loaded", uri);
	}
	free(module);
	if (st < 0) {
		ERR_clear_error();
		ENGINE_free(t->engine);
		release(t);
		return st;
	}
	*out = t;
	return EVL_OK;
}

enum evl_status evl_token_key(EVP_PKEY **key, struct evl_token *t, bool pin, struct evl_err *err)
{
	/* Nobody is asked for a PIN that is missing: a dossier is made in the night. */
	*key = ENGINE_load_private_key(t->engine, t->uri, (UI_METHOD *)UI_null(), NULL);
	ERR_clear_error();
	if (*key == NULL) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: the token gives no private key of that name; check token and object%s",
			t->told,
			pin ? ", and that the PIN is right"
			    : ", and name a file with the PIN by --password-file");
	}
	return EVL_OK;
}

enum evl_status evl_token_cert(X509 **cert, struct evl_token *t, struct evl_err *err)
{
	struct {
		const char *uri;
		X509 *cert;
	} what = {t->uri, NULL};
	(void)ENGINE_ctrl_cmd(t->engine, "LOAD_CERT_CTRL", 0, &what, NULL, 1);
	ERR_clear_error();
	*cert = what.cert;
	if (what.cert == NULL) {
		return evl_err_set(err, EVL_E_INVALID,
			"%s: the token holds no certificate of that name; give its file by --cert",
			t->told);
	}
	return EVL_OK;
}

void evl_token_close(struct evl_token *t)
{
	if (t != NULL) {
		ENGINE_finish(t->engine);
		ENGINE_free(t->engine);
		release(t);
	}
}

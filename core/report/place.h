/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Puts a dossier folder in place as a whole: written under a temporary name beside it, renamed at
 * the end. Within this room only.
 *
 *	struct evl_place place = {0};
 *	if (evl_place_begin(&place, "out/dossier", &err) == EVL_OK) {
 *		... write files into place.temporary ...
 *		evl_place_commit(&place, &err);
 *	}
 *	evl_place_finish(&place);
 */
#pragma once

#include <stdbool.h>

#include "core/base/err.h"

struct evl_place {
	char *target;	 /* without trailing slash */
	char *temporary; /* folder to write into */
	bool made;	 /* the temporary folder exists */
};

/* EVL_OK: nothing there, an empty folder, or an earlier dossier. EVL_E_CONFLICT: something else,
 * which must not be overwritten; the message names what was found. */
enum evl_status evl_place_check(const char *dir, struct evl_err *err);
enum evl_status evl_place_begin(struct evl_place *place, const char *dir, struct evl_err *err);
/* An earlier dossier steps aside under the name DIR.earlier, and is removed after the new one has
 * taken its place: a kill in between leaves it whole under that name. */
enum evl_status evl_place_commit(struct evl_place *place, struct evl_err *err);
/* Removes the temporary folder if it was not committed. Takes a zeroed object. */
void evl_place_finish(struct evl_place *place);

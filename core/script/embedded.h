/* SPDX-License-Identifier: Apache-2.0 */
/* The library modules of scripts/, compiled in by scripts/embed.py. */
#pragma once

#include <stddef.h>

struct evl_embedded_script {
	const char *name; /* as in `require "name"` */
	const char *text; /* UTF-8 with a NUL after it */
	size_t len;	  /* bytes without the NUL */
};

/* Sorted by name; ends with an entry whose name is NULL. */
extern const struct evl_embedded_script evl_embedded_scripts[];

/* SPDX-License-Identifier: Apache-2.0 */
/*
 * The comparison page: runs beside each other as one HTML file that needs nothing else.
 *
 *	struct evl_text html = {0};
 *	evl_matrix_page_write(&html, &matrix);
 *	evl_text_finish(&html);
 *
 * It says what the text of `evenlode compare` says, in the same words. The same matrix gives the
 * same bytes. It is no evidence: it carries no signature.
 */
#pragma once

#include "core/base/text.h"
#include "core/store/matrix.h"

void evl_matrix_page_write(struct evl_text *out, const struct evl_matrix *m);

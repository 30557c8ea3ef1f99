/* SPDX-License-Identifier: Apache-2.0 */
/*
 * Personal data inside texts, such as the number of a subscriber. A campaign marks it; the store
 * keeps it apart, and reports withhold it. Marked text stands between two noncharacters of Unicode
 * (section 23.7: for use within a program only), which no text from outside needs.
 */
#pragma once

#define EVL_PERSONAL_BEGIN "\xEF\xB7\x90" /* U+FDD0 */
#define EVL_PERSONAL_END   "\xEF\xB7\x91" /* U+FDD1 */

/* Where the first marked text begins (behind its mark), NULL when there is none; *end is where it
 * ends (before its mark, or the end of `text`), *next is what follows. */
const char *evl_personal_find(const char *text, const char **end, const char **next);

/* A copy with "[withheld]" in the place of each marked text; the caller frees. */
char *evl_personal_hidden(const char *text);

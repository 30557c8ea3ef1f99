/* SPDX-License-Identifier: Apache-2.0 */
/*
 * string.find, match, gmatch and gsub after the Lua 5.4 reference manual, section 6.4.1. The ones
 * of the Lua library can backtrack for hours within one call, where no hook runs; here each step
 * is taken off the sandbox's budget.
 */
#include "core/script/sandbox_internal.h"

#include <ctype.h>
#include <string.h>

#include <lauxlib.h>

#define CAPTURES_MAX 32
#define DEPTH_MAX    200  /* of C calls */
#define STEP_BATCH   1024 /* steps between two charges */

#define CAPTURE_OPEN     (-1)
#define CAPTURE_POSITION (-2)

struct matcher {
	lua_State *L;
	const char *begin, *end; /* subject */
	const char *pattern_end;
	int level, depth;
	uint32_t steps;
	struct {
		const char *at;
		ptrdiff_t len; /* or CAPTURE_x */
	} capture[CAPTURES_MAX];
};

static const char *match_at(struct matcher *m, const char *s, const char *p);

static void step(struct matcher *m)
{
	if (++m->steps >= STEP_BATCH) {
		evl_sandbox_charge(m->L, m->steps);
		m->steps = 0;
	}
}

/* The end of the single-character class that begins at p. */
static const char *class_end(struct matcher *m, const char *p)
{
	if (*p == '%') {
		if (p + 1 == m->pattern_end) {
			luaL_error(m->L, "malformed pattern (ends with '%%')");
		}
		return p + 2;
	}
	if (*p != '[') {
		return p + 1;
	}
	p++;
	if (p < m->pattern_end && *p == '^') {
		p++;
	}
	do { /* a ']' in the first place stands for itself */
		if (p == m->pattern_end) {
			luaL_error(m->L, "malformed pattern (missing ']')");
		}
		if (*p++ == '%' && p < m->pattern_end) {
			p++;
		}
	} while (p == m->pattern_end || *p != ']');
	return p + 1;
}

/* `kind` is the letter after '%'. */
static bool in_class(unsigned char c, unsigned char kind)
{
	bool in;
	switch (tolower(kind)) {
	case 'a':
		in = isalpha(c);
		break;
	case 'c':
		in = iscntrl(c);
		break;
	case 'd':
		in = isdigit(c);
		break;
	case 'g':
		in = isgraph(c);
		break;
	case 'l':
		in = islower(c);
		break;
	case 'p':
		in = ispunct(c);
		break;
	case 's':
		in = isspace(c);
		break;
	case 'u':
		in = isupper(c);
		break;
	case 'w':
		in = isalnum(c);
		break;
	case 'x':
		in = isxdigit(c);
		break;
	default:
		return c == kind;
	}
	return isupper(kind) ? !in : in;
}

/* p is at '[', last at its ']'. */
static bool in_set(unsigned char c, const char *p, const char *last)
{
	bool wanted = true;
	p++;
	if (*p == '^') {
		wanted = false;
		p++;
	}
	while (p < last) {
		if (*p == '%') {
			if (in_class(c, (unsigned char)p[1])) {
				return wanted;
			}
			p += 2;
		} else if (p[1] == '-' && p + 2 < last) {
			if ((unsigned char)p[0] <= c && c <= (unsigned char)p[2]) {
				return wanted;
			}
			p += 3;
		} else if ((unsigned char)*p++ == c) {
			return wanted;
		}
	}
	return !wanted;
}

static bool one(struct matcher *m, const char *s, const char *p, const char *p_end)
{
	step(m);
	if (s >= m->end) {
		return false;
	}
	switch (*p) {
	case '.':
		return true;
	case '%':
		return in_class((unsigned char)*s, (unsigned char)p[1]);
	case '[':
		return in_set((unsigned char)*s, p, p_end - 1);
	default:
		return *s == *p;
	}
}

/* %bxy: p is at x. */
static const char *balanced(struct matcher *m, const char *s, const char *p)
{
	if (p + 1 >= m->pattern_end) {
		luaL_error(m->L, "malformed pattern (missing arguments to '%%b')");
	}
	if (s >= m->end || *s != p[0]) {
		return NULL;
	}
	size_t open = 1;
	for (s++; s < m->end; s++) {
		step(m);
		if (*s == p[1]) {
			if (--open == 0) {
				return s + 1;
			}
		} else if (*s == p[0]) {
			open++;
		}
	}
	return NULL;
}

static const char *greedy(struct matcher *m, const char *s, const char *p, const char *p_end)
{
	const char *most = s;
	while (one(m, most, p, p_end)) {
		most++;
	}
	for (;; most--) {
		const char *r = match_at(m, most, p_end + 1);
		if (r != NULL || most == s) {
			return r;
		}
	}
}

static const char *lazy(struct matcher *m, const char *s, const char *p, const char *p_end)
{
	for (;; s++) {
		const char *r = match_at(m, s, p_end + 1);
		if (r != NULL) {
			return r;
		}
		if (!one(m, s, p, p_end)) {
			return NULL;
		}
	}
}

static const char *capture_open(struct matcher *m, const char *s, const char *p, ptrdiff_t kind)
{
	if (m->level >= CAPTURES_MAX) {
		luaL_error(m->L, "too many captures");
	}
	m->capture[m->level].at = s;
	m->capture[m->level].len = kind;
	m->level++;
	const char *r = match_at(m, s, p);
	if (r == NULL) {
		m->level--;
	}
	return r;
}

static const char *capture_close(struct matcher *m, const char *s, const char *p)
{
	int l = m->level - 1;
	while (l >= 0 && m->capture[l].len != CAPTURE_OPEN) {
		l--;
	}
	if (l < 0) {
		luaL_error(m->L, "invalid pattern capture");
	}
	m->capture[l].len = s - m->capture[l].at;
	const char *r = match_at(m, s, p);
	if (r == NULL) {
		m->capture[l].len = CAPTURE_OPEN;
	}
	return r;
}

static const char *back_reference(struct matcher *m, const char *s, int digit)
{
	int l = digit - '1';
	if (l < 0 || l >= m->level || m->capture[l].len == CAPTURE_OPEN) {
		luaL_error(m->L, "invalid capture index %%%d", l + 1);
	}
	/* A position capture has no text: the empty string would be a surprise. */
	size_t len = (size_t)m->capture[l].len;
	if (m->capture[l].len == CAPTURE_POSITION || (size_t)(m->end - s) < len) {
		return NULL;
	}
	evl_sandbox_charge(m->L, len / 16);
	return memcmp(m->capture[l].at, s, len) == 0 ? s + len : NULL;
}

static bool frontier(struct matcher *m, const char *s, const char *p, const char *p_end)
{
	unsigned char before = s == m->begin ? 0 : (unsigned char)s[-1];
	unsigned char here = s == m->end ? 0 : (unsigned char)*s;
	return !in_set(before, p, p_end - 1) && in_set(here, p, p_end - 1);
}

/* The end of the match of pattern p at s, or NULL. */
static const char *match_at(struct matcher *m, const char *s, const char *p)
{
	if (m->depth++ >= DEPTH_MAX) {
		luaL_error(m->L, "pattern too complex");
	}
	for (;;) {
		const char *p_end;
		step(m);
		if (p == m->pattern_end) {
			break;
		}
		if (*p == '(') {
			bool position = p + 1 < m->pattern_end && p[1] == ')';
			s = capture_open(m, s, p + 1 + position,
					 position ? CAPTURE_POSITION : CAPTURE_OPEN);
			break;
		}
		if (*p == ')') {
			s = capture_close(m, s, p + 1);
			break;
		}
		if (*p == '$' && p + 1 == m->pattern_end) {
			s = s == m->end ? s : NULL;
			break;
		}
		if (*p == '%' && p + 1 < m->pattern_end && p[1] == 'b') {
			s = balanced(m, s, p + 2);
			if (s == NULL) {
				break;
			}
			p += 4;
			continue;
		}
		if (*p == '%' && p + 1 < m->pattern_end && p[1] == 'f') {
			p += 2;
			if (p == m->pattern_end || *p != '[') {
				luaL_error(m->L, "missing '[' after '%%f' in pattern");
			}
			p_end = class_end(m, p);
			if (!frontier(m, s, p, p_end)) {
				s = NULL;
				break;
			}
			p = p_end;
			continue;
		}
		if (*p == '%' && p + 1 < m->pattern_end && isdigit((unsigned char)p[1])) {
			s = back_reference(m, s, (unsigned char)p[1]);
			if (s == NULL) {
				break;
			}
			p += 2;
			continue;
		}
		p_end = class_end(m, p);
		char repeat = p_end < m->pattern_end ? *p_end : '\0';
		if (repeat == '?') {
			const char *r = one(m, s, p, p_end) ? match_at(m, s + 1, p_end + 1) : NULL;
			if (r != NULL) {
				s = r;
				break;
			}
			p = p_end + 1;
		} else if (repeat == '*') {
			s = greedy(m, s, p, p_end);
			break;
		} else if (repeat == '+') {
			s = one(m, s, p, p_end) ? greedy(m, s + 1, p, p_end) : NULL;
			break;
		} else if (repeat == '-') {
			s = lazy(m, s, p, p_end);
			break;
		} else if (one(m, s, p, p_end)) {
			s++;
			p = p_end;
		} else {
			s = NULL;
			break;
		}
	}
	m->depth--;
	return s;
}

static void start(struct matcher *m, lua_State *L, const char *s, size_t s_len, const char *p,
		  size_t p_len)
{
	*m = (struct matcher){.L = L, .begin = s, .end = s + s_len, .pattern_end = p + p_len};
}

static const char *try_at(struct matcher *m, const char *s, const char *p)
{
	m->level = 0;
	m->depth = 0;
	return match_at(m, s, p);
}

/* Pushes capture l; the whole match [s, e) stands for the first one when there are none. */
static void push_capture(struct matcher *m, int l, const char *s, const char *e)
{
	if (l >= m->level) {
		if (l != 0) {
			luaL_error(m->L, "invalid capture index %%%d", l + 1);
		}
		lua_pushlstring(m->L, s, (size_t)(e - s));
	} else if (m->capture[l].len == CAPTURE_POSITION) {
		lua_pushinteger(m->L, m->capture[l].at - m->begin + 1);
	} else if (m->capture[l].len == CAPTURE_OPEN) {
		luaL_error(m->L, "unfinished capture");
	} else {
		lua_pushlstring(m->L, m->capture[l].at, (size_t)m->capture[l].len);
	}
}

/* s NULL: only what is in parentheses. */
static int push_captures(struct matcher *m, const char *s, const char *e)
{
	int n = m->level == 0 && s != NULL ? 1 : m->level;
	luaL_checkstack(m->L, n, "too many captures");
	for (int i = 0; i < n; i++) {
		push_capture(m, i, s, e);
	}
	return n;
}

/* First index to look at, from 0; an index after the end of the subject is len + 1. */
static size_t first_index(lua_State *L, int arg, size_t len)
{
	lua_Integer i = luaL_optinteger(L, arg, 1);
	if (i > 0) {
		return (lua_Unsigned)i > len + 1 ? len + 1 : (size_t)i - 1;
	}
	return i == 0 || i < -(lua_Integer)len ? 0 : len - (size_t)(-i);
}

static const char *find_plain(lua_State *L, const char *s, size_t s_len, const char *p,
			      size_t p_len)
{
	const char *end = s + s_len;
	if (p_len == 0) {
		return s;
	}
	while ((size_t)(end - s) >= p_len) {
		const char *at = memchr(s, p[0], (size_t)(end - s) - p_len + 1);
		evl_sandbox_charge(L, 1 + p_len / 16 + (size_t)((at != NULL ? at : end) - s) / 64);
		if (at == NULL || memcmp(at, p, p_len) == 0) {
			return at;
		}
		s = at + 1;
	}
	return NULL;
}

static int find_or_match(lua_State *L, bool find)
{
	struct matcher m;
	size_t s_len, p_len;
	const char *s = luaL_checklstring(L, 1, &s_len);
	const char *p = luaL_checklstring(L, 2, &p_len);
	size_t first = first_index(L, 3, s_len);

	if (first > s_len) {
		lua_pushnil(L);
		return 1;
	}
	bool special = false;
	for (size_t i = 0; i < p_len && !special; i++) {
		special = p[i] != '\0' && strchr("^$*+?.([%-", p[i]) != NULL;
	}
	if (find && (lua_toboolean(L, 4) || !special)) {
		const char *at = find_plain(L, s + first, s_len - first, p, p_len);
		if (at == NULL) {
			lua_pushnil(L);
			return 1;
		}
		lua_pushinteger(L, at - s + 1);
		lua_pushinteger(L, at - s + (lua_Integer)p_len);
		return 2;
	}
	bool anchored = p_len > 0 && *p == '^';
	start(&m, L, s, s_len, p, p_len);
	for (const char *at = s + first; at <= m.end; at++) {
		const char *e = try_at(&m, at, p + anchored);
		if (e != NULL) {
			if (!find) {
				return push_captures(&m, at, e);
			}
			lua_pushinteger(L, at - s + 1);
			lua_pushinteger(L, e - s);
			return push_captures(&m, NULL, NULL) + 2;
		}
		if (anchored) {
			break;
		}
	}
	lua_pushnil(L);
	return 1;
}

int sandbox_str_find(lua_State *L)
{
	return find_or_match(L, true);
}

int sandbox_str_match(lua_State *L)
{
	return find_or_match(L, false);
}

/* Upvalues: subject, pattern, index to go on from, end of the last match or -1. */
static int gmatch_step(lua_State *L)
{
	struct matcher m;
	size_t s_len, p_len;
	const char *s = lua_tolstring(L, lua_upvalueindex(1), &s_len);
	const char *p = lua_tolstring(L, lua_upvalueindex(2), &p_len);
	lua_Integer at = lua_tointeger(L, lua_upvalueindex(3));
	lua_Integer last = lua_tointeger(L, lua_upvalueindex(4));

	start(&m, L, s, s_len, p, p_len);
	for (; at <= (lua_Integer)s_len; at++) {
		const char *e = try_at(&m, s + at, p);
		if (e != NULL && e - s != last) {
			lua_pushinteger(L, e - s);
			lua_copy(L, -1, lua_upvalueindex(3));
			lua_replace(L, lua_upvalueindex(4));
			return push_captures(&m, s + at, e);
		}
	}
	lua_pushinteger(L, (lua_Integer)s_len + 1);
	lua_replace(L, lua_upvalueindex(3));
	return 0;
}

int sandbox_str_gmatch(lua_State *L)
{
	size_t s_len;
	luaL_checklstring(L, 1, &s_len);
	luaL_checkstring(L, 2);
	size_t first = first_index(L, 3, s_len);
	lua_settop(L, 2);
	lua_pushinteger(L, (lua_Integer)first);
	lua_pushinteger(L, -1);
	lua_pushcclosure(L, gmatch_step, 4);
	return 1;
}

/* Adds the text of argument 3 with its %0 to %9 filled in. */
static void add_template(struct matcher *m, luaL_Buffer *b, const char *s, const char *e)
{
	size_t len;
	const char *t = lua_tolstring(m->L, 3, &len);
	for (size_t i = 0; i < len; i++) {
		if (t[i] != '%') {
			luaL_addchar(b, t[i]);
			continue;
		}
		i++; /* a '%' at the end meets the NUL of the string */
		if (t[i] == '%') {
			luaL_addchar(b, '%');
		} else if (t[i] == '0') {
			luaL_addlstring(b, s, (size_t)(e - s));
		} else if (isdigit((unsigned char)t[i])) {
			push_capture(m, t[i] - '1', s, e);
			luaL_tolstring(m->L, -1, NULL);
			lua_remove(m->L, -2);
			luaL_addvalue(b);
		} else {
			luaL_error(m->L, "invalid use of '%%' in replacement string");
		}
	}
}

static void add_replacement(struct matcher *m, luaL_Buffer *b, int type, const char *s,
			    const char *e)
{
	lua_State *L = m->L;
	if (type == LUA_TFUNCTION) {
		lua_pushvalue(L, 3);
		lua_call(L, push_captures(m, s, e), 1);
	} else if (type == LUA_TTABLE) {
		push_capture(m, 0, s, e);
		lua_gettable(L, 3);
	} else {
		add_template(m, b, s, e);
		return;
	}
	if (!lua_toboolean(L, -1)) {
		lua_pop(L, 1);
		luaL_addlstring(b, s, (size_t)(e - s));
	} else if (!lua_isstring(L, -1)) {
		luaL_error(L, "invalid replacement value (a %s)", luaL_typename(L, -1));
	} else {
		luaL_addvalue(b);
	}
}

int sandbox_str_gsub(lua_State *L)
{
	struct matcher m;
	luaL_Buffer b;
	size_t s_len, p_len;
	const char *s = luaL_checklstring(L, 1, &s_len);
	const char *p = luaL_checklstring(L, 2, &p_len);
	int type = lua_type(L, 3);
	lua_Integer most = luaL_optinteger(L, 4, (lua_Integer)s_len + 1);
	lua_Integer done = 0;
	const char *last = NULL;

	luaL_argexpected(L,
			 type == LUA_TNUMBER || type == LUA_TSTRING || type == LUA_TFUNCTION ||
				 type == LUA_TTABLE,
			 3, "string/function/table");
	if (type == LUA_TNUMBER) {
		lua_tostring(L, 3); /* converts in place, before the buffer is on the stack */
	}
	bool anchored = p_len > 0 && *p == '^';
	luaL_buffinit(L, &b);
	start(&m, L, s, s_len, p, p_len);
	for (const char *at = s; done < most;) {
		const char *e = try_at(&m, at, p + anchored);
		if (e != NULL && e != last) {
			done++;
			add_replacement(&m, &b, type, at, e);
			at = last = e;
		} else if (at < m.end) {
			luaL_addchar(&b, *at++);
		} else {
			s = m.end;
			break;
		}
		s = at; /* the rest is added below */
		if (anchored) {
			break;
		}
	}
	luaL_addlstring(&b, s, (size_t)(m.end - s));
	luaL_pushresult(&b);
	lua_pushinteger(L, done);
	return 2;
}

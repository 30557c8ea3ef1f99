-- SPDX-License-Identifier: Apache-2.0
-- Checks of what a campaign wrote: every mistake is named with its field, at the campaign's line.
local core = require "core"
local spec = {}

-- Values made by the library carry a hidden kind, so that they cannot be confused or forged.
local kinds = setmetatable({}, { __mode = "k" })

function spec.mark(kind, value)
	kinds[value] = kind
	return value
end

function spec.kind(value)
	return type(value) == "table" and kinds[value] or nil
end

function spec.show(value)
	if type(value) == "string" then
		return string.format("%q", #value > 60 and value:sub(1, 60) .. "..." or value)
	end
	if type(value) == "table" or type(value) == "function" or type(value) == "userdata" then
		return "a " .. type(value)
	end
	return tostring(value)
end

function spec.sorted_keys(where, t)
	local keys = {}
	for key in pairs(t) do
		if type(key) ~= "string" then
			core.fail("%s: %s is not a name; write name = value", where, spec.show(key))
		end
		keys[#keys + 1] = key
	end
	table.sort(keys)
	return keys
end

local function list_of(names)
	local keys = {}
	for key in pairs(names) do
		keys[#keys + 1] = key
	end
	table.sort(keys)
	return table.concat(keys, ", ")
end

local function is(value, wanted)
	if wanted == "integer" then
		return math.type(value) == "integer"
	end
	return type(value) == wanted
end

-- known: field -> type, with ? for one that may be left out; required: names that must be there
-- even though the table of types is shared.
function spec.fields(where, t, known, required)
	if type(t) ~= "table" then
		core.fail("%s: a table { ... } is expected, not %s", where, spec.show(t))
	end
	for _, key in ipairs(spec.sorted_keys(where, t)) do
		local wanted = known[key]
		if not wanted then
			core.fail("%s: %s is not known here; use %s", where, key, list_of(known))
		end
		wanted = wanted:gsub("%?$", "")
		if wanted ~= "any" and not is(t[key], wanted) then
			core.fail("%s: %s must be a %s, not %s", where, key, wanted, spec.show(t[key]))
		end
	end
	local must = {}
	if required then
		must = required
	else
		for key, wanted in pairs(known) do
			if wanted:sub(-1) ~= "?" then
				must[#must + 1] = key
			end
		end
		table.sort(must)
	end
	for _, key in ipairs(must) do
		if t[key] == nil then
			core.fail("%s: %s is missing", where, key)
		end
	end
end

-- Has it neither holes nor names? ipairs would pass over both in silence.
function spec.is_list(t)
	local n = 0
	for key in pairs(t) do
		n = n + 1
		if key ~= n then
			return false
		end
	end
	return true
end

-- The list, an empty one for nil; raises when it is none, with `hint` what to write.
function spec.list(where, t, hint)
	if not spec.is_list(t or {}) then
		core.fail("%s: a list is expected; %s", where, hint)
	end
	return t or {}
end

-- Which one of these fields is given; `hint` says what may be.
function spec.one_of(where, t, names, hint)
	local given
	for _, name in ipairs(names) do
		if t[name] ~= nil and t[name] ~= false then
			if given then
				core.fail("%s: give one of %s and %s, not both", where, given, name)
			end
			given = name
		end
	end
	if not given then
		core.fail("%s: %s", where, hint)
	end
	return given
end

function spec.name(what, text)
	if type(text) ~= "string" or not text:find("^[%w][%w_%.%-]*$") or #text > 60 then
		core.fail("%s: %s must be 1 to 60 letters, digits, - _ . and begin with a letter or digit",
			what, spec.show(text))
	end
end

-- "16 s", "500 ms", "125 us", "2 min", "8 h" -> nanoseconds, exact.
function spec.duration(where, text)
	local ns = type(text) == "string" and core.duration_ns(text)
	if not ns then
		core.fail("%s: %s is not a duration; write a number and us, ms, s, min or h, such as "
			.. "\"16 s\"",
			where, spec.show(text))
	end
	return ns
end

-- The needs of a campaign, a list, as a table by role: those that a case uses (nil: all).
local outside = setmetatable({}, { __mode = "k" })

function spec.needs(list, uses)
	local needs, others, used = {}, {}, {}
	for _, role in ipairs(uses or {}) do
		used[role] = true
	end
	for _, need in ipairs(list) do
		if not uses or used[need.role] then
			needs[need.role] = need
		else
			others[need.role] = true
		end
	end
	outside[needs] = others
	return needs
end

-- The need of a role; raises when the case cannot use it.
function spec.need(where, needs, role)
	local need = type(role) == "string" and needs[role]
	if need then
		return need
	end
	if type(role) == "string" and outside[needs] and outside[needs][role] then
		core.fail("%s: role %s is not in the uses of this case; add it there, or leave uses out "
			.. "for all roles", where, spec.show(role))
	end
	core.fail("%s: role %s is not in the campaign's needs", where, spec.show(role))
end

return spec

-- SPDX-License-Identifier: Apache-2.0
-- test:setup: what the unit and the tester are set to, until the case ends or the next test:setup.
local core = require "core"
local spec = require "spec"

local setup = {}

-- Fields that can be named, and how each is written.
local line_fields <const> = {
	J0 = "trace", J1 = "trace", C2 = "byte", S1 = "byte", K1 = "byte", K2 = "byte", F1 = "byte",
	E1 = "byte", E2 = "byte",
}
local tributary_fields <const> = { J1 = "trace", J2 = "trace", V5 = "label" }

local expected <const> = { J0 = true, J1 = true, J2 = true, C2 = true, V5 = true }
local paths <const> = { J1 = true, C2 = true } -- of a line: a list has one for each high-order path

local function is_line(need)
	return need.rate:find("^STM") ~= nil
end

local function text_of(where, form, value, any)
	if type(value) ~= "string" then
		core.fail("%s: a text is expected, not %s", where, spec.show(value))
	end
	if any and value == "any" then
		return value
	end
	if form == "byte" and not value:find("^%x%x$") then
		core.fail("%s: two hexadecimal digits are expected, such as \"02\", not %s", where,
			spec.show(value))
	elseif form == "label" and not value:find("^[0-7]$") then
		core.fail("%s: a label from \"0\" to \"7\" is expected, not %s", where, spec.show(value))
	elseif form == "trace" and #value > 65 then
		core.fail("%s: a trace has up to 15 characters, or \"64:\" and up to 62", where)
	end
	return value
end

-- Appends what `fields` says as entries of this kind.
local function fields_of(out, where, need, number, kind, fields)
	local known = is_line(need) and line_fields or tributary_fields
	for _, field in ipairs(spec.sorted_keys(where, fields)) do
		local at = where .. "." .. field
		local form = known[field]
		if not form or (kind ~= "sent" and not expected[field]) then
			core.fail("%s: this field cannot be %s on a channel of %s", at,
				kind == "sent" and "sent" or "expected", need.rate)
		end
		local value = fields[field]
		local list = type(value) == "table" and value or { value }
		if type(value) == "table" and not (is_line(need) and paths[field]) then
			core.fail("%s: one text is expected; only J1 and C2 of a line have one for each path",
				at)
		end
		for path, one in ipairs(list) do
			local text = text_of(at, form, one, kind == "expected")
			table.insert(out, { role = need.role, number = number, kind = kind, field = field,
				text = text,
				path = is_line(need) and paths[field] and type(value) == "table" and path or 0 })
		end
	end
end

local function trace_fields(fields)
	local out, any = {}, false
	for field, value in pairs(fields or {}) do
		if field == "J0" or field == "J1" or field == "J2" then
			out[field], any = value, true
		end
	end
	return any and out or nil
end

local function one(out, where, need, number, t)
	for _, key in ipairs { "mapping", "framing" } do
		if t[key] ~= nil then
			if type(t[key]) ~= "string" then
				core.fail("%s.%s: a text is expected, not %s", where, key, spec.show(t[key]))
			end
			if key == "mapping" and not is_line(need) then
				core.fail("%s.mapping: only a line has one", where)
			elseif key == "framing" and need.rate ~= "E1" and need.rate ~= "T1" then
				core.fail("%s.framing: only E1 and T1 have one", where)
			end
			table.insert(out, { role = need.role, number = number, kind = key, text = t[key] })
		end
	end
	if t.sends then
		fields_of(out, where .. ".sends", need, number, "sent", t.sends)
		-- The tester expects the traces that the unit was told to send.
		local traces = trace_fields(t.sends)
		if traces then
			fields_of(out, where .. ".sends", need, number, "tester", traces)
		end
	end
	if t.expects then
		fields_of(out, where .. ".expects", need, number, "expected", t.expects)
	end
	if t.tester_expects then
		fields_of(out, where .. ".tester_expects", need, number, "tester", t.tester_expects)
	end
end

local words <const> = { mapping = "string?", framing = "string?", sends = "table?",
	expects = "table?", tester_expects = "table?" }

-- The list for core.set_up, and the framing of each role that has one.
function setup.plan(needs, t)
	local out, framing = {}, {}
	if type(t) ~= "table" then
		core.fail("setup: a table { role = { ... } } is expected, not %s", spec.show(t))
	end
	for _, role in ipairs(spec.sorted_keys("setup", t)) do
		local where, need = "setup." .. role, spec.need("setup", needs, role)
		local named, numbers = {}, {}
		if type(t[role]) ~= "table" then
			core.fail("%s: a table { ... } is expected, not %s", where, spec.show(t[role]))
		end
		for key, value in pairs(t[role]) do
			if math.type(key) == "integer" then
				numbers[#numbers + 1] = key
			else
				named[key] = value
			end
		end
		spec.fields(where, named, words)
		one(out, where, need, 0, named)
		framing[role] = named.framing
		table.sort(numbers) -- so that the same campaign always makes the same list
		for _, number in ipairs(numbers) do
			local at = string.format("%s[%d]", where, number)
			spec.fields(at, t[role][number], words)
			if number < 1 then
				core.fail("%s: %d is not the number of a channel", where, number)
			end
			one(out, at, need, number, t[role][number])
		end
	end
	return out, framing
end

return setup

-- SPDX-License-Identifier: Apache-2.0
-- The network that what a take plays goes through: take { network = { trib = { delay = "30 ms",
-- errors = 1e-6, events = { { slip = 8, at = "2 s" }, ... }, [7] = { ... } } } }.
local core = require "core"
local spec = require "spec"

local network = {}

local FRAME_NS <const> = 125000
local MOST_DELAY_NS <const> = 500000000
local MOST_EVENTS <const> = 64
local LEAST_EVERY_NS <const> = 1000000

local fields <const> = { delay = "string?", errors = "number?", events = "table?" }
local event_fields <const> = { delay = "string?", slip = "any?", errors = "number?",
	burst = "number?", invert = "boolean?", bit = "boolean?", alarm = "string?", at = "string",
	lasting = "string?", every = "string?", jitter = "string?", times = "integer?" }
local kinds <const> = { "delay", "slip", "errors", "burst", "invert", "bit", "alarm" }
local momentary <const> = { delay = true, slip = true, bit = true }
local units <const> = { bit = 1, bits = 1, octet = 8, octets = 8 }

local function frames(where, text)
	local ns = spec.duration(where, text)
	if ns % FRAME_NS ~= 0 then
		core.fail("%s: %s is not a multiple of 125 us", where, spec.show(text))
	end
	return ns // FRAME_NS
end

local function delay_frames(where, text)
	local n = frames(where, text)
	if n * FRAME_NS > MOST_DELAY_NS then
		core.fail("%s: a delay is 0 to 500 ms, not %s", where, spec.show(text))
	end
	return n
end

local function ratio(where, value, most)
	if not (value > 0 and value <= most) then
		core.fail("%s: a ratio above 0 and at most %g is expected, not %s", where, most,
			spec.show(value))
	end
	return value
end

-- A number of bits, or "2 octets", "-1 frame".
local function slip_bits(where, rate, value)
	local count, unit = value, "bits"
	if type(value) == "string" then
		count, unit = value:match("^([+-]?%d+) (%l+)$")
		count = count and math.tointeger(tonumber(count))
	end
	local size = units[unit] or (unit == "frame" or unit == "frames") and core.rate_bits(rate)
	if math.type(count) ~= "integer" or not size or count == 0 or math.abs(count) > 1 << 32 then
		core.fail("%s: a slip is a number of bits other than 0 (8 come again, -8 are lost), or "
			.. "such as \"1 octet\" or \"-2 frames\", not %s", where, spec.show(value))
	end
	return count * size
end

local function event(where, rate, t)
	spec.fields(where, t, event_fields)
	local kind = spec.one_of(where, t, kinds, "give one of delay = \"45 ms\", slip = 8, "
		.. "errors = 1e-3, burst = 0.5, invert = true, bit = true, alarm = \"LOS\"")
	if t.alarm and not core.alarm_known(t.alarm) then
		core.fail("%s: alarm %s is not known; a network makes LOS, AIS, MS-AIS, RAI, LOF", where,
			spec.show(t.alarm))
	end
	if momentary[kind] and t.lasting then
		core.fail("%s: a %s has no lasting", where, kind)
	elseif not momentary[kind] and not t.lasting then
		core.fail("%s: lasting is missing", where)
	end
	if not t.every and (t.jitter or t.times) then
		core.fail("%s: %s goes with every, such as every = \"1 s\"", where,
			t.jitter and "jitter" or "times")
	end
	local one = {
		kind = kind, alarm = t.alarm, at_ns = spec.duration(where .. ".at", t.at),
		lasting_ns = t.lasting and spec.duration(where .. ".lasting", t.lasting) or 0,
		every_ns = t.every and spec.duration(where .. ".every", t.every) or 0,
		jitter_frames = t.jitter and frames(where .. ".jitter", t.jitter) or 0,
		times = t.times or 0, ratio = 0,
		delay_frames = t.delay and delay_frames(where .. ".delay", t.delay) or 0,
		slip_bits = t.slip and slip_bits(where .. ".slip", rate, t.slip) or 0,
	}
	if t.every and one.every_ns < LEAST_EVERY_NS then
		core.fail("%s.every: 1 ms at least is expected, not %s", where, spec.show(t.every))
	elseif t.times and t.times < 1 then
		core.fail("%s.times: a number above 0 is expected, not %d", where, t.times)
	elseif t.errors then
		one.ratio = ratio(where .. ".errors", t.errors, 0.5)
	elseif t.burst then
		one.ratio = ratio(where .. ".burst", t.burst, 1)
	end
	return one
end

local function one_network(where, rate, t)
	spec.fields(where, t, fields)
	local out = { delay_frames = t.delay and delay_frames(where .. ".delay", t.delay) or 0,
		ratio = t.errors and ratio(where .. ".errors", t.errors, 0.5) or 0, events = {} }
	local events = spec.list(where .. ".events", t.events,
		"write { { slip = 8, at = \"2 s\" } }, a list even of one")
	if #events > MOST_EVENTS then
		core.fail("%s.events: at most %d are possible; use every for what comes again", where,
			MOST_EVENTS)
	end
	for i, e in ipairs(events) do
		out.events[i] = event(string.format("%s.events[%d]", where, i), rate, e)
	end
	return out
end

-- Appends { role, number, delay_frames, ratio, events } to `out`; number 0 means every channel of
-- the role, a later entry stands over an earlier one. `need` is the role's, `played` what it plays.
function network.add(out, role, need, played, wanted)
	local where = "take: network." .. role
	if played == nil then
		core.fail("%s: the role does not play in this take; a network lies behind what is played",
			where)
	elseif type(wanted) ~= "table" then
		core.fail("%s: a table { delay = \"30 ms\", ... } is expected, not %s", where,
			spec.show(wanted))
	end
	local all, numbers = {}, {}
	for key, value in pairs(wanted) do
		if math.type(key) == "integer" and key >= 1 then
			numbers[#numbers + 1] = key
		elseif type(key) == "string" then
			all[key] = value
		else
			core.fail("%s: %s is not the number of a channel; write [7] = { delay = \"30 ms\" }",
				where, spec.show(key))
		end
	end
	table.sort(numbers)
	if next(all) or #numbers == 0 then
		local entry = one_network(where, need.rate, all)
		entry.role, entry.number = role, 0
		table.insert(out, entry)
	end
	for _, number in ipairs(numbers) do
		local entry = one_network(string.format("%s[%d]", where, number), need.rate,
			wanted[number])
		entry.role, entry.number = role, number
		table.insert(out, entry)
	end
end

return network

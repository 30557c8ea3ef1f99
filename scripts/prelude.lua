-- SPDX-License-Identifier: Apache-2.0
-- What every campaign sees without asking: campaign, case, prbs, word, pattern, framed,
-- pattern_file, delay_pattern, replay, recording_file, limits_file, time_to_prove, bits_to_prove,
-- personal.
-- `core` holds the functions that the C side gives (core/script/bind_core.c).
local core = require "core"
local spec = require "spec"
local replays = require "replay"
local Case = require "case"

local defined = { cases = {}, by_name = {} }

local need_keys = {
	rate = "string", count = "integer", play = "boolean", capture = "boolean",
	alarms = "boolean", inject = "boolean", clock = "boolean", setup = "boolean",
}

function campaign(about)
	if defined.campaign then
		core.fail("campaign is given twice; a file describes one campaign")
	end
	spec.fields("campaign", about, {
		name = "string", title = "string", version = "string", notice = "string?",
		needs = "table",
	})
	spec.name("campaign name", about.name)
	local needs = {}
	for _, role in ipairs(spec.sorted_keys("needs", about.needs)) do
		local need = about.needs[role]
		local where = "needs." .. role
		spec.name("role", role)
		spec.fields(where, need, need_keys, { "rate" })
		if not core.rate_bits(need.rate) then
			core.fail("%s: rate %q is not known; use one of %s", where, need.rate,
				core.rate_names())
		end
		local count = need.count or 1
		if count < 1 then
			core.fail("%s: count must be 1 or more", where)
		end
		needs[#needs + 1] = {
			role = role, rate = need.rate, count = count, play = need.play or false,
			capture = need.capture or false, alarms = need.alarms or false,
			inject = need.inject or false, clock = need.clock or false,
			setup = need.setup or false,
		}
	end
	if #needs == 0 then
		core.fail("campaign: needs names no role; say which channels the cases use")
	end
	defined.campaign = {
		name = about.name, title = about.title, version = about.version,
		notice = about.notice or "", needs = needs,
	}
end

-- The text of each entry of a list of names.
local function names_of(where, list, example)
	local n, out = 0, {}
	for key, value in pairs(list) do
		n = n + 1
		if key ~= n or type(value) ~= "string" then
			core.fail("%s: a list of names is expected; write %s", where, example)
		end
		out[n] = value
	end
	if n == 0 then
		core.fail("%s: the list is empty; leave it out, or write %s", where, example)
	end
	return out
end

-- Each role that a case uses is one of the campaign's, and is named once.
local function check_uses(one, fail)
	local known, seen = {}, {}
	for _, need in ipairs(defined.campaign.needs) do
		known[need.role] = true
	end
	for _, role in ipairs(one.uses or {}) do
		if not known[role] then
			fail("case %s: uses: role %s is not in the campaign's needs", one.name,
				spec.show(role))
		elseif seen[role] then
			fail("case %s: uses: role %s is named twice", one.name, spec.show(role))
		end
		seen[role] = true
	end
end

function case(name)
	spec.name("case name", name)
	if defined.by_name[name] then
		core.fail("case %q is given twice; each case has a name of its own", name)
	end
	return function(about)
		spec.fields("case " .. name, about, {
			title = "string", purpose = "string?", method = "string?", estimate = "string?",
			time_limit = "string", run = "function", uses = "table?", after = "table?",
		})
		local after = about.after and names_of("case " .. name .. ": after", about.after,
			"after = { \"case\" }") or {}
		for _, other in ipairs(after) do
			if not defined.by_name[other] then
				core.fail("case %s: after: no case %s comes before it in the file", name,
					spec.show(other))
			end
		end
		local one = {
			name = name, title = about.title, purpose = about.purpose or "",
			method = about.method or "",
			estimate_ns = about.estimate and spec.duration("estimate", about.estimate) or 0,
			time_limit_ns = spec.duration("time_limit", about.time_limit), run = about.run,
			uses = about.uses and names_of("case " .. name .. ": uses", about.uses,
				"uses = { \"role\" }"),
			after = after,
		}
		if defined.campaign then
			check_uses(one, core.fail)
		end
		defined.cases[#defined.cases + 1] = one
		defined.by_name[name] = one
	end
end

-- Marks personal data, such as the digits of a subscriber, inside a text for a check or an error:
-- the store keeps it apart and reports withhold it (core/base/personal.h).
function personal(text)
	if math.type(text) == "integer" then
		text = tostring(text)
	end
	if type(text) ~= "string" or text == "" or text:find("\u{FDD0}") or text:find("\u{FDD1}") then
		core.fail("personal: give the text to be withheld, such as personal \"0155501234\"")
	end
	return "\u{FDD0}" .. text .. "\u{FDD1}"
end

-- A pseudo-random pattern of ITU-T O.150; every channel that plays it gets a phase of its own.
function prbs(name)
	local plain = type(name) == "string" and name:gsub(" inverted$", "")
	local known = false
	for one in core.prbs_names():gmatch("[^,]+") do
		known = known or one:gsub("^ ", "") == plain
	end
	if not known then
		core.fail("prbs: %s is not a known pattern; use one of %s, with \" inverted\" for the "
			.. "other "
			.. "sense", spec.show(name), core.prbs_names())
	end
	return spec.mark("pattern", { name = core.pattern(name) })
end

-- The same 1 to 64 bits again and again, the first in time first: word "10101010".
function word(bits)
	if type(bits) ~= "string" then
		core.fail("word: digits 0 and 1 are expected, such as word \"1100\", not %s",
			spec.show(bits))
	end
	return spec.mark("pattern", { name = core.pattern("word " .. bits) })
end

-- Any pattern by its text ("all ones", "3 in 24", "counter", "QRSS inverted"), or the user's own
-- bits: pattern { name = "idle", bytes = "\x55\x7e...", bits = 1200 }.
function pattern(what)
	if type(what) == "string" then
		return spec.mark("pattern", { name = core.pattern(what) })
	end
	spec.fields("pattern", what, { name = "string", bytes = "string", bits = "integer?" })
	local bits = what.bits or 8 * #what.bytes
	core.user_pattern(what.name, what.bytes, bits)
	return spec.mark("pattern", { name = what.name, bytes = what.bytes, bits = bits })
end

-- Bits of the user's own from a file in the campaign's folder, most significant bit of the first
-- byte first: pattern_file "idle.bin", or pattern_file { file = "idle.bin", bits = 1200 }.
function pattern_file(what)
	if type(what) == "string" then
		what = { file = what }
	end
	spec.fields("pattern_file", what, { file = "string", bits = "integer?" })
	if what.bits and what.bits < 1 then
		core.fail("pattern_file: bits must be 1 or more")
	end
	return spec.mark("pattern", { name = what.file,
		file = core.pattern_file(what.file, what.bits or 0) })
end

-- Limits for bringing into service from a file in the campaign's folder, for check_performance.
function limits_file(name)
	if type(name) ~= "string" then
		core.fail("limits_file: the name of a file is expected, such as \"limits-m2100.yaml\", "
			.. "not %s", spec.show(name))
	end
	local number, title, source = core.limits_file(name)
	return spec.mark("limits", { file = number, name = title, source = source })
end

-- A pattern inside E1 or T1 frames: framed { pattern = prbs "2^15-1", framing = "CRC-4",
-- timeslots = "1-15,17-31" }. Without framing that of test:setup, without timeslots all that carry
-- user data.
function framed(t)
	spec.fields("framed", t, { pattern = "table", framing = "string?", timeslots = "string?" })
	if spec.kind(t.pattern) ~= "pattern" then
		core.fail("framed: pattern is not a pattern; write pattern = prbs \"2^15-1\"")
	end
	return spec.mark("framed", { pattern = t.pattern, framing = t.framing,
		timeslots = t.timeslots })
end

-- The shortest pattern whose phase tells delays of up to `most` at a rate: its period is longer.
function delay_pattern(rate, most)
	if not core.rate_bits(rate) then
		core.fail("delay_pattern: rate %s is not known; use one of %s", spec.show(rate),
			core.rate_names())
	end
	return prbs(core.delay_pattern(spec.duration("delay_pattern", most), rate))
end

-- A recording as a source (what was sent) and as an expectation (what was received); a part of it,
-- in rounds, on other channels: scripts/replay.lua.
function replay(recording, how)
	return replays.of(recording, how)
end

-- A recording from a file in the campaign's folder: recording_file "fault.pcapng".
function recording_file(name)
	if type(name) ~= "string" then
		core.fail("recording_file: the name of a file is expected, such as "
			.. "\"recordings/fault.pcapng\", not %s", spec.show(name))
	end
	return spec.mark("recording", core.recording_file(name))
end

-- Bits that must pass without error to prove a ratio at a confidence (exact Poisson, Garwood 1936).
function bits_to_prove(limit)
	spec.fields("limit", limit, { ratio = "number", confidence = "number" })
	if not (limit.ratio > 0 and limit.ratio < 1) then
		core.fail("limit: ratio must lie between 0 and 1, such as 1e-7")
	end
	if not (limit.confidence >= 0.5 and limit.confidence < 1) then
		core.fail("limit: confidence must be at least 0.5 and below 1, such as 0.95")
	end
	return core.bits_to_prove(limit.ratio, limit.confidence)
end

-- How long a channel of this rate must run for that, with 100 ms for the pattern to be found.
function time_to_prove(rate, limit)
	local per_second = core.rate_bits(rate)
	if not per_second then
		core.fail("time_to_prove: rate %s is not known; use one of %s", spec.show(rate),
			core.rate_names())
	end
	per_second = per_second * 8000
	local ms = math.ceil(bits_to_prove(limit) / per_second * 1000) + 100
	return ms .. " ms"
end

-- For the C side: what the file defined, and how one case begins.
local entry = {}

function entry.defined()
	if not defined.campaign then
		core.fail_file("no campaign { ... } found; the file must say what it needs")
	end
	for _, one in ipairs(defined.cases) do
		check_uses(one, function(...) core.fail_file(string.format(...)) end)
	end
	if #defined.cases == 0 then
		core.fail_file("no case found; add case \"name\" { ... }")
	end
	return defined
end

function entry.begin(name)
	local one = defined.by_name[name]
	return one.run(Case.new(defined.campaign, one))
end

return entry

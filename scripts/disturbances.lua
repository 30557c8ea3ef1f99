-- SPDX-License-Identifier: Apache-2.0
-- Checks that something planted on purpose was measured for what it is: slips, inversion, bursts,
-- a wrong pattern, a wrong channel.
local core <const> = require "core"
local spec <const> = require "spec"
local text <const> = require "text"

local most_slips <const> = 15 -- the receiver keeps 32 losses and finds

local disturbances <const> = {}

-- Those of one number, or all.
local function chosen(where, meters, number)
	local found = {}
	for _, m in ipairs(meters) do
		if number == nil or m.number == number then
			found[#found + 1] = m
		end
	end
	if #found == 0 then
		core.fail("%s: number %d is not in that take", where, number)
	end
	return found
end

-- What was not found may still have come in the part that was not measured.
local function judged(seen, same)
	return same and "pass" or seen.interrupted and "inconclusive" or "fail"
end

local function signed(list)
	local words = {}
	for i, bits in ipairs(list) do
		words[i] = string.format("%+d", bits)
	end
	return #words > 0 and table.concat(words, " ") or "none"
end

-- Sizes in bits with their sign, in the order in which they came; more than are kept are counted.
function disturbances.slips(self, seen, meters, c)
	spec.fields("check_slips", c, { bits = "table", number = "integer?" })
	local wanted = {}
	for key, bits in pairs(c.bits) do
		if math.type(key) ~= "integer" or key < 1 or key > #c.bits or math.type(bits) ~= "integer"
			or bits == 0 then
			core.fail("check_slips: bits is a list of whole numbers that are not 0, such as "
				.. "{ 8, -8 }; {} for none")
		end
		wanted[key] = bits
	end
	if #wanted > most_slips then
		core.fail("check_slips: at most %d slips can be told one by one", most_slips)
	end
	for _, m in ipairs(chosen("check_slips", meters, c.number)) do
		local found, octets = {}, 0
		for i, slip in ipairs(m.slip_list) do
			found[i] = slip.bits
			octets = octets + (slip.bits % 8 == 0 and 1 or 0)
		end
		local same = signed(found) == signed(wanted) and m.slips == #wanted
		local reason
		if not m.locked then
			reason = "no pattern was found" .. (m.recognised and "; what arrives is "
				.. m.recognised or "")
			same = false
		elseif m.slips > 0 then
			reason = string.format("%d slips, %d of them by whole octets; the delay moved by %+d "
				.. "bits in all", m.slips, m.octet_slips, m.moved_bits)
			if #found < m.slips then
				reason = reason .. string.format("; %d are listed", #found)
			end
		end
		self:check { kind = "slips", title = "slips", channel = m.channel,
			verdict = judged(seen, same), value = signed(found), unit = "bit",
			limit = signed(wanted), relation = "is", reason = reason,
			at_ns = m.slip_list[1] and m.slip_list[1].at_ns, standard = "ITU-T O.150 and O.151",
			rule = "the pattern is found again at another phase; + bits came twice or were put "
				.. "in, - bits are missing, the shortest way round the period" }
	end
end

-- How many times the pattern turned to the other sense; 0 for never.
function disturbances.inverted(self, seen, meters, c)
	spec.fields("check_inverted", c, { times = "integer", number = "integer?" })
	if c.times < 0 or c.times > most_slips then
		core.fail("check_inverted: times must be 0 to %d", most_slips)
	end
	for _, m in ipairs(chosen("check_inverted", meters, c.number)) do
		local times, words = 0, {}
		for _, turn in ipairs(m.turns) do
			times = times + (turn.inverted and 1 or 0)
			words[#words + 1] = string.format("%s from %s on", turn.inverted and "inverted"
				or "upright", text.seconds(turn.at_ns))
		end
		local same = m.locked and times == c.times
		self:check { kind = "inverted", title = "inverted", channel = m.channel,
			verdict = judged(seen, same),
			value = m.locked and string.format("%d times", times) or "no pattern",
			limit = string.format("%d times", c.times), relation = "is",
			reason = #words > 0 and table.concat(words, ", ") or nil,
			at_ns = m.turns[1] and m.turns[1].at_ns, standard = "common practice, no source",
			rule = "the pattern is found with every bit the other way round; instants within 512 "
				.. "bits" }
	end
end

-- Exactly so many bit errors, and from the first to the last so many bits.
function disturbances.errors(self, seen, meters, c)
	spec.fields("check_errors", c, { count = "integer", span_bits = "integer?",
		number = "integer?" })
	if c.count < 0 then
		core.fail("check_errors: count must be 0 or more")
	end
	if c.span_bits and (c.span_bits < c.count or c.span_bits < 1) then
		core.fail("check_errors: span_bits must be 1 or more, and as many as count at least")
	end
	for _, m in ipairs(chosen("check_errors", meters, c.number)) do
		local reason
		if m.bits == 0 then
			reason = "no pattern was found, so no bit could be compared"
		elseif m.sync_losses and m.sync_losses > 0 then
			reason = string.format("the pattern was lost %d times; errors in between are not "
				.. "counted", m.sync_losses)
		elseif m.errors > 0 then
			reason = string.format("first error %s after the start", text.seconds(m.first_error_ns))
		end
		self:check { kind = "errors", title = "bit errors", channel = m.channel,
			verdict = judged(seen, m.bits > 0 and m.errors == c.count),
			value = tostring(m.errors), unit = "bit", limit = tostring(c.count), relation = "is",
			errors = m.errors, bits = m.bits, reason = reason,
			at_ns = m.errors > 0 and m.first_error_ns or nil,
			rule = "bits that differ from the expected ones are counted one by one" }
		if c.span_bits then
			local span = m.error_span_bits or 0
			self:check { kind = "errors", title = "span of the errors", channel = m.channel,
				verdict = judged(seen, span == c.span_bits), value = tostring(span),
				unit = "bit", limit = tostring(c.span_bits), relation = "is", reason = reason,
				at_ns = m.errors > 0 and m.first_error_ns or nil,
				rule = "bits from the first error to the last, both counted" }
		end
	end
end

-- A wrong signal is named: the pattern that arrives, or the channel whose pattern it is.
function disturbances.named(self, seen, meters, c)
	spec.fields("check_named", c, { pattern = "string?", from = "integer?", number = "integer?" })
	if (c.pattern == nil) == (c.from == nil) then
		core.fail("check_named: give pattern = \"all ones\", or from = the number whose pattern "
			.. "arrives")
	end
	local wanted = c.pattern and core.pattern(c.pattern)
	for _, m in ipairs(chosen("check_named", meters, c.number)) do
		local value, same
		if wanted then
			value = m.recognised or m.locked and "the expected pattern" or "not known"
			same = m.recognised == wanted
		else
			value = m.arrival == "crossed" and "number " .. m.from_number
				or m.arrival == "own" and "its own" or "not known"
			same = m.arrival == "crossed" and m.from_number == c.from
				and m.from_role == m.role
		end
		self:check { kind = "named", title = wanted and "pattern that arrives"
			or "number whose pattern arrives", channel = m.channel, verdict = judged(seen, same),
			value = value, limit = wanted or "number " .. c.from, relation = "is",
			standard = wanted and "ITU-T O.150" or "common practice, no source",
			rule = wanted and "compared with every known pattern in both senses, words of up to "
				.. "64 bits, and the campaign's own"
				or "each channel sends its own phase of the pattern" }
	end
end

return disturbances

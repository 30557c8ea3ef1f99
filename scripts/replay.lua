-- SPDX-License-Identifier: Apache-2.0
-- What of a recording is replayed, when and on which channels, and the two checks that judge it.
-- docs/replay.md tells it with examples.
local core = require "core"
local spec = require "spec"
local text = require "text"

local replay = {}

local GRID_NS = 8000000   -- of takes: the longest multiframe of a line
local LEAST_NS = 1000000  -- of a window
local MOST_NS = 315360000000000000

local fields = {
	from = "string?", lasting = "string?", mark = "any?", before = "string?", after = "string?",
	at = "string?", times = "integer?", seam = "string?", then_idle = "boolean?",
	role = "string?", numbers = "any?", direction = "string?", settle = "string?",
}

local function marks_text(recording)
	local list = {}
	for i, m in ipairs(recording.marks) do
		if i > 6 then
			list[#list + 1] = string.format("and %d more", #recording.marks - 6)
			break
		end
		list[#list + 1] = string.format("%q at %s", m.text, text.seconds(m.at_ns))
	end
	return #list > 0 and "it has " .. table.concat(list, ", ") or "it has none"
end

-- The mark that is meant, by its place in recording.marks or by a part of its text; the first of
-- several.
local function mark_of(recording, which)
	if math.type(which) == "integer" then
		if recording.marks[which] then
			return recording.marks[which]
		end
		core.fail("replay: recording %q has no mark %d; %s", recording.name, which,
			marks_text(recording))
	end
	if type(which) == "table" then
		for _, m in ipairs(recording.marks) do
			if m == which then
				return m
			end
		end
		core.fail("replay: mark is not of recording %q; take one of its marks", recording.name)
	end
	if type(which) ~= "string" or which == "" then
		core.fail("replay: mark must be a text, such as mark = \"slip\", or one of "
			.. "recording.marks, not %s", spec.show(which))
	end
	for _, m in ipairs(recording.marks) do
		if m.text:find(which, 1, true) then
			return m
		end
	end
	core.fail("replay: recording %q has no mark with %q; %s", recording.name, which,
		marks_text(recording))
end

-- seam = "none", "2 ms", or "to 2 ms": each round begins a multiple of that after the first.
local function seam_ns(value, lasting_ns)
	if value == "none" then
		return 0
	end
	local multiple = value:match("^to (.*)$")
	if not multiple then
		return spec.duration("replay: seam", value)
	end
	local step = spec.duration("replay: seam", multiple)
	if step == 0 then
		core.fail("replay: seam: rounds cannot begin at multiples of nothing; write \"to 2 ms\"")
	end
	return -lasting_ns % step
end

local function check_numbers(numbers)
	if numbers == "in order" then
		return
	end
	if type(numbers) ~= "table" then
		core.fail("replay: numbers: write { [1] = 5 }, or \"in order\": the first here plays what "
			.. "the first there had, and so on; not %s", spec.show(numbers))
	end
	for here, there in pairs(numbers) do
		if math.type(here) ~= "integer" or math.type(there) ~= "integer" or here < 0
			or there < 0 then
			core.fail("replay: numbers: write [1] = 5: number 1 here plays what number 5 had")
		end
	end
end

local function without(t, name, why)
	if t[name] ~= nil then
		core.fail("replay: %s goes not with %s; %s", name, why[1], why[2])
	end
end

-- Beginning and length within the recording, both in ns from its beginning; the mark's instant.
local function window_of(recording, t)
	local mark_ns
	local from_ns, to_ns = 0, recording.length_ns
	if t.mark ~= nil then
		without(t, "from", { "mark", "say before how much of it the window begins" })
		without(t, "lasting", { "mark", "say after how much of it the window ends" })
		mark_ns = mark_of(recording, t.mark).at_ns
		if mark_ns < 0 or mark_ns > recording.length_ns then
			core.fail("replay: the mark lies %s of recording %q, so nothing can begin there",
				mark_ns < 0 and "before the beginning" or "after the end", recording.name)
		end
		if t.before then
			-- On the grid of takes, so that the unit is met in the same multiframe phase.
			local early = mark_ns - spec.duration("replay: before", t.before)
			from_ns = early // GRID_NS * GRID_NS
			if early < 0 then
				core.fail("replay: before: the mark is only %s after the beginning of recording "
					.. "%q", text.seconds(mark_ns), recording.name)
			end
		end
		if t.after then
			to_ns = mark_ns + spec.duration("replay: after", t.after)
		end
	else
		without(t, "before", { "no mark", "say mark = \"text\"" })
		without(t, "after", { "no mark", "say mark = \"text\"" })
		from_ns = t.from and spec.duration("replay: from", t.from) or 0
		to_ns = t.lasting and from_ns + spec.duration("replay: lasting", t.lasting) or to_ns
	end
	if to_ns > recording.length_ns or from_ns >= recording.length_ns then
		core.fail("replay: the window from %s to %s is not in recording %q, which has %s",
			text.seconds(from_ns), text.seconds(to_ns), recording.name,
			text.seconds(recording.length_ns))
	end
	if to_ns - from_ns < LEAST_NS then
		core.fail("replay: a window of %s is too short; the least is 1 ms",
			text.seconds(math.max(to_ns - from_ns, 0)))
	end
	return from_ns, to_ns - from_ns, mark_ns
end

-- The seams for people: where each begins in the take.
local function seams_text(w)
	if w.times == 1 then
		return ""
	end
	local period = w.lasting_ns + w.seam_ns
	local list = {}
	for k = 1, math.min(w.times - 1, 3) do
		list[k] = text.seconds(w.lead_ns + k * period - w.seam_ns)
	end
	local said = table.concat(list, ", ")
	if w.times > 4 then
		said = said .. string.format(", then every %s", text.seconds(period))
	end
	return string.format("; %d rounds, %s; %s at %s", w.times,
		w.seam_ns == 0 and "one directly after the other"
		or text.seconds(w.seam_ns) .. " of idle bits between",
		w.times == 2 and "seam" or "seams", said)
end

-- What replay(recording, { ... }) stands for. Without options: all of it, from the start.
function replay.of(recording, t)
	if spec.kind(recording) ~= "recording" then
		core.fail("replay takes a recording: seen.recording of a take, test:reference \"...\", or "
			.. "recording_file \"...\"")
	end
	t = t or {}
	spec.fields("replay", t, fields)
	local one = { recording = recording, role = t.role, numbers = t.numbers or {},
		direction = t.direction }
	check_numbers(one.numbers)
	if t.direction and t.direction ~= "sent" and t.direction ~= "received" then
		core.fail("replay: direction must be \"sent\" or \"received\", not %s",
			spec.show(t.direction))
	end
	local times = t.times or 1
	if times < 1 or times > 1000000 then
		core.fail("replay: times must be 1 to 1000000, not %d", times)
	end
	if times > 1 and not t.seam then
		core.fail("replay: times = %d needs seam: seam = \"none\", or how long idle bits are "
			.. "between two rounds, such as \"2 ms\", or \"to 2 ms\"", times)
	end
	if times == 1 and t.seam then
		core.fail("replay: seam says what is between two rounds; say times = 2 or more")
	end
	local settle_ns = t.settle and spec.duration("replay: settle", t.settle)
	local from_ns, lasting_ns, mark_ns = window_of(recording, t)
	local lead_ns = t.at and spec.duration("replay: at", t.at) or 0
	if mark_ns and t.at then
		lead_ns = lead_ns - (mark_ns - from_ns)
		if lead_ns < 0 then
			core.fail("replay: at: the mark is %s after the window's beginning, so it cannot "
				.. "fall on %s of the take; make before shorter",
				text.seconds(mark_ns - from_ns), t.at)
		end
	end
	local w = { from_ns = from_ns, lasting_ns = lasting_ns, lead_ns = lead_ns, times = times,
		seam_ns = times > 1 and seam_ns(t.seam, lasting_ns) or 0, settle_ns = settle_ns,
		then_idle = t.then_idle or false }
	if lasting_ns + w.seam_ns > MOST_NS // times or lead_ns > MOST_NS then
		core.fail("replay: that would last more than 10 years")
	end
	local all = from_ns == 0 and lasting_ns == recording.length_ns
	one.length_ns = lead_ns + times * lasting_ns + (times - 1) * w.seam_ns
	if not (all and times == 1 and lead_ns == 0 and not settle_ns and not w.then_idle
		and recording.whole) then
		w.from_ns = w.from_ns + recording.begin_ns
		w.at_ns = lead_ns + (mark_ns and mark_ns - from_ns or 0)
		w.mark_ns = mark_ns and t.at and mark_ns + recording.begin_ns or 0
		one.window = w
		one.says = all and "all of it" or string.format("%s to %s", text.seconds(from_ns),
			text.seconds(from_ns + lasting_ns))
		if lead_ns > 0 then
			one.says = one.says .. ", from " .. text.seconds(lead_ns) .. " of the take on"
		end
		if mark_ns then
			one.says = one.says .. ", its mark at " .. text.seconds(lead_ns + mark_ns - from_ns)
		end
		one.says = one.says .. seams_text(w)
	end
	if not recording.whole and recording.missing then
		one.missing = recording.missing
	end
	return spec.mark("replay", one)
end

-- As core/script/plan_replay.c takes it.
function replay.source(value)
	local recording = value.recording
	return { recording = recording.id, recording_file = recording.file, window = value.window,
		from_role = value.role, numbers = value.numbers, direction = value.direction,
		says = value.says or "" }
end

-- For the reports of a take: which recording, which part, what is missing.
function replay.about(value)
	local said = "recording " .. value.recording.name
	if value.role then
		said = said .. ", role " .. value.role
	end
	local numbers = {}
	if value.numbers == "in order" then
		said = said .. ", its numbers in order"
	end
	for here in pairs(value.numbers ~= "in order" and value.numbers or {}) do
		numbers[#numbers + 1] = here
	end
	table.sort(numbers)
	for i, here in ipairs(numbers) do
		numbers[i] = here .. " plays " .. value.numbers[here]
	end
	if #numbers > 0 then
		said = said .. ", number " .. table.concat(numbers, ", ")
	end
	if value.says then
		said = said .. ", " .. value.says
	end
	if value.missing then
		said = said .. " (" .. value.missing .. ")"
	end
	return { said = said, lead_ns = value.window and value.window.lead_ns or 0,
		length_ns = value.length_ns }
end

-- What the tester sent is the recording, bit for bit and at the same offsets.
function replay.check_played(self, seen, role)
	local any = false
	for _, s in ipairs(seen.streams) do
		if s.role == role and s.direction == "sent" and s.recorded_digest then
			any = true
			-- Through a network, what went into it is what was played.
			local digest = s.source_digest or s.digest
			local same = digest == s.recorded_digest
			local what = seen.replayed and seen.replayed[role]
				or { said = "", lead_ns = 0, length_ns = 0 }
			local took_ns = seen.frames * 125000
			local verdict, reason = "pass", what.said
			if took_ns < what.length_ns then
				reason = reason .. string.format("; the take lasted %s of %s",
					text.seconds(took_ns), text.seconds(what.length_ns))
			end
			if s.network then
				reason = reason .. "; sent through: " .. s.network
			end
			if not digest then
				verdict, reason = "inconclusive", "the recording of this take was ended before "
					.. "the take, so there is no digest of what was sent"
			elseif not same then
				verdict, reason = "fail", "other bits were sent than recorded"
			elseif text.cut_short(seen) then
				verdict = "inconclusive"
				reason = text.cut_short(seen) .. "; until then what was sent is what was recorded"
			elseif took_ns <= what.lead_ns then
				verdict = "inconclusive"
				reason = "the take ended before anything of the recording was to be sent"
			end
			self:check { kind = "identity", title = "played as recorded", channel = s.channel,
				verdict = verdict, value = digest and digest:sub(1, 16), relation = "is",
				limit = s.recorded_digest:sub(1, 16), bits = s.bits,
				rule = "SHA-256 over (offset, bits) of what "
					.. (s.source_digest and "went into the network" or "was sent")
					.. " equals that of what the recording says, rounds and idle bits included",
				reason = reason, standard = "FIPS 180-4" }
		end
	end
	if not any then
		core.fail("check_played_as_recorded: no recording was played on %s in that take",
			spec.show(role))
	end
end

local function later(ns)
	return text.seconds(math.abs(ns)) .. (ns < 0 and " earlier" or " later")
end

local function plural(n, word)
	return n == 1 and "1 " .. word or n .. " " .. word .. "s"
end

-- "lost 1 frame (256 bits) 1.2 s after the start"
local function slips_text(a)
	local list = {}
	for i, s in ipairs(a.slips) do
		list[i] = string.format("%s %s %s after the start", s.kind, s.frames > 0
			and plural(s.frames, "frame") .. " (" .. plural(s.bits, "bit") .. ")"
			or plural(s.bits, "bit"), text.seconds(s.at_ns))
	end
	if a.slip_count > #a.slips then
		list[#list + 1] = string.format("and %d more slips", a.slip_count - #a.slips)
	end
	return table.concat(list, ", ")
end

-- Judges by the comparison across a delay. Verdict, value, reason, instant.
local function by_alignment(a, m, t, allowed_ns)
	local moved = a.delay_ns
	local parts = {}
	if a.slip_count > 0 then
		parts[#parts + 1] = slips_text(a)
	end
	if a.changed_bits > 0 then
		parts[#parts + 1] = string.format("%s changed, the first %s after the start",
			plural(a.changed_bits, "bit"), text.seconds(a.first_changed_ns))
	end
	if a.delays > 1 then
		parts[#parts + 1] = "not the same delay in every round"
	end
	local where = a.delay_bits == 0 and "at the recorded delay"
		or "at a delay that is " .. later(moved) .. " than recorded"
	if #parts > 0 then
		local value = {}
		if a.slip_count > 0 then
			value[1] = plural(a.slip_count, "slip")
		end
		if a.changed_bits > 0 then
			value[#value + 1] = a.changed_bits == 1 and "1 bit differs"
				or a.changed_bits .. " bits differ"
		end
		if #value == 0 then
			value[1] = "the delay moves"
		end
		return "fail", table.concat(value, ", "), where .. ": " .. table.concat(parts, "; "),
			a.slips[1] and a.slips[1].at_ns or a.first_changed_ns or m.first_error_ns
	end
	local value = "0 bits differ, " .. later(moved)
	local repeats = a.repeats
		and "; the recorded bits repeat themselves, so other delays fit as well" or ""
	local same = string.format("the same bits, %s than recorded", later(moved))
	if not (t.delay_may_change or allowed_ns) then
		return "fail", value, same .. "; the campaign allows no change of delay" .. repeats,
			m.first_error_ns
	end
	if allowed_ns and math.abs(moved) > allowed_ns then
		return "fail", value, same .. ", more than " .. t.within .. repeats, m.first_error_ns
	end
	return "pass", value, same .. repeats, nil
end

local function at_the_same_offset(m)
	local reason = string.format("first differing bit %s after the start (frame %d, byte %d, "
		.. "bit %d)", text.seconds(m.first_error_ns), m.first_error_frame, m.first_error_byte,
		m.first_error_bit)
	if m.arrival == "crossed" then
		return "what " .. m.from_label .. " returned then arrives here now: crossed; " .. reason
	end
	return reason .. string.format(", %d errored s, ratio %s", m.errored_seconds,
		text.ratio(m.errors / m.bits))
end

-- What came back is what came back when the recording was made.
function replay.check_returned(self, seen, role, found, t)
	t = t or {}
	spec.fields("check_returned_as_recorded", t,
		{ delay_may_change = "boolean?", within = "string?" })
	if t.delay_may_change == false and t.within then
		core.fail("check_returned_as_recorded: within allows what delay_may_change forbids")
	end
	local allowed_ns = t.within and spec.duration("check_returned_as_recorded: within", t.within)
	local limit = "0 bits differ" .. (allowed_ns and ", within " .. t.within
		or t.delay_may_change and ", at a constant delay" or "")
	local rule = "every received bit equals the recorded one at the same offset from the start"
	if allowed_ns or t.delay_may_change then
		rule = "every received bit equals the recorded one at one constant offset"
	end
	for _, m in ipairs(found) do
		local verdict, value, reason, at = "pass", "0 bits differ", nil, nil
		local errors, bits = m.errors, m.bits
		if m.bits == 0 then
			verdict, reason = "inconclusive", text.cut_short(seen) or "no bit could be compared"
		elseif m.errors > 0 then
			verdict, value, at = "fail", m.errors .. " bits differ", m.first_error_ns
			reason = at_the_same_offset(m)
			local a = m.arrival ~= "crossed" and seen.recording
				and core.compare_returned(m.expected, seen.recording.id or -1, m.channel,
					allowed_ns or 0)
			if a and a.found then
				verdict, value, reason, at = by_alignment(a, m, t, allowed_ns)
				errors, bits = a.changed_bits, a.compared_bits
			elseif a then
				reason = reason .. "; no delay " .. (allowed_ns and "within " .. t.within .. " "
					or "") .. "makes the bits the same"
			elseif (t.delay_may_change or t.within) and m.arrival ~= "crossed" then
				core.fail("check_returned_as_recorded: what came back on %q is not recorded, so "
					.. "it cannot be compared at another delay; add record = { as = \"...\", "
					.. "%q } to the take", role, role)
			end
		end
		if text.cut_short(seen) and verdict == "pass" then
			verdict, reason = "inconclusive", text.cut_short(seen)
		end
		local settle = m.expected.settle_ns or 0
		self:check { kind = "returned", title = "returned as recorded", channel = m.channel,
			verdict = verdict, value = value, limit = limit, relation = "is",
			errors = errors, bits = bits, reason = reason, at_ns = at,
			rule = rule .. (settle > 0 and string.format("; the first %s of the window and of "
				.. "each round, which were sent before, are not compared", text.seconds(settle))
				or "") }
	end
end

return replay

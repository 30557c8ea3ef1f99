-- SPDX-License-Identifier: Apache-2.0
-- What a case can do: takes, replays, and the checks that judge them.
local alarm_checks = require "alarm_checks"
local clock = require "clock"
local core = require "core"
local disturbances = require "disturbances"
local inject = require "inject"
local network = require "network"
local performance = require "performance"
local record = require "record"
local replay = require "replay"
local setup = require "setup"
local spec = require "spec"
local text = require "text"

local Case = {}
Case.__index = Case

local yield = core.yield

function Case.new(campaign, about)
	return setmetatable({ needs = spec.needs(campaign.needs, about.uses), framing = {},
		long_traces = {}, takes = 0, name = about.name }, Case)
end

local function role_of(self, where, role)
	spec.need(where, self.needs, role)
	return role
end

local function seen_of(where, seen)
	if spec.kind(seen) ~= "seen" then
		core.fail("%s: the first value must be what test:take gave", where)
	end
	return seen
end

-- One synchronised action: everything starts at one instant. See docs/campaigns.md.
function Case:take(t)
	spec.fields("take", t, {
		name = "string?", last = "string?", play = "table?", expect = "table?", inside = "table?",
		record = "table?", watch = "table?", inject = "table?", until_proved = "table?",
		clock = "table?", network = "table?", until_triggered = "boolean?",
	})
	self.takes = self.takes + 1
	local plan = {
		name = t.name or ("take " .. self.takes), play = {}, expect = {}, inside = {},
		watch = {}, inject = {}, clock = {}, network = {},
	}
	if t.until_proved then
		bits_to_prove(t.until_proved)
		if not t.last then
			core.fail("take: until_proved needs last; say when to give up, such as last = \"1 h\"")
		end
		plan.until_ratio = t.until_proved.ratio
		plan.until_confidence = t.until_proved.confidence
	end
	plan.frames = t.last and core.frames(spec.duration("take: last", t.last)) or 0
	local shortest
	local replayed = {}
	local function source(where, value, role)
		local kind = spec.kind(value)
		if kind == "pattern" then
			return { pattern = value.name, bytes = value.bytes, bits = value.bits,
				file = value.file }
		elseif kind == "framed" then
			local framing = value.framing or self.framing[role]
			if not framing then
				core.fail("%s: framed: framing is missing; say it here or in test:setup", where)
			end
			return { pattern = value.pattern.name, bytes = value.pattern.bytes,
				bits = value.pattern.bits,
				file = value.pattern.file, framing = framing, timeslots = value.timeslots }
		elseif kind == "replay" then
			local frames = value.window and core.frames(value.length_ns) or value.recording.frames
			shortest = math.min(shortest or frames, frames)
			return replay.source(value)
		end
		core.fail("%s: a pattern (prbs \"...\", word \"...\", pattern \"...\") or "
			.. "replay(recording) is expected, not %s", where,
			spec.show(value))
	end
	for _, field in ipairs { "play", "expect" } do
		for _, role in ipairs(spec.sorted_keys("take: " .. field, t[field] or {})) do
			role_of(self, "take: " .. field, role)
			local one = source("take: " .. field .. "." .. role, t[field][role], role)
			one.role = role
			table.insert(plan[field], one)
			if field == "play" and spec.kind(t[field][role]) == "replay" then
				replayed[role] = replay.about(t[field][role])
			end
		end
	end
	for _, role in ipairs(spec.sorted_keys("take: clock", t.clock or {})) do
		role_of(self, "take: clock", role)
		clock.add(plan.clock, role, (t.play or {})[role], t.clock[role])
	end
	for _, role in ipairs(spec.sorted_keys("take: network", t.network or {})) do
		role_of(self, "take: network", role)
		network.add(plan.network, role, self.needs[role], (t.play or {})[role], t.network[role])
	end
	for _, line in ipairs(spec.sorted_keys("take: inside", t.inside or {})) do
		role_of(self, "take: inside", line)
		local inner = t.inside[line]
		if type(inner) ~= "table" then
			core.fail("take: inside.%s: write { role = pattern }", line)
		end
		for _, role in ipairs(spec.sorted_keys("take: inside." .. line, inner)) do
			role_of(self, "take: inside." .. line, role)
			local one = source("take: inside." .. line .. "." .. role, inner[role], role)
			if not one.pattern then
				core.fail("take: inside.%s.%s: only a pattern can be followed inside a line", line,
					role)
			end
			one.line, one.role = line, role
			table.insert(plan.inside, one)
		end
	end
	for i, role in ipairs(spec.list("take: watch", t.watch, "write { \"role\", ... }")) do
		plan.watch[i] = role_of(self, "take: watch", role)
	end
	for i, one in ipairs(spec.list("take: inject", t.inject,
		"write { { alarm = \"LOS\", on = \"role\", ... } }, a list even of one")) do
		plan.inject[i] = inject.one(self.needs, one)
	end
	if plan.frames == 0 then
		if not shortest then
			core.fail("take: last is missing; say how long, such as last = \"16 s\"")
		end
		plan.frames = shortest
	end
	for _, one in ipairs(plan.inject) do
		if one.at_ns >= plan.frames * 125000 then
			core.fail("take: inject: it would begin after the end of the take")
		end
	end
	for _, one in ipairs(plan.network) do
		for i, event in ipairs(one.events) do
			if event.at_ns >= plan.frames * 125000 then
				core.fail("take: network.%s.events[%d]: it would begin after the end of the take",
					one.role, i)
			end
		end
	end
	plan.record = record.plan(self, t, plan.frames)
	local seen = yield(plan)
	if t.until_proved then
		seen.until_proved = { ratio = t.until_proved.ratio,
			confidence = t.until_proved.confidence }
	end
	seen.replayed = replayed
	for _, one in ipairs(seen.recordings) do
		if one.id then
			spec.mark("recording", one)
		end
	end
	return spec.mark("seen", seen)
end

-- The recording of that name from the reference run; without one, from this run.
function Case:reference(name)
	if type(name) ~= "string" then
		core.fail("reference: the name of a recording is expected")
	end
	return spec.mark("recording", core.find_recording(name))
end

-- One claim that is judged here and now. verdict: "pass", "fail", "inconclusive".
function Case:check(c)
	spec.fields("check", c, {
		title = "string", verdict = "string", value = "string?", unit = "string?",
		limit = "string?",
		confidence = "string?", rule = "string?", reason = "string?", standard = "string?",
		channel = "integer?", at_ns = "integer?", lower = "string?", upper = "string?",
		errors = "integer?", bits = "integer?", kind = "string?", relation = "string?",
	})
	if c.verdict ~= "pass" and c.verdict ~= "fail" and c.verdict ~= "inconclusive" then
		core.fail("check: verdict must be \"pass\", \"fail\" or \"inconclusive\", not %s",
			spec.show(c.verdict))
	end
	core.check(c)
	return c.verdict
end

local function meters(seen, role, place, kind, where)
	local found = {}
	for _, m in ipairs(seen.meters) do
		if m.role == role and m.place == place and (not kind or m.kind == kind) then
			found[#found + 1] = m
		end
	end
	if #found == 0 then
		core.fail("%s: nothing was expected on %s in that take; add it to the take", where,
			spec.show(role))
	end
	return found
end

-- Names a pattern that would do: longer than the one used, and enough for all these channels.
local function too_short(role, m)
	local n = #core.channels(role)
	local longer = core.telling_pattern(n, m.period_bits or 0)
	return string.format("the pattern arrives, but its %s are too few to tell which of %d channels "
		.. "sent it; use %sthe counter pattern", m.period_bits and m.period_bits .. " bits"
		or "bits", n, longer and longer .. " or " or "")
end

local function arrival(self, seen, role, place, what, standard)
	for _, m in ipairs(meters(seen, role, place, "pattern", what)) do
		local verdict, value, reason = "fail", nil, nil
		if m.arrival == "own" then
			verdict, value = "pass", "own pattern"
		elseif m.arrival == "delayed" then
			value = "own pattern, late"
			reason = string.format("its own pattern arrives, but %d bits later than on the others",
				m.deviation_bits)
		elseif m.arrival == "unknown" then
			verdict, value = "inconclusive", "the pattern"
			reason = m.blocks
				and "the pattern arrives with the number of a channel outside this take"
				or too_short(role, m)
		elseif m.arrival == "crossed" then
			value = "pattern of " .. m.from_label
			reason = "the pattern that " .. m.from_label .. " sends arrives here: crossed"
		else
			value = m.recognised or "no pattern"
			reason = m.alarm and ("no pattern found, the signal is " .. m.alarm)
				or m.recognised and ("another pattern arrives: " .. m.recognised)
				or "no pattern found"
		end
		if m.inverted and (verdict == "pass" or m.arrival == "unknown") then
			verdict, value, reason = "fail", value .. ", inverted",
				"every bit arrives inverted"
		end
		if verdict == "fail" and text.cut_short(seen) and m.arrival == "none" then
			verdict, reason = "inconclusive", text.cut_short(seen)
		end
		self:check { kind = what, title = what == "arrival" and "arrives on its own number"
			or "sits in its own timeslot of the line", channel = m.channel, verdict = verdict,
			value = value, limit = "own pattern", relation = "is", reason = reason,
			standard = standard, at_ns = m.first_lock_ns,
			rule = "pass when the channel's own pattern phase is found, within 32 bits of the "
				.. "delay "
				.. "that the channels have in common" }
	end
end

function Case:check_arrival(seen, role)
	seen_of("check_arrival", seen)
	arrival(self, seen, role_of(self, "check_arrival", role), "received", "arrival",
		"common practice, no source")
end

-- Each tributary is found in the line in the timeslot that the bench's numbering map names.
function Case:check_inside(seen, line)
	seen_of("check_inside", seen)
	role_of(self, "check_inside", line)
	local roles, done = {}, {}
	for _, m in ipairs(seen.meters) do
		if m.place == "line" and m.line == line and not done[m.role] then
			done[m.role] = true
			roles[#roles + 1] = m.role
		end
	end
	if #roles == 0 then
		core.fail("check_inside: nothing was expected inside %s in that take", spec.show(line))
	end
	for _, role in ipairs(roles) do
		arrival(self, seen, role, "line", "inside", "ITU-T G.707 7.3")
	end
end

-- A take that could be stopped by what it saw needs limits that allow for that.
local function judge_ratio(seen, m, limit)
	if not seen.until_proved then
		local j = core.judge_ratio(m.errors, m.bits, limit.ratio, limit.confidence)
		return j, "exact Poisson limits (Garwood 1936)", ""
	end
	local j = core.judge_ratio_anytime(m.errors, m.bits, limit.ratio, limit.confidence)
	local note = string.format("; measured for %s of %s", text.seconds(seen.frames * 125000),
		text.seconds(seen.planned_frames * 125000))
	if m.proved_ns and limit.ratio == seen.until_proved.ratio
		and limit.confidence == seen.until_proved.confidence then
		note = note .. ", proved after " .. text.seconds(m.proved_ns)
	end
	if seen.ended_early then
		note = note .. string.format(", time saved %s",
			text.seconds((seen.planned_frames - seen.frames) * 125000))
	end
	return j, "anytime-valid limits (Ville 1939, Robbins 1970)", note
end

-- Fewer errors than the limit, proved; see docs/measurement.md for the rule.
function Case:check_bit_errors(seen, role, limit)
	seen_of("check_bit_errors", seen)
	role_of(self, "check_bit_errors", role)
	bits_to_prove(limit)
	for _, m in ipairs(meters(seen, role, "received", nil, "check_bit_errors")) do
		if m.bits == 0 then
			self:check { kind = "bit-errors", title = "bit error ratio", channel = m.channel,
				verdict = "inconclusive", limit = text.ratio(limit.ratio), relation = "below",
				confidence = text.percent(limit.confidence), bits = 0, errors = 0,
				reason = "no pattern was found, so no bit could be compared"
					.. (m.recognised and "; what arrives is " .. m.recognised or ""),
				rule = "pass needs compared bits" }
		else
			local j, standard, note = judge_ratio(seen, m, limit)
			local verdict, reason = j.verdict, j.reason .. note
			if m.inverted then
				verdict, reason = "fail", "every bit arrives inverted; with that undone: " .. reason
			end
			if m.errors > 0 then
				reason = reason .. string.format("; first error %s after the start, %d errored s",
					text.seconds(m.first_error_ns), m.errored_seconds)
			end
			if m.sync_losses > 0 then
				reason = reason .. string.format("; the pattern was lost %d times", m.sync_losses)
			end
			self:check { kind = "bit-errors", title = "bit error ratio", channel = m.channel,
				verdict = verdict, value = text.ratio(m.errors / m.bits),
				limit = text.ratio(limit.ratio), relation = "below",
				confidence = text.percent(limit.confidence), lower = text.ratio(j.lower),
				upper = text.ratio(j.upper), errors = m.errors, bits = m.bits, rule = j.rule,
				reason = reason, at_ns = m.errors > 0 and m.first_error_ns or nil,
				standard = standard }
		end
	end
end

-- Errored seconds and background block errors within limits, proved; see docs/measurement.md.
function Case:check_performance(seen, role, limits)
	seen_of("check_performance", seen)
	role_of(self, "check_performance", role)
	if type(limits) == "table" and limits.by ~= nil then
		performance.check_parity(self, seen, role, limits)
		return
	end
	performance.check(self, function()
		return meters(seen, role, "received", nil, "check_performance")
	end, limits)
end

-- Something planted was measured exactly: scripts/disturbances.lua.
for _, one in ipairs { { "check_slips", "slips" }, { "check_inverted", "inverted" },
	{ "check_named", "named" }, { "check_errors", "errors", any = true } } do
	local where, what = one[1], one[2]
	Case[where] = function(self, seen, role, c)
		seen_of(where, seen)
		role_of(self, where, role)
		disturbances[what](self, seen,
			meters(seen, role, "received", not one.any and "pattern" or nil, where), c)
	end
end

-- What the tester sent is the recording, bit for bit and at the same offsets.
function Case:check_played_as_recorded(seen, role)
	seen_of("check_played_as_recorded", seen)
	replay.check_played(self, seen, role_of(self, "check_played_as_recorded", role))
end

-- What came back is what came back when the recording was made; with { within = "1 ms" } or
-- { delay_may_change = true } also when all of it is later or earlier by one delay.
function Case:check_returned_as_recorded(seen, role, how)
	seen_of("check_returned_as_recorded", seen)
	role_of(self, "check_returned_as_recorded", role)
	replay.check_returned(self, seen, role,
		meters(seen, role, "received", "recording", "check_returned_as_recorded"), how)
end

-- No trigger fired in the take; each recording that was caught is a row: scripts/record.lua.
function Case:check_not_triggered(seen)
	record.check_not_triggered(self, seen_of("check_not_triggered", seen))
end

-- No defect was reported by the unit or seen by the tester on this role during the take.
function Case:check_no_alarms(seen, role)
	alarm_checks.none(self, seen_of("check_no_alarms", seen),
		role_of(self, "check_no_alarms", role))
end

-- A defect that was provoked is reported within its time and clears within its time.
function Case:check_alarm(seen, c)
	seen_of("check_alarm", seen)
	if type(c) == "table" then
		role_of(self, "check_alarm", c.on)
	end
	alarm_checks.provoked(self, seen, c)
end

-- A whole walk through one defect; see docs/campaigns.md.
function Case:walk_defect(t)
	return alarm_checks.walk(self, t)
end

-- Sets the unit and the tester's receivers, until the case ends or the next call.
function Case:setup(t)
	local list, framing = setup.plan(self.needs, t)
	core.set_up(list)
	self.framing = framing
	self.long_traces = {}
	for _, one in ipairs(list) do
		if one.kind ~= "sent" and one.field and one.text:find("^64:") then
			self.long_traces[one.role .. " " .. one.field] = true
		end
	end
end

-- The bound channels of a role: a list of { index, number, label, klm }.
function Case:channels(role)
	return core.channels(role_of(self, "channels", role))
end

return Case

-- SPDX-License-Identifier: Apache-2.0
-- Checks of defects: none, one in its time, and a whole walk through one.
local alarms = require "alarms"
local core = require "core"
local spec = require "spec"
local text = require "text"

local checks = {}

local function whole(where, seen)
	if seen.events_lost > 0 then
		core.fail("%s: %d events were too many to keep; make the take shorter", where,
			seen.events_lost)
	end
end

-- No defect was reported by the unit or seen by the tester on this role during the take.
function checks.none(self, seen, role)
	whole("check_no_alarms", seen)
	for _, channel in ipairs(core.channels(role)) do
		local first
		for _, e in ipairs(seen.events) do
			if e.channel == channel.index and e.raised then
				first = e
				break
			end
		end
		self:check { kind = "no-alarms", title = "no alarm", channel = channel.index,
			verdict = first and "fail" or text.cut_short(seen) and "inconclusive" or "pass",
			value = first and first.alarm or "none", limit = "none", relation = "is",
			at_ns = first and first.at_ns,
			reason = first and string.format("%s %s after the start, seen by the %s%s",
				first.alarm, text.seconds(first.at_ns), first.by, first.consequence_of
					and ", as a consequence of " .. first.consequence_of or "")
				or text.cut_short(seen),
			rule = "no defect raised between start and end of the take" }
	end
end

local function find_event(seen, channel, c, raised, from_ns, to_ns)
	for _, e in ipairs(seen.events) do
		if e.channel == channel and e.alarm == c.alarm and e.by == c.by and e.raised == raised
			and e.at_ns >= from_ns and (not to_ns or e.at_ns < to_ns)
			and (not c.seen_in or e.seen_in == c.seen_in)
			and (not c.path or not e.path or e.path == c.path) then
			return e
		end
	end
end

local known <const> = {
	alarm = "string", on = "string", by = "string", after = "table", number = "integer?",
	path = "integer?", seen_in = "string?", raised_within = "string?", cleared_within = "string?",
	standard = "string?",
}

-- c: as check_alarm takes it, with times in ns; `stands`: also that it does not clear before.
local function provoked(self, seen, c, channel)
	local at, ends = c.at_ns, c.at_ns + c.lasting_ns
	local raised = find_event(seen, channel.index, c, true, at)
	for _, part in ipairs {
		{ word = "raised", raised = true, from = at, within = c.raised_ns },
		{ word = "cleared", raised = false, from = ends, within = c.cleared_ns },
	} do
		local e = find_event(seen, channel.index, c, part.raised, part.from)
		local took = e and e.at_ns - part.from
		local ok = took and took <= part.within
		local reason
		if not e then
			reason = text.cut_short(seen) or string.format("%s was not %s by the %s", c.alarm,
				part.word, c.by)
		elseif not ok then
			reason = "later than allowed"
		end
		self:check { kind = "alarm", title = c.alarm .. " " .. part.word, channel = channel.index,
			verdict = ok and "pass" or text.cut_short(seen) and "inconclusive" or "fail",
			value = took and text.seconds(took) or "never", limit = text.seconds(part.within),
			relation = "at most", at_ns = e and e.at_ns, reason = reason, standard = c.standard,
			rule = "time from the " .. (part.raised and "beginning" or "end")
				.. " of the injected defect" }
	end
	if c.stands then
		local early = raised and find_event(seen, channel.index, c, false, raised.at_ns, ends)
		local ok = raised and not early
		self:check { kind = "alarm", title = c.alarm .. " stands", channel = channel.index,
			verdict = ok and "pass" or text.cut_short(seen) and "inconclusive" or "fail",
			value = ok and "to the end" or "not to the end", limit = "to the end", relation = "is",
			at_ns = early and early.at_ns, standard = c.standard,
			reason = not raised and string.format("%s was not raised by the %s", c.alarm, c.by)
				or early and "it cleared while the defect was still injected" or nil,
			rule = "not cleared between its raise and the end of the injected defect" }
	end
end

local function is_by(where, by)
	if by ~= "unit" and by ~= "tester" then
		core.fail("%s: by must be \"unit\" (its own report) or \"tester\" (seen in the "
			.. "bits)", where)
	end
end

-- A defect that was provoked is reported within its time and clears within its time.
function checks.provoked(self, seen, c)
	spec.fields("check_alarm", c, known)
	if not core.alarm_known(c.alarm) then
		core.fail("check_alarm: alarm %s is not known; use one of %s", spec.show(c.alarm),
			core.alarm_names())
	end
	is_by("check_alarm", c.by)
	whole("check_alarm", seen)
	if c.seen_in and c.seen_in ~= "port" and c.seen_in ~= "line" then
		core.fail("check_alarm: seen_in is \"port\" or \"line\", not %s", spec.show(c.seen_in))
	end
	local entry
	local function limit(name, ns)
		if c[name .. "_within"] then
			return spec.duration("check_alarm: " .. name .. "_within", c[name .. "_within"])
		end
		if c.by == "tester" or c.after.alarm ~= c.alarm then
			core.fail("check_alarm: %s_within is missing; the table of times is for the unit's own "
				.. "report of what was injected", name)
		end
		entry = alarms.times(self, "check_alarm", c.alarm, c.on)
		return entry[ns]
	end
	local own = { alarm = c.alarm, by = c.by, path = c.path, seen_in = c.seen_in,
		at_ns = spec.duration("check_alarm: after.at", c.after.at),
		lasting_ns = spec.duration("check_alarm: after.lasting", c.after.lasting),
		raised_ns = limit("raised", "raised"), cleared_ns = limit("cleared", "cleared") }
	own.standard = c.standard or entry and entry.standard
	local any = false
	for _, channel in ipairs(core.channels(c.on)) do
		if not c.number or channel.number == c.number then
			any = true
			provoked(self, seen, own, channel)
		end
	end
	if not any then
		core.fail("check_alarm: role %s has no number %d", c.on, c.number)
	end
end

-- ---- a walk through one defect ----

local walk_fields <const> = {
	alarm = "string", on = "string", number = "integer?", path = "integer?", play = "table?",
	lasting = "string?", at = "string?", downstream = "string?", upstream = "string?",
	raised_within = "string?", cleared_within = "string?", watch = "table?", inside = "table?",
}

-- Lines that the role's channels of this number are (all without one), by index.
local function lines_hit(role, number)
	local hit = {}
	for _, line in ipairs(core.channels(role)) do
		hit[line.index] = not number or line.number == number
	end
	return hit
end

-- A tributary that goes down with these lines, or with this path of them. One of which it is not
-- known where it rides goes down with any.
local function rides(channel, lines, path)
	return not channel.line or lines[channel.line]
		and (not path or channel.path == path) or false
end

-- No tributary is touched but those that `hit` says.
local function others_are_quiet(self, seen, role, hit, cause)
	for _, channel in ipairs(core.channels(role)) do
		if not hit(channel) then
			local first = find_event(seen, channel.index, { alarm = "AIS", by = "tester",
				seen_in = "port" }, true, 0)
			if first then
				self:check { kind = "alarm", title = "others stay undisturbed",
					channel = channel.index, verdict = "fail", value = "AIS", limit = "no AIS",
					relation = "is", at_ns = first.at_ns, reason = cause .. " reached it",
					rule = "no AIS on the other tributaries of the role during the take" }
				return
			end
		end
	end
	self:check { kind = "alarm", title = "others stay undisturbed",
		verdict = text.cut_short(seen) and "inconclusive" or "pass", value = "no AIS",
		limit = "no AIS", relation = "is", reason = text.cut_short(seen),
		rule = "no AIS on the other tributaries of the role during the take" }
end

-- Injects a defect and follows it: raised by the unit in time, standing, cleared in time; AIS put
-- out downstream, RDI sent back upstream. Returns what the take saw.
function checks.walk(self, t)
	spec.fields("walk_defect", t, walk_fields)
	local need = spec.need("walk_defect", self.needs, t.on)
	local entry = alarms.times(self, "walk_defect", t.alarm, t.on)
	local watch, listed = {}, {}
	for _, role in ipairs(t.watch or {}) do
		watch[#watch + 1], listed[role] = role, true
	end
	for _, role in ipairs { t.downstream or false, t.upstream or false } do
		if role and not listed[role] then
			watch[#watch + 1], listed[role] = role, true
		end
	end
	local cut = { alarm = t.alarm, on = t.on, number = t.number, path = t.path,
		at = t.at or "500 ms", lasting = t.lasting or entry.lasting or "300 ms" }
	local at = spec.duration("walk_defect: at", cut.at)
	local lasting = spec.duration("walk_defect: lasting", cut.lasting)
	local raised = t.raised_within and spec.duration("walk_defect: raised_within", t.raised_within)
		or entry.raised
	local cleared = t.cleared_within
		and spec.duration("walk_defect: cleared_within", t.cleared_within) or entry.cleared
	local tail = math.max(300000000, cleared + 200000000)
	local seen = self:take { name = "walk " .. t.alarm,
		last = (at + lasting + tail) // 1000 .. " us", play = t.play, watch = watch,
		inject = { cut }, inside = t.inside }
	whole("walk_defect", seen)
	-- which: a number, a function that says of a channel whether it is meant, or nil for all.
	local function each(role, which, c)
		c.at_ns, c.lasting_ns = at, lasting
		for _, channel in ipairs(core.channels(role)) do
			if not which or channel.number == which
				or type(which) == "function" and which(channel) then
				provoked(self, seen, c, channel)
			end
		end
	end
	each(t.on, t.number, { alarm = t.alarm, by = "unit", path = t.path, raised_ns = raised,
		cleared_ns = cleared, standard = entry.standard, stands = true })
	local slack = alarms.action_ns + alarms.transit_ns
	local is_line = need.rate:find("^STM") ~= nil
	if t.downstream and entry.downstream then
		local own = alarms.of("walk_defect", entry.downstream, self.needs[t.downstream].rate)
		-- After a line the unit must find frame, pointer and multiframe again: 20 ms (ours).
		local lines = is_line and lines_hit(t.on, t.number)
		local function hit(channel)
			if is_line then
				return rides(channel, lines, t.path)
			end
			return not t.number or channel.number == t.number
		end
		each(t.downstream, hit, { alarm = entry.downstream,
			by = "tester", seen_in = "port", raised_ns = raised + slack + own.raised,
			cleared_ns = cleared + slack + own.cleared + 20000000,
			standard = "ITU-T G.783, consequent actions (from memory)" })
		if is_line and (t.number or t.path) or t.number and t.downstream == t.on then
			others_are_quiet(self, seen, t.downstream, hit, t.alarm)
		end
	end
	if t.upstream and entry.upstream then
		local on_line = entry.upstream ~= "LP-RDI"
		local role = on_line and t.upstream or t.on
		local own = alarms.of("walk_defect", entry.upstream, self.needs[role].rate)
		local number = (not on_line or role == t.on) and t.number or nil
		each(role, number, { alarm = entry.upstream, by = "tester",
			path = on_line and t.path or nil, seen_in = not on_line and "line" or nil,
			raised_ns = raised + slack + own.raised, cleared_ns = cleared + slack + own.cleared
				+ 20000000, standard = "ITU-T G.783, consequent actions (from memory)" })
	end
	if t.upstream and entry.in_line then
		local own = alarms.of("walk_defect", entry.in_line, need.rate)
		each(t.on, t.number, { alarm = entry.in_line, by = "tester", seen_in = "line",
			raised_ns = raised + slack + own.raised, cleared_ns = cleared + slack + own.cleared
				+ 20000000, standard = "ITU-T G.783, consequent actions (from memory)" })
	end
	return seen
end

return checks

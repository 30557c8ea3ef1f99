-- SPDX-License-Identifier: Apache-2.0
-- What a take records, and what marks and triggers it: take { record = { ... } }.
local core = require "core"
local spec = require "spec"
local text = require "text"

local record = {}

local fields <const> = { as = "string", part = "string?", part_bytes = "integer?",
	compress = "boolean?", before = "string?", after = "string?", most = "integer?",
	when = "table?", mark = "table?" }

local condition_fields <const> = { slip = "boolean?", pattern_lost = "boolean?",
	errors_above = "integer?", alarm = "string?", at = "string?", text = "string?", on = "string?",
	number = "integer?", by = "string?" }

local hint <const> = "write a list such as { { slip = true, on = \"trib\" } }, of slip = true, "
	.. "pattern_lost = true, errors_above = 100, alarm = \"LOS\" or \"any\", at = \"10 s\""

local kinds <const> = { "slip", "pattern_lost", "errors_above", "alarm", "at" }

-- Does the take compare what this role receives, or follow it inside a line? "pattern" or "replay".
local function compared(t, role)
	local found = t.expect and t.expect[role] and spec.kind(t.expect[role])
	for _, roles in pairs(t.inside or {}) do
		found = found or type(roles) == "table" and roles[role] and "pattern"
	end
	return found
end

local function watched(t, role)
	for _, one in ipairs(t.watch or {}) do
		local inside = t.inside and t.inside[one]
		if one == role or type(inside) == "table" and inside[role] then
			return true
		end
	end
	return false
end

local function check_alarm(where, self, t, c)
	if c.alarm ~= "any" and not core.alarm_known(c.alarm) then
		core.fail("%s: alarm %s is not known; use \"any\" or one of %s", where,
			spec.show(c.alarm), core.alarm_names())
	end
	if c.by and c.by ~= "unit" and c.by ~= "tester" then
		core.fail("%s: by is \"unit\" (its own report) or \"tester\" (seen in the bits), not %s",
			where, spec.show(c.by))
	end
	local unit, tester = self.needs[c.on].alarms, watched(t, c.on)
	if c.by ~= "tester" and not unit and (c.by or not tester) then
		core.fail("%s: nobody reports alarms of %s: let its needs say alarms = true%s", where, c.on,
			c.by and "" or ", or add it to watch")
	elseif c.by == "tester" and not tester then
		core.fail("%s: the tester does not look at %s; add it to watch", where, c.on)
	end
end

local function condition(where, self, t, c, frames)
	if type(c) ~= "table" then
		core.fail("%s: %s", where, hint)
	end
	spec.fields(where, c, condition_fields)
	local kind = spec.one_of(where, c, kinds, hint)
	if (c.by and kind ~= "alarm") or (c.text and kind ~= "at") then
		core.fail("%s: %s is no word for %s", where, c.text and kind ~= "at" and "text" or "by",
			kind)
	end
	if kind == "at" then
		if c.on or c.number then
			core.fail("%s: an instant is on no role; leave out on and number", where)
		end
		local at = spec.duration(where .. ": at", c.at)
		local words = c.text or "at " .. c.at
		if #words > 100 or words:find("%c") or words == "" then
			core.fail("%s: text must be one line of 1 to 100 bytes", where)
		elseif at >= frames * 125000 then
			core.fail("%s: at = %s comes after the end of the take", where, spec.show(c.at))
		end
		return { kind = kind, role = "", number = 0, above = 0, at_ns = at, text = words,
			alarm = "", by = "" }
	end
	if not c.on then
		core.fail("%s: on is missing; say on which role", where)
	end
	spec.need(where, self.needs, c.on)
	local what = compared(t, c.on)
	if kind == "alarm" then
		check_alarm(where, self, t, c)
	elseif not what then
		core.fail("%s: nothing is expected on %s in this take that could tell of %s; add it to "
			.. "expect or inside", where, c.on, kind)
	elseif kind ~= "errors_above" and what == "replay" then
		core.fail("%s: %s is compared with a recording, which tells errors only; use errors_above",
			where, c.on)
	elseif kind == "errors_above" and c.errors_above < 0 then
		core.fail("%s: errors_above is a number of errors in a second, 0 or more", where)
	end
	return { kind = kind, role = c.on, number = c.number or 0, above = c.errors_above or 0,
		at_ns = 0, text = "", alarm = c.alarm or "", by = c.by or "" }
end

local function conditions(field, self, t, list, frames)
	local out = {}
	if not spec.is_list(list) then
		core.fail("take: record: %s: %s", field, hint)
	end
	if #list == 0 or #list > 32 then
		core.fail("take: record: %s: 1 to 32 conditions are expected", field)
	end
	for i, c in ipairs(list) do
		out[i] = condition("take: record: " .. field, self, t, c, frames)
	end
	return out
end

local function named(t)
	local roles, rest = {}, {}
	for key, value in pairs(t) do
		if math.type(key) == "integer" then
			roles[key] = value
		else
			rest[key] = value
		end
	end
	return roles, rest
end

-- The plan's record of the take `t` with so many frames; `self` is the case.
function record.plan(self, t, frames)
	local none = { roles = {}, when = {}, mark = {} }
	if t.until_triggered and not (type(t.record) == "table" and t.record.when) then
		core.fail("take: until_triggered needs record = { ..., when = { ... } }")
	end
	if not t.record then
		return none
	end
	local roles, r = named(t.record)
	if not r.as or #roles == 0 then
		core.fail("take: record: write { as = \"name\", \"role\", ... }")
	end
	spec.fields("take: record", r, fields)
	if r.as == "" or #r.as > 90 then
		core.fail("take: record: as must have 1 to 90 bytes")
	end
	local plan = { as = r.as, roles = {}, when = {}, mark = {}, most = 0,
		part_ns = r.part and spec.duration("take: record: part", r.part) or 0,
		part_bytes = r.part_bytes or 0, compress = r.compress or false,
		before_ns = 0, after_ns = 0,
		until_triggered = t.until_triggered or false }
	if not spec.is_list(roles) then
		core.fail("take: record: write { as = \"name\", \"role\", ... }")
	end
	for i, role in ipairs(roles) do
		spec.need("take: record", self.needs, role)
		plan.roles[i] = role
	end
	if r.part and plan.part_ns < 100000000 then
		core.fail("take: record: part must be 100 ms or more")
	elseif r.part_bytes and r.part_bytes < 65536 then
		core.fail("take: record: part_bytes must be 65536 or more")
	end
	if r.when then
		plan.most = r.most or 10
		if plan.most < 1 or plan.most > 100 then
			core.fail("take: record: most must be 1 to 100 recordings")
		end
		plan.before_ns = spec.duration("take: record: before", r.before or "5 s")
		plan.after_ns = spec.duration("take: record: after", r.after or "2 s")
		plan.when = conditions("when", self, t, r.when, frames)
	elseif r.before or r.after or r.most then
		core.fail("take: record: before, after and most belong to triggers; add when = { ... }")
	end
	if r.mark then
		plan.mark = conditions("mark", self, t, r.mark, frames)
	end
	return plan
end

-- What of a recording the report says beside its name.
local function kept(r)
	if not r.finished then
		return string.format("recording \"%s\" is not whole%s", r.name,
			r.note and ": " .. r.note or "")
	end
	local gone = r.lost_slabs > 0 and string.format(", %s missing as the disk was too slow",
		text.seconds(r.lost_slabs * 8000000)) or ""
	return string.format("kept as \"%s\", from %s to %s after the start%s%s", r.name,
		text.seconds(r.from_ns), text.seconds(r.to_ns), gone, r.note and "; " .. r.note or "")
end

-- One row for each recording that was caught, or one that says that there is none.
function record.check_not_triggered(self, seen)
	if not seen.triggered then
		core.fail("check_not_triggered: the take waited for no trigger; add when = { ... } to its "
			.. "record")
	end
	local row = { kind = "triggers", title = "no trigger", limit = "none", relation = "is",
		rule = "no condition of the take's triggers was met between its start and its end" }
	local function say(more)
		local out = {}
		for key, value in pairs(row) do
			out[key] = value
		end
		for key, value in pairs(more) do
			out[key] = value
		end
		self:check(out)
	end
	local rows = 0
	for i, r in ipairs(seen.recordings) do
		local first, count = nil, 0
		for _, m in ipairs(seen.marks) do
			if m.trigger and m.recording == r.name then
				first = first or m
				count = count + 1
			end
		end
		if first then
			rows = rows + 1
			say { verdict = "fail", value = first.text, at_ns = first.at_ns,
				channel = first.channel, reason = string.format(
					"caught at %s bench time, %s after the start, %d trigger%s; %s",
					text.clock(seen.start_ns + first.at_ns), text.seconds(first.at_ns), count,
					count == 1 and "" or "s", kept(r)) }
		end
	end
	if seen.triggers_missed > 0 then
		rows = rows + 1
		say { verdict = "fail", value = string.format("%d more", seen.triggers_missed),
			reason = string.format("triggers after the %d recordings that were allowed",
				#seen.recordings) }
	end
	if rows == 0 then
		say { verdict = seen.interrupted and "inconclusive" or "pass", value = "none",
			reason = text.cut_short(seen) or string.format("nothing in %s",
				text.seconds(seen.frames * 125000)) }
	end
end

return record

-- SPDX-License-Identifier: Apache-2.0
-- What a take injects: take { inject = { { alarm = "LOS", on = "line", at = "1 s", ... }, ... } }.
local core = require "core"
local spec = require "spec"

local inject = {}

local fields <const> = { alarm = "string?", errors = "number?", burst = "number?",
	invert = "boolean?", bit = "boolean?", slip = "integer?", on = "string", number = "integer?",
	path = "integer?", at = "string", lasting = "string?" }

local kinds <const> = { "alarm", "errors", "burst", "invert", "bit", "slip" }

-- One entry of the plan; `needs` are the case's, by role.
function inject.one(needs, t)
	spec.fields("take: inject", t, fields)
	local need = spec.need("take: inject", needs, t.on)
	local kind = spec.one_of("take: inject", t, kinds, "give one of alarm = \"LOS\", "
		.. "errors = 1e-6, burst = 0.5, invert = true, bit = true, slip = 8")
	if t.alarm and not core.alarm_known(t.alarm) then
		core.fail("take: inject: alarm %s is not known; use one of %s", spec.show(t.alarm),
			core.alarm_names())
	end
	local ratio = t.errors or t.burst
	if t.errors and not (t.errors > 0 and t.errors <= 0.5) then
		core.fail("take: inject: errors must be a ratio above 0 and at most 0.5")
	elseif t.burst and not (t.burst > 0 and t.burst <= 1) then
		core.fail("take: inject: burst must be a ratio above 0 and at most 1")
	elseif t.slip == 0 then
		core.fail("take: inject: slip is a number of bits other than 0; 8 is a timeslot later, "
			.. "-8 one lost")
	end
	if t.path and (kind ~= "alarm" or not need.rate:find("^STM") or t.path < 1) then
		core.fail("take: inject: path is the number of a high-order path of a line, for an alarm")
	end
	local momentary = kind == "bit" or kind == "slip"
	if momentary and t.lasting then
		core.fail("take: inject: a %s has no lasting", kind)
	elseif not momentary and not t.lasting then
		core.fail("take: inject: lasting is missing")
	end
	return {
		kind = kind, alarm = t.alarm, ratio = ratio, role = t.on, number = t.number or 0,
		path = t.path or 0, slip_bits = t.slip or 0,
		at_ns = spec.duration("take: inject: at", t.at),
		lasting_ns = momentary and 0 or spec.duration("take: inject: lasting", t.lasting),
	}
end

return inject

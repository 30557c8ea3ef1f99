-- SPDX-License-Identifier: Apache-2.0
-- The clocks of what a take plays: take { clock = { trib = 50 } }, in ppm against bench time.
local core = require "core"
local spec = require "spec"

local clock = {}

local MOST_PPM <const> = 300 -- of the driver ABI

local function ppb(where, ppm)
	if type(ppm) ~= "number" or not (ppm >= -MOST_PPM and ppm <= MOST_PPM) then
		core.fail("%s: a number of ppm from -%d to %d is expected, not %s", where, MOST_PPM,
			MOST_PPM,
			spec.show(ppm))
	end
	return math.floor(ppm * 1000 + 0.5)
end

-- Numbers of channels in order, so that the same campaign always makes the same plan.
local function sorted_numbers(where, t)
	local numbers = {}
	for number in pairs(t) do
		if math.type(number) ~= "integer" or number < 1 then
			core.fail("%s: %s is not the number of a channel; write [7] = 50, or one number "
				.. "for all",
				where, spec.show(number))
		end
		numbers[#numbers + 1] = number
	end
	table.sort(numbers)
	return numbers
end

-- Appends { role, number, ppb } to `out`; number 0 means every channel of the role. `played` is
-- what the role plays in this take.
function clock.add(out, role, played, wanted)
	local where = "take: clock." .. role
	if spec.kind(played) == "replay" then
		core.fail("%s: a replay has the clock that its recording was made with", where)
	elseif played == nil then
		core.fail("%s: the role does not play in this take; only what is played has a clock to set",
			where)
	end
	if type(wanted) ~= "table" then
		table.insert(out, { role = role, number = 0, ppb = ppb(where, wanted) })
		return
	end
	for _, number in ipairs(sorted_numbers(where, wanted)) do
		table.insert(out, { role = role, number = number,
			ppb = ppb(string.format("%s[%d]", where, number), wanted[number]) })
	end
end

return clock

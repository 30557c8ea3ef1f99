-- SPDX-License-Identifier: Apache-2.0
-- Numbers and reasons as people read them; the same text on every machine.
local text = {}

function text.ratio(value)
	if value == 0 then
		return "0"
	end
	return (string.format("%.2e", value):gsub("e([+-])0*(%d)", "e%1%2"):gsub("e%+", "e"))
end

function text.percent(value)
	return string.format("%.6g %%", value * 100)
end

-- Nanoseconds as s, ms or us, exact to 1 ns without trailing zeros.
function text.seconds(ns)
	local unit, per = "us", 1000
	if ns >= 1000000000 then
		unit, per = "s", 1000000000
	elseif ns >= 1000000 then
		unit, per = "ms", 1000000
	end
	local whole = ns // per
	local rest = string.format("%0" .. (#tostring(per) - 1) .. "d", ns % per):gsub("0+$", "")
	return whole .. (rest ~= "" and "." .. rest or "") .. " " .. unit
end

-- An instant of bench time as hours, minutes, seconds: "03:12:07.350".
function text.clock(ns)
	local ms = ns // 1000000
	return string.format("%02d:%02d:%02d.%03d", ms // 3600000, ms // 60000 % 60, ms // 1000 % 60,
		ms % 1000)
end

-- Why a take proves nothing by what it did not see, when it was cut short; else nil.
function text.cut_short(seen)
	return seen.interrupted and "the take was stopped early" or nil
end

return text

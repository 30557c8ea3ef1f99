-- SPDX-License-Identifier: Apache-2.0
-- Each mapping of an STM-1: every tributary arrives on its own number, in its own place of the
-- line, without errors, also with clocks off by what the standards allow.
-- INVENTED SCENARIO: no real equipment, operator or place.
--
-- Bench: line output looped back to the line input through a tap; tributary clocks free.

campaign {
	name = "transport-mappings",
	title = "Every mapping of an STM-1",
	version = "1",
	notice = "Invented scenario: no real equipment, operator or place.",

	needs = {
		e1 = { rate = "E1", count = 63, play = true, capture = true, clock = true },
		t1 = { rate = "T1", count = 84, play = true, capture = true, clock = true },
		vc3 = { rate = "VC-3", count = 3, play = true, capture = true },
		vc4 = { rate = "VC-4", count = 1, play = true, capture = true },
		line = { rate = "STM-1", capture = true, alarms = true, setup = true },
	},
}

local pattern = prbs "2^15-1"
local wide = prbs "2^23-1"

-- `off`: clock in ppm, half of the tributaries fast, half slow; ITU-T G.703 allows 50 ppm on an E1,
-- ANSI T1.102 32 ppm on a T1.
local function carry(test, mapping, role, what, off, clocks)
	test:setup { line = { mapping = mapping } }
	local clock
	if off then
		clock = { [role] = {} }
		for _, channel in ipairs(test:channels(role)) do
			clock[role][channel.number] = channel.number % 2 == 0 and off or -off
		end
	end
	local seen = test:take { name = mapping, last = "1 s", play = { [role] = what },
		expect = { [role] = what }, inside = { line = { [role] = what } }, watch = { "line" },
		clock = clock }
	test:check_arrival(seen, role)
	test:check_inside(seen, "line")
	test:check_errors(seen, role, { count = 0 })
	test:check_no_alarms(seen, "line")
end

local cases <const> = {
	{ "63-e1", "AU-4/TU-12/E1", "e1", pattern, 50 },
	{ "63-e1-byte", "AU-4/TU-12/E1 byte-synchronous", "e1", pattern },
	{ "63-e1-au3", "AU-3/TU-12/E1", "e1", pattern, 50 },
	{ "84-t1", "AU-4/TU-11/T1", "t1", pattern, 32 },
	{ "84-t1-byte", "AU-4/TU-11/T1 byte-synchronous", "t1", pattern },
	{ "84-t1-au3", "AU-3/TU-11/T1", "t1", pattern, 32 },
	{ "3-vc3-tu3", "AU-4/TU-3/VC-3", "vc3", wide },
	{ "3-vc3-au3", "AU-3/VC-3", "vc3", wide },
	{ "vc4", "AU-4/VC-4", "vc4", wide },
}

for _, one in ipairs(cases) do
	case(one[1]) {
		title = "STM-1 as " .. one[2],
		purpose = "Every tributary arrives at its place, error-free, while all others are busy.",
		method = "The unit is set to the mapping; the line is demultiplexed apart from it (ITU-T "
			.. "G.707)"
			.. (one[5] and string.format("; clocks %d ppm fast and slow", one[5]) or ""),
		estimate = "1 s",
		time_limit = "1 min",
		run = function(test)
			carry(test, table.unpack(one, 2, 5))
		end,
	}
end

-- SPDX-License-Identifier: Apache-2.0
-- Walks the defects of SDH, E1 and T1 through a multiplexer, one by one: injected, raised in time,
-- standing, cleared in time, with AIS downstream and RDI upstream.
-- INVENTED SCENARIO: no real equipment, operator or place.
--
-- Bench: line output looped back to the line input through a tap (the tester sees the line output).
-- Test with the unit out of service: these cases interrupt all traffic.

campaign {
	name = "transport-defects",
	title = "Defects of a multiplexer, one by one",
	version = "1",
	notice = "Invented scenario: no real equipment, operator or place.",

	needs = {
		e1 = { rate = "E1", count = 6, play = true, capture = true, alarms = true, inject = true,
			setup = true },
		t1 = { rate = "T1", count = 4, play = true, capture = true, alarms = true, inject = true,
			setup = true },
		line = { rate = "STM-1", capture = true, alarms = true, inject = true, setup = true },
	},
}

local pattern = prbs "2^15-1"
local traffic = { e1 = pattern, t1 = pattern }
local inside = { line = { e1 = pattern, t1 = pattern } }

-- Defects that spoil the looped line itself leave no RDI to be seen there: `upstream` only where it
-- comes through.
local section = {
	{ alarm = "LOS", on = "line", downstream = "e1", upstream = "line" },
	{ alarm = "OOF", on = "line" },
	{ alarm = "LOF", on = "line", downstream = "e1" },
	{ alarm = "MS-AIS", on = "line", downstream = "e1" },
	{ alarm = "MS-RDI", on = "line" },
	{ alarm = "RS-TIM", on = "line", downstream = "e1", upstream = "line" },
}
local high = {
	{ alarm = "AU-AIS", on = "line", downstream = "e1" },
	{ alarm = "AU-LOP", on = "line", downstream = "e1" },
	{ alarm = "HP-UNEQ", on = "line", downstream = "e1", upstream = "line" },
	{ alarm = "HP-TIM", on = "line", downstream = "e1", upstream = "line" },
	{ alarm = "HP-PLM", on = "line", downstream = "e1" },
	{ alarm = "HP-RDI", on = "line" },
	{ alarm = "HP-LOM", on = "line", downstream = "e1" },
}
local low = {
	{ alarm = "TU-AIS", downstream = true },
	{ alarm = "TU-LOP", downstream = true },
	{ alarm = "LP-UNEQ", downstream = true, upstream = true },
	{ alarm = "LP-TIM", downstream = true, upstream = true },
	{ alarm = "LP-PLM", downstream = true },
	{ alarm = "LP-RDI" },
}

local traces = {
	line = { sends = { J0 = "SAMPLETOWN 1", J1 = "SAMPLETOWN 1-2" },
		expects = { J0 = "SAMPLETOWN 1", J1 = "SAMPLETOWN 1-2" } },
	e1 = { sends = { J2 = "E1 TRIBUTARY" }, expects = { J2 = "E1 TRIBUTARY" } },
	t1 = { sends = { J2 = "T1 TRIBUTARY" }, expects = { J2 = "T1 TRIBUTARY" } },
}

local function walk_all(test, list, on, number)
	for _, one in ipairs(list) do
		test:walk_defect { alarm = one.alarm, on = on or one.on, number = number, play = traffic,
			inside = inside, watch = { "line" },
			downstream = one.downstream == true and on or one.downstream or nil,
			upstream = one.upstream == true and "line" or one.upstream or nil }
	end
end

case "section" {
	title = "Defects of the section are raised, stand and clear in time",
	purpose = "A broken line is told, its neighbours are told, and the unit recovers alone.",
	method = "Each defect injected for 300 ms, OOF for 2 ms; times of ITU-T G.783 and ANSI T1.231; "
		.. "traces J0 set in unit and tester.",
	estimate = "8 s",
	time_limit = "2 min",
	run = function(test)
		test:setup(traces)
		walk_all(test, section)
	end,
}

case "high-order" {
	title = "Defects of the high-order path are raised, stand and clear in time",
	purpose = "A path that is cut, empty, wrong or without multiframe is told at both ends.",
	method = "Each defect injected for 300 ms; times of ITU-T G.783; trace J1 set in unit and "
		.. "tester.",
	estimate = "8 s",
	time_limit = "2 min",
	run = function(test)
		test:setup(traces)
		walk_all(test, high)
	end,
}

case "low-order-e1" {
	title = "Defects of one E1's path touch that E1 alone",
	purpose = "A defect of one tributary is told for it, and the others do not notice.",
	method = "Each defect injected for 300 ms on tributary 2; times of ITU-T G.783.",
	estimate = "7 s",
	time_limit = "2 min",
	run = function(test)
		test:setup(traces)
		walk_all(test, low, "e1", 2)
	end,
}

case "low-order-t1" {
	title = "Defects of one T1's path touch that T1 alone",
	purpose = "A defect of one tributary is told for it, and the others do not notice.",
	method = "Each defect injected for 300 ms on tributary 6; times of ITU-T G.783.",
	estimate = "7 s",
	time_limit = "2 min",
	run = function(test)
		test:setup(traces)
		walk_all(test, low, "t1", 6)
	end,
}

-- With CRC-4 and timeslot 16; the pattern runs in timeslots 1 to 15 and 17 to 31.
local e1_framed = framed { pattern = pattern, framing = "CRC-4 CAS" }

case "e1-signal" {
	title = "Defects of the E1 signal are raised, stand and clear in time",
	purpose = "The unit watches the framing that comes into its tributaries.",
	method = "CRC-4 multiframe and timeslot 16 signalling (ITU-T G.704, G.706, G.732); each defect "
		.. "injected for 300 ms on tributary 4 as it enters the unit.",
	estimate = "8 s",
	time_limit = "2 min",
	run = function(test)
		test:setup { e1 = { framing = "CRC-4 CAS" } }
		for _, alarm in ipairs { "LOS", "AIS", "LOF", "RAI", "LOM", "TS16-LOM", "TS16-AIS",
			"TS16-RAI" } do
			-- In random payload a search finds words that look like the alignment signal, so
			-- LOF would not stand.
			local load = alarm == "LOF" and framed { pattern = word "11010101" } or e1_framed
			test:walk_defect { alarm = alarm, on = "e1", number = 4, play = { e1 = load },
				watch = { "e1" } }
		end
		local seen = test:take { last = "2 s", play = { e1 = e1_framed },
			expect = { e1 = e1_framed }, inside = { line = { e1 = e1_framed } },
			watch = { "e1", "line" } }
		test:check_arrival(seen, "e1")
		test:check_inside(seen, "line")
		test:check_no_alarms(seen, "e1")
	end,
}

local t1_framed = framed { pattern = pattern, framing = "ESF" }

case "t1-signal" {
	title = "Defects of the T1 signal are raised, stand and clear in time",
	purpose = "The unit watches the framing that comes into its tributaries.",
	method = "Extended superframe (ITU-T G.704 2.1, ANSI T1.403); each defect injected on "
		.. "tributary 9 as it enters the unit.",
	estimate = "45 s",
	time_limit = "2 min",
	run = function(test)
		test:setup { t1 = { framing = "ESF" } }
		for _, alarm in ipairs { "LOS", "AIS", "OOF", "LOF", "RAI" } do
			test:walk_defect { alarm = alarm, on = "t1", number = 9, play = { t1 = t1_framed },
				watch = { "t1" } }
		end
		local seen = test:take { last = "1 s", play = { t1 = t1_framed },
			expect = { t1 = t1_framed }, watch = { "t1" } }
		test:check_arrival(seen, "t1")
		test:check_no_alarms(seen, "t1")
	end,
}

case "t1-other-mappings" {
	title = "T1 byte-synchronous, and T1 in TU-12",
	purpose = "The same ports work by the other mappings of G.707; RFI of the byte-synchronous "
		.. "one.",
	method = "The third TUG-3 is set to byte-synchronous VC-11 in TU-11, then to VC-11 in TU-12 "
		.. "(ITU-T G.707 10.1.5.3, 10.1.6); LP-RFI injected for 300 ms.",
	estimate = "2 s",
	time_limit = "2 min",
	run = function(test)
		test:setup { line = {
			mapping = "AU-4/TU-12/E1, AU-4/TU-12/E1, AU-4/TU-11/T1 byte-synchronous" } }
		test:walk_defect { alarm = "LP-RFI", on = "t1", number = 6, play = traffic,
			inside = inside, watch = { "line" } }
		test:setup { line = { mapping = "AU-4/TU-12/E1, AU-4/TU-12/E1, AU-4/TU-12/T1" } }
		local seen = test:take { last = "1 s", play = traffic, expect = traffic, inside = inside,
			watch = { "line" } }
		test:check_arrival(seen, "t1")
		test:check_inside(seen, "line")
		test:check_no_alarms(seen, "line")
	end,
}

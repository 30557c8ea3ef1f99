-- SPDX-License-Identifier: Apache-2.0
-- Two OC-3 lines with 84 T1 each, by VT1.5 in STS-1 (here: TU-11 in AU-3), traces of 64 bytes.
-- INVENTED SCENARIO: no real equipment, operator or place.

campaign {
	name = "transport-sonet",
	title = "168 T1 on two OC-3 lines",
	version = "1",
	notice = "Invented scenario: no real equipment, operator or place.",

	needs = {
		t1 = { rate = "T1", count = 168, play = true, capture = true, clock = true },
		line = { rate = "STM-1", count = 2, capture = true, alarms = true, inject = true,
			setup = true },
	},
}

local pattern = prbs "2^20-1"
local traffic = { t1 = pattern }
local section, path = "64:SAMPLETOWN OFFICE 1 BAY 4", "64:SAMPLETOWN OFFICE 1 TO OFFICE 2"
local traces = { line = { sends = { J0 = section, J1 = path },
	expects = { J0 = section, J1 = path } } }

case "168-t1" {
	title = "168 T1 at once: own number, own VT1.5 on their own line",
	purpose = "Every T1 arrives at its place, error-free, while all others are busy.",
	method = "Both lines are demultiplexed apart from the unit (ITU-T G.707 7.1.3, ANSI T1.105); "
		.. "clocks 32 ppm fast and slow (ANSI T1.102).",
	estimate = "500 ms",
	time_limit = "1 min",
	run = function(test)
		test:setup(traces)
		local clock = { t1 = {} }
		for _, channel in ipairs(test:channels("t1")) do
			clock.t1[channel.number] = channel.number % 2 == 0 and 32 or -32
		end
		local seen = test:take { last = "500 ms", play = traffic, expect = traffic,
			inside = { line = traffic }, watch = { "line" }, clock = clock }
		test:check_arrival(seen, "t1")
		test:check_inside(seen, "line")
		test:check_errors(seen, "t1", { count = 0 })
		test:check_no_alarms(seen, "line")
	end,
}

case "line-2-defects" {
	title = "Defects of line 2 and of its second STS-1 alone",
	purpose = "SONET's long traces are watched, and one STS-1 is told from its neighbours.",
	method = "Injected for 300 ms; times of ITU-T G.783; traces of 64 bytes (ANSI T1.105).",
	estimate = "4 s",
	time_limit = "1 min",
	run = function(test)
		test:setup(traces)
		test:walk_defect { alarm = "RS-TIM", on = "line", number = 2, play = traffic,
			downstream = "t1", upstream = "line" }
		test:walk_defect { alarm = "HP-TIM", on = "line", number = 2, path = 2, play = traffic,
			downstream = "t1", upstream = "line" }
		test:walk_defect { alarm = "AU-LOP", on = "line", number = 2, path = 2, play = traffic,
			downstream = "t1" }
	end,
}

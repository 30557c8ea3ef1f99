-- SPDX-License-Identifier: Apache-2.0
-- An OC-12 line with 336 T1, by VT1.5 in STS-1 (here: TU-11 in AU-3).
-- INVENTED SCENARIO: no real equipment, operator or place.

campaign {
	name = "transport-oc12",
	title = "336 T1 on an OC-12 line",
	version = "1",
	notice = "Invented scenario: no real equipment, operator or place.",

	needs = {
		t1 = { rate = "T1", count = 336, play = true, capture = true, clock = true },
		line = { rate = "STM-4", capture = true, alarms = true, inject = true },
	},
}

local traffic = { t1 = prbs "2^20-1" }

case "336-t1" {
	title = "336 T1 at once: own number, own VT1.5",
	purpose = "Every T1 arrives at its place, error-free, while all others are busy.",
	method = "The line is demultiplexed apart from the unit (ITU-T G.707 7.1, ANSI T1.105); clocks "
		.. "32 ppm fast and slow (ANSI T1.102).",
	estimate = "200 ms",
	time_limit = "1 min",
	run = function(test)
		local clock = { t1 = {} }
		for _, channel in ipairs(test:channels("t1")) do
			clock.t1[channel.number] = channel.number % 2 == 0 and 32 or -32
		end
		local seen = test:take { last = "200 ms", play = traffic, expect = traffic,
			inside = { line = traffic }, watch = { "line" }, clock = clock }
		test:check_arrival(seen, "t1")
		test:check_inside(seen, "line")
		test:check_errors(seen, "t1", { count = 0 })
		test:check_no_alarms(seen, "line")
	end,
}

case "one-sts-1" {
	title = "AU-AIS of the tenth STS-1 alone",
	method = "Injected for 300 ms; times of ITU-T G.783.",
	estimate = "1 s",
	time_limit = "1 min",
	run = function(test)
		test:walk_defect { alarm = "AU-AIS", on = "line", path = 10, watch = { "line" } }
	end,
}

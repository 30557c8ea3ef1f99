-- SPDX-License-Identifier: Apache-2.0
-- An STM-4 line: 252 E1, or one VC-4-4c. INVENTED SCENARIO: no real equipment, operator or place.

campaign {
	name = "transport-stm4",
	title = "An STM-4 with 252 E1, and with a concatenated container",
	version = "1",
	notice = "Invented scenario: no real equipment, operator or place.",

	needs = {
		e1 = { rate = "E1", count = 252, play = true, capture = true },
		["vc4-4c"] = { rate = "VC-4-4c", play = true, capture = true },
		line = { rate = "STM-4", capture = true, alarms = true, inject = true, setup = true },
	},
}

local function carry(test, mapping, role, pattern)
	test:setup { line = { mapping = mapping } }
	local traffic = { [role] = pattern }
	local seen = test:take { name = mapping, last = "500 ms", play = traffic, expect = traffic,
		inside = { line = traffic }, watch = { "line" } }
	test:check_arrival(seen, role)
	test:check_inside(seen, "line")
	test:check_errors(seen, role, { count = 0 })
	test:check_no_alarms(seen, "line")
end

case "252-e1" {
	title = "STM-4 with 252 E1",
	method = "The line is demultiplexed apart from the unit (ITU-T G.707 7.1, 7.3).",
	estimate = "500 ms",
	time_limit = "1 min",
	run = function(test)
		carry(test, "AU-4/TU-12/E1", "e1", prbs "2^20-1")
	end,
}

case "vc4-4c" {
	title = "STM-4 with one VC-4-4c",
	method = "Concatenation indication in the other three AU-4 (ITU-T G.707 8.1.7).",
	estimate = "500 ms",
	time_limit = "1 min",
	run = function(test)
		carry(test, "AU-4-4c/VC-4-4c", "vc4-4c", prbs "2^23-1")
	end,
}

case "line-defects" {
	title = "Defects of the STM-4 line, and of its second AU-4 alone",
	method = "Injected for 300 ms; times of ITU-T G.783.",
	estimate = "4 s",
	time_limit = "1 min",
	run = function(test)
		test:setup { line = { mapping = "AU-4/TU-12/E1" } }
		test:walk_defect { alarm = "LOS", on = "line", upstream = "line" }
		test:walk_defect { alarm = "MS-AIS", on = "line", watch = { "line" } }
		test:walk_defect { alarm = "AU-AIS", on = "line", path = 2, watch = { "line" } }
		test:walk_defect { alarm = "HP-UNEQ", on = "line", path = 2, upstream = "line" }
	end,
}

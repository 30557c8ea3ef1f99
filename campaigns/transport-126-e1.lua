-- SPDX-License-Identifier: Apache-2.0
-- Two STM-1 lines with 63 E1 each. INVENTED SCENARIO: no real equipment, operator or place.

campaign {
	name = "transport-126-e1",
	title = "126 E1 on two STM-1 lines",
	version = "1",
	notice = "Invented scenario: no real equipment, operator or place.",

	needs = {
		e1 = { rate = "E1", count = 126, play = true, capture = true },
		line = { rate = "STM-1", count = 2, capture = true, alarms = true, inject = true },
	},
}

local pattern = prbs "2^15-1"

case "126-e1" {
	title = "126 tributaries at once: own number, own place on their own line",
	method = "Both lines are demultiplexed apart from the unit (ITU-T G.707 7.3).",
	estimate = "500 ms",
	time_limit = "1 min",
	run = function(test)
		local seen = test:take { last = "500 ms", play = { e1 = pattern },
			expect = { e1 = pattern }, inside = { line = { e1 = pattern } },
			watch = { "line" } }
		test:check_arrival(seen, "e1")
		test:check_inside(seen, "line")
		test:check_errors(seen, "e1", { count = 0 })
		test:check_no_alarms(seen, "line")
	end,
}

case "one-line-lost" {
	title = "Loss of line 2 stays there",
	method = "LOS of line 2 for 300 ms; its tributaries get AIS, those of line 1 nothing.",
	estimate = "1 s",
	time_limit = "1 min",
	run = function(test)
		local cut = { alarm = "LOS", on = "line", number = 2, at = "200 ms", lasting = "300 ms" }
		local seen = test:take { last = "800 ms", play = { e1 = pattern },
			expect = { e1 = pattern }, watch = { "e1" }, inject = { cut } }
		test:check_alarm(seen, { alarm = "LOS", on = "line", number = 2, by = "unit", after = cut })
		local quiet, ais = true, 0
		for _, e in ipairs(seen.events) do
			local first = e.role == "e1" and test:channels("e1")[1].index
			if first and e.raised and e.by == "tester" then
				if e.channel - first < 63 then
					quiet = false
				elseif e.alarm == "AIS" and e.consequence_of == "LOS" then
					ais = ais + 1
				end
			end
		end
		test:check { title = "line 1 stays undisturbed", verdict = quiet and "pass" or "fail",
			value = quiet and "no alarm" or "alarms", limit = "no alarm", relation = "is",
			rule = "no event of the tester on the tributaries of line 1" }
		test:check { title = "AIS explained by the loss", verdict = ais == 63 and "pass" or "fail",
			value = tostring(ais), limit = "63", relation = "is",
			rule = "each tributary of line 2 has AIS as a consequence of LOS" }
	end,
}

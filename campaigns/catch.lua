-- SPDX-License-Identifier: Apache-2.0
-- Waits for an intermittent fault and keeps it with its history. INVENTED SCENARIO.
campaign {
	name = "catch",
	title = "Catch what happens seldom",
	version = "1",
	notice = "Invented scenario: no real equipment, operator or place.",
	needs = {
		trib = { rate = "E1", count = 63, play = true, capture = true },
		line = { rate = "STM-1", capture = true, alarms = true },
	},
}

local p = prbs "2^15-1"

case "hunt" {
	title = "Nothing slips, fails or raises an alarm all night",
	purpose = "A fault at 3 a.m. is kept with what led to it, so that it can be replayed.",
	method = "All tributaries carry a pattern. A slip, a burst of errors or an alarm of the unit "
		.. "begins a recording that has 2 s of history.",
	time_limit = "9 h",
	run = function(test)
		local seen = test:take {
			last = "8 h",
			play = { trib = p }, expect = { trib = p },
			record = {
				as = "caught", "trib", before = "2 s", after = "1 s", most = 10,
				when = {
					{ slip = true, on = "trib" },
					{ errors_above = 25, on = "trib" },
					{ alarm = "any", on = "line", by = "unit" },
				},
			},
			until_triggered = true, -- leave it out to keep hunting, up to `most` times
		}
		test:check_not_triggered(seen)
		for _, recording in ipairs(seen.recordings) do
			local again = test:take { play = { trib = replay(recording) } }
			test:check_played_as_recorded(again, "trib")
		end
	end,
}

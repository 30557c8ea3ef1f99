-- SPDX-License-Identifier: Apache-2.0
-- Capture once, replay identically: docs/replay.md walks through it.
-- INVENTED SCENARIO: no real equipment, operator or place.
--
-- The first run captures; later runs replay what the reference run captured into other builds.

campaign {
	name = "replay",
	title = "A capture replayed: windows, rounds, other channels, a changed delay",
	version = "1",
	notice = "Invented scenario: no real equipment, operator or place.",

	needs = {
		trib = { rate = "E1", count = 4, play = true, capture = true },
		other = { rate = "E1", count = 4, play = true, capture = true },
	},
}

case "capture" {
	title = "One second of four tributaries is captured",
	purpose = "The traffic that later builds must carry in the same way.",
	method = "Played and captured from one instant, into one recording.",
	estimate = "1 s",
	time_limit = "1 min",

	run = function(test)
		local seen = test:take {
			last = "1 s",
			play = { trib = prbs "2^23-1" },
			expect = { trib = prbs "2^23-1" },
			record = { as = "morning traffic", "trib" },
		}
		test:check_arrival(seen, "trib")
	end,
}

case "window-in-rounds" {
	title = "A quarter of a second of it, four times over, beside generated traffic",
	purpose = "What happened once can be made to happen again and again.",
	method = "Window from 504 ms, four rounds; idle bits up to the next 8 ms between two "
		.. "rounds, so that each meets the line in the same multiframe phase.",
	estimate = "1 s",
	time_limit = "1 min",

	run = function(test)
		local part = replay(test:reference "morning traffic",
			{ from = "504 ms", lasting = "250 ms", times = 4, seam = "to 8 ms" })
		local seen = test:take {
			play = { trib = part, other = prbs "2^15-1" },
			expect = { trib = part, other = prbs "2^15-1" },
			record = { as = "rounds", "trib" },
		}
		test:check_played_as_recorded(seen, "trib")
		test:check_returned_as_recorded(seen, "trib", { within = "2 ms" })
		test:check_arrival(seen, "other")
	end,
}

case "on-other-channels" {
	title = "The same bits on four other tributaries, the last two exchanged",
	purpose = "Is it the channel or the traffic?",
	method = "Role mapping: role other plays what role trib had.",
	estimate = "1 s",
	time_limit = "1 min",

	run = function(test)
		local moved = replay(test:reference "morning traffic", { role = "trib",
			numbers = { [5] = 1, [6] = 2, [7] = 4, [8] = 3 } })
		local seen = test:take { play = { other = moved } }
		test:check_played_as_recorded(seen, "other")
	end,
}

-- SPDX-License-Identifier: Apache-2.0
-- Acceptance of an STM-1 add/drop multiplexer with 63 E1 tributaries.
-- INVENTED SCENARIO: no real equipment, operator or place.
--
-- Bench: connect a tester to every tributary input and output, and loop the line output back to the
-- line input through a tap. Test with the unit out of service: these cases interrupt all traffic.

campaign {
	name = "acceptance-stm1",
	title = "Acceptance of an STM-1 add/drop multiplexer with 63 E1 tributaries",
	version = "1",
	notice = "Invented scenario: no real equipment, operator or place.",

	needs = {
		trib = { rate = "E1", count = 63, play = true, capture = true },
		line = { rate = "STM-1", count = 1, capture = true, alarms = true, inject = true },
	},
}

-- The contract's limit: fewer than 1 error in 10 million bits, proved with 95 % confidence.
local limit = { ratio = 1e-7, confidence = 0.95 }

-- One pattern for all; every tributary sends its own phase of it, so that each can be recognised.
local pattern = prbs "2^15-1"

case "bit-errors" {
	title = "63 tributaries at once: own number, own timeslot, no errors",
	purpose = "Each tributary arrives at its place, error-free, while all others are busy.",
	method = "Pattern 2^15-1 (ITU-T O.150 5.3) on all tributaries, one instant; "
		.. "the line is demultiplexed apart from the unit (ITU-T G.707 7.3, 8.3, "
		.. "10.1.4); "
		.. "exact Poisson limits.",
	estimate = "16 s",
	time_limit = "2 min",

	run = function(test)
		local seen = test:take {
			last = time_to_prove("E1", limit),
			play = { trib = pattern },
			expect = { trib = pattern },
			inside = { line = { trib = pattern } },
			watch = { "trib", "line" },
		}
		test:check_arrival(seen, "trib")
		test:check_inside(seen, "line")
		test:check_bit_errors(seen, "trib", limit)
		test:check_no_alarms(seen, "line")
	end,
}

case "record-and-replay" {
	title = "A recording played back is the same bits at the same instants",
	purpose = "A fault captured once can be made again, on this build and on the next.",
	method = "Line and all tributaries recorded in one take from one instant; "
		.. "the recorded tributary inputs are played back; SHA-256 over offset and "
		.. "bits "
		.. "of each channel.",
	estimate = "3 s",
	time_limit = "2 min",

	run = function(test)
		local first = test:take {
			last = "1 s",
			play = { trib = pattern },
			record = { as = "sixty-three tributaries", "trib", "line" },
		}
		local again = test:take {
			play = { trib = replay(first.recording) },
			expect = { trib = replay(first.recording) },
		}
		test:check_played_as_recorded(again, "trib")
		test:check_returned_as_recorded(again, "trib")
	end,
}

case "replay-reference" {
	title = "The reference recording returns from this build unchanged",
	purpose = "Is this build worse than the one that was accepted?",
	method = "The recording kept from the reference run is played into this build; what "
		.. "returns is compared with what returned then, bit by bit.",
	estimate = "1 s",
	time_limit = "2 min",

	run = function(test)
		local reference = test:reference "sixty-three tributaries"
		local seen = test:take {
			play = { trib = replay(reference) },
			expect = { trib = replay(reference) },
			record = { as = "what returned", "trib" },
		}
		test:check_played_as_recorded(seen, "trib")
		test:check_returned_as_recorded(seen, "trib")
	end,
}

case "line-loss" {
	title = "Loss of the line is reported, AIS follows, both clear",
	purpose = "The unit tells its neighbours of a broken fibre in time and recovers alone.",
	method = "The line input is made dark for 300 ms. LOS within 100 us (ANSI T1.231, as "
		.. "given in RFC 3592 3.5); AIS into the tributaries within 250 us more (ITU-T "
		.. "G.783, from memory), recognised by two periods of 512 bits at unknown "
		.. "phase, 750 us (ITU-T G.775 5.2). Clearing: framing 0.25 ms, LOF 3 ms, "
		.. "pointers and multiframe 2.4 ms (ITU-T G.783, from memory), AIS 1 ms, "
		.. "the unit's own delay; 10 ms in all.",
	estimate = "2 s",
	time_limit = "2 min",

	run = function(test)
		local cut = { alarm = "LOS", on = "line", at = "500 ms", lasting = "300 ms" }
		local seen = test:take {
			last = "2 s",
			play = { trib = pattern },
			expect = { trib = pattern },
			watch = { "trib" },
			inject = { cut },
		}
		test:check_alarm(seen, { alarm = "LOS", on = "line", by = "unit", after = cut,
			raised_within = "100 us", cleared_within = "1 ms" })
		test:check_alarm(seen, { alarm = "AIS", on = "trib", by = "tester", after = cut,
			raised_within = "1.1 ms", cleared_within = "10 ms" })
		test:check_arrival(seen, "trib")
	end,
}

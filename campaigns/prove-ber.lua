-- SPDX-License-Identifier: Apache-2.0
-- Bit error ratio below 1e-9, proved with 95 % confidence on 63 tributaries at once.
-- INVENTED SCENARIO: no real equipment, operator or place.
--
-- Bench: connect a tester to every tributary input and output; test with the unit out of service.
-- An error-free unit needs 1533 s of bench time, as this tells:
-- evenlode plan --ratio 1e-9 --rate E1 --channels 63

campaign {
	name = "prove-ber",
	title = "Bit error ratio below 1e-9 on 63 E1 tributaries",
	version = "1",
	notice = "Invented scenario: no real equipment, operator or place.",

	needs = {
		trib = { rate = "E1", count = 63, play = true, capture = true },
	},
}

local limit = { ratio = 1e-9, confidence = 0.95 }
local pattern = prbs "2^15-1"

case "bit-error-ratio" {
	title = "Error ratio below 1e-9 on each tributary",
	purpose = "The contract's limit is proved, in no more time than that takes.",
	method = "Pattern 2^15-1 (ITU-T O.150 5.3) on all tributaries from one instant. The "
		.. "take ends as soon as each tributary is proved to be below the limit or above "
		.. "it, after two hours at the latest; anytime-valid limits (Ville 1939, Robbins "
		.. "1970), so that looking each second costs no confidence. Errored seconds and "
		.. "blocks: ITU-T G.826, blocks of 2048 bits.",
	estimate = "1533 s",
	time_limit = "3 h",

	run = function(test)
		local seen = test:take {
			last = "2 h",
			until_proved = limit,
			play = { trib = pattern },
			expect = { trib = pattern },
		}
		test:check_arrival(seen, "trib")
		test:check_bit_errors(seen, "trib", limit)
		-- ITU-T G.826 Table 1 (from memory), end to end, for 1.5 to 5 Mbit/s.
		test:check_performance(seen, "trib", { standard = "G.826", es_ratio = 0.04,
			bbe_ratio = 2e-4, confidence = 0.95 })
	end,
}

-- SPDX-License-Identifier: Apache-2.0
-- A multiplexer behind a network: delay, errors, and a protection switch on the way to it.
-- INVENTED SCENARIO: no real equipment, operator or place.

campaign {
	name = "network",
	title = "A multiplexer of 63 E1 behind a network with delay, errors and switching",
	version = "1",
	notice = "Invented scenario: no real equipment, operator or place.",

	needs = {
		trib = { rate = "E1", count = 63, play = true, capture = true },
	},
}

-- Long enough to tell any delay that the network can have.
local pattern = delay_pattern("E1", "520 ms")

local function delays(seen)
	local by_channel = {}
	for _, m in ipairs(seen.meters) do
		by_channel[m.channel] = m.delay_bits
	end
	return by_channel
end

case "delay" {
	title = "30 ms of network are 30 ms longer, to the bit",
	purpose = "A unit must carry any delay of the network; its own stays the same.",
	method = "The delay of each tributary without and with 30 ms, the one-way delay of about "
		.. "6000 km of fibre at 5 us/km (ITU-T G.114 Annex A, from memory); 1e-6 errors are "
		.. "told as such (exact Poisson limits).",
	estimate = "5 s",
	time_limit = "2 min",

	run = function(test)
		local without = test:take { last = "1 s", play = { trib = pattern },
			expect = { trib = pattern } }
		local with = test:take { last = "4 s", play = { trib = pattern },
			expect = { trib = pattern },
			network = { trib = { delay = "30 ms", errors = 1e-6 } } }
		test:check_arrival(with, "trib")
		test:check_bit_errors(with, "trib", { ratio = 1e-5, confidence = 0.95 })
		local own, through = delays(without), delays(with)
		for channel, bits in pairs(own) do
			local more = through[channel] and through[channel] - bits
			test:check { title = "delay of the network", channel = channel,
				verdict = more == 61440 and "pass" or "fail",
				value = more and tostring(more) or "no pattern", unit = "bit",
				limit = "61440", relation = "is",
				rule = "30 ms of 2048 kbit/s more than without the network" }
		end
	end,
}

case "switch" {
	title = "A protection switch to a longer path is 50 ms of loss and one slip",
	purpose = "After a switch in the network the unit goes on by itself.",
	method = "50 ms without signal, the longest that a switch may take (ITU-T G.841, from "
		.. "memory), then a path that is 5 ms longer: 10240 bits come again.",
	estimate = "2 s",
	time_limit = "2 min",

	run = function(test)
		local seen = test:take { last = "2 s", play = { trib = pattern },
			expect = { trib = pattern },
			network = { trib = { delay = "10 ms", events = {
				{ alarm = "LOS", at = "500 ms", lasting = "50 ms" },
				{ delay = "15 ms", at = "550 ms" },
			} } } }
		test:check_slips(seen, "trib", { bits = { 10240 } })
	end,
}

case "again" {
	title = "What a bad network did is played again without it",
	purpose = "A network is reproduced for the next build, not only a pattern.",
	method = "Bursts of errors about once in 100 ms behind 20 ms; what was really sent is "
		.. "recorded and replayed; SHA-256 over offset and bits of each channel.",
	estimate = "2 s",
	time_limit = "2 min",

	run = function(test)
		local first = test:take { last = "1 s", play = { trib = pattern },
			record = { as = "behind the network", "trib" },
			network = { trib = { delay = "20 ms", events = {
				{ burst = 0.5, at = "40 ms", lasting = "2 ms", every = "100 ms",
					jitter = "50 ms" },
			} } } }
		local again = test:take { play = { trib = replay(first.recording) },
			expect = { trib = replay(first.recording) } }
		test:check_played_as_recorded(again, "trib")
		test:check_returned_as_recorded(again, "trib")
	end,
}

-- SPDX-License-Identifier: Apache-2.0
-- Replays what slip-hunt.lua caught: the same bits into the same tributaries, and the same loss of
-- the working section at the same instant, on any build. docs/story.md tells the whole story.
-- INVENTED SCENARIO: no real equipment, operator or place.
--
--	evenlode run slip-replay.lua --reference RUN ...	RUN: the run that caught something
--
-- CAUTION: the provoked switch takes all tributaries away for some milliseconds. On a network in
-- service that drops calls and data. Run it on a bench, or with the unit out of service.

campaign {
	name = "slip-replay",
	title = "The caught slip, made again",
	version = "1",
	notice = "Invented scenario. A protection switch is provoked, which interrupts all "
		.. "tributaries: never on a network in service.",

	needs = {
		trib = { rate = "E1", count = 63, play = true, capture = true },
		working = { rate = "STM-1", count = 1, alarms = true, inject = true },
		standby = { rate = "STM-1", count = 1, alarms = true },
	},
}

local traffic = prbs "2^15-1"

-- The hunt loses the line at whole milliseconds; the unit says so within 100 us.
local function provoked(recording)
	local list = {}
	for _, mark in ipairs(recording.marks) do
		if mark.text:find("LOS", 1, true) then
			list[#list + 1] = { alarm = "LOS", on = "working",
				at = mark.at_ns // 1000000 .. " ms", lasting = "100 ms" }
		end
	end
	return list
end

case "replay" {
	title = "The recorded traffic and the recorded switch bring no slip",
	purpose = "The fault that was caught once is shown on a build, or shown to be gone.",
	method = "The recording is played back bit for bit; the working section is lost where the "
		.. "recording's mark says so; what returns is followed as the pattern that it is.",
	estimate = "10 s",
	time_limit = "2 min",

	run = function(test)
		local caught = test:reference "caught"
		local seen = test:take {
			name = "replay",
			play = { trib = replay(caught) },
			expect = { trib = traffic },
			inject = provoked(caught),
		}
		test:check_played_as_recorded(seen, "trib")
		test:check_slips(seen, "trib", { bits = {} })
	end,
}

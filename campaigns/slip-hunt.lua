-- SPDX-License-Identifier: Apache-2.0
-- Hunts an intermittent slip: switches a protected line over and over while 63 tributaries carry
-- traffic, and keeps the seconds around the first slip. docs/story.md tells the whole story.
-- INVENTED SCENARIO: no real equipment, operator or place.
--
-- CAUTION: each provoked switch takes all tributaries away for some milliseconds. On a network in
-- service that drops calls and data. Run it on a bench, or with the unit out of service.
--
-- Bench: a tester on every tributary input and output; both line outputs looped back to the line
-- inputs, the working one through something that can cut it.

campaign {
	name = "slip-hunt",
	title = "Hunt for slips after protection switches",
	version = "1",
	notice = "Invented scenario. Protection switches are provoked, which interrupts all "
		.. "tributaries: never on a network in service.",

	needs = {
		trib = { rate = "E1", count = 63, play = true, capture = true },
		working = { rate = "STM-1", count = 1, alarms = true, inject = true },
		standby = { rate = "STM-1", count = 1, alarms = true },
	},
}

local traffic = prbs "2^15-1"

local hunted <const> = 3600 -- seconds at most
local period <const> = 15   -- seconds from switch to switch; longer than the unit waits to restore

-- One loss of the working section in each period; the unit switches, waits, and returns.
local function provoked()
	local list = {}
	for second = 6, hunted - period, period do
		list[#list + 1] = { alarm = "LOS", on = "working", at = second .. " s",
			lasting = "100 ms" }
	end
	return list
end

-- From each loss of the working section to the move of the selector; the longest.
local function check_switch_times(test, seen)
	local lost, longest, switches = nil, 0, 0
	for _, e in ipairs(seen.events) do
		if e.raised and e.by == "unit" and e.role == "working" and e.alarm == "LOS" then
			lost = e.at_ns
		elseif e.raised and e.by == "unit" and e.role == "standby" and e.alarm == "PSE"
			and lost then
			longest = math.max(longest, e.at_ns - lost)
			switches = switches + 1
			lost = nil
		end
	end
	test:check {
		title = "protection switched in time",
		verdict = switches == 0 and "inconclusive" or (lost or longest > 50000000) and "fail"
			or "pass",
		value = string.format("%.3f ms at most, %d switches", longest / 1e6, switches),
		limit = "50 ms", relation = "at most",
		rule = "from the loss of signal that the unit reports to its protection switch event",
		reason = switches == 0 and "the unit reported no switch"
			or lost and "the unit did not switch after the last loss" or nil,
		standard = "ITU-T G.841 7.1 (from memory)",
	}
end

case "hunt" {
	title = "No tributary slips after a protection switch",
	purpose = "A slip was seen in the field, once, after the line had been switched. It must be "
		.. "caught with what went before it, so that it can be made again.",
	method = "Pattern 2^15-1 (ITU-T O.150 5.3) on all tributaries; a loss of the working section "
		.. "of 100 ms every 15 s; the first slip ends the take, and 5 s before it and 2 s after "
		.. "the last are kept.",
	estimate = "1 h",
	time_limit = "2 h",

	run = function(test)
		local seen = test:take {
			name = "hunt",
			last = hunted .. " s",
			play = { trib = traffic },
			expect = { trib = traffic },
			inject = provoked(),
			record = { as = "caught", "trib", before = "5 s", after = "2 s", most = 1,
				when = { { slip = true, on = "trib" } },
				mark = { { alarm = "LOS", on = "working", by = "unit" } } },
			until_triggered = true,
		}
		test:check_not_triggered(seen)
		test:check_slips(seen, "trib", { bits = {} })
		check_switch_times(test, seen)
	end,
}

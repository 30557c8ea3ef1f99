-- SPDX-License-Identifier: Apache-2.0
-- Tributaries in two groups, tested at once by cases that use one group each; then the line alone.
-- INVENTED SCENARIO: unit, laboratory and customer are made up.
campaign {
	name = "two-groups",
	title = "Two groups of tributaries at once",
	version = "1",
	notice = "Invented scenario: no real equipment, operator or place.",
	needs = {
		first = { rate = "E1", count = 30, play = true, capture = true, alarms = true },
		second = { rate = "E1", count = 33, play = true, capture = true, alarms = true },
		line = { rate = "STM-1", capture = true, alarms = true, inject = true },
	},
}

local pattern <const> = prbs "2^15-1"
local limit <const> = { ratio = 1e-6, confidence = 0.95 }

local function errors(role)
	return function(test)
		local last = time_to_prove("E1", limit)
		local seen = test:take { last = last, play = { [role] = pattern },
			expect = { [role] = pattern } }
		test:check_arrival(seen, role)
		test:check_bit_errors(seen, role, limit)
	end
end

local function replayed(role)
	return function(test)
		local kept = test:take { name = "record", last = "1 s", play = { [role] = pattern },
			record = { as = role .. " traffic", role } }
		local again = replay(kept.recording)
		local seen = test:take { name = "replay", play = { [role] = again },
			expect = { [role] = again } }
		test:check_played_as_recorded(seen, role)
		test:check_returned_as_recorded(seen, role)
	end
end

for _, role in ipairs { "first", "second" } do
	case(role .. "-errors") {
		title = "No errors on the " .. role .. " group",
		method = "Exact Poisson limits (Garwood 1936); ITU-T O.150 pattern.",
		estimate = "2 s",
		time_limit = "1 min",
		uses = { role },
		run = errors(role),
	}
	case(role .. "-replay") {
		title = "Traffic of the " .. role .. " group, played back, returns the same bits",
		estimate = "2 s",
		time_limit = "1 min",
		uses = { role },
		run = replayed(role),
	}
end

case "line-loss" {
	title = "Loss of the line is reported, and clears",
	method = "ITU-T G.783: LOS at the line.",
	estimate = "1 s",
	time_limit = "1 min",
	run = function(test)
		local loss = { alarm = "LOS", on = "line", at = "200 ms", lasting = "300 ms" }
		local seen = test:take { last = "1 s", play = { first = pattern, second = pattern },
			watch = { "first", "second" }, inject = { loss } }
		test:check_alarm(seen, { alarm = "LOS", on = "line", by = "unit", after = loss })
	end,
}

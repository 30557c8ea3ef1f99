-- SPDX-License-Identifier: Apache-2.0
-- How fast a defect must be declared and must clear, with the standard's clause, and what follows
-- from it. Times are the longest that the standard allows, with the wait for the next unit that
-- carries the information (frame, multiframe, trace); persistence by way of ITU-T G.783 is from
-- memory where its clause is not named, ANSI T1.231 as RFC 3592 and RFC 4805 give it.
--
-- downstream: what the unit sends out of its tributaries; upstream: what it sends back. ITU-T G.783
-- consequent actions, from memory; PLM and LOM send no RDI back in plain RDI mode.
local core = require "core"
local spec = require "spec"

local alarms = {}

local frame <const> = 125000
local multiframe <const> = 500000

-- Of lines.
local line <const> = {
	LOS = { raised = 100000, cleared = 1000000, downstream = "AIS", upstream = "MS-RDI",
		standard = "ANSI T1.231 (RFC 3592 3.5): 2.3 to 100 us without transitions" },
	OOF = { raised = 6 * frame, cleared = 3 * frame,
		standard = "ITU-T G.783: 625 us, back within 250 us (from memory)", lasting = "2 ms" },
	LOF = { raised = 3000000 + 6 * frame, cleared = 3000000 + 3 * frame, downstream = "AIS",
		upstream = "MS-RDI", standard = "ITU-T G.783: OOF for 3 ms (from memory)" },
	["RS-TIM"] = { raised = 64 * frame, cleared = 64 * frame, downstream = "AIS",
		upstream = "MS-RDI", standard = "ITU-T G.783: three equal traces of 16 frames" },
	["MS-AIS"] = { raised = 6 * frame, cleared = 6 * frame, downstream = "AIS",
		upstream = "MS-RDI", standard = "ITU-T G.783: K2 in 3 to 5 frames" },
	["MS-RDI"] = { raised = 6 * frame, cleared = 6 * frame,
		standard = "ITU-T G.783: K2 in 3 to 5 frames" },
	["AU-AIS"] = { raised = 4 * frame, cleared = 4 * frame, downstream = "AIS",
		upstream = "HP-RDI", standard = "ITU-T G.783: 3 frames" },
	["AU-LOP"] = { raised = 11 * frame, cleared = 4 * frame, downstream = "AIS",
		upstream = "HP-RDI", standard = "ITU-T G.783: 8 to 10 pointers" },
	["HP-UNEQ"] = { raised = 6 * frame, cleared = 6 * frame, downstream = "AIS",
		upstream = "HP-RDI", standard = "ITU-T G.783: C2 in 5 frames" },
	["HP-TIM"] = { raised = 64 * frame, cleared = 64 * frame, downstream = "AIS",
		upstream = "HP-RDI", standard = "ITU-T G.783: three equal traces of 16 frames" },
	["HP-PLM"] = { raised = 6 * frame, cleared = 6 * frame, downstream = "AIS",
		standard = "ITU-T G.783: C2 in 5 frames" },
	["HP-RDI"] = { raised = 11 * frame, cleared = 11 * frame,
		standard = "ITU-T G.783: G1 in 3, 5 or 10 frames" },
	["HP-LOM"] = { raised = 5000000 + frame, cleared = 8 * frame, downstream = "AIS",
		standard = "ITU-T G.783: H4 not recovered for 1 to 5 ms" },
}

-- Of tributaries inside a line, and of the path that carries them.
local tributary <const> = {
	["TU-AIS"] = { raised = 4 * multiframe, cleared = 4 * multiframe, downstream = "AIS",
		upstream = "LP-RDI", standard = "ITU-T G.783: 3 multiframes" },
	["TU-LOP"] = { raised = 11 * multiframe, cleared = 4 * multiframe, downstream = "AIS",
		upstream = "LP-RDI", standard = "ITU-T G.783: 8 to 10 pointers" },
	["LP-UNEQ"] = { raised = 6 * multiframe, cleared = 6 * multiframe, downstream = "AIS",
		upstream = "LP-RDI", standard = "ITU-T G.783: V5 in 5 multiframes" },
	["LP-TIM"] = { raised = 64 * multiframe, cleared = 64 * multiframe, downstream = "AIS",
		upstream = "LP-RDI", standard = "ITU-T G.783: three equal traces of 16 multiframes" },
	["LP-PLM"] = { raised = 6 * multiframe, cleared = 6 * multiframe, downstream = "AIS",
		standard = "ITU-T G.783: V5 in 5 multiframes" },
	["LP-RDI"] = { raised = 11 * multiframe, cleared = 11 * multiframe,
		standard = "ITU-T G.783: V5 bit 8 in 3, 5 or 10 multiframes" },
	["LP-RFI"] = { raised = 5000000 + multiframe, cleared = 50000000,
		standard = "ITU-T G.707 9.3.2.1; times from memory" },
}

-- Of the signal of a tributary. The unit sends AIS on in the line, as a tributary of it.
local e1 <const> = {
	LOS = { raised = 255 * 1000000 // 2048, cleared = 2 * 255 * 1000000 // 2048,
		in_line = "AIS", standard = "ITU-T G.775 4: 10 to 255 intervals" },
	AIS = { raised = 3 * 250000, cleared = 3 * 250000,
		standard = "ITU-T G.775 5.2: two periods of 512 bits, at unknown phase" },
	LOF = { raised = 4 * 250000, cleared = 2000000,
		standard = "ITU-T G.706 4.1: three bad words; found again by three words" },
	RAI = { raised = 6 * 250000, cleared = 6 * 250000,
		standard = "ITU-T G.775 6: 2 to 5 double frames" },
	LOM = { raised = 16000000, cleared = 16000000,
		standard = "ITU-T G.706 4.2: not found in 8 ms, once the old one is given up" },
	["TS16-LOM"] = { raised = 3 * 2000000, cleared = 2 * 2000000,
		standard = "ITU-T G.732 5.2: two multiframes" },
	["TS16-AIS"] = { raised = 3 * 2000000, cleared = 2000000,
		standard = "ITU-T G.732 4.2.6: two multiframes" },
	["TS16-RAI"] = { raised = 3 * 2000000, cleared = 2 * 2000000,
		standard = "ITU-T G.732 (as O.162): two multiframes" },
}
local t1 <const> = {
	LOS = { raised = 250 * 1000000 // 1544, cleared = 3 * 250 * 1000000 // 1544,
		in_line = "AIS", standard = "ANSI T1.231: 175 +- 75 positions" },
	AIS = { raised = 78000000, cleared = 78000000, standard = "ITU-T G.775 5.4: 3 to 75 ms" },
	OOF = { raised = 3000000, cleared = 50000000,
		standard = "ANSI T1.231 (RFC 4805 3.4): 2 of 4 or 5 framing bits; found again: 50 ms",
		lasting = "100 ms" },
	LOF = { raised = 10000000000, cleared = 20000000000,
		standard = "ANSI T1.231: OOF for 2 to 10 s, gone for 0 to 20 s", lasting = "12 s" },
	RAI = { raised = 1000000000, cleared = 1000000000,
		standard = "ANSI T1.403: SF 335 ms, ESF 7 of 10 messages" },
}

-- Where it is declared: on a line, or on a tributary of this rate.
function alarms.of(where, alarm, rate)
	local known = line[alarm]
	if rate == "E1" then
		known = e1[alarm] or tributary[alarm]
	elseif rate == "T1" then
		known = t1[alarm] or tributary[alarm]
	elseif not rate:find("^STM") then
		known = tributary[alarm]
	end
	if not known then
		core.fail("%s: %s is no defect of a channel of %s", where, spec.show(alarm), rate)
	end
	return known
end

local trace_of <const> = { ["RS-TIM"] = "J0", ["HP-TIM"] = "J1", ["LP-TIM"] = "J2" }

-- The longest times of that defect in a case, { raised, cleared, standard, ... }. A trace of 64
-- bytes that is expected there takes four times as long as one of 16.
function alarms.times(case, where, alarm, role)
	local entry = alarms.of(where, alarm, case.needs[role].rate)
	local field = trace_of[alarm]
	if not field or not case.long_traces[role .. " " .. field] then
		return entry
	end
	local long = {}
	for key, value in pairs(entry) do
		long[key] = value
	end
	long.raised, long.cleared = 4 * entry.raised, 4 * entry.cleared
	long.standard = "ITU-T G.783: three equal traces; here of 64 bytes"
	return long
end

-- Consequent actions begin within so long of the defect: ITU-T G.783 says 250 us for AIS, and 1 ms
-- for RDI of paths (from memory); the unit's own transit is ours to allow.
alarms.action_ns = 1000000
alarms.transit_ns = 2000000

return alarms

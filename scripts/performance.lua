-- SPDX-License-Identifier: Apache-2.0
-- Error performance of a take: errored and severely errored seconds, background block errors.
local core = require "core"
local spec = require "spec"
local text = require "text"

-- What a standard's name means here: which of a meter's counts, and what is judged of them.
local standards = {
	["G.821"] = {
		counts = function(m)
			return {
				available = m.available_seconds,
				unavailable = m.unavailable_seconds,
				es = m.errored_seconds,
				ses = m.severely_errored_seconds,
			}
		end,
		how = "second by second from bits: severe from a ratio of 1e-3 or with a defect",
	},
	["G.826"] = {
		counts = function(m)
			return {
				available = m.block_available_seconds,
				unavailable = m.block_unavailable_seconds,
				es = m.block_errored_seconds,
				ses = m.block_severely_errored_seconds,
				bbe = m.background_block_errors,
				blocks = m.checked_blocks,
			}
		end,
		how = "second by second from blocks: severe from 30 % errored ones or with a defect",
	},
}

local ratios = {
	{ key = "es_ratio", count = "es", of = "available", title = "errored second ratio",
		what = "errored seconds", whole = "available seconds" },
	{ key = "ses_ratio", count = "ses", of = "available",
		title = "severely errored second ratio", what = "severely errored seconds",
		whole = "available seconds" },
	{ key = "bbe_ratio", count = "bbe", of = "blocks",
		title = "background block error ratio", what = "background block errors",
		whole = "blocks" },
}

local performance = {}

-- In service, by the parity that the signal itself carries: which standard judges what.
local by_parity = {
	["G.826"] = "E1 and T1 with CRC",
	["G.828"] = "paths of SDH",
	["G.829"] = "sections of SDH",
}

local function check_table(where, c)
	if spec.kind(c.limits) ~= "limits" then
		core.fail("%s: limits is not a table of limits; write limits = limits_file "
			.. "\"limits-m2100.yaml\" at the top of the campaign", where)
	end
	if c.es_ratio or c.ses_ratio or c.bbe_ratio or c.confidence then
		core.fail("%s: limits are those of the file; leave out es_ratio, ses_ratio, bbe_ratio "
			.. "and confidence", where)
	end
	if not (c.allocation and c.allocation > 0 and c.allocation <= 1) then
		core.fail("%s: allocation must be above 0 and at most 1: the share of the end-to-end "
			.. "objective that this path has, such as 0.01", where)
	end
	if c.by and c.path then
		core.fail("%s: by parity the path is known; leave out path", where)
	end
	if not c.by and not c.path then
		core.fail("%s: path is missing; name the rows of the file to judge by, such as \"E1\"",
			where)
	end
end

local function limits_of(where, c)
	spec.fields(where, c, { standard = "string", es_ratio = "number?", ses_ratio = "number?",
		bbe_ratio = "number?", confidence = "number?", by = "string?", place = "string?",
		ends = "string?", limits = "table?", allocation = "number?", path = "string?" })
	local standard = standards[c.standard]
	if c.by and c.by ~= "parity" then
		core.fail("%s: by must be \"parity\" (in service), or left out: against what was sent",
			where)
	end
	if c.by then
		if not by_parity[c.standard] then
			core.fail("%s: standard %s is not known here; by parity use \"G.826\" (E1 and T1 "
				.. "with CRC), \"G.828\" (paths) or \"G.829\" (sections)", where,
				spec.show(c.standard))
		end
		if c.ends and c.ends ~= "near" and c.ends ~= "far" then
			core.fail("%s: ends must be \"near\" or \"far\", or left out for both", where)
		end
		standard = { how = "second by second from the signal's own parity: severe from the "
			.. "standard's share of errored blocks or with a defect" }
	elseif c.place or c.ends then
		core.fail("%s: place and ends need by = \"parity\"", where)
	elseif not standard then
		core.fail("%s: standard %s is not known here; use \"G.821\" (from bits) or "
			.. "\"G.826\" (from blocks), or by = \"parity\" for \"G.828\" and \"G.829\"", where,
			spec.show(c.standard))
	end
	if c.standard == "G.821" and c.bbe_ratio then
		core.fail("%s: bbe_ratio needs blocks; use standard = \"G.826\"", where)
	end
	if c.limits then
		check_table(where, c)
		return standard
	end
	if c.allocation or c.path then
		core.fail("%s: allocation and path need limits", where)
	end
	local any = false
	for _, r in ipairs(ratios) do
		local limit = c[r.key]
		any = any or limit ~= nil
		if limit and not (limit > 0 and limit < 1) then
			core.fail("%s: %s must lie between 0 and 1, such as 0.04", where, r.key)
		end
	end
	if not any then
		core.fail("%s: no limit; give es_ratio, ses_ratio or bbe_ratio, or limits", where)
	end
	local confidence = c.confidence or 0.95
	if not (confidence >= 0.5 and confidence < 1) then
		core.fail("%s: confidence must be at least 0.5 and below 1, such as 0.95", where)
	end
	return standard, confidence
end

local function judge(self, m, standard, counts, r, limit, confidence, name, where)
	local count, whole = counts[r.count], counts[r.of]
	local j = core.judge_share(count, whole, limit, confidence, r.what, r.whole)
	local reason = j.reason
	if counts.unavailable > 0 then
		reason = string.format("%s; %d s were unavailable and do not count", reason,
			counts.unavailable)
	end
	if counts.unread and counts.unread > 0 then
		reason = string.format("%s; in %d s its report could not be read", reason, counts.unread)
	end
	self:check {
		kind = "performance", title = r.title .. (where and ", " .. where or ""),
		channel = m.channel, verdict = j.verdict,
		value = whole > 0 and text.ratio(count / whole) or nil, relation = "below",
		limit = text.ratio(limit), confidence = text.percent(confidence),
		lower = text.ratio(j.lower), upper = text.ratio(j.upper),
		rule = j.rule .. "; " .. standard.how, reason = reason, standard = "ITU-T " .. name,
	}
end

-- By a table of limits in the manner of M.2100: one check for each event that has a row. True when
-- there was one.
local function judge_by_table(self, m, standard, counts, c, path, where)
	local any = false
	for _, r in ipairs(ratios) do
		local count, whole = counts[r.count], counts[r.of]
		local j = whole and core.judge_limits(c.limits.file, path, r.count, c.allocation, whole,
			count)
		if j then
			any = true
			local verdict = j.verdict
			local reason = string.format("%d %s in %d %s; accepted up to S1 = %.4g, rejected "
				.. "above S2 = %.4g (BISPO %.4g)", count, r.what, whole, r.whole, j.s1, j.s2,
				j.bispo)
			if j.s1 < 0 or whole == 0 then
				reason = string.format("%s; too short to accept anything, which takes %.0f %s",
					reason, math.ceil(j.least), r.whole)
			end
			if counts.unavailable > 0 then
				-- Time that does not count cannot bring a path into service.
				verdict = verdict == "pass" and "inconclusive" or verdict
				reason = string.format("%s; %d s were unavailable: repeat the test", reason,
					counts.unavailable)
			end
			self:check {
				kind = "performance", title = r.what .. " for bringing into service"
					.. (where and ", " .. where or ""),
				channel = m.channel, verdict = verdict, value = tostring(count),
				limit = string.format("%.4g", j.s1), relation = "at most",
				rule = string.format("%s: objective %s of %s, allocation %s; accept up to S1, "
					.. "reject above S2, else test longer; %s", c.limits.name,
					text.ratio(j.objective), path, text.percent(c.allocation), standard.how),
				reason = reason, standard = c.limits.source,
			}
		end
	end
	return any
end

local function no_row(c, path)
	core.fail("check_performance: limits %s have no row for %s that %s counts",
		spec.show(c.limits.name), spec.show(path), c.standard)
end

-- One check per limit for each meter of the role.
function performance.check(self, meters, c)
	local standard, confidence = limits_of("check_performance", c)
	for _, m in ipairs(meters()) do
		local counts = standard.counts(m)
		if c.limits and not judge_by_table(self, m, standard, counts, c, c.path) then
			no_row(c, c.path)
		end
		for _, r in ipairs(ratios) do
			if c[r.key] then
				judge(self, m, standard, counts, r, c[r.key], confidence,
					c.standard)
			end
		end
	end
end

-- The same for what the parities told: sections and paths of a line, frames of a tributary.
function performance.check_parity(self, seen, role, c)
	local standard, confidence = limits_of("check_performance", c)
	local any = false
	for _, p in ipairs(seen.performances) do
		if p.role == role and p.standard == c.standard and (not c.place or p.place == c.place)
			and (not c.ends or p.ends == c.ends) then
			any = true
			if c.limits and not judge_by_table(self, p, standard, p, c, p.path,
				string.format("%s, %s end (%s)", p.place, p.ends, p.code)) then
				no_row(c, p.path)
			end
			for _, r in ipairs(ratios) do
				if c[r.key] then
					judge(self, p, standard, p, r, c[r.key], confidence, c.standard,
						string.format("%s, %s end (%s)", p.place, p.ends, p.code))
				end
			end
		end
	end
	if not any then
		core.fail("check_performance: by parity nothing of %s%s was measured on %s in that take; "
			.. "watch the role, and for paths of tributaries follow one inside the line",
			by_parity[c.standard], c.place and " at " .. spec.show(c.place) or "",
			spec.show(role))
	end
end

return performance

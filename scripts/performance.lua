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

local function limits_of(where, c)
	spec.fields(where, c, { standard = "string", es_ratio = "number?", ses_ratio = "number?",
		bbe_ratio = "number?", confidence = "number?" })
	local standard = standards[c.standard]
	if not standard then
		core.fail("%s: standard %s is not known here; use \"G.821\" (from bits) or "
			.. "\"G.826\" (from blocks)", where, spec.show(c.standard))
	end
	if c.standard == "G.821" and c.bbe_ratio then
		core.fail("%s: bbe_ratio needs blocks; use standard = \"G.826\"", where)
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
		core.fail("%s: no limit; give es_ratio, ses_ratio or bbe_ratio", where)
	end
	local confidence = c.confidence or 0.95
	if not (confidence >= 0.5 and confidence < 1) then
		core.fail("%s: confidence must be at least 0.5 and below 1, such as 0.95", where)
	end
	return standard, confidence
end

local function judge(self, m, standard, counts, r, limit, confidence, name)
	local count, whole = counts[r.count], counts[r.of]
	local j = core.judge_share(count, whole, limit, confidence, r.what, r.whole)
	local reason = j.reason
	if counts.unavailable > 0 then
		reason = string.format("%s; %d s were unavailable and do not count", reason,
			counts.unavailable)
	end
	self:check {
		kind = "performance", title = r.title, channel = m.channel, verdict = j.verdict,
		value = whole > 0 and text.ratio(count / whole) or nil, relation = "below",
		limit = text.ratio(limit), confidence = text.percent(confidence),
		lower = text.ratio(j.lower), upper = text.ratio(j.upper),
		rule = j.rule .. "; " .. standard.how, reason = reason, standard = "ITU-T " .. name,
	}
end

-- One check per limit for each meter of the role.
function performance.check(self, meters, c)
	local standard, confidence = limits_of("check_performance", c)
	for _, m in ipairs(meters) do
		local counts = standard.counts(m)
		for _, r in ipairs(ratios) do
			if c[r.key] then
				judge(self, m, standard, counts, r, c[r.key], confidence,
					c.standard)
			end
		end
	end
end

return performance

/* SPDX-License-Identifier: Apache-2.0 */
/* How verdicts follow, and what proves that nothing was altered since. */
#include "core/report/page.h"

#include <stdio.h>
#include <string.h>

#include "core/report/number.h"

void evl_page_put_rule(struct evl_page *p)
{
	evl_page_put(p,
		"<section id=\"rule\" aria-labelledby=\"h-rule\">\n"
		"<h2 id=\"h-rule\">Decision rule</h2>\n"
		"<p>Verdicts are those of TTCN-3 (ETSI ES 201 873-1, clause 24): none, pass, "
		"inconclusive, fail, error. A case has the worst verdict of its checks, the run "
		"the worst of its cases; a verdict never gets better.</p>\n<ul>\n"
		"<li><strong>Ratios</strong> get exact confidence limits for a Poisson count "
		"(Garwood 1936), a lower and an upper one, each one-sided at the confidence that "
		"the check names. It passes when the upper limit lies below what is wanted, "
		"fails when the lower limit lies above it, and is inconclusive between. Zero "
		"errors in too few bits is therefore inconclusive, not a pass. The rule holds "
		"for independent errors; bursts need counts of errored seconds.</li>\n"
		"<li><strong>Risk:</strong> a unit that is exactly at the limit passes (or "
		"fails) a single such check with a chance of at most one minus the confidence. "
		"The chance that at least one of many such checks errs is higher.</li>\n"
		"<li><strong>Other claims</strong> (the right pattern on the right channel, "
		"equal digests, an alarm within its time) are as the rule beside each says. They "
		"carry no allowance for measurement uncertainty: times on the virtual clock are "
		"exact to one frame of 125 µs or better, and digests agree or do not.</li>\n"
		"<li><strong>error</strong> is given by the test system, never by a check of the "
		"unit: the test went wrong, and nothing about the unit follows from it.</li>\n"
		"</ul>\n</section>\n");
}

static void put_files(struct evl_page *p)
{
	evl_page_put(p,
		"<h3 id=\"h-files\">Files beside this report</h3>\n"
		"<div class=\"wide\" tabindex=\"0\" role=\"group\" "
		"aria-labelledby=\"h-files\"><table>\n"
		"<thead><tr><th scope=\"col\">File</th><th scope=\"col\">What</th><th "
		"scope=\"col\" class=\"n\">Size</th><th scope=\"col\">SHA-256</th></tr></thead>\n"
		"<tbody>\n");
	for (size_t i = 0; i < p->facts->file_count; i++) {
		const struct evl_page_file *f = &p->facts->files[i];
		evl_page_put(p,
			"<tr><th scope=\"row\">$</th><td>$</td><td class=\"n\">$</td><td><code "
			"class=\"hash\">$</code></td></tr>\n",
			f->name, f->what, evl_num_bytes((int64_t)f->bytes).s, f->sha256);
	}
	evl_page_put(p, "</tbody></table></div>\n<p class=\"quiet\">manifest.json lists these, "
			"this report (report.html and report.pdf, the same content) and VERIFY.txt "
			"with their digests; manifest.p7s signs "
			"manifest.json; signer.pem is the certificate.</p>\n");
}

static void put_recordings(struct evl_page *p)
{
	if (p->run->recording_count == 0) {
		return;
	}
	evl_page_put(p,
		"<h3 id=\"h-recordings\">Recordings</h3>\n<p>$ They may hold personal data: "
		"use and passing on need authority.</p>\n"
		"<div class=\"wide\" tabindex=\"0\" role=\"group\" "
		"aria-labelledby=\"h-recordings\"><table>\n"
		"<thead><tr><th scope=\"col\">Recording</th><th scope=\"col\">Case</th><th "
		"scope=\"col\" class=\"n\">Channels</th><th scope=\"col\" "
		"class=\"n\">Size</th><th scope=\"col\">SHA-256 of the file</th></tr></thead>\n"
		"<tbody>\n",
		p->facts->recordings
			? "They are in this dossier: recording-1.tar and so on, in this order."
			: "They stay with the laboratory; who has one can check it against these "
			  "digests.");
	for (size_t i = 0; i < p->run->recording_count; i++) {
		const struct evl_row_recording *r = &p->run->recordings[i];
		const struct evl_row_case *k = evl_run_case(p->run, r->case_no);
		int64_t channels = 0;
		for (size_t c = 0; c < p->run->recording_channel_count; c++) {
			channels += p->run->recording_channels[c].recording_no == r->ordinal;
		}
		evl_page_put(p,
			"<tr><th scope=\"row\">$</th><td>$</td><td class=\"n\">$</td><td "
			"class=\"n\">$</td><td><code class=\"hash\">$</code></td></tr>\n",
			r->name, k == NULL ? "" : k->name, evl_num_count(channels).s,
			evl_num_bytes(r->bytes).s,
			r->finished && r->file_sha256 != NULL ? r->file_sha256 : "not finished");
	}
	evl_page_put(p,
		"</tbody></table></div>\n"
		"<details><summary>Digests of the recorded channels</summary>\n"
		"<div class=\"wide\" tabindex=\"0\" role=\"group\" aria-label=\"Recorded "
		"channels\"><table>\n"
		"<thead><tr><th scope=\"col\">Recording</th><th scope=\"col\">Channel</th><th "
		"scope=\"col\">Direction</th><th scope=\"col\" class=\"n\">Bits</th><th "
		"scope=\"col\">SHA-256</th></tr></thead>\n<tbody>\n");
	for (size_t c = 0; c < p->run->recording_channel_count; c++) {
		const struct evl_row_recording_channel *rc = &p->run->recording_channels[c];
		const char *name = "";
		if (rc->recording_no >= 0 && (size_t)rc->recording_no < p->run->recording_count) {
			name = p->run->recordings[rc->recording_no].name;
		}
		evl_page_put(p,
			"<tr><th scope=\"row\">$</th><td>$</td><td>$</td><td "
			"class=\"n\">$</td><td><code class=\"hash\">$</code></td></tr>\n",
			name, rc->name, rc->direction, evl_num_count(rc->bits).s,
			rc->digest == NULL ? "none made" : rc->digest);
	}
	evl_page_put(p, "</tbody></table></div></details>\n");
}

/* Instants that met a condition of a take, and where they are kept. */
static void put_marks(struct evl_page *p)
{
	if (p->run->take_mark_count == 0) {
		return;
	}
	evl_page_put(p,
		"<h3 id=\"h-marks\">Triggers and marks</h3>\n"
		"<div class=\"wide\" tabindex=\"0\" role=\"region\" "
		"aria-labelledby=\"h-marks\"><table>\n"
		"<thead><tr><th scope=\"col\">Bench time</th><th scope=\"col\">What</th><th "
		"scope=\"col\">Case</th><th scope=\"col\">Recording</th></tr></thead>\n<tbody>\n");
	for (size_t i = 0; i < p->run->take_mark_count; i++) {
		const struct evl_row_mark *m = &p->run->take_marks[i];
		const struct evl_row_case *k = evl_run_case(p->run, m->case_no);
		evl_page_put(p,
			"<tr><th scope=\"row\">$</th><td>$$</td><td>$</td><td>$</td></tr>\n",
			evl_num_time(m->at_ns).s, m->text, m->trigger ? " (trigger)" : "",
			k == NULL ? "" : k->name, m->recording == NULL ? "none" : m->recording);
	}
	evl_page_put(p, "</tbody></table></div>\n");
}

static void put_signature(struct evl_page *p)
{
	if (p->facts->demo_key) {
		evl_page_put(p, "<p class=\"notice\"><strong>Demonstration key.</strong> The key "
				"was made when this dossier was written and thrown away. The "
				"signature proves that nothing was altered since; it does not "
				"prove who made it.</p>\n");
		return;
	}
	evl_page_put(p,
		"<p>Signed by <strong>$</strong>; certificate SHA-256 <code "
		"class=\"hash\">$</code>. Compare it with one that the laboratory gave you by "
		"another way.</p>\n",
		p->facts->subject, p->facts->fingerprint);
}

/* What is withheld, or that it is shown. */
static void put_personal(struct evl_page *p)
{
	if (p->run->personal_count == 0) {
		return;
	}
	evl_page_put(p,
		"<h3 id=\"h-personal\">Personal data</h3>\n<p>The run holds "
		"<strong>$</strong> that its campaign marked as personal data, "
		"such as digits of subscribers. ",
		evl_num_count((int64_t)p->run->personal_count).s);
	evl_page_put(p, "$</p>\n",
		p->facts->revealed
			? "They are shown in this report, and personal.json proves them: pass it "
			  "on only to those who may have them."
			: "This report shows [withheld] with a number in the place of each. The "
			  "evidence holds a digest of each text with a secret salt, so that the "
			  "laboratory can show any of them later and prove it; all other evidence "
			  "is complete.");
}

void evl_page_put_evidence(struct evl_page *p)
{
	evl_page_put(p, "<section id=\"evidence\" aria-labelledby=\"h-evidence\">\n<h2 "
			"id=\"h-evidence\">Evidence</h2>\n");
	put_signature(p);
	put_personal(p);
	evl_page_put(p,
		"<dl class=\"how\"><dt>Head of the hash chain</dt><dd><code "
		"class=\"hash\">$</code> after $</dd><dt>Results digest</dt><dd><code "
		"class=\"hash\">$</code><br/><span class=\"quiet\">The same for every run of this "
		"campaign, bench, build and seed on the virtual clock that gives the same "
		"results, on any machine.</span></dd><dt>Software</dt><dd>$</dd><dt>Lua library, "
		"SHA-256</dt><dd><code class=\"hash\">$</code></dd><dt>To "
		"check</dt><dd>VERIFY.txt has the commands, which need OpenSSL, "
		"sha256sum and Python. "
		"<code>evenlode verify</code> does all of it and recomputes the chain.</dd></dl>\n",
		p->facts->chain_head, evl_num_of(p->facts->chain_links, "row").s,
		p->facts->results_digest, p->run->run.software_version,
		p->run->run.library_sha256 == NULL ? "not stated" : p->run->run.library_sha256);
	put_files(p);
	put_recordings(p);
	put_marks(p);
	evl_page_put(p, "</section>\n");
}

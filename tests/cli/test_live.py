# SPDX-License-Identifier: Apache-2.0
"""The live view of a run: what it serves, what it costs, that it changes nothing; in a browser.

Sources: server-sent events by the HTML standard (WHATWG, 9.2.6); contrast by WCAG 2.1, success
criterion 1.4.3, with its definition of relative luminance; JSON by Python's json module.
PICTURES=DIR keeps pictures of the page.
"""
import atexit
import http.client
import os
import re
import subprocess
import sys
import time
import urllib.parse

import blackbox as b
import night_place as n
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import browser

CASES = b.ARRIVAL + '''\
case "long" { title = "Long take", time_limit = "20 h", run = function(test)
    local seen = test:take { last = "%s", play = { trib = prbs "2^15-1" },
        expect = { trib = prbs "2^15-1" },
        inject = { { on = "line", alarm = "LOS", at = "2 s", lasting = "9 h" } } }
    test:check_arrival(seen, "trib")
end }
'''


def long_cases(last):
    return CASES % last


class Page:
    """A command with its page."""

    def __init__(self, p, *args):
        self.p = p
        self.child = p.start(*args, '--progress', 'none', '--live', '0', stdout=subprocess.PIPE,
                             stderr=subprocess.PIPE)
        atexit.register(self.child.kill)  # also when a test fails in between
        line = self.child.stderr.readline().decode()
        self.url = re.fullmatch(r'live view: (http://127\.0\.0\.1:\d+/)\n', line).group(1)
        self.host = urllib.parse.urlsplit(self.url).netloc

    def get(self, path, timeout=30):
        c = http.client.HTTPConnection(self.host, timeout=timeout)
        c.request('GET', path)
        return c, c.getresponse()

    def state(self):
        c, r = self.get('/state')
        text = r.read()
        c.close()
        return b.json.loads(text)

    def wait_for(self, holds, limit_s=60):
        end = time.monotonic() + limit_s
        while time.monotonic() < end:
            s = self.state()
            if s and holds(s):
                return s
            time.sleep(0.1)
        raise AssertionError('not reached: %s' % s)

    def stop(self):
        self.child.terminate()
        out, err = self.child.communicate(timeout=b.TIME_LIMIT_S)
        return self.child.returncode, out.decode(), err.decode()


class Run(Page):
    def __init__(self, p, last='10 h', build='B', more=()):
        super().__init__(p, 'run', p.campaign(long_cases(last), name='live.lua'), '--bench',
                         p.bench, '--build', build, '--store', p.store, *more)


def events(r, seconds):
    """Data of the events within so many seconds, each with its arrival."""
    got, end, data = [], time.monotonic() + seconds, ''
    while time.monotonic() < end:
        line = r.readline().decode()
        if line == '':
            break
        if line == '\n':
            if data:
                got.append((time.monotonic(), b.json.loads(data)))
            data = ''
        elif line.startswith('data: '):
            data += line[6:]
    return got


def cpu_ns(pid, others_than_main):
    total = 0
    for task in os.listdir('/proc/%d/task' % pid):
        if others_than_main and int(task) == pid:
            continue
        with open('/proc/%d/task/%s/schedstat' % (pid, task)) as f:
            total += int(f.read().split()[0])
    return total


def test_events(p):
    """Case, take, channels, alarms and time left arrive, at most twice a second, for little."""
    run = Run(p)
    run.wait_for(lambda s: s['case'] == 'long' and s['done_ms'] > 3000)
    c, r = run.get('/events')
    assert r.status == 200 and r.getheader('Content-Type') == 'text/event-stream'
    begun, used = time.monotonic(), cpu_ns(run.child.pid, True)
    got = events(r, 6)
    used, took = cpu_ns(run.child.pid, True) - used, time.monotonic() - begun
    share = used / 1e9 / took
    assert share < 0.02, 'the threads of the page use %.2f %% of a core' % (100 * share)
    assert 2 <= len(got) <= 2 * took + 2, len(got)
    apart = [y[0] - x[0] for x, y in zip(got[1:], got[2:])]
    assert min(apart) > 0.3, apart
    s = got[-1][1]
    assert s['run'] == 1 and s['case_number'] == 2 and s['case_count'] == 2, s
    assert s['cases'] == [['arrival', 'fail'], ['long', '']] and s['verdict'] == 'fail', s
    assert s['all_ms'] == 36000000 and s['left_ms'] > 1000 and s['failed'] == 2, s
    assert got[-1][1]['done_ms'] > got[0][1]['done_ms']
    by_name = {ch[0]: ch for ch in s['channels']}
    assert len(by_name) == 5
    line = by_name['line']
    assert 'LOS' in line[5].split(', '), line
    # The line is dark, so no tributary brings its pattern: shown as without sync.
    assert {ch[2] for n, ch in by_name.items() if n.startswith('trib')} == {2}, by_name
    c.close()
    status, out, err = run.stop()
    assert status == 1 and err == '', (status, err)
    print('# the threads of the page use %.2f %% of a core' % (100 * share))


def test_the_end_is_told(p):
    run = Run(p, last='4 s', build='A')
    c, r = run.get('/events')
    got = events(r, 300)  # the server ends the stream
    out, err = run.child.communicate(timeout=b.TIME_LIMIT_S)
    last = got[-1][1]
    assert last['ended'] and last['verdict'] == 'pass', last
    assert run.child.returncode == 0 and [c[0] for c in last['cases']] == ['arrival', 'long']
    c.close()


def test_nothing_changes(p):
    """The same results with and without a page, and with somebody who follows it."""
    def digest(text):
        return re.search(r'^results   ([0-9a-f]{64})$', text, re.M).group(1)

    plain = b.expect(p.run_campaign(long_cases('4 s'), build='B'), 1)
    run = Run(p, last='4 s')
    c, r = run.get('/events')
    events(r, 300)
    out, err = run.child.communicate(timeout=b.TIME_LIMIT_S)
    c.close()
    assert digest(plain.out) == digest(out.decode())
    unseen = b.expect(p.run_campaign(long_cases('4 s'), build='B', more=('--live', '0')), 1)
    assert digest(plain.out) == digest(unseen.out)


def test_bad_options(p):
    for value, words in (('', 'no port'), ('80x', 'no port'), ('65536', 'no port'),
                         ('-1', 'no port'), (':80', 'no port'),
                         ('nowhere:80', 'is no IP address'), ('1.2.3:80', 'is no IP address')):
        r = p.run_campaign(b.ARRIVAL, more=('--live', value))
        b.refused(r, 64, words)
    run = Run(p)
    taken = run.host.split(':')[1]
    r = p.run_campaign(b.ARRIVAL, more=('--live', taken), store=p.path('other.db'))
    b.refused(r, 3, 'cannot listen on 127.0.0.1, port ' + taken, 'choose another port')
    run.stop()


def luminance(rgb):
    parts = [v / 255 for v in rgb]
    r, g, bl = [v / 12.92 if v <= 0.03928 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
    return 0.2126 * r + 0.7152 * g + 0.0722 * bl


def contrast(a, c):
    x, y = sorted((luminance(a), luminance(c)))
    return (y + 0.05) / (x + 0.05)


# Colour of the text, and of the nearest ground behind it, for everything that shows text.
COLOURS = '''[...document.querySelectorAll("body *")].filter(e => e.offsetParent &&
[...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())).map(e => {
let g = e; while (g && /rgba\\(0, 0, 0, 0\\)|transparent/.test(getComputedStyle(g).backgroundColor))
g = g.parentElement;
return [e.textContent.trim().slice(0, 30), getComputedStyle(e).color,
getComputedStyle(g || document.body).backgroundColor]})'''


NO_BROWSER = 'no chromium is installed (Debian package chromium)'


def test_in_a_browser(p):
    if browser.program() is None:
        return NO_BROWSER
    run = Run(p)
    with browser.Browser() as page:
        page.open(run.url)
        page.wait('Number(document.body.dataset.shown) >= 2 && '
                  'document.getElementById("case").textContent.includes("long")')
        page.wait('document.querySelectorAll("#channels .alarm")[0].textContent.includes("LOS")')
        for width in (1280, 400):
            page.size(width, 900)
            for scheme in ('light', 'dark'):
                page.colours(scheme)
                time.sleep(0.3)
                wide = page.value('document.documentElement.scrollWidth')
                assert wide <= width, 'at %d px the page is %d wide' % (width, wide)
                seen = page.value(COLOURS)
                assert len(seen) > 20
                for text, ink, ground in seen:
                    pair = [[int(float(v)) for v in re.findall(r'[\d.]+', x)[:3]]
                            for x in (ink, ground)]
                    assert contrast(*pair) >= 4.5, (scheme, text, ink, ground)
                if os.environ.get('PICTURES'):
                    page.picture(os.path.join(os.environ['PICTURES'],
                                              'live-%d-%s.png' % (width, scheme)))
        text = page.value('document.body.innerText')
        for words in ('run 1', 'Small', 'bench small, build B, virtual clock', '2 of 2: long',
                      'following the run', 'trib 1', 'no sync', 'LOS', '2 failed'):
            assert words in text, (words, text)
        # Words and signs besides colour: each channel says its state in text.
        for li in page.value('[...document.querySelectorAll("#channels li")].map('
                             'e => e.innerText)'):
            assert re.search('in sync|no sync|running|not in the take', li), li
        signs = page.value('[...document.querySelectorAll(".state")].map(e => e.dataset.sign)')
        assert signs and all(signs), signs
        tree = page.tree()
        roles = [r for r, _ in tree]
        assert roles.count('main') == 1 and 'banner' in roles, roles
        assert ('progressbar', 'Part of the take that is done') in \
            [(r, n) for r, n in tree if r in ('progressbar', 'ProgressIndicator')] or \
            any(n == 'Part of the take that is done' for _, n in tree), tree
        headings = [n for r, n in tree if r == 'heading']
        assert headings == ['Small', 'Now', 'Cases', 'Channels'], headings
        assert roles.count('status') == 2, roles
        first = page.value('Number(document.body.dataset.shown)')
        page.wait('Number(document.body.dataset.shown) > %d' % first)
        status, _, _ = run.stop()
        assert status == 1
        page.wait('document.getElementById("link").textContent === "the run has ended"')
        assert 'The run has ended: fail.' in page.value('document.body.innerText')
        assert page.errors == [], page.errors


def test_the_run_is_killed(p):
    """The page says that what it shows is old."""
    if browser.program() is None:
        return NO_BROWSER
    run = Run(p)
    with browser.Browser() as page:
        page.open(run.url)
        page.wait('Number(document.body.dataset.shown) >= 1')
        run.child.kill()
        run.child.communicate()
        page.wait('document.getElementById("link").className === "lost"')
        assert 'no connection; what is shown is of' in page.value('document.body.innerText')


def test_night(p):
    """One page for all runs of a night: cases and channels are those of the run of now. SIGTERM
    ends the night within the time that docs/night.md states."""
    text = n.NIGHT.replace('repeat: 2, ', '').replace('[A, B]', '[A]')
    n.write_night(p, text)
    p.write('second.lua', b.HEAD.replace('"small"', '"second"') + b.LONG)
    page = Page(p, 'night', p.path('night.yaml'))
    s = page.wait_for(lambda s: s['campaign'] == 'second' and s['done_ms'] > 3000)
    assert s['run'] == 2 and s['build'] == 'A' and '2 of 2, second/one/A' in s['message'], s
    assert [c[0] for c in s['cases']] == ['long'] and len(s['channels']) > 1, s
    asked = time.monotonic()
    status, out, err = page.stop()
    assert status == 2 and 'the same command goes on' in out, (status, out, err)
    assert time.monotonic() - asked < 30, 'docs/night.md says 5 s on a machine that is not busy'
    b.refused(p.run('night', p.path('night.yaml'), '--live', 'x'), 64, '--live "x"')
    b.refused(p.run('night', p.path('night.yaml'), '--live', '0', '--timetable'), 64, '--live')


b.main()

# SPDX-License-Identifier: Apache-2.0
"""A night from outside: timetable, window, order, what is left out, retries, stop rules, signals.
Source of what is wanted: docs/night.md (our own); xml.etree reads the drawing.
"""
import datetime
import json
import os
import re
import signal
import subprocess
import time
import xml.etree.ElementTree as ET

import blackbox as b
import night_place as n

WINDOW = n.NIGHT.replace('seed: 3', 'seed: 3\nzone: Europe/London\nwindow: "%s"')
# An error of the tester, not a fail of the unit: the recording is not there.
ERROR = '''\
case "good" { title = "Good", time_limit = "1 min", run = function(test)
    local seen = test:take { last = "200 ms", play = { trib = prbs "2^15-1" },
        expect = { trib = prbs "2^15-1" } }
    test:check_arrival(seen, "trib")
end }
case "lost" { title = "Lost", time_limit = "1 min", run = function(test)
    test:reference "never made"
end }
'''


def test_timetable(p):
    night = n.write_night(p)
    plan = b.expect(p.run('night', night, '--timetable', '--json'), 0).json()
    jobs = {j['id']: j for j in plan['jobs']}
    assert sorted(jobs) == ['first/one/A', 'first/one/B', 'second/one/A/1', 'second/one/A/2',
                            'second/one/B/1', 'second/one/B/2']
    # Three cases of 2 min each, as the campaign states, one run at a time.
    assert jobs['first/one/A']['duration_ns'] == 6 * 60 * 10**9
    assert plan['end_ns'] == plan['bound_ns'] == (2 * 6 + 4 * 4) * 60 * 10**9
    for build in 'AB':
        for repeat in '12':
            assert jobs['second/one/%s/%s' % (build, repeat)]['start_ns'] >= \
                jobs['first/one/%s' % build]['end_ns']
    assert not os.path.exists(p.path('night.db')), 'a timetable makes no store'
    b.expect(p.run('night', night, '--timetable', '--svg', p.path('t.svg')), 0, 'never run',
             'lower bound', '6 planned, 0 left out')
    root = ET.parse(p.path('t.svg')).getroot()
    assert root.tag.endswith('svg')
    boxes = [r for r in root.iter('{http://www.w3.org/2000/svg}rect') if r.get('class') == 'job']
    assert len(boxes) == 6
    edges = sorted((int(r.get('x')), int(r.get('x')) + int(r.get('width'))) for r in boxes)
    assert all(a[1] <= c[0] for a, c in zip(edges, edges[1:])), edges


def test_window_and_what_does_not_fit(p):
    """The window of a winter evening in London, 10 minutes long: one of six fits twice over."""
    night = n.write_night(p, WINDOW % '22:00 to 22:10')
    args = ['night', night, '--timetable', '--at', '2026-11-25T17:00:00Z']
    plan = b.expect(p.run(*args, '--json'), 1).json()
    begin = datetime.datetime(2026, 11, 25, 22, 0, tzinfo=datetime.timezone.utc).timestamp()
    assert (plan['from_s'], plan['to_s']) == (begin, begin + 600)
    fits = [j['id'] for j in plan['jobs'] if j['planned']]
    # 6 min of the highest priority, then 4 min; the second of 6 min cannot go beside.
    assert fits == ['first/one/A', 'second/one/A/1'], fits
    why = {j['id']: j['why'] for j in plan['jobs'] if not j['planned']}
    assert 'proved' in why['first/one/B'] and 'waits for first/one/B' in why['second/one/B/1'], why
    b.expect(p.run(*args), 1, '2026-11-25 22:00 GMT to 2026-11-25 22:10 GMT', 'left out')
    # In summer the same window is an hour earlier in UTC.
    plan = p.run('night', night, '--timetable', '--json', '--at', '2026-07-01T12:00:00Z').json()
    assert plan['from_s'] == datetime.datetime(2026, 7, 1, 21, 0,
                                               tzinfo=datetime.timezone.utc).timestamp()
    n.write_night(p, WINDOW.replace('Europe/London', 'Europe/Nowhere') % '22:00 to 06:00')
    b.refused(p.run('night', night, '--timetable'), 3, 'night.yaml:5', 'Europe/Nowhere')


def test_order_of_the_second_night(p):
    """What failed comes before what passed, a new build before both; what changed is told."""
    night = n.write_night(p, n.NIGHT.replace(', repeat: 2', ''))
    r = b.expect(p.run('night', night, '--progress', 'plain'), 1, 'all runs are done')
    assert re.search(r'^fail +run 2 +first/one/B$', r.out, re.M), str(r)
    n.write_night(p, n.NIGHT.replace(', repeat: 2', '').replace('[A, B]', '[A, B, C]'))
    r = b.expect(p.run('night', night, '--timetable'), 3, 'cannot run')  # the unit has no build C
    order = re.findall(r'^\d\d:\d\d to \d\d:\d\d +(\S+)', r.out, re.M)
    assert order == ['first/one/B', 'first/one/A', 'second/one/B', 'second/one/A'], order
    assert 'as in 2 runs before' in r.out and 'failed at 20' in r.out
    with open(p.path('first.lua'), 'a', encoding='utf-8') as f:
        f.write('-- changed\n')
    r = p.run('night', night, '--timetable')
    assert 'changed since 20' in r.out, str(r)


def test_retry_of_errors_only(p):
    """A case with verdict error is tried again, what passed is not; a fail never is."""
    n.write_night(p, n.NIGHT.replace('seed: 3', 'seed: 3\nretry: {error: 2}').replace(
        'second.lua, repeat: 2, after: [first]', 'error.lua'))
    p.write('error.lua', b.HEAD.replace('"small"', '"error"') + ERROR)
    r = b.expect(p.run('night', p.path('night.yaml'), '--progress', 'plain'), 3)
    assert r.err.count('errors are tried again') == 4, str(r)  # twice on each build
    runs = n.runs(p, p.path('night.db'))
    by = [(x['campaign'], x['build'], x['verdict']) for x in runs]
    assert by.count(('first', 'B', 'fail')) == 1, by
    assert by.count(('error', 'A', 'error')) == 3, by
    shown = p.run('show', str(runs[-1]['run']), '--store', p.path('night.db'), '--json').json()
    good, lost = shown['cases']
    assert 'taken over from run' in good['message'] and lost['verdict'] == 'error'
    assert 'never made' in lost['message'] and 'taken over' not in lost['message']


def test_stop_rules(p):
    n.write_night(p, n.NIGHT.replace('seed: 3', 'seed: 3\nstop: {failed_runs: 1}'))
    r = b.expect(p.run('night', p.path('night.yaml')), 1, 'stop rule: 1 runs failed')
    assert len(n.runs(p, p.path('night.db'))) == 2 and r.out.count('not run') == 4, str(r)
    # The night is over: the same command begins another one.
    b.expect(p.run('night', p.path('night.yaml'), '--resume'), 3, 'stop rule')


def test_signal_and_resume(p):
    night = n.write_night(p)
    p.write('first.lua', b.HEAD.replace('"small"', '"first"') + b.ARRIVAL + b.LONG)
    child = p.start('night', night, '--progress', 'none', stdout=subprocess.PIPE,
                    stderr=subprocess.PIPE)
    end = time.monotonic() + b.TIME_LIMIT_S
    while not any(r['cases'] == 2 for r in n.runs(p, p.path('night.db'))):
        assert time.monotonic() < end and child.poll() is None
        time.sleep(0.05)
    # A second night on the store, and a changed file, are refused meanwhile and after.
    b.refused(p.run('night', night, '--progress', 'none'), 3)
    asked = time.monotonic()
    child.send_signal(signal.SIGTERM)
    r = b.finish(child)
    assert time.monotonic() - asked < 30
    b.expect(r, 2, 'interrupted', 'broken off', 'the same command goes on')
    text = open(night, encoding='utf-8').read()
    p.write('night.yaml', text + '# changed\n')
    b.refused(p.run('night', night, '--progress', 'none'), 3, 'was changed', '--new')
    p.write('night.yaml', text)
    journal = open(p.path('night.db.night'), 'rb').read()
    # A line that was cut short never happened; a line of another program is named.
    p.write('night.db.night', journal + b'{"end":0,"run":1,"verd')
    p.write('first.lua', b.HEAD.replace('"small"', '"first"') + b.ARRIVAL)
    r = b.expect(p.run('night', night, '--resume', '--progress', 'plain'), 1, 'goes on with',
                 'all runs are done')
    lines = open(p.path('night.db.night'), encoding='utf-8').read().splitlines()
    assert all(isinstance(json.loads(line), dict) for line in lines)
    p.write('night.db.night', 'garbage\n')
    b.refused(p.run('night', night, '--progress', 'none'), 3, 'no journal of a night')


def test_bad_input(p):
    night = n.write_night(p)
    b.refused(p.run('night', p.path('none.yaml')), 3, 'none.yaml')
    b.refused(p.run('night'), 64)
    b.refused(p.run('night', night, '--svg', 'x'), 64, '--timetable')
    b.refused(p.run('night', night, '--timetable', '--at', 'noon'), 64, 'noon')
    b.refused(p.run('night', night, '--resume', '--new'), 64)
    b.refused(p.run('night', night, '--resume'), 3, 'no night was broken off')
    p.write('night.yaml', n.NIGHT.replace('first.lua', 'gone.lua, name: first'))
    r = b.expect(p.run('night', night, '--timetable'), 3, 'gone.lua', 'which cannot run')
    r = b.expect(p.run('night', night, '--progress', 'none'), 3, 'gone.lua')
    assert r.out.count('error ') >= 2, str(r)


b.main()

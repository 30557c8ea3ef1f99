# SPDX-License-Identifier: Apache-2.0
"""Whole runs of small campaigns: verdict and exit status, the store as JSON, comparison, signals.
Sources: docs/commands.md (our own) for statuses; for the statistics of an error-free channel see
tests/measure; Python's json module reads what --json writes.
"""
import os
import pty
import re
import select
import signal
import subprocess
import time

import blackbox as b

FIRST = b.ARRIVAL
ONLY_CHECK = '''\
case "own" { title = "Own", time_limit = "1 min", run = function(test)
    test:check { title = "own claim", verdict = "%s", value = "1", limit = "1", relation = "is",
        rule = "as written", standard = "common practice, no source" }
end }
'''
NOTHING = 'case "idle" { title = "Idle", time_limit = "1 min", run = function(test) end }\n'
BROKEN = 'case "broken" { title = "B", time_limit = "1 min", run = function() error "x" end }\n'


def test_exit_status(p):
    """0 pass, 1 fail, 2 inconclusive or nothing proved, 3 error; the worst case decides
    (ETSI ES 201 873-1 clause 24: a verdict only gets worse)."""
    pass_, short = b.ARRIVAL, b.TOO_SHORT
    fail = ONLY_CHECK % 'fail'
    for number, (cases, build, status, verdict) in enumerate((
            ([pass_], 'A', 0, 'pass'),
            ([pass_], 'B', 1, 'fail'),
            ([short], 'A', 2, 'inconclusive'),
            ([NOTHING], 'A', 2, 'none'),
            ([BROKEN], 'A', 3, 'error'),
            ([pass_, short], 'A', 2, 'inconclusive'),
            ([short, fail], 'A', 1, 'fail'),
            ([BROKEN, fail, pass_], 'A', 3, 'error'))):
        store = p.path('%d.db' % number)
        r = b.expect(p.run_campaign(*cases, build=build, store=store), status)
        assert re.search(r'^verdict   %s\b' % verdict, r.out, re.M), str(r)
        assert r.err == '', str(r)
        shown = b.expect(p.run('show', '1', '--store', store, '--json'), 0).json()
        assert shown['verdict'] == verdict and shown['state'] == 'finished', shown['verdict']
        assert len(shown['cases']) == len(cases)


def test_what_build_b_has(p):
    """The defects planted in the bench file are found and named by tributary."""
    r = b.expect(p.run_campaign(b.ARRIVAL, build='B'), 1)
    wrong = [line for line in r.out.splitlines() if line.startswith('    fail')]
    assert len(wrong) == 2 and 'trib 1 ' in wrong[0] and 'trib 3 ' in wrong[1], wrong
    assert 'trib 3' in wrong[0].split(':', 1)[1] and 'trib 1' in wrong[1].split(':', 1)[1], wrong


def test_one_case(p):
    two = b.ARRIVAL + NOTHING
    r = b.expect(p.run_campaign(two, more=('--case', 'arrival')), 0)
    assert 'idle' not in r.out
    shown = p.run('show', '1', '--store', p.store, '--json').json()
    assert [c['name'] for c in shown['cases']] == ['arrival']
    # A case without a claim does not change the verdict of the others.
    b.expect(p.run_campaign(two, more=('--case', 'idle', '--case', 'arrival')), 0)
    shown = p.run('show', '2', '--store', p.store, '--json').json()
    assert sorted(c['name'] for c in shown['cases']) == ['arrival', 'idle']


def digest(r):
    return re.search(r'^results   ([0-9a-f]{64})$', r.out, re.M).group(1)


def test_repeatable(p):
    """Same seed, same results to the bit; another seed gives other pattern phases."""
    first = digest(b.expect(p.run_campaign(b.ARRIVAL, build='B', more=('--seed', '7')), 1))
    other = p.path('elsewhere.db')
    again = digest(p.run_campaign(b.ARRIVAL, build='B', more=('--seed', '7'), store=other))
    assert first == again
    assert first != digest(p.run_campaign(b.ARRIVAL, build='B', more=('--seed', '8'), store=other))
    big = str(2 ** 64 - 1)
    b.expect(p.run_campaign(b.ARRIVAL, more=('--seed', big)), 0)
    runs = p.run('runs', '--store', p.store, '--json').json()['runs']
    assert [r['seed'] for r in runs] == ['7', big]


def test_json_and_text_agree(p):
    b.expect(p.run_campaign(b.ARRIVAL + b.TOO_SHORT, build='A'), 2)
    b.expect(p.run_campaign(b.ARRIVAL + b.TOO_SHORT, build='B'), 1)
    runs = b.expect(p.run('runs', '--store', p.store, '--json'), 0).json()['runs']
    assert [(r['run'], r['build'], r['verdict'], r['cases']) for r in runs] == \
        [(1, 'A', 'inconclusive', 2), (2, 'B', 'fail', 2)], runs
    text = p.run('runs', '--store', p.store).out.splitlines()
    assert len(text) == 3 and text[1].split()[:2] == ['1', 'inconclusive']
    shown = b.expect(p.run('show', '2', '--store', p.store, '--json'), 0).json()
    channels = sorted((c['role'], c['number']) for c in shown['channels'])
    assert channels == [('line', 1), ('trib', 1), ('trib', 2), ('trib', 3), ('trib', 4)], channels
    assert shown['simulated'] is True and shown['clock'] == 'virtual'
    checks = [c for case in shown['cases'] for c in case['checks']]
    bad = [c for c in checks if c['verdict'] == 'fail']
    full = b.expect(p.run('show', '2', '--store', p.store, '--all'), 0).out
    assert len(re.findall(r'^    fail ', full, re.M)) == len(bad) > 0
    assert len(re.findall(r'^    (?:fail|pass|inconclusive) ', full, re.M)) == len(checks)
    ratio = [c for c in checks if c['errors'] is not None and c['number'] == 2][0]
    # Planted: 1e-3 on tributary 2. Five standard deviations of a Poisson count around it.
    expected = ratio['bits'] * 1e-3
    assert abs(ratio['errors'] - expected) < 5 * expected ** 0.5, ratio
    fit = b.expect(p.run('fit', p.campaign(b.ARRIVAL), '--bench', p.bench, '--json'), 0).json()
    found = {r['role']: r['found'] for r in fit['roles']}
    assert fit['fits'] and found == {'trib': 4, 'line': 1}, fit
    wide = p.campaign(b.ARRIVAL, head=b.HEAD.replace('count = 4', 'count = 5'))
    fit = b.expect(p.run('fit', wide, '--bench', p.bench, '--json'), 1).json()
    assert not fit['fits'] and any('trib' in t for t in fit['problems'])
    b.expect(p.run('fit', wide, '--bench', p.bench), 1, 'cannot run')


def test_compare(p):
    for build in 'ABA':
        p.run_campaign(b.ARRIVAL + b.TOO_SHORT, build=build)
    same = b.expect(p.run('compare', '1', '3', '--store', p.store, '--json'), 0).json()
    assert same['worse'] is False and same['same_campaign'] and same['same_bench']
    assert set(k for k, n in same['counts'].items() if n) == {'same'}
    worse = b.expect(p.run('compare', '1', '2', '--store', p.store, '--json'), 1).json()
    changed = {(c['title'], c['number']) for c in worse['checks'] if c['change'] == 'newly failing'}
    assert {n for _, n in changed} == {1, 2, 3}, changed
    for build in 'BA':
        p.run_campaign(b.ARRIVAL, build=build)
    back = b.expect(p.run('compare', '4', '5', '--store', p.store), 0, 'repaired', 'not worse')
    assert 'newly failing' not in back.out
    b.expect(p.run('compare', '1', '2', '--store', p.store), 1, 'trib 2', 'is worse')


def test_progress(p):
    campaign = p.campaign(b.ARRIVAL)
    args = ['run', campaign, '--bench', p.bench, '--build', 'A', '--store', p.store]
    r = b.expect(p.run(*args, '--progress', 'none'), 0)
    assert r.err == ''
    for mode in ('plain', 'auto'):
        r = b.expect(p.run(*args, '--progress', mode), 0)
        assert r.err.startswith('case 1 of 1, arrival: Arrival\n') and 'pass' in r.err, str(r)
        assert '\x1b' not in r.err and '\r' not in r.err


def on_terminal(p, args, **env):
    """What the program writes when all three streams are a terminal."""
    main, end = pty.openpty()
    for name in ('NO_COLOR',):
        env.setdefault(name, '')
    child = subprocess.Popen([b.PROGRAM] + args, stdin=end, stdout=end, stderr=end,
                             env=dict(os.environ, **env))
    os.close(end)
    text = b''
    while True:
        try:
            ready, _, _ = select.select([main], [], [], b.TIME_LIMIT_S)
            data = os.read(main, 65536) if ready else b''
        except OSError:
            data = b''
        if not data:
            break
        text += data
    os.close(main)
    assert child.wait() in (0, 1)
    return text.decode()


def test_terminal(p):
    """Colour on a terminal only, and not against the user's will (NO_COLOR, no-color.org)."""
    campaign = p.campaign(b.ARRIVAL.replace('200 ms', '20 s'))
    args = ['run', campaign, '--bench', p.bench, '--build', 'A', '--store', p.store]
    text = on_terminal(p, args, TERM='xterm')
    assert '\x1b[32mpass\x1b[0m' in text and '\r\x1b[K' in text
    assert re.search(r'bit errors?; 4 of 4 in sync', text), text[-2000:]
    runs = ['runs', '--store', p.store]
    assert '\x1b[32m' in on_terminal(p, runs, TERM='xterm')
    for env in ({'TERM': 'xterm', 'NO_COLOR': '1'}, {'TERM': 'dumb'}):
        assert '\x1b' not in on_terminal(p, runs, **env)
    assert '\x1b' not in on_terminal(p, args, TERM='dumb')
    assert '\x1b' not in p.run(*runs).out


def wait_for_run(p, child, number=1):
    """Until the store shows the run."""
    end = time.monotonic() + b.TIME_LIMIT_S
    while time.monotonic() < end:
        assert child.poll() is None, 'ended too early'
        r = p.run('runs', '--store', p.store, '--json')
        if r.status == 0 and len(r.json()['runs']) == number:
            run = r.json()['runs'][-1]
            assert run['state'] == 'running', run
            if run['cases'] == 2:  # the long one has begun
                return
        time.sleep(0.05)
    raise AssertionError('nothing in the store')


def start_long(p):
    return p.start('run', p.campaign(b.ARRIVAL, b.LONG, name='long.lua'), '--bench', p.bench,
                   '--build', 'A', '--store', p.store, '--progress', 'none',
                   stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def check_interrupted(p, number=1):
    shown = b.expect(p.run('show', str(number), '--store', p.store, '--json'), 0).json()
    assert shown['state'] == 'interrupted', shown['state']
    assert shown['chain']['fault'] is None
    first = shown['cases'][0]
    assert first['name'] == 'arrival' and first['verdict'] == 'pass' and len(first['checks']) == 4
    return shown


def test_interrupt(p):
    for number, stop in enumerate((signal.SIGINT, signal.SIGTERM, signal.SIGHUP), 1):
        child = start_long(p)
        wait_for_run(p, child, number)
        time.sleep(1)
        child.send_signal(stop)
        time.sleep(0.01)
        if child.poll() is None:
            child.send_signal(stop)  # the second one must be as clean
        b.expect(b.finish(child), 2, 'interrupted')
        check_interrupted(p, number)
    b.expect(p.run('dossier', '1', '--store', p.store, '--out', p.path('out')), 0)
    b.expect(p.run('verify', p.path('out')), 0)


def test_interrupt_while_loading(p):
    """Nothing was run, so nothing failed: 2, as for any run that was stopped."""
    campaign = p.campaign('print "here" while true do end', name='endless.lua')
    child = p.start('run', campaign, '--bench', p.bench, '--build', 'A', '--store', p.store,
                    '--progress', 'none', stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert child.stderr.readline() == b'here\n'
    child.send_signal(signal.SIGINT)
    b.expect(b.finish(child), 2, 'interrupted')


def test_kill(p):
    child = start_long(p)
    wait_for_run(p, child)
    # While one writes, others read, and a second writer is refused.
    b.expect(p.run('runs', '--store', p.store), 0, 'running')
    b.expect(p.run('show', '1', '--store', p.store), 0, 'running')
    b.refused(p.run_campaign(b.ARRIVAL), 3, p.store)
    time.sleep(1)
    child.kill()
    child.communicate()
    check_interrupted(p)
    b.expect(p.run('runs', '--store', p.store), 0, 'interrupted')
    b.expect(p.run_campaign(b.ARRIVAL), 0)
    runs = p.run('runs', '--store', p.store, '--json').json()['runs']
    assert [r['state'] for r in runs] == ['interrupted', 'finished'], runs
    check_interrupted(p)


def test_memory(p):
    """Peak memory is bounded whatever the length: 40 s of bench time against 4 s."""
    peaks = []
    for last in ('4 s', '40 s'):
        r = p.run_campaign(b.RECORD.replace('96 ms', last).replace(', record = { as = "again"', '')
                           .replace(', "trib" } }\n    test:check_p', ' }\n    test:check_p'))
        b.expect(r, 0)
        peaks.append(r.peak_kib)
    assert peaks[1] < peaks[0] * 1.25 + 20000, peaks


b.main()

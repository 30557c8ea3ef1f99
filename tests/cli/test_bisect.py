# SPDX-License-Identifier: Apache-2.0
"""evlenode bisect from outside: the answer is planted in the bench; the weights are worked out
again by Bayes' rule in Python from the runs that sqlite3 finds in the store.
"""
import os
import signal
import sqlite3
import time

import blackbox as b

# Errors on tributary 2 from build F on; a take of 200 ms sees 1.2 errors on average, so a run
# passes with probability exp(-1.23) = 0.29.
BUILDS = 'ABCDEFGHIJ'
BENCH = b.BENCH[:b.BENCH.index('        A:\n')] + ''.join(
    '        %s:\n          faults:\n            - {kind: errors, tributary: 2, ratio: 3e-6}\n' % x
    if x >= 'F' else '        %s:\n          faults: none\n' % x for x in BUILDS) + \
    b.BENCH[b.BENCH.index('roles:'):]

CLEAN = '''\
case "clean" { title = "Clean", time_limit = "2 min", run = function(test)
    local seen = test:take { last = "200 ms", play = { trib = prbs "2^15-1" },
        expect = { trib = prbs "2^15-1" } }
    test:check_arrival(seen, "trib")
    test:check_errors(seen, "trib", { count = 0 })
end }
'''


def prepare(p):
    p.write('bench.yaml', BENCH)
    p.campaign(CLEAN, b.ARRIVAL)
    return p


def bisect(p, status, *more, builds=BUILDS, **kw):
    return b.expect(p.run('bisect', p.path('c.lua'), *builds, '--bench', p.bench, '--store',
                          p.store, '--progress', 'none', *more, **kw), status)


def in_store(p, name='clean'):
    """(run, build, seed, verdict) of finished runs, from the store itself."""
    db = sqlite3.connect('file:%s?mode=ro' % p.store, uri=True)
    rows = db.execute('SELECT r.run, r.build, r.seed, c.verdict FROM run r JOIN case_ c ON c.run = '
                      "r.run WHERE c.name = ? AND r.state = 'finished' ORDER BY r.run",
                      (name,)).fetchall()
    db.close()
    return rows


def weights(rows, builds, missed, false_alarm):
    w = [1.0] * (len(builds) + 1)
    for _, build, _, verdict in rows:
        if verdict not in ('pass', 'fail') or build not in builds:
            continue
        at = builds.index(build)
        for i in range(len(w)):
            fails = 1 - missed if i <= at else false_alarm
            w[i] *= fails if verdict == 'fail' else 1 - fails
    return [x / sum(w) for x in w]


FLAKY = ('--case', 'clean', '--missed', '0.4', '--false-alarm', '0.001', '--json')


def test_finds_an_intermittent_fault(p):
    prepare(p)
    misled = False
    for seed in (10, 1000, 1):
        p.store = p.path('lab-%d.db' % seed)
        r = bisect(p, 0, '--seed', seed, *FLAKY).json()
        assert r['end'] == 'found' and r['first_bad'] == 'F' and r['probability'] >= 0.95, r
        rows = in_store(p)
        misled = misled or any(v == 'pass' and x >= 'F' for _, x, _, v in rows)
        if misled:
            break
    assert misled, 'no run misled: a weak test'
    assert [(x['run'], x['build'], x['result']) for x in r['runs']] == \
        [(run, build, verdict) for run, build, _, verdict in rows]
    want = weights(rows, BUILDS, 0.4, 0.001)
    got = [x['probability'] for x in r['builds']] + [r['none']]
    assert max(abs(x - y) for x, y in zip(want, got)) < 1e-12, (want, got)
    # What is random differs from run to run, also between builds: the seeds do.
    assert len({x for _, _, x, _ in rows}) == len(rows)
    # Once more: all is in the store, so nothing is run.
    again = bisect(p, 0, '--seed', seed, *FLAKY).json()
    assert again['first_bad'] == 'F' and len(in_store(p)) == len(rows)
    assert all(x['earlier'] for x in again['runs'])
    text = bisect(p, 0, '--seed', seed, *FLAKY[:-1]).out
    assert 'The first bad build is F (probability 0.9' in text, text


def test_goes_on_after_a_kill(p):
    prepare(p)
    calm = bisect(p, 0, *FLAKY).json()
    rows = in_store(p)
    os.rename(p.store, p.path('calm.db'))
    args = ('bisect', p.path('c.lua'), *BUILDS, '--bench', p.bench, '--store', p.store,
            '--progress', 'none', *FLAKY)
    for pause in (0.2, 0.5, 0.9, 1.4):
        with open(os.devnull, 'w') as nowhere:
            child = p.start(*args, stdout=nowhere, stderr=nowhere)
            time.sleep(pause)
            child.send_signal(signal.SIGKILL)
            child.wait()
    after = bisect(p, 0, *FLAKY).json()
    assert [(x['build'], x['seed'], x['result']) for x in after['runs']] == \
        [(x['build'], x['seed'], x['result']) for x in calm['runs']]
    assert [x[1:] for x in in_store(p)] == [x[1:] for x in rows]


def test_none_is_bad_and_too_few_runs(p):
    prepare(p)
    sure = ('--missed', '0', '--false-alarm', '0', '--case', 'clean', '--json')
    r = bisect(p, 1, *sure, builds='ABCDE').json()
    assert r['first_bad'] is None and r['none'] == 1
    assert 2 <= len(r['runs']) <= 3 and r['runs'][0]['build'] == 'C', r  # 6 answers, halved
    more = bisect(p, 2, '--case', 'clean', '--runs', '1', '--json', builds='FGHIJ').json()
    assert more['end'] == 'most runs' and len(more['runs']) == 1


def test_halves_without_noise(p):
    """A check by its title, on a fault that never hides: ceil(log2(11)) runs at most."""
    p.write('bench.yaml', BENCH.replace('3e-6', '1e-3'))
    p.campaign(CLEAN, b.ARRIVAL)
    base = ('--missed', '0', '--false-alarm', '0', '--json')
    r = bisect(p, 0, *base).json()
    assert r['first_bad'] == 'F' and r['probability'] == 1 and len(r['runs']) <= 4, r
    title = sqlite3.connect(p.store).execute(
        "SELECT title FROM check_ WHERE kind LIKE '%err%' LIMIT 1").fetchone()[0]
    r = bisect(p, 0, '--check', title, *base).json()  # the same runs say it too
    assert r['first_bad'] == 'F' and all(x['earlier'] for x in r['runs'])
    b.refused(bisect(p, 3, '--check', 'no such', *base), 3, 'no check "no such"; it has: "')


def test_loads_builds(p):
    """The command sees the label both ways; it runs once for each change of build."""
    prepare(p)
    log = p.path('loaded')
    hook = 'test "$1" = "$EVENLODE_BUILD" && echo "$1" >> "%s" && test "$1" != E' % log
    r = bisect(p, 2, '--load', hook, *FLAKY)
    found = r.json()
    assert found['end'] == 'undecided' and (found['from'], found['to']) == ('E', 'F'), found
    assert [x['left_out'] for x in found['builds']] == [x == 'E' for x in BUILDS]
    loaded = open(log).read().split()
    changes = [x for i, x in enumerate(x['build'] for x in found['runs'])
               if i == 0 or x != found['runs'][i - 1]['build']]
    kept = [x for x in loaded if x != 'E']
    assert [x for i, x in enumerate(kept) if i == 0 or kept[i - 1] != x] == changes
    assert loaded.count('E') == 2 and 'E' not in {x[1] for x in in_store(p)}


def test_load_takes_too_long(p):
    prepare(p)
    start = time.monotonic()
    r = bisect(p, 2, '--load', 'sleep 100', '--load-limit', '1', '--case', 'clean', builds='A')
    assert time.monotonic() - start < 60 and 'neither' in r.out
    assert not os.path.exists(p.store)


def test_is_stopped(p):
    prepare(p)
    with open(p.path('out'), 'w') as out:
        child = p.start('bisect', p.path('c.lua'), 'A', 'F', '--bench', p.bench, '--store', p.store,
                        '--load', 'echo > "%s"; sleep 100' % p.path('began'), stdout=out,
                        stderr=out)
        end = time.monotonic() + 60
        while not os.path.exists(p.path('began')) and time.monotonic() < end:
            time.sleep(0.02)
        child.send_signal(signal.SIGTERM)
        assert child.wait(60) == 2, open(p.path('out')).read()
    assert 'Undecided, interrupted' in open(p.path('out')).read()


def test_contradiction(p):
    prepare(p)
    for build, seed in (('G', 1), ('G', 2), ('G', 3), ('G', 4), ('G', 5), ('G', 6), ('G', 7)):
        p.run_campaign(CLEAN, b.ARRIVAL, build=build, more=('--seed', seed, '--case', 'clean'))
    verdicts = {x[3] for x in in_store(p)}
    assert verdicts == {'pass', 'fail'}, verdicts
    b.refused(bisect(p, 3, '--case', 'clean', '--missed', '0', '--false-alarm', '0'), 3,
              'contradict')


def test_refusals(p):
    prepare(p)
    b.refused(bisect(p, 3, builds='ABA'), 3, 'build A is in the list twice, at places 1 and 3')
    b.refused(bisect(p, 3, '--missed', '0.6', '--false-alarm', '0.4'), 3, 'below 1')
    b.refused(bisect(p, 3, '--confidence', '0.4'), 3, 'confidence is 0.4')
    b.refused(bisect(p, 64, '--confidence', '1'), 64, '--confidence')
    b.refused(bisect(p, 64, '--runs', '0'), 64, '--runs')
    b.refused(bisect(p, 64, '--load', ''), 64, '--load')
    b.refused(bisect(p, 64, builds=()), 64, 'operand is missing')
    b.refused(bisect(p, 3, builds=('A', 'Z')), 3, 'build Z')
    b.refused(bisect(p, 3, '--case', 'nothing'), 3, 'no case nothing')
    b.refused(p.run('bisect', p.path('none.lua'), 'A', '--bench', p.bench, '--store', p.store), 3,
              'none.lua')
    assert not os.path.exists(p.store)


b.main()

# SPDX-License-Identifier: Apache-2.0
"""run --continue: what finished before a kill -9 is taken over, the rest is run, and the results
are those of an undisturbed run (results digest, docs/store.md). Python's sqlite3 and hashlib read
the store apart from evenlode.
"""
import hashlib
import random
import re
import signal
import sqlite3
import time

import blackbox as b

CASES = [
    b.ARRIVAL,
    b.RECORD,
    b.ARRIVAL.replace('"arrival"', '"again"').replace('200 ms', '1 s'),
    '''\
case "reference" { title = "Reference", time_limit = "2 min", run = function(test)
    local kept = test:reference "kept"
    local seen = test:take { play = { trib = replay(kept) }, expect = { trib = replay(kept) } }
    test:check_played_as_recorded(seen, "trib")
end }
''',
    b.TOO_SHORT,
]


def digest(r):
    return re.search(r'^results   ([0-9a-f]{64})$', r.out, re.M).group(1)


def args_of(p, store, *more):
    return ['run', p.path('c.lua'), '--bench', p.bench, '--build', 'B', '--store', store,
            '--progress', 'none', *more]


def rows(store, sql):
    with sqlite3.connect('file:%s?mode=ro' % store, uri=True) as db:
        return db.execute(sql).fetchall()


def check_chain(store, run):
    """The links recomputed from the digests of the rows, as docs/store.md says."""
    previous = '0' * 64
    for row, link in rows(store, 'SELECT row_sha256, link_sha256 FROM chain WHERE run=%d '
                                 'ORDER BY seq' % run):
        assert hashlib.sha256((previous + row).encode()).hexdigest() == link
        previous = link


def test_kill_and_continue(p):
    p.campaign(*CASES)
    whole = b.expect(p.run(*args_of(p, p.store)), 1)
    began = time.monotonic()
    again = b.expect(p.run(*args_of(p, p.path('w.db'))), 1)
    lasts = time.monotonic() - began
    assert digest(whole) == digest(again)
    rng = random.Random(3)
    taken = 0
    for k in range(12):
        store = p.path('k%d.db' % k)
        run, tries = None, 0
        while True:
            more = ('--continue', str(run)) if run else ()
            child = p.start(*args_of(p, store, *more), stdout=b.subprocess.PIPE,
                            stderr=b.subprocess.PIPE)
            try:
                # The first two times it is killed, then it may end.
                out, err = child.communicate(timeout=lasts * rng.uniform(0.2, 1) if tries < 2
                                             else b.TIME_LIMIT_S)
                break
            except b.subprocess.TimeoutExpired:
                child.send_signal(signal.SIGKILL)
                child.communicate()
            tries += 1
            found = p.run('runs', '--store', store, '--json')
            runs = found.json()['runs'] if found.status == 0 else []
            run = runs[-1]['run'] if runs else None
            if run:
                # It may have come to its end at the last moment.
                assert runs[-1]['state'] in ('interrupted', 'finished'), runs[-1]
        r = b.Result(child.returncode, out.decode(), err.decode(), 0)
        b.check_clean(r)
        b.expect(r, 1)
        assert digest(r) == digest(whole), 'kill %d: other results\n%s' % (k, r)
        last = p.run('runs', '--store', store, '--json').json()['runs'][-1]['run']
        shown = b.expect(p.run('show', str(last), '--store', store, '--json'), 0).json()
        assert [c['name'] for c in shown['cases']] == \
            ['arrival', 'record', 'again', 'reference', 'too-short']
        check_chain(store, last)
        over = [c for c in shown['cases'] if 'taken over from run' in (c['message'] or '')]
        taken += len(over)
        if run:
            assert 'continues run %d; %d cases were taken over' % (run, len(over)) \
                in shown['message'], shown['message']
        # A case that finished was not measured twice: all but one of its copies are copies.
        for name in {c['name'] for c in shown['cases']}:
            made = rows(store, "SELECT count(*) FROM case_ WHERE name='%s' AND state='finished' "
                               "AND coalesce(message, '') NOT LIKE 'taken over%%'" % name)[0][0]
            assert made == 1, (k, name, made)
    assert taken > 0, 'no kill came late enough to prove anything'


def test_dossier_tells(p):
    """The continued run gives a dossier, which verifies, and shows what was taken over."""
    p.campaign(*CASES, b.LONG)
    child = p.start(*args_of(p, p.store), stdout=b.subprocess.PIPE, stderr=b.subprocess.PIPE)
    end = time.monotonic() + b.TIME_LIMIT_S
    while time.monotonic() < end:
        r = p.run('runs', '--store', p.store, '--json')
        if r.status == 0 and r.json()['runs'] and r.json()['runs'][0]['cases'] == 6:
            break
        time.sleep(0.05)
    child.kill()
    child.communicate()
    # The campaign file was changed meanwhile: refused, and said why.
    p.campaign(*CASES)
    b.refused(p.run(*args_of(p, p.store, '--continue', '1')), 3, 'another campaign file')
    text = open(p.path('c.lua'), encoding='utf-8').read()
    p.write('c.lua', text + b.LONG)
    b.refused(p.run('run', p.path('c.lua'), '--bench', p.bench, '--build', 'A', '--store', p.store,
                    '--continue', '1'), 3, 'another build')
    b.refused(p.run(*args_of(p, p.store, '--continue', '1', '--seed', '9')), 3, 'another seed')
    b.refused(p.run(*args_of(p, p.store, '--continue', '7')), 3, 'no run 7')
    b.refused(p.run(*args_of(p, p.store, '--continue', 'x')), 64, '--continue')
    b.refused(p.run(*args_of(p, p.store, '--continue', '1', '--reference', '1')), 64)
    r = p.run(*args_of(p, p.store, '--continue', '1', *sum((('--case', n) for n in (
        'arrival', 'record', 'again', 'reference', 'too-short')), ())))
    b.expect(r, 1, 'continues run 1; 5 cases were taken over, 0 were run')
    last = p.run('runs', '--store', p.store, '--json').json()['runs'][-1]['run']
    b.expect(p.run('dossier', str(last), '--store', p.store, '--out', p.path('out')), 0)
    b.expect(p.run('verify', p.path('out')), 0)
    page = open(p.path('out/report.html'), encoding='utf-8').read()
    assert 'taken over from run 1' in page and 'continues run 1' in page


b.main()

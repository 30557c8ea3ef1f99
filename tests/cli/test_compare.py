# SPDX-License-Identifier: Apache-2.0
"""evenlode compare with many runs, from outside: the runs are made by the program, their rows read
back by Python's sqlite3, and what the matrix says of them is worked out again here.

P values: SciPy's binomial and hypergeometric distributions (exact conditional test of two Poisson
counts, Przyborowski and Wilenski 1940; Fisher 1935); intervals: SciPy's beta distribution (Clopper
and Pearson 1934); Holm (1979) by hand. The page: xmllint, and tests/report/check_html.py (WCAG 2.1
contrast, rules of the HTML standard). JUnit: xmllint with tests/cli/junit.xsd; TAP: prove.
"""
import os
import pty
import re
import sqlite3
import subprocess
import xml.etree.ElementTree as ET

from scipy import stats

import blackbox as b

HERE = os.path.dirname(os.path.abspath(__file__))
BENCH = b.BENCH.replace('        B:\n', '''\
        C:
          faults:
            - {kind: errors, tributary: 2, ratio: 2e-5}
            - {kind: errors, tributary: 4, ratio: 4e-5}
        B:
''')
# Bits so few, and a confidence so low, that a ratio at the limit passes or fails by chance.
ERRORS = '''\
case "errors" { title = "Errors", time_limit = "2 min", run = function(test)
    local seen = test:take { last = "200 ms", play = { trib = prbs "2^15-1" },
        expect = { trib = prbs "2^15-1" }, record = { as = "traffic", "trib" } }
    test:check_bit_errors(seen, "trib", { ratio = 3.5e-5, confidence = 0.5001 })
end }
'''
LETTERS = {'pass': 'P', 'fail': 'F', 'inconclusive': 'I', 'error': 'E', 'none': '-'}
FAILED = ('fail', 'error')


def near(value, wanted, relative=1e-9):
    assert abs(value - wanted) <= relative * max(abs(wanted), 1e-12), (value, wanted)


def query(p, sql, *values):
    db = sqlite3.connect('file:%s?mode=ro' % p.store, uri=True)
    rows = db.execute(sql, values).fetchall()
    db.close()
    return rows


def fill(p):
    """Builds A, B and C; several nights of C, which is flaky."""
    p.bench = p.write('bench.yaml', BENCH)
    for seed, build in enumerate('AABCCCCCC', 1):
        r = p.run_campaign(b.ARRIVAL, ERRORS, build=build, more=('--seed', seed))
        assert r.status in (0, 1), str(r)


def compare(p, *more):
    return p.run('compare', '--store', p.store, *more)


def checks(p, run):
    """(case, title, role, number): verdict, errors, bits."""
    rows = query(p, 'SELECT k.name, c.title, h.role, h.number, c.verdict, c.errors, c.bits FROM '
                 'check_ c JOIN case_ k ON k.run = c.run AND k.ordinal = c.case_no LEFT JOIN '
                 'run_channel h ON h.run = c.run AND h.ordinal = c.channel_no WHERE c.run = ?', run)
    assert len({r[:4] for r in rows}) == len(rows) > 0
    return {r[:4]: r[4:] for r in rows}


def holm(p):
    order = sorted(range(len(p)), key=lambda i: p[i])
    out, least = [0] * len(p), 0
    for j, i in enumerate(order):
        least = out[i] = max(least, min(1, (len(p) - j) * p[i]))
    return out


def test_matrix(p):
    fill(p)
    runs = [2, 3, 9]
    r = compare(p, *runs, '--json')
    data = r.json()
    assert r.status == (1 if data['worse'] else 0)
    assert [x['run'] for x in data['runs']] == runs
    assert [x['build'] for x in data['runs']] == ['A', 'B', 'C']
    rows = {(x['case'], x['title'], x['role'], x['number']): x for x in data['rows'] if x['title']}
    there = [checks(p, n) for n in runs]
    assert set(rows) == set().union(*there)

    # Every cell; every test of counts, with Holm's correction over all of them.
    keys, ps = [], []
    for key, row in rows.items():
        for cell, run in zip(row['cells'], there):
            assert cell['verdict'] == run[key][0]
        for column in (0, 1):
            (_, e1, n1), (_, e2, n2) = there[column][key], there[2][key]
            if None not in (e1, n1, e2, n2) and n1 > 0 and n2 > 0:
                keys.append((key, runs[column]))
                ps.append(stats.binom.sf(e2 - 1, e1 + e2, n2 / (n1 + n2)))
    corrected = dict(zip(keys, holm(ps)))
    assert data['tested'] == len(ps) > 0
    for key, row in rows.items():
        mine = {run: v for (k, run), v in corrected.items() if k == key}
        assert row['tests'] == len(mine)
        if mine:
            near(row['p_worse_corrected'], min(mine.values()), 1e-8)
            near(mine[row['worse_than']], min(mine.values()))

    # What became of each.
    found = {}
    for key, row in rows.items():
        a, before, now = (run[key][0] for run in there)
        last = before if before in ('pass',) + FAILED else a
        mine = [v for (k, run), v in corrected.items()
                if k == key and there[runs.index(run)][key][0] == 'pass']
        wanted = ('flaky' if row['flaky'] else
                  'newly failing' if now in FAILED and last == 'pass' else
                  'still failing' if now in FAILED else
                  'repaired' if now == 'pass' and last in FAILED else
                  'worse' if now == last == 'pass' and mine and min(mine) <= 0.05 else None)
        if wanted and row['finding'] != 'worse':
            assert row['finding'] == wanted, (key, row)
        found.setdefault(row['finding'], []).append(key)
    assert [k[3] for k in found['repaired'] if k[0] == 'arrival'] == [1, 3], found

    # History of the check that fails at times: all runs of its build.
    key = ('errors', 'bit error ratio', 'trib', 4)
    past = [(n, checks(p, n)[key][0]) for n in range(1, 10)]
    on_c = [v for n, v in past if n >= 4 and v in ('pass', 'fail')]
    others = [v for n, v in past if n < 4 and v in ('pass', 'fail')]
    h = rows[key]['history']
    k, n = on_c.count('fail'), len(on_c)
    assert 0 < k < n, past  # the seeds give both; else the test says nothing
    assert (h['build_failures'], h['build_runs']) == (k, n)
    assert (h['other_failures'], h['other_runs']) == (others.count('fail'), len(others))
    near(h['interval_on_build'][0], stats.beta.ppf(0.025, k, n - k + 1), 1e-8)
    near(h['interval_on_build'][1], stats.beta.ppf(0.975, k + 1, n - k), 1e-8)
    assert h['first_failure']['run'] == min(x for x, v in past if v == 'fail')
    assert h['last_failure']['run'] == max(x for x, v in past if v == 'fail')
    flaky = [x for x in data['rows'] if x['flaky']]
    assert len(flaky) == data['flaky_tested'] > 0
    ps = [stats.hypergeom.sf(x['history']['build_failures'] - 1,
                             x['history']['build_runs'] + x['history']['other_runs'],
                             x['history']['build_failures'] + x['history']['other_failures'],
                             x['history']['build_runs']) for x in flaky]
    for x, wanted in zip(flaky, holm(ps)):
        near(x['p_more_often_corrected'], wanted, 1e-8)

    # The recording of the failing run.
    kept = rows[key]['recording']
    assert kept['of_failure'] and kept['run'] == h['last_failure']['run']
    path, = query(p, 'SELECT path FROM recording WHERE run = ? AND name = ?', kept['run'],
                  kept['name'])
    assert kept['path'] == path[0] and os.path.exists(os.path.join(p.dir, path[0]))

    # The same by names of builds, and for the newest ones.
    assert compare(p, '--builds', 'A,B,C', '--json').json() == data
    assert [x['run'] for x in compare(p, '--last', 4, '--json').json()['runs']] == [6, 7, 8, 9]
    assert [x['run'] for x in compare(p, 9, 2, '--matrix', '--json').json()['runs']] == [9, 2]
    text_and_page(p, data)
    servers(p, data)
    first_failures(p, data)
    refusals(p)


def text_and_page(p, data):
    page = p.path('page.html')
    r = compare(p, '--builds', 'A,B,C', '--all', '--html', page)
    text = r.out
    assert all(len(line) <= 100 for line in text.splitlines()), text
    assert '\x1b' not in text  # no terminal
    flat = re.sub(r'\s+', ' ', text)
    html = ET.parse(page).getroot()
    shown = re.sub(r'\s+', ' ', ''.join(html.find('body').itertext()))
    assert subprocess.run(['xmllint', '--noout', page], check=False).returncode == 0
    words = ['invented', 'judged']
    for row in data['rows']:
        letters = ''.join(LETTERS[c['verdict']] if c else '.' for c in row['cells'])
        if not row['title']:
            assert re.search(r'^%s +%s  %s' % (row['case'], letters, row['finding']), text, re.M)
        elif row['finding'] != 'same':
            name = '%s, trib %d' % (row['title'], row['number'])
            assert '%s %s: ' % (letters, name) in flat, (letters, name, text)
            assert name in shown
            words.append(name)
            if row['recording']:
                assert row['recording']['path'] in flat and row['recording']['path'] in shown
            if row['reason']:
                assert row['reason'] in flat and row['reason'] in shown
        if row['flaky'] and row['title']:
            h = row['history']
            share = 'probability %.3g (%.3g to %.3g at 95 %%)' % (
                h['probability_on_build'], *h['interval_on_build'])
            assert share in flat and share in shown, share
    last = 'The last run is worse' if data['worse'] else 'The last run is not worse.'
    assert last in flat
    checker = os.path.join(HERE, '..', 'report', 'check_html.py')
    seen = subprocess.run(['/usr/bin/python3', checker, page] + words[2:5], capture_output=True,
                          text=True, check=False)
    assert seen.returncode == 0, seen.stdout + seen.stderr

    # The same runs give the same page.
    again = p.path('again.html')
    compare(p, '--builds', 'A,B,C', '--html', again)
    with open(page, 'rb') as f, open(again, 'rb') as g:
        assert f.read() == g.read()

    # On a terminal in colour, and the same words.
    master, slave = pty.openpty()
    child = p.start('compare', '--builds', 'A,B,C', '--all', '--store', p.store, stdout=slave,
                    env={'TERM': 'xterm'}, unset=('NO_COLOR',))
    os.close(slave)
    seen = b''
    while True:
        try:
            piece = os.read(master, 65536)
        except OSError:
            break
        if not piece:
            break
        seen += piece
    child.wait()
    os.close(master)
    seen = seen.decode().replace('\r\n', '\n')
    assert '\x1b[31mF\x1b[0m' in seen
    assert re.sub('\x1b\\[[0-9]*m', '', seen) == text


def servers(p, data):
    xml = compare(p, '--builds', 'A,B,C', '--junit').out
    path = p.write('out.xml', xml)
    checked = subprocess.run(['xmllint', '--noout', '--schema', os.path.join(HERE, 'junit.xsd'),
                              path], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stderr
    worse = ('newly failing', 'worse', 'no longer proved', 'missing')
    bad = {x['case'] for x in data['rows'] if x['finding'] in worse}
    passed = {x['case'] for x in data['rows']
              if not x['title'] and x['cells'][-1]['verdict'] == 'pass'}
    cases = {c.get('name'): [e.tag for e in c] for c in ET.fromstring(xml).iter('testcase')}
    assert cases == {name: ['failure'] if name in bad else [] if name in passed else ['skipped']
                     for name in ('arrival', 'errors')}, cases
    tap = compare(p, '--builds', 'A,B,C', '--tap').out
    path = p.write('out.tap', tap.replace('TAP version 14\n', 'TAP version 13\n', 1))
    seen = subprocess.run(['prove', '--verbose', '--exec', 'cat', path], capture_output=True,
                          text=True, check=False)
    assert 'Parse errors' not in seen.stdout, seen.stdout
    assert (seen.returncode != 0) == bool(bad), seen.stdout
    # What is known to fail is no failure: the first runs of C against the last.
    tap = compare(p, 3, 3 - 1, 3 + 1, '--tap').out
    assert tap.startswith('TAP version 14\n1..2\n')


def first_failures(p, data):
    """history --checks says what the matrix knows of each check that ever failed."""
    past = p.run('history', '--store', p.store, '--checks', '--json').json()
    rows = {(x['case'], x['title'], x['number']): x for x in data['rows']
            if x['title'] and x['history']}
    assert len(past['checks']) == len(rows) > 0
    text = p.run('history', '--store', p.store, '--checks').out
    for c in past['checks']:
        row = rows[c['name'], c['title'], c['number']]
        first = row['history']['first_failure']
        assert c['first_failure'] == first['run'] and c['finding'] == row['history']['finding']
        assert c['last_failure'] == row['history']['last_failure']['run']
        assert ('%s, trib %d: %s, failed in %d of %d' % (c['title'], c['number'], c['finding'],
                c['failures'], c['counted'])) in text
        assert 'first failed in run %d, build %s, %s' % (
            first['run'], first['build'], first['started']) in text
        if row['recording'] and row['recording']['of_failure']:
            assert row['recording']['path'] in text
    assert not p.run('history', '--store', p.store, '--json').json()['checks']


def refusals(p):
    no = lambda *args: p.run('compare', *args)
    b.refused(no('1', '2'), 64, '--store is missing')
    b.refused(compare(p), 64, 'name two runs or more')
    b.refused(compare(p, '1'), 64, 'name two runs or more')
    b.refused(compare(p, '1', 'x', '3'), 64, '"x" is no number of a run')
    b.refused(compare(p, '1', '2', '1'), 3, 'run 1 is given twice')
    b.refused(compare(p, '1', '2', '77'), 3, 'has no run 77; it has runs 1 to 9')
    b.refused(compare(p, '--builds', 'A'), 64, '--builds needs 2 to 200 names')
    b.refused(compare(p, '--builds', 'A,,B'), 64, 'name 2 is empty')
    b.refused(compare(p, '--builds', 'A,B,A'), 64, '"A" is given twice')
    b.refused(compare(p, '--builds', 'A,Z'), 3, 'no finished run of build "Z"', '"A", "B", "C"')
    b.refused(compare(p, '--builds', 'A,B', '1'), 64, 'go with neither')
    b.refused(compare(p, '--builds', 'A,B', '--last', '2'), 64, 'exclude one another')
    b.refused(compare(p, '--last', '1'), 64, 'no number from 2 to 200')
    b.refused(compare(p, '--last', '3', '--campaign', 'other'), 3, 'campaign "other"')
    b.refused(compare(p, '1', '2', '--bench', 'x'), 64, 'go with --builds or --last')
    b.refused(compare(p, '1', '2', '3', '--json', '--tap'), 64, 'exclude one another')
    b.refused(compare(p, '1', '2', '3', '--alpha', '2'), 64, '--alpha "2"')
    b.refused(compare(p, '1', '2', '3', '--html', p.path('no/such/page.html')), 3, 'no/such')


b.main()

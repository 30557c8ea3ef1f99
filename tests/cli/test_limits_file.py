# SPDX-License-Identifier: Apache-2.0
"""Limits for bringing into service from a file beside the campaign: judged as computed here by hand
(BISPO = objective * allocation * exposure * ageing factor, D = width * sqrt(BISPO), S1 = BISPO - D,
S2 = BISPO + D; ITU-T M.2100, from memory), digest kept (hashlib), nothing outside the folder read.
"""
import hashlib
import math
import os
import re
import sqlite3

import blackbox as b

LIMITS = '''\
limits: contract
source: an invented contract
ageing_factor: 0.5
width: 2
rows:
  - {path: E1, event: es, objective: 0.8}
  - {path: E1, event: bbe, objective: %s}
  - {path: MS-1, event: es, objective: 0.5}
'''

BENCH = b.BENCH.replace('          faults: none', '''\
          faults:
            - {kind: errors, tributary: 2, ratio: 1e-5}
            - {kind: errors, tributary: 3, ratio: 3e-7}''')

CASE = '''\
local limits = limits_file "limits.yaml"
case "into-service" { title = "Into service", time_limit = "2 min", run = function(test)
    local seen = test:take { last = "%s", play = { trib = prbs "2^15-1" },
        expect = { trib = prbs "2^15-1" }, watch = { "line" } }
    test:check_performance(seen, "trib", %s)
end }
'''
GOOD = '{ standard = "G.826", limits = limits, path = "E1", allocation = 0.9 }'


def wanted(count, exposure, objective, allocation):
    bispo = objective * allocation * exposure * 0.5
    d = 2 * math.sqrt(bispo)
    return 'pass' if count <= bispo - d else 'fail' if count > bispo + d else 'inconclusive'


def test_judged(p):
    p.bench = p.write('bench.yaml', BENCH)
    text = LIMITS % '5e-3'
    p.write('limits.yaml', text)
    r = p.run_campaign(CASE % ('16 s', GOOD))
    shown = p.run('show', '1', '--store', p.store, '--json').json()
    rows = [c for c in shown['cases'][0]['checks'] if c['kind'] == 'performance']
    db = sqlite3.connect(p.store)
    measured = db.execute('select errored_seconds, background_block_errors, blocks from '
                          "measurement where kind='pattern' order by channel_no").fetchall()
    assert len(measured) == 4 and len(rows) == 8, (measured, rows)
    seen = set()
    for k, (es, bbe, blocks) in enumerate(measured):
        # A few errors only, so none of the seconds is severe and all of them are available.
        for c, count, exposure, objective in ((rows[2 * k], es, 16, 0.8),
                                              (rows[2 * k + 1], bbe, blocks, 5e-3)):
            assert c['value'] == str(count), (c, measured[k])
            assert c['verdict'] == wanted(count, exposure, objective, 0.9), (c, measured[k])
            assert c['standard'] == 'an invented contract' and 'contract' in c['rule'], c
            seen.add(c['verdict'])
    assert seen == {'pass', 'fail', 'inconclusive'} and r.status == 1, seen
    # 0.8 * 0.9 * 16 s * 0.5 = 5.76, less 2 * 2.4: 0.96.
    assert rows[0]['limit'] == '0.96', rows[0]
    digest = hashlib.sha256(text.encode()).hexdigest()
    assert [(f['name'], f['purpose'], f['sha256']) for f in shown['files']] == [
        ('limits.yaml', 'limits', digest)]
    b.expect(p.run('dossier', '1', '--store', p.store, '--out', p.path('d')), 0)
    with open(os.path.join(p.path('d'), 'report.html'), encoding='utf-8') as f:
        assert digest in f.read()


def test_by_parity(p):
    p.write('limits.yaml', LIMITS % '5e-3')
    r = p.run_campaign((CASE % ('24 s', GOOD)).replace('"trib", {', '"line", {').replace(
        '"G.826", limits = limits, path = "E1"', '"G.829", place = "MS", by = "parity", '
        'limits = limits').replace('0.9', '1'))
    rows = p.run('show', '1', '--store', p.store, '--json').json()['cases'][0]['checks']
    # 0.5 * 24 s * 0.5 = 6, less 2 * 2.449: 1.101; no errors either way.
    assert [(c['value'], c['limit'], c['verdict']) for c in rows] == [('0', '1.101', 'pass')] * 2
    assert r.status == 0, str(r)


def test_too_short(p):
    p.write('limits.yaml', LIMITS % '5e-3')
    r = p.run_campaign(CASE % ('1 s', GOOD))
    # S1 reaches 0 at 4 / (0.8 * 0.9 * 0.5) = 11.1 s.
    b.expect(r, 2, 'too short to accept anything, which takes 12 available seconds')


def test_changed_limits_are_another_measurement(p):
    digests = set()
    for run, objective in enumerate(('5e-3', '6e-3'), 1):
        p.write('limits.yaml', LIMITS % objective)
        p.run_campaign(CASE % ('1 s', GOOD))
        shown = p.run('show', str(run), '--store', p.store, '--json').json()
        digests.add(shown['results_digest'])
    assert len(digests) == 2
    # Other files, another measurement: no run is a repeat of the one before.
    data = p.run('history', '--store', p.store, '--json').json()
    assert [x['repeat'] for x in data['cases'][0]['runs']] == [False, False], data


def test_refused(p):
    os.mkdir(p.path('campaigns'))
    p.write('secret.yaml', LIMITS % '5e-3')
    p.write('campaigns/limits.yaml', LIMITS % '5e-3')
    p.write('campaigns/bad.yaml', LIMITS % '7')
    os.symlink(p.path('secret.yaml'), p.path('campaigns/link.yaml'))
    with open(p.path('campaigns/huge.yaml'), 'wb') as f:
        f.truncate(65537)

    def run(text):
        return p.run('run', p.write('campaigns/c.lua', b.HEAD + text), '--bench', p.bench,
                     '--build', 'A', '--store', p.store, '--progress', 'none')
    for what, word in (('"../secret.yaml"', "no name of a file in the campaign's folder"),
                       ('"/etc/hostname"', 'no name of a file'),
                       ('"link.yaml"', 'leads out of the campaign'),
                       ('"missing.yaml"', 'missing.yaml'), ('"huge.yaml"', '65536'),
                       ('"bad.yaml"', 'bad.yaml:7: objective'), ('(5)', 'the name of a file'),
                       ('"a\\0b"', 'no UTF-8')):
        r = run((CASE % ('8 ms', GOOD)).replace('"limits.yaml"', what))
        assert r.status == 3 and 'c.lua' in r.err and word in r.err, (what, str(r))
    for check, word in (('{ standard = "G.826", limits = {}, path = "E1", allocation = 1 }',
                         'not a table of limits'),
                        ('{ standard = "G.826", limits = limits, path = "E1" }', 'allocation'),
                        ('{ standard = "G.826", limits = limits, allocation = 1 }', 'path'),
                        ('{ standard = "G.826", limits = limits, path = "E9", allocation = 1 }',
                         'no row for "E9"'),
                        ('{ standard = "G.826", allocation = 1, es_ratio = 0.1 }', 'need limits'),
                        ('{ standard = "G.826", limits = limits, path = "E1", allocation = 1, '
                         'es_ratio = 0.1 }', 'leave out'),
                        ('{ standard = "G.826", limits = limits, path = "E1", allocation = 2 }',
                         'allocation'),
                        ('{ standard = "G.826", limits = pattern_file "limits.yaml" }',
                         'outside of any case')):
        r = run(CASE % ('8 ms', check))
        assert r.status == 3 and word in r.out, (check, str(r))
        assert re.search(r'c\.lua:\d+', r.out), str(r)


b.main()

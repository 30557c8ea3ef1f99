# SPDX-License-Identifier: Apache-2.0
"""Planted slips, inversion, bursts, a wrong pattern and crossed channels are measured for what they
are. The signals are made here, bit by bit: 2^15-1 of ITU-T O.150 5.3 (s[i] = s[i-14] XOR s[i-15],
from 15 ones, inverted) with something planted once in 4 096 000 bits (2 s of an E1), played as a
pattern of the user's own and received as 2^15-1. A channel starts anywhere in it, so a list of
slips comes in one of its rotations.
"""
import re
import sqlite3

import numpy as np

import blackbox as b

PERIOD = 32767
LENGTH = 125 * PERIOD  # about 2 s of an E1: the end fits the beginning


def prbs15(n):
    s = [1] * 15
    for i in range(15, PERIOD):
        s.append(s[i - 14] ^ s[i - 15])
    one = 1 - np.array(s, dtype=np.uint8)
    return np.resize(one, n)


def write(p, bits):
    assert len(bits) > 65
    p.write('planted.bin', np.packbits(bits).tobytes())
    return len(bits)


CASE = '''\
local own = pattern_file { file = "planted.bin", bits = %d }
case "planted" { title = "Planted", time_limit = "2 min", run = function(test)
    local seen = test:take { last = "2 s", play = { trib = own },
        expect = { trib = prbs "2^15-1" } }
%s
end }
'''


def checks(p, bits, lines, play='own'):
    case = CASE.replace('trib = own', 'trib = ' + play)
    run = p.run_campaign(case % (bits, '\n'.join(lines)))
    number = re.search(r'^run +(\d+)', run.out, re.M).group(1)
    shown = p.run('show', number, '--store', p.store, '--json').json()
    rows = shown['cases'][0]['checks']
    assert rows and shown['cases'][0]['message'] is None, str(run)
    return rows


def rotations(slips):
    return [slips[i:] + slips[:i] for i in range(len(slips))]


def test_slips(p):
    """Two octets put in, two missing; a bit put in, a bit missing: sums are 0, so the end fits."""
    base = prbs15(LENGTH)
    slips = [16, -1, -16, 1]
    parts, at = [], 0
    for i, slip in enumerate(slips):
        end = (2 * i + 1) * LENGTH // 8
        parts.append(base[at:end])
        at = end - slip  # > 0: the last bits come again; < 0: bits are left out
    parts.append(base[at:])
    n = write(p, np.concatenate(parts))
    assert n == LENGTH
    lines = ['test:check_slips(seen, "trib", { bits = { %s }, number = %d })'
             % (', '.join(map(str, r)), number) for number in (1, 2, 4) for r in rotations(slips)]
    lines += ['test:check_slips(seen, "trib", { bits = {} })',
              'test:check_slips(seen, "trib", { bits = { 16, 1, -16, -1 } })']
    rows = checks(p, n, lines)
    one_by_one, none, wrong = rows[:12], rows[12:16], rows[16:]
    for k in range(0, 12, 4):
        group = one_by_one[k:k + 4]
        assert [c['verdict'] for c in group].count('pass') == 1, group
        good = [c for c in group if c['verdict'] == 'pass'][0]
        assert good['value'] == good['limit'] and good['unit'] == 'bit', good
        assert good['reason'].startswith('4 slips, 2 of them by whole octets; the delay moved by '
                                         '+0 bits'), good
    assert all(c['verdict'] == 'fail' and c['limit'] == 'none' for c in none), none
    assert all(c['verdict'] == 'fail' for c in wrong), wrong
    db = sqlite3.connect(p.store)
    for row in db.execute('select slips, octet_slips, moved_bits, moved_least_bits, '
                          'moved_most_bits from measurement'):
        # The sums on the way: 16, 15, -1, 0 and its rotations; the extremes are 16 or 17 apart.
        assert row[:3] == (4, 2, 0) and row[4] - row[3] in (16, 17), row


def test_no_slips(p):
    n = write(p, np.random.default_rng(3).integers(0, 2, 8000, dtype=np.uint8))
    rows = checks(p, n, ['test:check_slips(seen, "trib", { bits = {} })',
                         'test:check_slips(seen, "trib", { bits = { 8 } })',
                         'test:check_inverted(seen, "trib", { times = 0 })',
                         'test:check_errors(seen, "trib", { count = 0 })'],
                  play='prbs "2^15-1"')
    assert [c['verdict'] for c in rows] == ['pass'] * 4 + ['fail'] * 4 + ['pass'] * 8, rows


def test_inverted(p):
    """Half a second of the two arrives inverted. Where each channel starts is in the store, so the
    instants are known, but for the delay of the unit (below 2 ms)."""
    bits = prbs15(LENGTH)
    begin, end = LENGTH // 4, LENGTH // 2
    bits[begin:end] ^= 1
    n = write(p, bits)
    rows = checks(p, n, ['test:check_inverted(seen, "trib", { times = 1 })',
                         'test:check_inverted(seen, "trib", { times = 2 })',
                         'test:check_inverted(seen, "trib", { times = 0 })',
                         'test:check_slips(seen, "trib", { bits = {} })'])
    db = sqlite3.connect(p.store)
    phases = [int(re.search(r'phase (\d+)', d).group(1)) for d, in db.execute(
        "select description from stream where direction='sent' order by channel_no")]
    assert len(phases) == 4
    for phase, once, twice, never, slips in zip(phases, *(rows[i:i + 4] for i in (0, 4, 8, 12))):
        want = []
        if begin <= phase < end:
            want = [('inverted', 0), ('upright', end - phase)]
            if begin + LENGTH - phase < 4096000:
                want.append(('inverted', begin + LENGTH - phase))
        else:
            first = (begin - phase) % LENGTH
            want = [('inverted', first)]
            if first + end - begin < 4096000:
                want.append(('upright', first + end - begin))
        times = [w for w, _ in want].count('inverted')
        assert once['verdict'] == ('pass' if times == 1 else 'fail'), once
        assert twice['verdict'] == ('pass' if times == 2 else 'fail'), twice
        assert never['verdict'] == 'fail' and slips['verdict'] == 'pass', (never, slips)
        turns = re.findall(r'(inverted|upright) from ([\d.]+) (s|ms|us) on', once['reason'])
        assert [w for w, _, _ in turns] == [w for w, _ in want], (want, once)
        for (_, x, u), (_, bit) in zip(turns, want):
            at = float(x) * {'s': 1, 'ms': 1e-3, 'us': 1e-6}[u]
            assert abs(at - bit / 2048000) < 2e-3, (want, once)


def test_burst(p):
    """40 errors over 300 bits, the first and the last bit among them."""
    rng = np.random.default_rng(5)
    inner = 1 + rng.choice(298, 38, replace=False)
    where = LENGTH // 3 + np.concatenate(([0, 299], inner))
    bits = prbs15(LENGTH)
    bits[where] ^= 1
    n = write(p, bits)
    rows = checks(p, n, ['test:check_errors(seen, "trib", { count = 40, span_bits = 300 })',
                         'test:check_errors(seen, "trib", { count = 41, span_bits = 299, '
                         'number = 3 })'])
    assert [c['verdict'] for c in rows] == ['pass'] * 8 + ['fail'] * 2, rows
    assert [c['value'] for c in rows] == ['40', '300'] * 5, rows


def test_wrong_pattern_and_channel(p):
    case = '''\
case "planted" { title = "Planted", time_limit = "2 min", run = function(test)
    local seen = test:take { last = "200 ms", play = { trib = %s },
        expect = { trib = prbs "2^15-1" } }
%s
end }
'''
    for played, name, other in (('pattern "all ones"', 'all ones', 'all zeros'),
                                ('pattern "3 in 24"', '3 in 24', 'all ones'),
                                ('prbs "2^23-1"', '2^23-1', '2^20-1'),
                                ('prbs "2^11-1 inverted"', '2^11-1 inverted', '2^11-1')):
        r = p.run_campaign(case % (played, '\n'.join(
            'test:check_named(seen, "trib", { pattern = "%s" })' % x for x in (name, other))))
        number = re.search(r'^run +(\d+)', r.out, re.M).group(1)
        rows = p.run('show', number, '--store', p.store, '--json').json()['cases'][0]['checks']
        assert [c['verdict'] for c in rows] == ['pass'] * 4 + ['fail'] * 4, str(r)
        assert all(c['value'] == name for c in rows), rows
    # The bench's build B has tributaries 1 and 3 crossed.
    r = p.run_campaign(case % ('prbs "2^15-1"', '\n'.join(
        'test:check_named(seen, "trib", { from = %d, number = %d })' % x
        for x in ((3, 1), (1, 3), (2, 1), (4, 4)))), build='B')
    number = re.search(r'^run +(\d+)', r.out, re.M).group(1)
    rows = p.run('show', number, '--store', p.store, '--json').json()['cases'][0]['checks']
    assert [c['verdict'] for c in rows] == ['pass', 'pass', 'fail', 'fail'], str(r)
    assert [c['value'] for c in rows] == ['number 3', 'number 1', 'number 3', 'its own'], rows


def test_mistakes(p):
    n = write(p, np.random.default_rng(3).integers(0, 2, 8000, dtype=np.uint8))
    for line, word in (('check_slips(seen, "trib", {})', 'bits is missing'),
                       ('check_slips(seen, "trib", { bits = { 0 } })', 'not 0'),
                       ('check_slips(seen, "trib", { bits = { 1.5 } })', 'whole numbers'),
                       ('check_slips(seen, "trib", { bits = { x = 1 } })', 'whole numbers'),
                       ('check_slips(seen, "trib", { bits = {}, number = 9 })', 'number 9'),
                       ('check_slips(seen, "trib", { bits = { %s } })' % ('8, ' * 16), '15 slips'),
                       ('check_inverted(seen, "trib", { times = -1 })', '0 to'),
                       ('check_errors(seen, "trib", { count = 5, span_bits = 4 })', 'span_bits'),
                       ('check_errors(seen, "trib", { count = 1.5 })', 'count must be'),
                       ('check_named(seen, "trib", {})', 'give pattern'),
                       ('check_named(seen, "trib", { pattern = "nine" })', 'nine'),
                       ('check_named(seen, "trib", { pattern = "all ones", from = 1 })', 'give'),
                       ('check_errors(seen, "line", { count = 0 })', 'nothing was expected'),
                       ('check_slips({}, "trib", { bits = {} })', 'first value'),
                       ('check_slips(seen, "none", { bits = {} })', 'not in the campaign')):
        r = p.run_campaign(CASE.replace('"2 s"', '"8 ms"') % (n, 'test:' + line))
        assert r.status == 3 and word in r.out and 'c.lua:' in r.out, (line, str(r))


b.main()

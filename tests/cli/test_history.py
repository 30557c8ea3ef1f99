# SPDX-License-Identifier: Apache-2.0
"""evenlode history from outside, on nights made by the program and read back by Python's sqlite3.

P values: a change by hand (all failures last: 1 of C(n, k) equally likely orders); a trend by NumPy
(the distribution of the sum of nights as powers of a polynomial) and SciPy's normal distribution;
intervals by SciPy's beta distribution (Clopper and Pearson 1934); Holm (1979) by hand.
"""
import math
import sqlite3

import numpy
from scipy import stats

import blackbox as b

BENCH = b.BENCH.replace('        B:\n', '''\
        D:
          faults:
            - {kind: errors, tributary: 2, ratio: 2e-5}
        B:
''')

ERRORS = '''\
case "errors" { title = "Errors", time_limit = "2 min", run = function(test)
    local seen = test:take { last = "200 ms", play = { trib = prbs "2^15-1" },
        expect = { trib = prbs "2^15-1" } }
    test:check_bit_errors(seen, "trib", { ratio = 1e-4, confidence = 0.95 })
end }
'''


def near(value, wanted, relative=1e-9):
    assert abs(value - wanted) <= relative * max(abs(wanted), 1e-12), (value, wanted)


def trend(errors, bits):
    """Chances of T or more and T or less, T the sum of night times errors."""
    n, k = len(errors), sum(errors)
    observed = sum(i * e for i, e in enumerate(errors))
    share = numpy.array(bits, dtype=float) / sum(bits)
    if k * (n - 1) <= 4096:
        p = numpy.ones(1)
        for _ in range(k):
            p = numpy.convolve(p, share)
        return p[observed:].sum(), p[:observed + 1].sum()
    mean = (share * range(n)).sum()
    deviation = math.sqrt(k * ((share * numpy.arange(n) ** 2).sum() - mean ** 2))
    return (stats.norm.sf((observed - 0.5 - k * mean) / deviation),
            stats.norm.cdf((observed + 0.5 - k * mean) / deviation))


def counts(p):
    """Errors and bits of the case "errors" by run, from the store itself."""
    db = sqlite3.connect('file:%s?mode=ro' % p.store, uri=True)
    rows = db.execute('SELECT c.run, sum(c.errors), sum(c.bits) FROM check_ c JOIN case_ k ON '
                      "k.run = c.run AND k.ordinal = c.case_no WHERE k.name = 'errors' AND "
                      'c.bits > 0 AND c.errors >= 0 GROUP BY c.run ORDER BY c.run').fetchall()
    db.close()
    return rows


def nights(p, builds, first_seed, status):
    for i, build in enumerate(builds):
        b.expect(p.run_campaign(b.ARRIVAL, ERRORS, build=build,
                                more=('--seed', first_seed + i)), status)


def history(p, status, *more):
    return b.expect(p.run('history', '--store', p.store, *more), status)


def test_nights(p):
    p.bench = p.write('bench.yaml', BENCH)
    nights(p, 'AAA', 1, 0)
    data = history(p, 0, '--json').json()
    assert not data['worse'] and [c['finding'] for c in data['cases']] == ['steady'] * 2
    assert data['cases_tested'] == data['ratios_tested'] == 0
    b.expect(history(p, 0), 0, 'arrival: steady, failed in 0 of 3', 'runs 1 to 3, build A: PPP',
             'Nothing got worse.')

    # Every check still passes, but the errors rise.
    nights(p, 'DDD', 4, 0)
    data = history(p, 1, '--json').json()
    assert data['worse'] and [c['finding'] for c in data['cases']] == ['steady'] * 2
    ratio, = [r for r in data['error_ratios'] if r['tested']]
    rows = counts(p)
    assert [(r['run'], r['errors'], r['bits']) for r in ratio['runs']] == rows
    assert sum(r[1] for r in rows[:3]) == 0 and ratio['exact'] and ratio['trend'] == 'rising'
    rising, falling = trend([r[1] for r in rows], [r[2] for r in rows])
    near(ratio['p_rising'], rising)
    near(ratio['p_falling'], falling)
    near(ratio['p_rising_corrected'], rising)
    b.expect(history(p, 1), 1, 'rising', 'Something got worse: bit error ratio rises in errors.')
    data = history(p, 0, '--case', 'arrival', '--json').json()
    assert [c['name'] for c in data['cases']] == ['arrival'] and not data['worse']

    # The same night again is no news.
    nights(p, 'A', 1, 0)
    data = history(p, 1, '--json').json()
    assert [r['repeat'] for r in data['cases'][0]['runs']] == [False] * 6 + [True]
    again, = [r for r in data['error_ratios'] if r['tested']]
    assert again == ratio
    b.expect(history(p, 1), 1, 'run 7, build A: =')

    # Build B exchanges two tributaries and has many errors.
    nights(p, 'BBB', 7, 1)
    data = history(p, 1, '--json').json()
    for c in data['cases']:
        assert c['finding'] == 'newly failing' and c['proved'], c
        assert c['first_failure'] == c['change'] == 8 and c['counted'] == 9, c
        near(c['p_worse'], 1 / math.comb(9, 3))
        near(c['p_worse_corrected'], 2 / math.comb(9, 3))
        near(c['interval'][0], stats.beta.ppf(0.025, 3, 7))
        near(c['interval'][1], stats.beta.ppf(0.975, 4, 6))
        near(c['interval_since_change'][0], stats.beta.ppf(0.025, 3, 1))
    ratio, = [r for r in data['error_ratios'] if r['tested']]
    rows = [r for r in counts(p) if r[0] != 7]
    rising, _ = trend([r[1] for r in rows], [r[2] for r in rows])
    assert not ratio['exact']
    assert abs(ratio['p_rising'] - rising) <= 1e-9 * rising + 1e-300
    b.expect(history(p, 1), 1, 'newly failing since run 8, build B (p 0.0119, corrected 0.0238)',
             'runs 8 to 10, build B: FFF', 'Something got worse: arrival is newly failing, '
             'errors is newly failing, bit error ratio rises in errors.')
    # The text names the campaign's own files only when they changed.
    assert 'another campaign' not in history(p, 1).out
    b.expect(p.run_campaign(b.ARRIVAL, build='A', more=('--seed', '20')), 0)
    b.expect(history(p, 1), 1, 'run 11 has another campaign file')


def test_every_run(p):
    """Three failures after eight runs: p = 1/C(11, 3) = 0.00606 for one case. Look 11 of a history
    read after every run has 0.05 / (11 * 12) = 0.000379: not proved; with alpha 0.9 it has 0.00682.
    """
    p.bench = p.write('bench.yaml', BENCH)
    for seed, build in enumerate('AAAAAAAABBB', 1):
        b.expect(p.run_campaign(b.ARRIVAL, build=build, more=('--seed', seed)),
                 1 if build == 'B' else 0)
    for more, of_look, proved in (((), 0.05, True), (('--every-run',), 0.05 / 132, False),
                                  (('--every-run', '--alpha', '0.9'), 0.9 / 132, True),
                                  (('--alpha', '0.006'), 0.006, False),
                                  (('--alpha', '6.1e-3'), 6.1e-3, True)):
        data = history(p, 1, '--json', *more).json()
        near(data['alpha_of_this_look'], of_look)
        case, = data['cases']
        near(case['p_worse_corrected'], 1 / math.comb(11, 3))
        # It passed always and fails now: worth a look either way, but proved or not.
        assert case['finding'] == 'newly failing' and case['proved'] == proved, (more, case)
    # What all looks have together is no more than alpha.
    assert sum(0.05 / (j * (j + 1)) for j in range(1, 100000)) < 0.05
    b.expect(history(p, 1, '--every-run'), 1, 'look 11 has 0.000379 of 0.05', 'not proved yet')
    for bad in ('0', '1', 'x', '-0.1', 'nan', ''):
        b.refused(history(p, 64, '--alpha', bad), 64, 'between 0 and 1')


def test_flaky(p):
    """One build on the real clock would do; here seeds make the nights differ."""
    p.bench = p.write('bench.yaml', BENCH)
    for seed, build in enumerate('ABAB', 1):
        b.expect(p.run_campaign(b.ARRIVAL, build=build, more=('--seed', seed)),
                 1 if build == 'B' else 0)
    data = history(p, 0, '--json').json()
    case, = data['cases']
    assert case['finding'] == 'flaky' and not data['worse']
    near(case['interval'][0], stats.beta.ppf(0.025, 2, 3))
    b.expect(history(p, 0), 0, 'arrival: flaky, failed in 2 of 4, fails with probability 0.5 '
             '(0.0676 to 0.932 at 95 %), first in run 2')


def test_refused(p):
    b.refused(p.run('history', '--store', p.store), 3, p.store)
    nights(p, 'A', 1, 0)
    b.refused(history(p, 3, '--campaign', 'none'), 3, 'campaign "none"', 'campaign "small"')
    b.refused(history(p, 3, '--bench', 'none'), 3, 'bench "none"', 'bench "small"')
    b.refused(history(p, 3, '--case', 'none'), 3, 'case "none"')
    b.refused(p.run('history', '--store', p.bench), 3, p.bench)
    history(p, 0, '--campaign', 'small', '--bench', 'small', '--case', 'errors')
    b.refused(history(p, 64, 'more'), 64, 'too many')


b.main()

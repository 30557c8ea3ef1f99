# SPDX-License-Identifier: Apache-2.0
"""evenlode plan against SciPy; takes that end when all is proved, as the store shows them.

Limits: Garwood 1936 by SciPy's chi-square; the gamma mixture by its formula (Robbins 1970; see
core/measure/sequential.h) and SciPy's root finder; shares by SciPy's beta distribution.
"""
import json
import math
import os

from scipy import optimize, special, stats

import blackbox as b

LIMITS = os.path.join(b.SOURCE_ROOT, 'campaigns', 'limits-m2100.yaml')

EARLY = '''\
case "early" { title = "Early", time_limit = "10 min", run = function(test)
    local limit = { ratio = 1e-6, confidence = 0.95 }
    local seen = test:take { last = "1 min", until_proved = limit,
        play = { trib = prbs "2^15-1" }, expect = { trib = prbs "2^15-1" } }
    test:check_bit_errors(seen, "trib", limit)
    test:check_performance(seen, "trib", { standard = "G.826", es_ratio = 0.9,
        bbe_ratio = 2e-3, confidence = 0.9 })
    test:check_performance(seen, "trib", { standard = "G.821", ses_ratio = 0.04 })
end }
'''


def mixture_end(shape, rate, events, exposure, alpha, upper):
    def f(x):
        return (shape * math.log(rate) + special.gammaln(shape + events) - special.gammaln(shape)
                - (shape + events) * math.log(rate + exposure) + x * exposure
                - (events * math.log(x) if events else 0) + math.log(alpha))
    if not events and not upper:
        return 0.0
    best = events / exposure if events else 0.0
    if upper:
        return optimize.brentq(f, max(best, 1e-12), 100 * (best + 100 / exposure),
                               xtol=1e-300, rtol=1e-13)
    return optimize.brentq(f, best * 1e-12, best, xtol=1e-300, rtol=1e-13)


def test_fixed_and_early(p):
    r = b.expect(p.run('plan', '--ratio', '1e-9', '--rate', 'E1', '--channels', '63',
                       '--true-ratio', '2e-10', '--json'), 0).json()
    assert [f['allowed_errors'] for f in r['fixed']] == list(range(6))
    for f in r['fixed']:
        mean = stats.chi2.isf(0.05, 2 * f['allowed_errors'] + 2) / 2
        assert abs(f['mean_at_limit'] / mean - 1) < 1e-10
        assert abs(f['bits'] - mean * 1e9) < 2
        assert abs(f['seconds'] - f['bits'] / 2048000) < 1e-6
        power = stats.poisson.cdf(f['allowed_errors'], 2e-10 * f['bits'])
        assert abs(f['one_passes'] - power) < 1e-10
        assert abs(f['all_pass'] - power ** 63) < 1e-9
    early = r['early']
    t = early['clean_seconds'] * 2048000e-9
    assert abs(t - (math.log(20) + 0.1 * math.log1p(t))) < 1e-8
    assert abs(early['passes'] + early['fails'] + early['open'] - 1) < 1e-9
    # All channels together: Bonferroni.
    r = p.run('plan', '--ratio', '1e-9', '--rate', '2048000', '--channels', '63', '--together',
              '--errors', '2', '--json').json()
    assert len(r['fixed']) == 1
    assert abs(r['fixed'][0]['mean_at_limit'] / (stats.chi2.isf(0.05 / 63, 6) / 2) - 1) < 1e-10
    b.expect(p.run('plan', '--ratio', '1e-9', '--rate', 'E1'), 0, '2 995 732 274',
             '24 min 22 s', '25 min 32 s')
    b.expect(p.run('plan', '--ratio', '1e-3', '--rate', 'STM-1'), 0)


def test_limits(p):
    r = b.expect(p.run('plan', '--limits', LIMITS, '--path', 'E1', '--allocation', '0.01',
                       '--seconds', '604800', '--json'), 0).json()
    rows = {x['event']: x for x in r['rows']}
    assert abs(rows['es']['s1'] - 98.96) < 0.005 and abs(rows['es']['s2'] - 142.96) < 0.005
    assert abs(rows['ses']['s1'] - 1.13) < 0.005 and abs(rows['ses']['s2'] - 10.97) < 0.006
    assert abs(rows['bbe']['apo'] - 2e-4 * 0.01 * 604800 * 1000) < 1e-6
    b.expect(p.run('plan', '--limits', LIMITS, '--path', 'E1', '--allocation', '0.01',
                   '--seconds', '86400'), 0, '8.97', '25.59', 'too short to accept')


def test_refused(p):
    for args, status, words in (
            ([], 64, ['--ratio and --rate']),
            (['--ratio', '1e-9'], 64, ['--rate']),
            (['--ratio', 'x', '--rate', 'E1'], 64, ['--ratio x']),
            (['--ratio', 'nan', '--rate', 'E1'], 64, ['--ratio nan']),
            (['--ratio', '1e-9', '--rate', 'E9'], 64, ['--rate E9']),
            (['--ratio', '1e-9', '--rate', 'E1', '--channels', '0'], 64, ['--channels 0']),
            (['--ratio', '1e-9', '--rate', 'E1', '--errors', '-1'], 64, ['--errors -1']),
            (['--ratio', '1e-9', '--rate', 'E1', '--at-most', '0'], 64, ['--at-most 0']),
            (['--ratio', '1e-9', '--rate', 'E1', '--path', 'E1'], 64, ['--path does not go']),
            (['--ratio', '1e-9', '--rate', 'E1', 'x'], 64, ['operand']),
            (['--ratio', '2', '--rate', 'E1'], 3, ['between 0 and 1']),
            (['--ratio', '1e-9', '--rate', 'E1', '--confidence', '1'], 3, ['confidence']),
            (['--ratio', '1e-9', '--rate', '0'], 3, ['one bit a second']),
            (['--ratio', '1e-30', '--rate', 'E1'], 3, ['more bits than can be run']),
            (['--limits', LIMITS], 64, ['--path, --allocation and --seconds']),
            (['--limits', LIMITS, '--path', 'E9', '--allocation', '1', '--seconds', '9'], 3,
             ['no row for path E9']),
            (['--limits', LIMITS, '--path', 'E1', '--allocation', '2', '--seconds', '9'], 3,
             ['allocation 2']),
            (['--limits', p.path('none'), '--path', 'E1', '--allocation', '1', '--seconds', '9'], 3,
             ['none']),
            (['--limits', p.write('l.yaml', 'limits: x\nfoo: 1\n'), '--path', 'E1', '--allocation',
              '1', '--seconds', '9'], 3, ['l.yaml:2: ', 'foo'])):
        b.refused(p.run('plan', *args), status, *words)


def checks(p, run, kind):
    r = p.run('show', run, '--store', p.store, '--json').json()
    found = []

    def walk(x):
        if isinstance(x, dict):
            if x.get('kind') == kind:
                found.append(x)
            for v in x.values():
                walk(v)
        elif isinstance(x, list):
            for v in x:
                walk(v)
    walk(r)
    assert found, json.dumps(r)[:2000]
    return found


def close(text, want):
    """The store keeps three digits of a ratio."""
    return abs(float(text) - want) <= 0.006 * abs(want) + 1e-30


def test_ends_early(p):
    """3.13775e6 bits prove 1e-6: the second second of 60; tributary 2 of build B is worse."""
    for build, status in (('A', 0), ('B', 1)):
        r = p.run_campaign(EARLY, build=build)
        run = 1 if build == 'A' else 2
        rows = checks(p, run, 'bit-errors')
        assert len(rows) == 4
        for c in rows:
            bits, errors = c['bits'], c['errors']
            t = bits * 1e-6
            assert close(c['upper'], 1e-6 * mixture_end(0.1, 1, errors, t, 0.05, True)), c
            assert close(c['lower'], 1e-6 * mixture_end(1, 0.25, errors, t, 0.05, False)), c
            assert c['confidence'] == '95 %', c
            assert 'anytime-valid' in c['rule'], c
            assert 'measured for 2 s of 60 s' in c['reason'], c
            assert 'time saved 58 s' in c['reason'], c
            assert 4000000 < bits <= 2 * 2048000, c
        verdicts = [c['verdict'] for c in rows]
        assert verdicts == (['pass'] * 4 if build == 'A' else ['pass', 'fail', 'pass', 'pass'])
        assert ('proved after 1 s' in rows[1]['reason']) == (build == 'B'), rows[1]
        # Two clean seconds prove little about a share of seconds: 1 - 0.1 ** (1/2) = 0.684.
        rows = checks(p, run, 'performance')
        es = [c for c in rows if c['title'] == 'errored second ratio']
        assert close(es[0]['upper'], 1 - 0.1 ** 0.5) and es[0]['verdict'] == 'pass', es[0]
        bbe = [c for c in rows if c['title'] == 'background block error ratio']
        assert close(bbe[0]['upper'], 1 - 0.1 ** (1 / 2000)) and bbe[0]['verdict'] == 'pass', bbe
        ses = [c for c in rows if c['title'] == 'severely errored second ratio']
        assert ses[0]['verdict'] == 'inconclusive', ses
        assert r.status == (2 if build == 'A' else 1), str(r)


def test_mistakes_in_campaigns(p):
    for text, words in (
            ('until_proved = { ratio = 1e-6, confidence = 0.95 }, ', ['until_proved needs last']),
            ('last = "1 s", until_proved = { ratio = 2, confidence = 0.95 }, ', ['ratio']),
            ('last = "1 s", until_proved = { ratio = 1e-6 }, ', ['confidence is missing']),
            ('last = "1 s", until_proved = 5, ', ['until_proved must be a table'])):
        r = p.run_campaign('case "a" { title = "a", time_limit = "1 min", run = function(test)\n'
                           'test:take { %s play = { trib = prbs "2^15-1" } }\nend }\n' % text)
        assert r.status == 3, str(r)
        text = p.run('show', '1', '--store', p.store).out
        for word in words:
            assert word in text, (word, text)
        os.unlink(p.store)
    for text, words in (
            ('{ standard = "G.999", es_ratio = 0.1 }', ['G.999', 'G.821', 'G.826']),
            ('{ standard = "G.821", bbe_ratio = 0.1 }', ['bbe_ratio needs blocks']),
            ('{ standard = "G.826" }', ['no limit']),
            ('{ standard = "G.826", es_ratio = 0 }', ['es_ratio must lie']),
            ('{ standard = "G.826", es_ratio = 0.1, confidence = 1 }', ['confidence']),
            ('{ standard = "G.826", es = 0.1 }', ['es is not known'])):
        r = p.run_campaign('case "a" { title = "a", time_limit = "1 min", run = function(test)\n'
                           'local seen = test:take { last = "8 ms", play = { trib = prbs "2^15-1" '
                           '}, expect = { trib = prbs "2^15-1" } }\n'
                           'test:check_performance(seen, "trib", %s)\nend }\n' % text)
        assert r.status == 3, str(r)
        text = p.run('show', '1', '--store', p.store).out
        for word in words:
            assert word in text, (word, text)
        os.unlink(p.store)


if __name__ == '__main__':
    b.main()

# SPDX-License-Identifier: Apache-2.0
"""The campaign that proves an error ratio on 63 tributaries at once: value, limits, confidence,
bits counted and time saved, in the store and in the report.

The limits are computed again here: without errors the anytime-valid upper limit is
(ln(1/alpha) + 0.1 ln(1 + t)) / t with t = bits * limit (docs/measurement.md); the time is that of
frames of 125 us. As shipped the campaign proves 1e-9 in 1533 s of bench time; with EVL_WHOLE=1 in
the environment that is what runs, else 1e-7 on the same bench in the same way.
"""
import html.parser
import math
import os
import re

import blackbox as b

WHOLE = os.environ.get('EVL_WHOLE') == '1'
LIMIT = 1e-9 if WHOLE else 1e-7


class Text(html.parser.HTMLParser):
    def __init__(self):
        super().__init__()
        self.parts = []

    def handle_data(self, data):
        self.parts.append(data)


def text_of(path):
    t = Text()
    with open(path, encoding='utf-8') as f:
        t.feed(f.read())
    return re.sub(r'\s+', ' ', ' '.join(t.parts))


def upper(bits):
    t = bits * LIMIT
    return LIMIT * (math.log(20) + 0.1 * math.log1p(t)) / t


def run(p, build):
    folder = os.path.join(b.SOURCE_ROOT, 'campaigns')
    with open(os.path.join(folder, 'prove-ber.lua'), encoding='utf-8') as f:
        source = f.read()
    if not WHOLE:
        assert source.count('ratio = 1e-9') == 1
        source = source.replace('ratio = 1e-9', 'ratio = 1e-7')
    b.TIME_LIMIT_S = 3000
    return p.run('run', p.write('prove.lua', source), '--bench',
                 os.path.join(folder, 'bench-simmux.yaml'), '--build', build, '--store', p.store,
                 '--progress', 'none', '--seed', '5')


def test_proved_and_saved(p):
    r = run(p, 'A')
    assert re.search(r'takes planned for 2 h 00 min, measured for', r.out), str(r)
    shown = p.run('show', '1', '--store', p.store, '--json').json()
    assert shown['verdict'] == ('pass' if WHOLE else 'inconclusive'), str(r)
    time = shown['time']
    assert time['planned_ns'] == 7200 * 10 ** 9
    assert time['saved_ns'] == time['planned_ns'] - time['measured_ns'] > 0
    # 3.1377 / limit bits (docs/measurement.md), looked at each second, less than 1 s for the lock.
    need = 3.1377 / LIMIT / 2048000
    assert need <= time['measured_ns'] / 1e9 <= need + 2, time
    take = shown['cases'][0]['takes'][0]
    assert take['frames'] * 125000 == time['measured_ns'] and take['state'] == 'finished'
    rows = [c for c in shown['cases'][0]['checks'] if c['kind'] == 'bit-errors']
    assert len(rows) == 63
    for c in rows:
        assert c['verdict'] == 'pass' and c['errors'] == 0 and float(c['value']) == 0, c
        assert c['confidence'] == '95 %' and float(c['limit']) == LIMIT, c
        assert 3.1377 / LIMIT <= c['bits'] <= time['measured_ns'] * 2048000 // 10 ** 9, c
        assert abs(float(c['upper']) / upper(c['bits']) - 1) < 0.006, c  # three digits are kept
        assert float(c['upper']) < LIMIT and float(c['lower']) == 0, c
    b.expect(p.run('dossier', '1', '--store', p.store, '--out', p.path('d')), 0)
    text = text_of(os.path.join(p.path('d'), 'report.html'))
    s = round(time['saved_ns'] / 1e9)
    saved = '%d h %d min %d s' % (s // 3600, s // 60 % 60, s % 60)
    assert 'planned 2 h 0 min 0 s' in text and 'saved by early stops ' + saved in text, saved
    for words in ('95 %', 'bit error ratio', 'anytime-valid'):
        assert words in text, words
    bits = '{:,}'.format(rows[0]['bits'])
    assert re.search(bits.replace(',', r'.{0,8}'), text), bits


def test_bad_tributary_does_not_hold_up(p):
    """Tributary 33 of build B has 1e-5: failed at once; the take still ends when all are proved."""
    r = run(p, 'B')
    shown = p.run('show', '1', '--store', p.store, '--json').json()
    rows = [c for c in shown['cases'][0]['checks'] if c['kind'] == 'bit-errors']
    assert [c['verdict'] for c in rows].count('fail') == 1, str(r)
    bad = rows[32]
    assert bad['verdict'] == 'fail' and float(bad['lower']) > LIMIT, bad
    assert abs(bad['errors'] / bad['bits'] / 1e-5 - 1) < 0.5, bad
    assert shown['time']['saved_ns'] > 0 and 'proved after 1 s' in bad['reason'], bad


b.main()

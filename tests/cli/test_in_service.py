# SPDX-License-Identifier: Apache-2.0
"""In-service error performance by the parities of the line, against the independent decoder of
tests/adapters (written apart from core/): it reads the recorded line and counts the errored blocks
and the far end's reports (M1, G1, V5) of each second itself. Sizes and thresholds: ITU-T G.828 and
G.829, from memory.
"""
import os
import sqlite3
import sys

import blackbox as b

sys.path.insert(0, os.path.join(b.SOURCE_ROOT, 'tests', 'adapters'))
import sdh_decoder  # noqa: E402

SECOND = 8000 * 2430
CASE = '''\
case "live" { title = "In service", time_limit = "2 min", run = function(test)
    local seen = test:take { last = "2 s", play = { trib = prbs "2^15-1" }, watch = { "line" },
        inside = { line = { trib = prbs "2^15-1" } }, record = { as = "line", "line" },
        inject = { %s } }
%s
end }
'''


def rows(p, more=''):
    db = sqlite3.connect(p.store)
    db.row_factory = sqlite3.Row
    return {(r['place'], r['end_']): r for r in db.execute(
        'select * from performance where bin_seconds=0 ' + more)}


def line_bytes(p):
    shown = p.run('show', '1', '--store', p.store, '--json').json()
    path = os.path.join(p.dir, shown['recordings'][0]['path'])
    raw = p.path('raw')
    b.expect(p.run('recording', 'extract', path, '--channel', 'line.received', '--raw', raw), 0)
    with open(raw, 'rb') as f:
        return f.read()


def test_far_end_reports(p):
    """Errors on the way to the unit: it reports them back; what it sends has none."""
    r = p.run_campaign(CASE % (
        '{ errors = 1e-6, on = "line", at = "100 ms", lasting = "1800 ms" }', '''\
    test:check_performance(seen, "line", { by = "parity", standard = "G.829", es_ratio = 0.9 })
    test:check_performance(seen, "line", { by = "parity", standard = "G.828", bbe_ratio = 1e-3,
        place = "VC-4 1" })
    test:check_performance(seen, "line", { by = "parity", standard = "G.828", ses_ratio = 0.9,
        ends = "near" })'''))
    raw = line_bytes(p)
    assert len(raw) == 2 * SECOND
    got = rows(p)
    assert len(got) == 1 + 2 + 2 + 2 * 4, list(got)
    want = {}
    for second in range(2):
        s, _ = sdh_decoder.decode(raw[second * SECOND:(second + 1) * SECOND], 'au4: 12')
        text = repr(s)
        assert s['section']['m1_rei'] > 0, text[:2000]
        want.setdefault('MS', []).append(s['section']['m1_rei'])
    far = got['MS', 'far']
    # A frame at the border of two seconds may be cut by the decoder, so a report may be missed.
    assert abs(far['errored_blocks'] - sum(want['MS'])) <= 2, (dict(far), want)
    assert far['errored_seconds'] == 2 and far['severely_errored_seconds'] == 0
    assert far['background_block_errors'] == far['errored_blocks']
    assert far['blocks'] == 2 * 192000 and far['path'] == 'MS-1' and far['code'] == 'M1'
    # 155.52 Mbit/s * 1.8 s * 1e-6, less the RSOH: about 277 with a standard deviation of 17.
    assert 200 < far['errored_blocks'] < 360
    for place, code, blocks in (('RS', 'B1', 16000), ('MS', 'B2', 384000), ('VC-4 1', 'B3', 16000),
                                ('VC-12 1-1-1', 'BIP-2', 4000), ('VC-12 1-2-1', 'BIP-2', 4000)):
        near = got[place, 'near']
        assert near['errored_blocks'] == near['errored_seconds'] == 0, dict(near)
        assert near['blocks'] == blocks and near['code'] == code, dict(near)
        assert near['available_seconds'] == 2 and near['unread_seconds'] == 0
    path = got['VC-4 1', 'far']
    assert 0 < path['errored_blocks'] <= far['errored_blocks'] + 20 and path['code'] == 'G1'
    shown = p.run('show', '1', '--store', p.store, '--json').json()['cases'][0]['checks']
    titles = [c['title'] for c in shown if c['kind'] == 'performance']
    assert titles[:3] == ['errored second ratio, %s' % x for x in (
        'RS, near end (B1)', 'MS, near end (B2)', 'MS, far end (M1)')], titles
    bbe = [c for c in shown if c['title'].startswith('background') and 'far' in c['title']][0]
    # 16000 blocks and some 270 errored ones: 1e-3 is proved to be exceeded.
    assert bbe['verdict'] == 'fail' and bbe['standard'] == 'ITU-T G.828', bbe
    assert sum('BIP-2' in t for t in titles) == 4, titles
    assert r.status == 1


def test_remote_defect_is_severe_at_the_far_end(p):
    """The unit's line input is dark: what it sends is clean, with MS-RDI in it."""
    r = p.run_campaign(CASE % (
        '{ alarm = "LOS", on = "line", at = "0 s", lasting = "1500 ms" }',
        '    test:check_performance(seen, "line", { by = "parity", standard = "G.829", '
        'es_ratio = 0.9 })'))
    got = rows(p)
    far = got['MS', 'far']
    # The unit sends MS-RDI all that time: two severely errored seconds at the far end.
    assert far['severely_errored_seconds'] == 2 and far['unread_seconds'] == 0, dict(far)
    near = got['MS', 'near']
    assert near['severely_errored_seconds'] == 0, dict(near)
    assert r.status in (1, 2)


def test_near_end_errors(p):
    """Errors on the line that the unit sends: each parity's errored blocks as the decoder finds
    them in the recorded line, and nothing at the far end."""
    p.bench = p.write('bench.yaml', b.BENCH.replace('          faults: none', """\
          faults:
            - {kind: line-errors, ratio: 1e-6}"""))
    r = p.run_campaign(CASE % ('', """\
    test:check_performance(seen, "line", { by = "parity", standard = "G.829", es_ratio = 0.9,
        ends = "near" })"""))
    raw = line_bytes(p)
    assert len(raw) == 2 * SECOND
    s, _ = sdh_decoder.decode(raw, 'au4: 12')
    got = rows(p)
    found = {'RS': s['b1']['errored_blocks'], 'MS': s['b2']['errored_bits']}
    assert found['RS'] > 200 and found['MS'] > 200, found
    found['VC-4 1'] = s['paths'][0]['b3']['errored_blocks']
    for u in s['units']:
        if 'VC-12 ' + u['name'] in {place for place, _ in got}:
            found['VC-12 ' + u['name']] = u['bip2']['errored_blocks']
    assert len(found) == 3 + 4, found
    # The decoder needs whole frames and containers: errored ones at either end may escape it.
    for place, want in found.items():
        near = got[place, 'near']
        assert 0 <= near['errored_blocks'] - want <= 2, (place, dict(near), want)
        assert 'VC-12' in place or near['errored_seconds'] == 2, dict(near)
        assert near['severely_errored_seconds'] == 0, dict(near)
    assert r.status in (0, 1, 2), str(r)


def test_mistakes(p):
    for line, word in (('{ by = "guess", standard = "G.829", es_ratio = 0.1 }', 'by must be'),
                       ('{ by = "parity", standard = "G.821", es_ratio = 0.1 }', 'by parity use'),
                       ('{ by = "parity", standard = "G.829" }', 'no limit'),
                       ('{ by = "parity", standard = "G.829", es_ratio = 0.1, ends = "x" }',
                        'ends must be'),
                       ('{ by = "parity", standard = "G.828", es_ratio = 0.1, place = "VC-9" }',
                        'VC-9'),
                       ('{ standard = "G.828", es_ratio = 0.1 }', 'by = '),
                       ('{ standard = "G.826", es_ratio = 0.1, ends = "far" }', 'need by'),
                       ('{ by = "parity", standard = "G.826", es_ratio = 0.1 }', 'E1 and T1')):
        case = CASE.replace('"2 s"', '"8 ms"') % (
            '', '    test:check_performance(seen, "line", %s)' % line)
        r = p.run_campaign(case)
        assert r.status == 3 and word in r.out, (line, str(r))


b.main()

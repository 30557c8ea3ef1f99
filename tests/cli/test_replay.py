# SPDX-License-Identifier: Apache-2.0
"""Replays of parts of recordings: what must be sent is cut out of the recording here, with the
readers of tests/recording (docs/recording.md in Python) and NumPy; digests by hashlib (FIPS 180-4);
delays by NumPy's FFT correlation; frames of 125 us have 256 bits (ITU-T G.704 2.3).
"""
import hashlib
import os
import re
import sqlite3
import struct
import sys

import numpy as np

import blackbox as b

sys.path.insert(0, os.path.join(b.SOURCE_ROOT, 'tests', 'recording'))
import read_recording  # noqa: E402
import recording_writer  # noqa: E402

FRAME = 32  # bytes of an E1 in 125 us
IDLE = 0xAA

HEAD = '''\
campaign { name = "small", title = "Small", version = "1", needs = {
    near = { rate = "E1", count = 2, play = true, capture = true },
    far = { rate = "E1", count = 2, play = true, capture = true },
    line = { rate = "STM-1", capture = true },
} }
'''
BENCH = b.BENCH[:b.BENCH.index('roles:')].replace(
    '            - {kind: swap, first: 1, second: 3}\n'
    '            - {kind: errors, tributary: 2, ratio: 1e-3}\n', '''\
            - {kind: delay, tributary: 1, bits: 1000}
            - {kind: slip, tributary: 2, bits: 256, at: 150 ms}
            - {kind: slip, tributary: 3, bits: -256, at: 150 ms}
            - {kind: errors, tributary: 4, ratio: 1e-4}
''') + '''\
roles:
  near:
    adapter: mux
    channels: trib-{1..2}
    numbers: 1..2
  far:
    adapter: mux
    channels: trib-{3..4}
    numbers: 3..4
  line:
    adapter: mux
    channels: [line]
'''
RECORD = '''\
case "record" { title = "Record", time_limit = "2 min", run = function(test)
    test:take { last = "400 ms", play = { near = prbs "2^23-1", far = prbs "2^20-1" },
        record = { as = "kept", "near", "far" } }
    test:check { title = "recorded", verdict = "pass" }
end }
'''


def case(name, *lines):
    return ('case "%s" { title = "%s", time_limit = "2 min", run = function(test)\n    %s\nend }\n'
            % (name, name, '\n    '.join(lines)))


def run(p, *cases, head=HEAD, bench=BENCH, build='A', more=()):
    p.write('bench.yaml', bench)
    return p.run_campaign(*cases, head=head, build=build, more=more)


def read(p, run_no, case_no, take=1):
    """Channels of a recording: name -> bytes from offset 0."""
    path = '%s.recordings/run-%d-case-%d-take-%d.pcapng' % (p.store, run_no, case_no, take)
    runs = {name: c['runs'] for name, c in read_recording.read(path)[0].items()}
    for name, list_ in runs.items():
        assert len(list_) == 1 and list_[0][0] == 0, (name, len(list_))
    return {name: list_[0][1] for name, list_ in runs.items()}


def digest(data):
    """The stream digest of docs/recording.md."""
    return hashlib.sha256(b'evl-stream-1' + struct.pack('<Q', 0) + data
                          + struct.pack('<Q', 8 * len(data))).hexdigest()


def rows(p, sql, *args):
    db = sqlite3.connect(p.store)
    db.row_factory = sqlite3.Row
    return db.execute(sql, args).fetchall()


def checks(p, kind):
    return rows(p, 'select * from check_ where kind = ? and run = (select max(run) from run) '
                'order by channel_no', kind)


def bits(data):
    return np.unpackbits(np.frombuffer(data, dtype=np.uint8))


def delay_of(a, c):
    """Bits by which c is later than a, by correlation of both as +1 and -1."""
    x, y = (1.0 - 2.0 * bits(v) for v in (a, c))
    n = 1 << (len(x) + len(y)).bit_length()
    r = np.fft.irfft(np.conj(np.fft.rfft(x, n)) * np.fft.rfft(y, n), n)
    at = int(np.argmax(r))
    return at if at < n // 2 else at - n


def test_window_in_rounds(p):
    """100 ms from 96 ms on, three times; each round a multiple of 8 ms after the one before."""
    r = run(p, RECORD, case(
        'again', 'local w = replay(test:reference "kept", { from = "96 ms", lasting = "100 ms", '
        'times = 3, seam = "to 8 ms" })',
        'local seen = test:take { play = { near = w, far = prbs "2^15-1" }, '
        'expect = { near = w, far = prbs "2^15-1" }, record = { as = "again", "near" } }',
        'test:check_played_as_recorded(seen, "near")',
        'test:check_returned_as_recorded(seen, "near")', 'test:check_arrival(seen, "far")'))
    b.expect(r, 0)
    old, new = read(p, 1, 1), read(p, 1, 2)
    for n in (1, 2):
        part = old['near-%d.sent' % n][96 * 8 * FRAME:196 * 8 * FRAME]
        seam = bytes([IDLE]) * (4 * 8 * FRAME)
        want = part + seam + part + seam + part
        # 308 ms; a take lasts a multiple of 8 ms.
        want += bytes([IDLE]) * (312 * 8 * FRAME - len(want))
        assert new['near-%d.sent' % n] == want, n
        row = checks(p, 'identity')[n - 1]
        assert (row['verdict'], row['value'], row['limit_']) == (
            'pass', digest(want)[:16], digest(want)[:16]), dict(row)
        for words in ('recording kept', '96 ms to 196 ms', '3 rounds', '4 ms of idle',
                      'seams at 100 ms, 204 ms'):
            assert words in row['reason'], row['reason']
        # What came back: the rounds but for the delay at the beginning of each.
        d = delay_of(old['near-%d.sent' % n], old['near-%d.received' % n])
        row = checks(p, 'returned')[n - 1]
        d = -(-d // 8) * 8
        assert row['bits'] == 3 * (100 * 8 * FRAME * 8 - d), (dict(row), d)
        assert row['errors'] == 0


def test_other_channels(p):
    """What role near had, on role far, numbers exchanged; and what was received, played."""
    r = run(p, RECORD, case(
        'across', 'local w = replay(test:reference "kept", { role = "near", '
        'numbers = { [3] = 2, [4] = 1 } })',
        'local seen = test:take { play = { far = w }, record = { as = "across", "far" } }',
        'test:check_played_as_recorded(seen, "far")'), case(
        'back', 'local w = replay(test:reference "kept", { direction = "received", '
        'from = "40 ms", lasting = "80 ms" })',
        'local seen = test:take { play = { near = w }, record = { as = "back", "near" } }',
        'test:check_played_as_recorded(seen, "near")'), case(
        'through', 'local sent = replay(test:reference "kept", { direction = "sent", '
        'settle = "0 s" })',
        'local seen = test:take { play = { near = sent }, expect = { near = sent }, '
        'record = { as = "through", "near" } }',
        'test:check_returned_as_recorded(seen, "near", { within = "2 ms" })'), case(
        'order', 'local w = replay(test:reference "kept", { role = "near", numbers = "in order" })',
        'local seen = test:take { play = { far = w }, record = { as = "order", "far" } }',
        'test:check_played_as_recorded(seen, "far")'))
    b.expect(r, 0)
    old, across, back = read(p, 1, 1), read(p, 1, 2), read(p, 1, 3)
    through, order = read(p, 1, 4), read(p, 1, 5)
    for n, c in zip((1, 2), checks(p, 'returned')):  # against what was sent: the unit's delay
        us = delay_of(old['near-%d.sent' % n], through['near-%d.received' % n]) * 125 / 256
        told = re.match(r'0 bits differ, ([0-9.]+) us later$', c['value'])
        assert told and abs(float(told.group(1)) - us) < 0.001, (c['value'], us)
    assert [order['far-%d.sent' % n] for n in (3, 4)] == [old['near-%d.sent' % n] for n in (1, 2)]
    assert across['far-3.sent'] == old['near-2.sent']
    assert across['far-4.sent'] == old['near-1.sent']
    assert across['far-3.sent'] != across['far-4.sent']
    part = slice(40 * 8 * FRAME, 120 * 8 * FRAME)
    assert back['near-1.sent'] == old['near-1.received'][part]


def test_changed_delay(p):
    """Build B: 1000 bits later, a frame repeated, a frame lost, errors. Each is told apart, in a
    window and at the instants at which NumPy finds them."""
    lines = ['local w = replay(test:reference "kept", { from = "48 ms", lasting = "250 ms" })',
             'local seen = test:take { play = { near = w, far = w }, '
             'expect = { near = w, far = w }, record = { as = "again", "near", "far" } }',
             'test:check_returned_as_recorded(seen, "near"%s)',
             'test:check_returned_as_recorded(seen, "far"%s)']
    b.expect(run(p, RECORD), 0)

    def judged(how):
        text = '\n    '.join(lines) % (how, how)
        r = run(p, RECORD, case('again', text), build='B',
                more=('--case', 'again', '--reference', '1'))
        b.expect(r, 1)
        return {c['subject'].split(' (')[0].replace(' ', '-'): c for c in checks(p, 'returned')}

    strict = judged('')
    old, new = read(p, 1, 1), read(p, 2, 1)
    part = {n: old[n][48 * 8 * FRAME:298 * 8 * FRAME] for n in old}
    # 1000 bits against the recording; NumPy says it.
    d = delay_of(part['near-1.received'], new['near-1.received'])
    assert d == 1000, d
    assert [c['verdict'] for c in strict.values()] == ['fail'] * 4
    assert ('488.281 us later than recorded; the campaign allows no change'
            in strict['near-1']['reason']), strict['near-1']['reason']

    free = judged(', { delay_may_change = true }')
    assert {n for n, c in free.items() if c['verdict'] == 'pass'} == {'near-1'}
    assert free['near-1']['errors'] == 0, dict(free['near-1'])
    assert free['near-1']['value'] == '0 bits differ, 488.281 us later', dict(free['near-1'])
    slip = re.search(r'repeated 1 frame \(256 bits\) ([0-9.]+) ms after', free['near-2']['reason'])
    lost = re.search(r'lost 1 frame \(256 bits\) ([0-9.]+) ms after', free['far-3']['reason'])
    # Where the old delay ends, by NumPy: the first bit that no longer fits.
    for name, found, kind in (('near-2', slip, 1), ('far-3', lost, -1)):
        assert found, (dict(free['near-2']), dict(free['far-3']))
        x, y = bits(part[name + '.received']), bits(new[name + '.received'])
        head = delay_of(part[name + '.received'][:40 * 8 * FRAME], new[name + '.received'])
        n = min(len(x), len(y) - head)
        wrong = np.flatnonzero(x[:n] != y[head:head + n])
        wrong = wrong[wrong > 8 * 8 * FRAME * 8]  # what was sent before the window is over
        at_ms = (wrong[0] + head) / 2048
        assert abs(float(found.group(1)) - at_ms) < 0.05, (found.group(1), at_ms)
        tail = delay_of(part[name + '.received'][-40 * 8 * FRAME:],
                        new[name + '.received'][-60 * 8 * FRAME:])
        tail -= 20 * 8 * FRAME * 8 - (len(y) - len(x))
        assert tail - head == kind * 256, (head, tail)
    x, y = bits(part['far-4.received']), bits(new['far-4.received'])
    first = len(x) - free['far-4']['bits']  # compared to the window's end
    bad = free['far-4']
    assert bad['errors'] == int(np.count_nonzero(x[first:] != y[first:len(x)])), dict(bad)
    assert 'at the recorded delay' in bad['reason'] and 'slip' not in bad['value'], dict(bad)

    near = judged(', { within = "400 us" }')
    assert [c['verdict'] for c in near.values()] == ['fail'] * 4
    near = judged(', { within = "500 us" }')
    assert near['near-1']['verdict'] == 'pass', dict(near['near-1'])
    assert near['near-1']['limit_'] == '0 bits differ, within 500 us'


def test_too_short_a_take(p):
    """A take that ends before the replay begins proves nothing; one that ends before its end says
    so; through a network of 2 ms all of it is 2 ms later."""
    r = run(p, RECORD, case(
        'short', 'local w = replay(test:reference "kept", { at = "200 ms" })',
        'local seen = test:take { last = "104 ms", play = { near = w } }',
        'test:check_played_as_recorded(seen, "near")',
        'seen = test:take { last = "304 ms", play = { near = w } }',
        'test:check_played_as_recorded(seen, "near")',
        'w = replay(test:reference "kept", { lasting = "48 ms", times = 6, seam = "to 8 ms" })',
        'seen = test:take { play = { near = w } }',
        'test:check_played_as_recorded(seen, "near")'), case(
        'network', 'local w = replay(test:reference "kept")',
        'local seen = test:take { play = { near = w }, expect = { near = w }, '
        'network = { near = { delay = "2 ms" } }, record = { as = "late", "near" } }',
        'test:check_played_as_recorded(seen, "near")',
        'test:check_returned_as_recorded(seen, "near", { within = "2 ms" })'))
    b.expect(r, 2)
    short = sorted(checks(p, 'identity'), key=lambda c: (c['case_no'], c['ordinal']))
    assert [c['verdict'] for c in short] == ['inconclusive'] * 2 + ['pass'] * 6
    assert 'the take lasted 304 ms of 600 ms' in short[2]['reason'], short[2]['reason']
    # A round of whole 8 ms needs nothing between.
    assert ('6 rounds, one directly after the other; seams at 48 ms, 96 ms, 144 ms, then every '
            '48 ms') in short[4]['reason'], short[4]['reason']
    assert 'through: delay 2 ms' in short[6]['reason'], short[6]['reason']
    assert {(c['verdict'], c['value']) for c in checks(p, 'returned')} == {
        ('pass', '0 bits differ, 2 ms later')}


def test_marks_on_one_instant(p):
    """Two files without trailers (cut off), marks at 123.456 ms and 37.1 ms: both fall on 150 ms of
    the take, to the byte."""
    rng = np.random.default_rng(5)
    marks = {'near': 123456000, 'far': 37100000}
    data = {}
    for role, numbers in (('near', (1, 2)), ('far', (3, 4))):
        start = 24000000
        w = recording_writer.Recording(
            [('%s-%d.sent' % (role, n), 'E1', 'sent', start) for n in numbers])
        for i, n in enumerate(numbers):
            data[role, n] = rng.integers(0, 256, 200 * 8 * FRAME, dtype=np.uint8).tobytes()
            w.add(i, 0, data[role, n])
        w.mark(start + 5000000, 'something else')
        w.mark(start + marks[role], 'slip +8 bits on trib %d' % numbers[0], 0)
        p.write(role + '.pcapng', w.file)
    read_ = ['local %s = recording_file "%s.pcapng"\n' % (r, r) for r in ('near', 'far')]
    r = run(p, ''.join(read_), case(
        'two', 'local a = replay(near, { mark = "slip", before = "20 ms", after = "30 ms", '
        'at = "150 ms", then_idle = true })',
        'local z = replay(far, { mark = 2, at = "150 ms", then_idle = true })',
        'local seen = test:take { last = "400 ms", play = { near = a, far = z }, '
        'record = { as = "two", "near", "far" } }',
        'test:check_played_as_recorded(seen, "near")', 'test:check_played_as_recorded(seen, "far")',
        'local m = near.marks[2]',
        'test:check { title = m.text .. " " .. m.at_ns, verdict = "pass" }'))
    b.expect(r, 0)
    sent = read(p, 1, 1)
    for role, n in data:
        got = sent['%s-%d.sent' % (role, n)]
        mark = 150 * 8 * FRAME  # byte of the take on which it falls
        old = marks[role] * 256 // 125000 // 8  # and in the recording
        assert got[mark - 8:mark + 8] == data[role, n][old - 8:old + 8], (role, n)
        # Before: 20 ms, down to a multiple of 8 ms; all of it.
        first = 96 * 8 * FRAME if role == 'near' else 0
        lead = mark - (old - first)
        assert abs(got.find(data[role, n][first:first + 64]) - lead) == 0, (role, n)
        assert set(got[:lead]) == {IDLE}
        end = (marks[role] + 30000000) * 256 // 125000 // 8 if role == 'near' else 200 * 8 * FRAME
        assert got[lead:lead + end - first] == data[role, n][first:end]
        assert set(got[lead + end - first:]) == {IDLE}
    row = checks(p, 'identity')[0]
    for words in ('its mark at 150 ms', 'the trailer is missing'):
        assert words in row['reason'], row['reason']
    assert 'slip +8 bits on trib 1 123456000' in [c['title'] for c in checks(p, 'campaign')]
    kept = rows(p, 'select name, purpose, bytes, sha256 from run_file order by ordinal')
    for row, role in zip(kept, ('near', 'far')):
        with open(p.path(role + '.pcapng'), 'rb') as f:
            whole = f.read()
        assert tuple(row) == (role + '.pcapng', 'recording', len(whole),
                              hashlib.sha256(whole).hexdigest()), tuple(row)


def test_cut_gap_and_set(p):
    """A window before a cut, a window beside a gap, a set as one recording."""
    rng = np.random.default_rng(6)
    bytes_ = rng.integers(0, 256, 300 * 8 * FRAME, dtype=np.uint8).tobytes()
    w = recording_writer.Recording([('near-1.sent', 'E1', 'sent'), ('near-2.sent', 'E1', 'sent')])
    for c in (0, 1):
        w.add(c, 0, bytes_[:100 * 8 * FRAME])
        w.add(c, 200 * 8 * FRAME * 8, bytes_[200 * 8 * FRAME:])
    p.write('gap.pcapng', w.file)
    b.expect(run(p, RECORD), 0)
    whole = open('%s.recordings/run-1-case-1-take-1.pcapng' % p.store, 'rb').read()
    old = read(p, 1, 1)
    p.write('cut.pcapng', whole[:len(whole) * 3 // 4])
    p.write('whole.pcapng', whole)
    b.expect(p.run('recording', 'copy', p.path('whole.pcapng'), p.path('many.set'),
                   '--part-bytes', '65536'), 0)
    # A set that broke off: its last part is not in the index, and cut.
    b.expect(p.run('recording', 'copy', p.path('whole.pcapng'), p.path('broken.set'),
                   '--part-bytes', '300000'), 0)
    with open(p.path('broken.set'), encoding='utf-8') as f:
        lines = f.read().splitlines(True)
    p.write('broken.set', ''.join(lines[:-2]))
    last = p.path('broken-%04d.pcapng' % (len(lines) - 2))
    os.truncate(last, os.path.getsize(last) // 2)
    for name in ('plain.pcapng', 'packed.pcapng.zst'):
        b.expect(p.run('recording', 'copy', p.path('whole.pcapng'), p.path(name)), 0)
    top = ''.join('local %s = recording_file "%s"\n' % x for x in (
        ('gap', 'gap.pcapng'), ('cut', 'cut.pcapng'), ('many', 'many.set'),
        ('packed', 'packed.pcapng.zst'), ('broken', 'broken.set')))

    def take(name, what):
        return case(name, 'local seen = test:take { play = { near = replay(%s) }, '
                    'record = { as = "x", "near" } }' % what,
                    'test:check_played_as_recorded(seen, "near")')

    cases = [top, take('a', 'gap, { from = "200 ms", lasting = "100 ms" }'),
             take('b', 'cut, { lasting = "100 ms" }'), take('c', 'many'),
             take('d', 'many, { from = "104 ms", lasting = "200 ms" }'),
             take('z', 'packed, { from = "104 ms", lasting = "200 ms" }'),
             take('s', 'broken, { from = "104 ms", lasting = "40 ms" }')]
    r = run(p, *cases)
    b.expect(r, 0)
    want = bytes_[200 * 8 * FRAME:] + bytes([IDLE]) * (4 * 8 * FRAME)
    assert read(p, 2, 1)['near-1.sent'] == want
    assert read(p, 2, 2)['near-2.sent'][:100 * 8 * FRAME] == old['near-2.sent'][:100 * 8 * FRAME]
    assert read(p, 2, 3)['near-1.sent'] == old['near-1.sent']
    assert read(p, 2, 4)['near-1.sent'] == old['near-1.sent'][104 * 8 * FRAME:304 * 8 * FRAME]
    reasons = [c['reason'] or '' for c in checks(p, 'identity')]
    assert sum('unfinished' in c for c in reasons) == 6, reasons
    assert read(p, 2, 5) == read(p, 2, 4)
    assert read(p, 2, 6)['near-1.sent'] == old['near-1.sent'][104 * 8 * FRAME:144 * 8 * FRAME]
    # Compressed or not, it is the same recording.
    for name, plain in (('many.set', 'many.set'), ('packed.pcapng.zst', 'plain.pcapng')):
        is_ = rows(p, 'select sha256 from run_file where name = ? and run = 2', name)[0][0]
        assert is_ == hashlib.sha256(open(p.path(plain), 'rb').read()).hexdigest(), name
    # A run is not continued with another recording of that name.
    p.write('cut.pcapng', whole[:len(whole) // 2])
    b.expect(run(p, *cases, more=('--continue', '2')), 3,
             'was made with another recording file cut.pcapng')
    # The gap itself, and what is beyond the cut.
    b.expect(run(p, top, take('e', 'gap, { from = "50 ms", lasting = "100 ms" }')), 3,
             'bits 204800 to 307199 of channel near-1.sent are not in the recording')
    b.expect(run(p, top, take('f', 'cut, { lasting = "399 ms" }')), 3, 'is not in recording')
    # A finished file that was altered is refused, and so is a cut one.
    for name, data in (('whole', whole), ('cut', whole[:len(whole) * 3 // 4])):
        at = len(data) // 2
        p.write('bad.pcapng', data[:at] + bytes([data[at] ^ 1]) + data[at + 1:])
        b.expect(run(p, 'local x = recording_file "bad.pcapng"\n', RECORD), 3, 'recording_file',
                 'altered')


def test_caught(p):
    """A slip of the unit is caught by a trigger; what went in around it is played again, the mark
    on an instant of the take, to the byte."""
    r = run(p, case(
        'catch', 'local seen = test:take { last = "400 ms", play = { near = prbs "2^23-1" }, '
        'expect = { near = prbs "2^23-1" }, record = { as = "caught", "near", before = "50 ms", '
        'after = "30 ms", when = { { slip = true, on = "near" } } } }',
        'local caught = seen.recordings[1]',
        'local w = replay(caught, { mark = "slip", before = "20 ms", after = "25 ms", '
        'at = "60 ms", then_idle = true })',
        'local again = test:take { last = "160 ms", play = { near = w }, '
        'record = { as = "again", "near" } }',
        'test:check_played_as_recorded(again, "near")',
        'test:check { title = caught.marks[1].text, verdict = "pass" }'), build='B')
    b.expect(r, 0)
    path = rows(p, "select path from recording where name = 'caught'")[0][0]
    channels, marks = read_recording.read(os.path.join(os.path.dirname(p.store), path))
    at_ns, _, text = next(m for m in marks if m[2].startswith('slip '))
    start = rows(p, 'select start_ns from take where ordinal = 0')[0][0]
    mark_ns = at_ns - start
    # Planted at 150 ms, which is 134 ms after the 16 ms before the take.
    assert abs(mark_ns - 134000000) < 1000000, mark_ns
    assert text in [c['title'] for c in checks(p, 'campaign')]
    sent = read(p, 1, 1, 2)
    for n in (1, 2):
        (first, data), = channels['near-%d.sent' % n]['runs']
        old = mark_ns * 256 // 125000 // 8 - first // 8  # byte of the mark in the recording
        got = sent['near-%d.sent' % n]
        new = 60 * 8 * FRAME
        begin = (mark_ns - first * 125000 // 256 - 20000000) // 8000000 * 8 * 8 * FRAME
        end = (mark_ns + 25000000) * 256 // 125000 // 8 - first // 8
        lead = new - (old - begin)
        assert got == bytes([IDLE]) * lead + data[begin:end] + bytes([IDLE]) * (
            len(got) - lead - (end - begin)), n


def test_cases_at_once(p):
    """Two cases that run at once read one file, each a window of its own."""
    rng = np.random.default_rng(8)
    data = rng.integers(0, 256, 400 * 8 * FRAME, dtype=np.uint8).tobytes()
    w = recording_writer.Recording([('one.sent', 'E1', 'sent')])
    w.add(0, 0, data)
    p.write('one.pcapng', w.file)

    def one(role, from_ms, numbers):
        return case(role, 'local w = replay(one, { role = "one", numbers = { %s }, '
                    'from = "%d ms", lasting = "160 ms", times = 2, seam = "none" })' % (
                        ', '.join('[%d] = 0' % n for n in numbers), from_ms),
                    'local seen = test:take { play = { %s = w }, record = { as = "%s", "%s" } }'
                    % (role, role, role), 'test:check_played_as_recorded(seen, "%s")' % role
                    ).replace('title =', 'uses = { "%s" }, title =' % role, 1)

    r = run(p, 'local one = recording_file "one.pcapng"\n', one('near', 0, (1, 2)),
            one('far', 200, (3, 4)))
    b.expect(r, 0)
    begun = rows(p, 'select start_ns from take')
    assert len(begun) == 2 and begun[0][0] == begun[1][0], [tuple(x) for x in begun]
    for c, name, at in ((1, 'near-2', 0), (2, 'far-3', 200)):
        part = data[at * 8 * FRAME:(at + 160) * 8 * FRAME]
        assert read(p, 1, c)[name + '.sent'] == part + part, name


def test_t1(p):
    """A T1 has 193 bits in 125 us (ITU-T G.704 2.1.1): instants are bits, down to whole bytes, at
    any instant; the delay may then be another, the bits not."""
    bench = BENCH[:BENCH.index('roles:')].replace(
        'line: looped', 'line: looped\n      mapping: AU-4/TU-11/T1') + '''\
roles:
  t1:
    adapter: mux
    channels: trib-{1..2}
    numbers: 1..2
'''
    head = 'campaign { name = "t", title = "T", version = "1", needs = { t1 = { rate = "T1", ' \
           'count = 2, play = true, capture = true } } }\n'
    text = case(
        'record', 'test:take { last = "160 ms", play = { t1 = prbs "2^20-1" }, '
        'record = { as = "kept", "t1" } }',
        'test:check { title = "recorded", verdict = "pass" }') + case(
        'again', 'local w = replay(test:reference "kept", { from = "33.333 ms", '
        'lasting = "50.01 ms", times = 3, seam = "1.5 ms", at = "2.7 ms" })',
        'local seen = test:take { play = { t1 = w }, expect = { t1 = w }, '
        'record = { as = "again", "t1" } }',
        'test:check_played_as_recorded(seen, "t1")',
        'test:check_returned_as_recorded(seen, "t1", { within = "1 ms" })')
    b.expect(run(p, text, head=head, bench=bench), 0)
    old, new = read(p, 1, 1), read(p, 1, 2)

    def at(us):
        return us * 193 // 125 // 8

    for n in (1, 2):
        part = old['t1-%d.sent' % n][at(33333):at(33333 + 50010)]
        idle = bytes([IDLE])
        want = idle * at(2700) + part + (idle * at(1500) + part) * 2
        got = new['t1-%d.sent' % n]
        assert got == want + idle * (len(got) - len(want)), n


def test_begins_late(p):
    """A recording whose first bits are 40 ms after the start of its take, as one of a trigger is:
    all counts from there, and its marks too."""
    rng = np.random.default_rng(7)
    data = [rng.integers(0, 256, 80 * 8 * FRAME, dtype=np.uint8).tobytes() for _ in range(2)]
    start = 1000000000
    w = recording_writer.Recording([('near-%d.sent' % n, 'E1', 'sent', start) for n in (1, 2)])
    for c in (0, 1):
        w.add(c, 40 * 8 * FRAME * 8, data[c])
    w.mark(start + 57000000, 'errors')
    p.write('late.pcapng', w.file)

    def take(name, what):
        return case(name, 'local seen = test:take { play = { near = replay(late%s) }, '
                    'record = { as = "x", "near" } }' % what,
                    'test:check_played_as_recorded(seen, "near")',
                    'test:check { title = "" .. late.marks[1].at_ns .. " " .. late.length_ns, '
                    'verdict = "pass" }')

    r = run(p, 'local late = recording_file "late.pcapng"\n', take('a', ''),
            take('b', ', { mark = "errors", before = "2 ms", after = "20 ms" }'))
    b.expect(r, 0)
    assert checks(p, 'campaign')[0]['title'] == '17000000 80000000'
    for c in (0, 1):
        assert read(p, 1, 1)['near-%d.sent' % (c + 1)] == data[c]
        got = read(p, 1, 2)['near-%d.sent' % (c + 1)]
        part = data[c][8 * 8 * FRAME:37 * 8 * FRAME]  # from 15 ms, down to 8 ms
        assert got == part + bytes([IDLE]) * (len(got) - len(part)) and len(got) == 32 * 8 * FRAME


def test_line(p):
    """What came out of the line, put into it: the tributaries come out as then, in each round."""
    head = HEAD.replace('line = { rate = "STM-1",', 'line = { rate = "STM-1", play = true,')
    text = case(
        'record', 'test:take { last = "160 ms", play = { near = prbs "2^23-1" }, '
        'record = { as = "kept", "near", "line" } }',
        'test:check { title = "recorded", verdict = "pass" }') + case(
        'again', 'local how = { from = "40 ms", lasting = "80 ms", times = 2, seam = "none" }',
        'how.settle = "10 ms"', 'local back = replay(test:reference "kept", how)',
        'how.settle, how.direction = nil, "received"',
        'local seen = test:take { play = { line = replay(test:reference "kept", how) }, '
        'expect = { near = back }, record = { as = "again", "line", "near" } }',
        'test:check_played_as_recorded(seen, "line")',
        'test:check_returned_as_recorded(seen, "near", { within = "2 ms" })')
    b.expect(run(p, text, head=head), 0)
    part = read(p, 1, 1)['line.received'][40 * 8 * 2430:120 * 8 * 2430]
    assert read(p, 1, 2)['line.sent'] == part + part
    assert [c['bits'] for c in checks(p, 'returned')] == [2 * 70 * 2048] * 2


def test_clock(p):
    """A channel at +50 ppm: bits of a window are counted by its clock, and all come back."""
    head = HEAD.replace('near = { rate = "E1", count = 2,', 'near = { rate = "E1", clock = true, '
                        'count = 2,')
    text = RECORD.replace('record =', 'clock = { near = 50 }, record =') + case(
        'again', 'local w = replay(test:reference "kept", { from = "96 ms", lasting = "200 ms" })',
        'local seen = test:take { play = { near = w }, expect = { near = w }, '
        'record = { as = "again", "near" } }',
        'test:check_played_as_recorded(seen, "near")',
        'test:check_returned_as_recorded(seen, "near", { within = "100 us" })')
    b.expect(run(p, text, head=head), 0)
    old, new = read(p, 1, 1), read(p, 1, 2)

    def at(ms):
        nominal = ms * 2048
        return (nominal + nominal * 50 // 1000000) // 8

    for n in (1, 2):
        name = 'near-%d.sent' % n
        part = old[name][at(96):at(296)]
        assert new[name][:len(part)] == part, n
        assert set(new[name][len(part):]) <= {IDLE} and len(new[name]) - len(part) <= 1
    assert len(old['near-1.sent']) - 400 * 8 * FRAME in (5, 6), len(old['near-1.sent'])


def test_example(p):
    """The campaign of docs/replay.md, and what that page says of it."""
    def example(build, *more):
        return p.run('run', os.path.join(b.SOURCE_ROOT, 'campaigns', 'replay.lua'), '--bench',
                     os.path.join(b.SOURCE_ROOT, 'campaigns', 'bench-replay.yaml'), '--build',
                     build, '--store', p.store, '--progress', 'none', *more)

    b.expect(example('A'), 0)
    reasons = {c['reason'] for c in checks(p, 'identity')}
    b.expect(example('B', '--reference', '1', '--case', 'window-in-rounds'), 1)
    reasons |= {'%s, %s: %s' % (c['verdict'], c['subject'].split(' (')[0], c['reason'])
                for c in checks(p, 'returned') if c['reason']}
    with open(os.path.join(b.SOURCE_ROOT, 'docs', 'replay.md'), encoding='utf-8') as f:
        page = ' '.join(f.read().split())
    told = [r for r in reasons if ' '.join(r.split()) in page]
    assert len(told) >= 4, reasons


BAD = (
    ('5', 'replay takes a recording'),
    ('r, { form = "1 s" }', 'form is not known here'),
    ('r, { from = "1 s" }', 'is not in recording "kept", which has 400 ms'),
    ('r, { from = "300 ms", lasting = "200 ms" }', 'the window from 300 ms to 500 ms is not'),
    ('r, { lasting = "10 us" }', 'too short'),
    ('r, { times = 2 }', 'needs seam'),
    ('r, { seam = "none" }', 'times = 2 or more'),
    ('r, { times = 2, seam = "soon" }', 'is not a duration'),
    ('r, { times = 2, seam = "to 0 s" }', 'multiples of nothing'),
    ('r, { times = 0 }', '1 to 1000000'),
    ('r, { mark = "slip" }', 'has no mark with "slip"; it has none'),
    ('r, { mark = "slip", from = "1 ms" }', 'from goes not with mark'),
    ('r, { before = "1 ms" }', 'before goes not with no mark'),
    ('r, { numbers = { [1] = "5" } }', 'number 1 here plays what number 5 had'),
    ('r, { numbers = { [7] = 1 } }', 'role near has no number 7'),
    ('r, { numbers = "same" }', 'or "in order"'),
    ('t1, { numbers = "in order" }', 'near 1 (1-1-1) is E1'),
    ('one, { role = "far", numbers = "in order" }', 'none is left for near 2'),
    ('r, { numbers = { [1] = 9 } }', 'has no channel near-9.sent for'),
    ('r, { role = "middle" }', 'has no channel middle-1.sent for'),
    ('r, { direction = "up" }', 'must be "sent" or "received"'),
    ('t1', 'near 1 (1-1-1) is E1, but channel near-1.sent of recording "t1.pcapng" is T1'),
    ('recording_file "x.pcapng"', 'at the top of the file'),
)


def test_bad_input(p):
    """One clear message for each mistake, with the line of the campaign."""
    record = RECORD.replace('"near", "far" }', '"near", "far", "line" }')
    b.expect(run(p, record), 0)
    t1 = recording_writer.Recording([('near-1.sent', 'T1', 'sent')])
    t1.add(0, 0, bytes(193 * 80))
    p.write('t1.pcapng', t1.file)
    one = recording_writer.Recording([('far-12.sent', 'E1', 'sent')])
    one.add(0, 0, bytes(256 * 80))
    p.write('one.pcapng', one.file)
    for text, words in BAD:
        name = text.split(',')[0]
        top = 'local %s = recording_file "%s.pcapng"\n' % (name, name) \
            if name in ('t1', 'one') else ''
        r = run(p, top, record, case('bad', 'local r = test:reference "kept"',
                                'test:take { play = { near = replay(%s) } }' % text),
                more=('--case', 'bad', '--reference', '1'))
        b.expect(r, 3, words)
    settle = case('settle', 'local w = replay(test:reference "kept", { from = "80 ms" })',
                  'test:take { expect = { line = w } }')
    b.expect(run(p, record, settle, more=('--case', 'settle', '--reference', '1')), 3,
             'say settle = "10 ms"')
    late = case('late', 'local w = replay(test:reference "kept", { from = "80 ms" })',
                'test:take { last = "5 s", play = { near = w } }')
    b.expect(run(p, record, late, more=('--case', 'late', '--reference', '1')), 3,
             'say then_idle = true')
    for name, words in (('none.pcapng', 'none.pcapng'), ('../c.lua', 'no name of a file'),
                        ('c.lua', 'recording_file')):
        b.expect(run(p, 'local x = recording_file "%s"\n' % name, record), 3, words)


b.main()

# SPDX-License-Identifier: Apache-2.0
"""Differences, delays and slips that NumPy planted must be found where they were planted (TAP).

    /usr/bin/python3 test_align.py PROGRAM

The expected places come from the planting alone: numpy arrays of single bits, cut and joined here.
`evenlode recording import` makes the recordings from the packed bits.
"""
import json
import os
import subprocess
import sys
import tempfile
import traceback

import numpy as np

PROGRAM = sys.argv[1]
FRAME = {'E1': 256, 'T1': 193, 'STM-1': 19440}
MS = {rate: 8 * bits for rate, bits in FRAME.items()}


def run(*args, expect=(0,)):
    p = subprocess.run([PROGRAM, 'recording', *args], capture_output=True, text=True, timeout=300)
    assert p.returncode in expect, (args, p.returncode, p.stdout[-2000:], p.stderr[-2000:])
    return p.stdout


def record(folder, name, rate, **channels):
    """A recording of the channels' bits; spare bits at the end of the last byte are cut off."""
    path = os.path.join(folder, name + '.pcapng')
    args = ['import', path, '--rate', rate]
    for channel, bits in channels.items():
        raw = os.path.join(folder, name + '-' + channel + '.raw')
        np.packbits(bits[:len(bits) // 8 * 8]).tofile(raw)
        args += ['--raw', '%s=%s' % (channel, raw)]
    if os.path.exists(path):
        os.unlink(path)
    run(*args)
    return path


def align(a, b, *more):
    return json.loads(run('diff', a, b, '--align', '--json', *more, expect=(0, 1)))


def compare(rate, a, b, *more):
    with tempfile.TemporaryDirectory() as folder:
        found = align(record(folder, 'a', rate, ch=a), record(folder, 'b', rate, ch=b), *more)
    assert len(found['channels']) == 1
    return found['channels'][0]


def random_bits(seed, n):
    return np.random.default_rng(seed).integers(0, 2, n, dtype=np.uint8)


def place(rate, bit):
    frame, rest = divmod(int(bit), FRAME[rate])
    return {'bit_offset': int(bit), 'frame': frame, 'byte': rest // 8, 'bit': rest % 8 + 1}


def delayed(bits, delay, seed=99):
    """Bit i of `bits` is bit i + delay of the result; what comes before is foreign."""
    if delay >= 0:
        return np.concatenate([random_bits(seed, delay), bits])
    return bits[-delay:]


def whole(n):
    return n // 8 * 8


def test_constant_delays():
    a = random_bits(1, 3_000_000)
    for rate, delay in [('E1', 0), ('E1', 1), ('E1', -1), ('E1', 12345), ('E1', -777),
                        ('E1', 1_024_000), ('E1', -1_024_000), ('E1', 500 * 2048 - 3),
                        ('T1', 193), ('T1', 772_000), ('STM-1', 19440 * 8 + 5)]:
        d = compare(rate, a, delayed(a, delay))
        assert d['delay_found'] and d['delay_bits'] == delay, (rate, delay, d)
        assert d['changed_bits'] == 0 and d['slips'] == 0 and d['other_delay_bits'] is None
        na, nb = whole(len(a)), whole(len(a) + delay)
        common = min(na, nb - delay) - max(0, -delay)
        assert d['compared_bits'] == common, (d, common)
        assert d['only_a_bits'] == na - common and d['only_b_bits'] == nb - common
        assert d['relation'] == ('length' if d['only_a_bits'] or d['only_b_bits'] else 'equal')


def test_range_is_kept():
    a = random_bits(2, 400_000)
    b = delayed(a, 20 * MS['E1'] + 1)
    assert compare('E1', a, b, '--range', '20')['delay_found'] is False
    assert compare('E1', a, b, '--range', '21')['delay_bits'] == 20 * MS['E1'] + 1


def test_changed_bits():
    a = random_bits(3, 2_000_000)
    for delay in (0, 4321):
        b = delayed(a, delay)
        where = np.sort(np.random.default_rng(4).choice(len(a) - 8, 500, replace=False))
        b[where + delay] ^= 1
        d = compare('E1', a, b)
        assert d['delay_bits'] == delay and d['slips'] == 0
        assert d['changed_bits'] == 500, d
        assert d['first'] == place('E1', where[0]), (d['first'], where[0])


def test_many_errors():
    """One bit in 50 changed, at random: the delay is still exact, every changed bit is counted."""
    a = random_bits(5, 1_000_000)
    b = delayed(a, 54321)
    flips = np.random.default_rng(6).random(len(a)) < 0.02
    b[54321:] ^= flips.astype(np.uint8)
    d = compare('E1', a, b)
    n = d['compared_bits']
    assert d['delay_bits'] == 54321 and d['slips'] == 0, d
    assert d['changed_bits'] == int(flips[:n].sum())


def slip_places(a, b, s, old, new):
    """From the planted place: the first bit that no longer fits the old delay, and the first place
    that would do as well."""
    lost = max(0, old - new)
    last = s
    while a[last] == b[last + old]:
        last += 1
    first = s
    while first > 0 and a[first - 1 + lost] == b[first - 1 + lost + new]:
        first -= 1
    return first, last


def planted(a, rng, rate, count, kinds, gap):
    """Slips at random places, at least `gap` bits apart; returns b and what was planted."""
    parts, at, delay, made = [], 0, 0, []
    places = np.arange(count) * gap * 2 + rng.integers(gap // 2, gap, count)
    for s in places:
        s = int(s)
        kind = kinds[rng.integers(len(kinds))]
        n = int(rng.choice([1, 2, 7, 8, 37, FRAME[rate], 3 * FRAME[rate]]))
        parts.append(a[at:s])
        at = s
        if kind == 'lost':
            at += n
            new = delay - n
        else:
            new = delay + n
            foreign = rng.integers(0, 2, n, dtype=np.uint8)
            parts.append(a[s - n:s] if kind == 'repeated' else foreign)
        made.append([s, kind, n, delay, new])
        delay = new
    parts.append(a[at:])
    return np.concatenate(parts), made


def test_slips():
    for seed in range(40):
        rng = np.random.default_rng(1000 + seed)
        rate = ['E1', 'T1', 'E1', 'STM-1'][seed % 4]
        gap = 40_000 if rate != 'STM-1' else 400_000
        a = rng.integers(0, 2, gap * 2 * 6, dtype=np.uint8)
        b, made = planted(a, rng, rate, 5, ['lost', 'repeated', 'inserted'], gap)
        # changed bits far from every slip
        errors = []
        for s, _, n, _, new in made:
            where = s + n + gap // 2 + rng.choice(1000, 3, replace=False)
            b[where + new] ^= 1
            errors += [int(w) for w in where]
        d = compare(rate, a, b)
        told = d['slip_list']
        assert d['delay_bits'] == 0 and d['slips'] == 5 and len(told) == 5, (seed, made, d)
        for t, (s, kind, n, old, new) in zip(told, made):
            first, last = slip_places(a, b, s, old, new)
            assert t['bits'] == n and t['delay_bits'] == new, (seed, t, s, kind, n)
            assert t['at'] == place(rate, last), (seed, t, s, kind, n, last)
            # looked for as far back as one block
            assert t['earliest_bit_offset'] == first or last - first > 4000, (seed, t, first)
            same = np.array_equal(b[last + old:last + new], b[last + old - n:last + old])
            want = kind if kind == 'lost' else 'repeated' if same else 'inserted'
            assert t['kind'] == want, (seed, t, kind)
            assert t['frames'] == (n // FRAME[rate] if n % FRAME[rate] == 0 else 0)
        assert d['changed_bits'] == 15, (seed, d['changed_bits'])
        assert d['first']['bit_offset'] == min(errors)
        assert d['lost_bits'] == sum(m[2] for m in made if m[1] == 'lost')


def test_burst_is_no_slip():
    """50 ms of all ones in the second: changed bits, the delay stays."""
    a = random_bits(7, 1_500_000)
    b = delayed(a, 800)
    at, n = 700_001, 50 * MS['E1']
    wrong = int((b[at + 800:at + 800 + n] != 1).sum())
    b[at + 800:at + 800 + n] = 1
    d = compare('E1', a, b)
    assert d['delay_bits'] == 800 and d['slips'] == 0 and d['changed_bits'] == wrong, d


def test_burst_with_slip():
    """A switch to a path that is 300 bits longer, 50 ms of all ones meanwhile."""
    a = random_bits(8, 1_500_000)
    at, n = 700_001, 50 * MS['E1']
    b = np.concatenate([a[:at], np.ones(n + 300, dtype=np.uint8), a[at + n:]])
    d = compare('E1', a, b)
    # one of all ones after another: the 300 bits may well be called repeated
    assert d['slips'] == 1 and d['inserted_bits'] + d['repeated_bits'] == 300, d
    s = d['slip_list'][0]
    assert at <= s['at']['bit_offset'] <= at + n + 8 and s['delay_bits'] == 300
    assert 0 < d['changed_bits'] <= n and d['first']['bit_offset'] >= at
    assert d['only_a_bits'] + d['compared_bits'] == whole(len(a))


def prbs15(n, start=1):
    """x^15 + x^14 + 1 inverted (ITU-T O.150 5.3), one bit at a time."""
    state, out = start, np.empty(n, dtype=np.uint8)
    for i in range(n):
        bit = (state >> 14 ^ state >> 13) & 1
        state = (state << 1 | bit) & 0x7FFF
        out[i] = 1 - bit
    return out


def test_repeating_content():
    """A pattern of 32767 bits: the nearest delay that fits, and that another does."""
    a = prbs15(300_000)
    d = compare('E1', a, delayed(a, 1000, 3))
    assert d['delay_bits'] == 1000 and d['changed_bits'] == 0, d
    assert abs(d['other_delay_bits'] - 1000) == 32767, d


def test_idle_before_the_pattern():
    """16 ms of alternating bits tell nothing; the delay comes from what follows."""
    idle = np.tile(np.array([1, 0], dtype=np.uint8), 16 * MS['E1'] // 2)
    a = np.concatenate([idle, random_bits(9, 500_000)])
    b = np.concatenate([np.tile(idle, 2)[:len(idle) + 100], a[len(idle):]])
    d = compare('E1', a, b)
    assert d['delay_bits'] == 100 and d['slips'] == 0 and d['changed_bits'] == 0, d


def test_nothing_to_tell():
    ones = np.ones(100_000, dtype=np.uint8)
    d = compare('E1', ones, ones)
    assert d['relation'] == 'equal' and d['delay_bits'] == 0 and d['other_delay_bits'] is not None
    word = np.tile(np.array([int(b) for b in '100010000000100000000001'], dtype=np.uint8), 5000)
    d = compare('E1', word, word[19:])
    assert d['delay_bits'] in (5, -19) and d['changed_bits'] == 0, d


def test_nothing_in_common():
    d = compare('E1', random_bits(10, 500_000), random_bits(11, 500_000))
    assert d['relation'] == 'different' and d['delay_found'] is False and d['compared_bits'] == 0
    assert d['only_a_bits'] == 500_000


def test_short_recordings():
    for n in (8, 64, 1000, 1024, 2048, 5000, 9000):
        a = random_bits(n, n)
        d = compare('E1', a, a)
        if n >= 1024:
            assert d['relation'] == 'equal' and d['compared_bits'] == whole(n), (n, d)
        else:
            assert d['delay_found'] is False, (n, d)


def test_crossed_across_a_delay():
    with tempfile.TemporaryDirectory() as folder:
        t = [random_bits(20 + i, 300_000) for i in range(4)]
        a = record(folder, 'a', 'E1', **{'trib-%d' % i: t[i] for i in range(4)})
        b = record(folder, 'b', 'E1', **{'trib-0': delayed(t[2], 515), 'trib-1': delayed(t[1], 515),
                                         'trib-2': delayed(t[0], 515), 'trib-4': t[3]})
        found = align(a, b)
        by = {c['a']: c for c in found['channels']}
        assert by['trib-0']['crossed_with'] == 'trib-2' and by['trib-2']['crossed_with'] == 'trib-0'
        assert by['trib-1']['delay_bits'] == 515 and by['trib-1']['crossed_with'] is None
        assert by['trib-3']['relation'] == 'only in a'
        assert by[None]['relation'] == 'only in b' and found['crossed'] == 2
        found = align(a, b, '--pair', 'trib-3=trib-4')
        assert found['channels'][0]['relation'] == 'equal' and len(found['channels']) == 1
        # plain text names the same
        text = run('diff', a, b, '--align', expect=(1,))
        assert 'its bits are in trib-2, delay 515 bits' in text, text


def test_bad_input():
    with tempfile.TemporaryDirectory() as folder:
        a = record(folder, 'a', 'E1', x=random_bits(1, 4096))
        for more, status, text in [
                (['--range', '0', '--align'], 64, 'whole number of ms'),
                (['--range', '2001', '--align'], 64, 'whole number of ms'),
                (['--range', '20'], 64, '--range is for --align'),
                (['--align', '--pair', 'x=y'], 3, 'has no channel y')]:
            p = subprocess.run([PROGRAM, 'recording', 'diff', a, a, *more], capture_output=True,
                               text=True)
            assert p.returncode == status and text in p.stderr, (more, p)
        for args, status, text in [
                (['--rate', 'E1'], 64, '--raw is missing'),
                (['--raw', 'x=' + a], 64, '--rate is missing'),
                (['--rate', 'E9', '--raw', 'x=' + a], 64, 'none of E1, T1, STM-1'),
                (['--rate', 'E1', '--raw', 'x'], 64, 'NAME=FILE'),
                (['--rate', 'E1', '--raw', 'x=' + folder], 3, 'is a folder'),
                (['--rate', 'E1', '--raw', 'x=/dev/null'], 3, 'is empty'),
                (['--rate', 'E1', '--raw', 'x=%s/none' % folder], 3, 'cannot be opened')]:
            out = os.path.join(folder, 'new.pcapng')
            p = subprocess.run([PROGRAM, 'recording', 'import', out, *args], capture_output=True,
                               text=True)
            assert p.returncode == status and text in p.stderr, (args, p)
            assert p.stderr.count('\n') == 1 and not os.path.exists(out), p.stderr
        p = subprocess.run([PROGRAM, 'recording', 'import', a, '--rate', 'E1', '--raw', 'x=' + a],
                           capture_output=True, text=True)
        assert p.returncode == 3 and 'exists already' in p.stderr and os.path.exists(a)


def main():
    tests = [(n, f) for n, f in globals().items() if n.startswith('test_')]
    print('1..%d' % len(tests))
    for i, (name, test) in enumerate(tests, 1):
        try:
            test()
            print('ok %d - %s' % (i, name), flush=True)
        except Exception:
            for line in traceback.format_exc().split('\n'):
                print('# ' + line)
            print('not ok %d - %s' % (i, name), flush=True)


main()

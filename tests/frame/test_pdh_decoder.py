#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""The builders' signals read by a decoder written apart (pdh_decoder.py). TAP on stdout.

    test_pdh_decoder.py PDH_DUMP
"""
import os
import subprocess
import sys
import tempfile

import numpy as np

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import pdh_decoder as dec  # noqa: E402

COUNT = 0
FAILED = 0


def check(name, good, note=''):
    global COUNT, FAILED
    COUNT += 1
    FAILED += not good
    print('%s %d - %s%s' % ('ok' if good else 'not ok', COUNT, name,
                            '' if good else ' # %s' % (note,)))


def make(dump, kind, seed, lead):
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run([dump, kind, str(seed), str(lead), folder], check=True)
        with open(os.path.join(folder, 'line.bin'), 'rb') as f:
            line = f.read()
        expected = {'flipped': []}
        with open(os.path.join(folder, 'expected.txt')) as f:
            for text in f:
                name, value = text.split()
                if name == 'flipped':
                    expected['flipped'].append(int(value))
                elif name in ('payload', 'abcd', 'sa', 'link'):
                    expected[name] = bytes.fromhex(value)
                else:
                    expected[name] = int(value)
        return line, expected


def decoder_itself():
    """Published check values (CRC catalogue, line order): "123456789" gives E and 11."""
    digits = dec.bits_of(b'123456789')
    check('CRC-4 of the check input', list(dec.remainder(digits, 3, 4)) == [1, 1, 1, 0])
    check('CRC-6 of the check input', list(dec.remainder(digits, 3, 6)) == [0, 1, 0, 0, 0, 1])


def e1(dump, seed, lead):
    line, want = make(dump, 'e1', seed, lead)
    got = dec.e1_decode(line)
    name = 'E1, %d bits late: ' % lead
    # The decoder begins at the first whole multiframe; 16 frames before it there is none.
    check(name + 'start', got['start'] == lead % 4096, got['start'])
    check(name + 'FAS, NFAS, multiframe', got['fas_good'] and got['nfas_good'] and
          got['mfas_good'])
    skip = (got['start'] - lead) // 2048
    check(name + 'errored blocks', got['bad_blocks'] == [b - skip for b in want['flipped']],
          got['bad_blocks'])
    check(name + 'no other block', len(got['bad_blocks']) == want['crc_errors'] > 10)
    check(name + 'A bit', bool((got['a'] == want['rai']).all()))
    sa = np.unpackbits(np.frombuffer(want['sa'], dtype=np.uint8)).reshape(5, 8).T
    check(name + 'Sa bits', bool((got['sa'] == sa).all()))
    check(name + 'E bits', int((got['e'] == 0).sum()) == want['e_errors'])
    check(name + 'TS16 phase', got['cas_phases'] == [(16 - want['cas_phase']) % 16],
          got['cas_phases'])
    check(name + 'x, y', bool((got['x'] == 1).all() and (got['y'] == want['ts16_rai']).all()))
    check(name + 'abcd', bool((got['abcd'] == np.frombuffer(want['abcd'], dtype=np.uint8)).all()))
    payload = np.frombuffer(want['payload'], dtype=np.uint8).reshape(-1, 32)
    n = len(got['frames'])
    data = [t for t in range(32) if t not in (0, 16)]
    wrong = np.unpackbits(got['frames'][:, data] ^ payload[:n, data]).sum()
    check(name + 'payload', int(wrong) == len(want['flipped']), wrong)


def t1(dump, kind, seed, lead):
    esf = kind == 'esf'
    line, want = make(dump, kind, seed, lead)
    got = dec.t1_decode(line, esf)
    name = 'T1 %s, %d bits late: ' % (kind.upper(), lead)
    length = 24 if esf else 12
    check(name + 'start', got['start'] == lead % (193 * length), got['start'])
    check(name + 'pattern', got['pattern_good'])
    check(name + 'errored blocks', got['bad_blocks'] == want['flipped'], got['bad_blocks'])
    if esf:
        check(name + 'errored blocks are there', len(want['flipped']) > 5)
        link = dec.bits_of(want['link'])
        check(name + 'data link', bool((got['link'][:len(link)] == link).all()))
        flags = np.tile([0, 1, 1, 1, 1, 1, 1, 0], 200)
        rest = got['link'][len(link):]
        check(name + 'flags after it', len(rest) > 100 and
              bool((rest == flags[:len(rest)]).all()))
    robbed = [s for s in range(24) if want['robbed'] >> s & 1]
    abcd = np.unpackbits(np.frombuffer(want['abcd'], dtype=np.uint8)).reshape(24, 8)[:, 4:].T
    periods = 4 if esf else 2
    check(name + 'robbed bits', len(robbed) > 3 and
          bool((got['robbed'][:, :, robbed] == abcd[:periods, robbed]).all()))
    bits = dec.bits_of(want['payload'])
    n = len(got['slots'])
    slots = np.packbits(bits[:193 * n].reshape(n, 193)[:, 1:], axis=1)
    differ = got['slots'] ^ slots
    signalling = np.zeros(differ.shape, dtype=np.uint8)
    frame = np.arange(n) % 6 == 5
    for s in robbed:
        signalling[frame, s] = 1
    wrong = np.unpackbits(differ & ~signalling).sum()
    check(name + 'payload', int(wrong) == len(want['flipped']), wrong)


def main():
    dump = sys.argv[1]
    decoder_itself()
    for seed, lead in ((1, 0), (2, 1), (3, 773), (4, 4095)):
        e1(dump, seed, lead)
    for seed, lead in ((5, 0), (6, 1), (7, 1000)):
        t1(dump, 'esf', seed, lead)
        t1(dump, 'sf', seed, lead)
    print('1..%d' % COUNT)
    return 1 if FAILED else 0


if __name__ == '__main__':
    sys.exit(main())

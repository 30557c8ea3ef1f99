# SPDX-License-Identifier: Apache-2.0
"""Voice timeslots as sound files, read by sox (Debian), an independent program (TAP).

    /usr/bin/python3 test_wav.py PROGRAM

sox makes the G.711 codes of a tone; NumPy puts them into a timeslot of E1 or T1 frames (G.704
2.3.2, 2.1.3.2), at any bit offset; what `evenlode recording extract --wav` writes, sox must read
as the same codes and the same 16-bit samples.
"""
import os
import subprocess
import sys
import tempfile
import traceback

import numpy as np

PROGRAM = sys.argv[1]
SECONDS = 4
FRAMES = 8000 * SECONDS


def run(*args, expect=0):
    p = subprocess.run([PROGRAM, 'recording', *args], capture_output=True, text=True, timeout=300)
    assert p.returncode == expect, (args, p.returncode, p.stdout, p.stderr)
    return p.stdout + p.stderr


def sox(*args):
    return subprocess.run(['sox', *args], check=True, capture_output=True).stdout


def tone(law):
    out = sox('-n', '-r', '8000', '-c', '1', '-b', '8', '-e', law, '-t', 'raw', '-', 'synth',
              str(SECONDS), 'sine', '300-3000', 'vol', '0.7')
    codes = np.frombuffer(out, dtype=np.uint8)
    assert len(codes) == FRAMES and len(set(codes)) > 100
    return codes


def e1(slot, codes, seed=1):
    f = np.random.default_rng(seed).integers(0, 256, (FRAMES, 32), dtype=np.uint8)
    f[0::2, 0] = 0x9B  # Si = 1, 0011011
    f[1::2, 0] = 0xDF  # Si = 1, bit 2 = 1, A = 0, spare bits 1
    f[:, slot] = codes
    return np.unpackbits(f.reshape(-1))


def t1_sf(slot, codes, seed=2):
    f = np.random.default_rng(seed).integers(0, 256, (FRAMES, 24), dtype=np.uint8)
    f[:, slot - 1] = codes
    bits = np.unpackbits(f, axis=1)
    framing = np.resize(np.array([1, 0, 0, 0, 1, 1, 0, 1, 1, 1, 0, 0], dtype=np.uint8), FRAMES)
    return np.concatenate([framing[:, None], bits], axis=1).reshape(-1)


def record(folder, rate, bits):
    raw, path = os.path.join(folder, 'x.raw'), os.path.join(folder, 'x.pcapng')
    np.packbits(bits[:len(bits) // 8 * 8]).tofile(raw)
    run('import', path, '--rate', rate, '--raw', 'c=' + raw)
    return path


def codes_of(wav, law):
    info = subprocess.run(['soxi', wav], check=True, capture_output=True, text=True).stdout
    assert 'Channels       : 1' in info and 'Sample Rate    : 8000' in info, info
    assert {'a-law': 'A-law', 'u-law': 'u-law'}[law] in info, info
    raw = np.frombuffer(sox(wav, '-t', 'raw', '-e', law, '-b', '8', '-'), dtype=np.uint8)
    pcm = sox(wav, '-t', 'raw', '-e', 'signed-integer', '-b', '16', '-')
    assert len(pcm) == 2 * len(raw)
    return raw, np.frombuffer(pcm, dtype='<i2')


def samples(codes, law):
    p = subprocess.run(['sox', '-t', 'raw', '-r', '8000', '-c', '1', '-b', '8', '-e', law, '-',
                        '-t', 'raw', '-e', 'signed-integer', '-b', '16', '-'],
                       input=codes.tobytes(), check=True, capture_output=True)
    return np.frombuffer(p.stdout, dtype='<i2')


def check(rate, bits, slot, codes, law, shift, unaligned_most):
    with tempfile.TemporaryDirectory() as folder:
        path, wav = record(folder, rate, bits[shift:]), os.path.join(folder, 'x.wav')
        run('extract', path, '--channel', 'c', '--timeslot', str(slot), '--wav', wav)
        raw, pcm = codes_of(wav, law)
        frame_bits = 256 if rate == 'E1' else 193
        assert abs(len(raw) - (len(bits) - shift) // frame_bits) <= 1, len(raw)
        # frames come aligned after the search; from there on every code is the one put in
        skip = unaligned_most
        late = [k for k in range(-2, 8)
                if np.array_equal(raw[skip:-200], codes[skip + k:skip + k + len(raw) - skip - 200])]
        assert len(late) == 1, (rate, shift, late)
        k = late[0]
        assert np.array_equal(pcm[skip:-200], samples(codes, law)[skip + k:len(raw) - 200 + k])


def test_e1_a_law():
    codes = tone('a-law')
    for slot, shift in ((1, 0), (16, 13), (31, 4 * 256 + 255)):
        check('E1', e1(slot, codes), slot, codes, 'a-law', shift, 40)


def test_t1_mu_law():
    codes = tone('u-law')
    for slot, shift in ((1, 0), (24, 100)):
        check('T1', t1_sf(slot, codes), slot, codes, 'u-law', shift, 400)


def test_gap_is_silence():
    """Two seconds missing in the middle: the same time, silence (A-law D5) in their place."""
    codes = tone('a-law')
    with tempfile.TemporaryDirectory() as folder:
        path = record(folder, 'E1', e1(5, codes))
        run('copy', path, os.path.join(folder, 'x.set'), '--part-seconds', '1')
        os.unlink(os.path.join(folder, 'x-0002.pcapng'))
        os.unlink(os.path.join(folder, 'x-0003.pcapng'))
        wav = os.path.join(folder, 'x.wav')
        said = run('extract', os.path.join(folder, 'x.set'), '--channel', 'c', '--timeslot', '5',
                   '--wav', wav)
        assert '16 000 of silence in the place of gaps' in said, said
        raw, _ = codes_of(wav, 'a-law')
        assert len(raw) == FRAMES, len(raw)
        assert (raw[8000:24000] == 0xD5).all()
        assert np.array_equal(raw[40:7990], codes[40:7990])
        assert np.array_equal(raw[24040:-200], codes[24040:-200])


def test_law_and_bad_input():
    with tempfile.TemporaryDirectory() as folder:
        codes = tone('u-law')
        path, wav = record(folder, 'E1', e1(5, codes)), os.path.join(folder, 'x.wav')
        run('extract', path, '--channel', 'c', '--timeslot', '5', '--wav', wav, '--law', 'mu')
        raw, _ = codes_of(wav, 'u-law')
        assert np.array_equal(raw[40:-200], codes[40:-200])
        os.unlink(wav)
        for more, status, text in [
                (['--wav', wav], 64, '--timeslot is missing'),
                (['--wav', wav, '--timeslot', '32'], 64, 'from 0 to 31'),
                (['--wav', wav, '--timeslot', '1', '--law', 'b'], 64, 'neither a nor mu'),
                (['--wav', wav, '--raw', wav, '--timeslot', '1'], 64, 'not both'),
                (['--raw', wav, '--timeslot', '1'], 64, 'are for --wav'),
                (['--wav', path, '--timeslot', '1'], 3, 'is the recording itself')]:
            said = run('extract', path, '--channel', 'c', *more, expect=status)
            assert text in said and not os.path.exists(wav), (more, said)
        os.unlink(path)
        os.unlink(os.path.join(folder, 'x.raw'))
        path = record(folder, 'STM-1', codes)
        said = run('extract', path, '--channel', 'c', '--timeslot', '1', '--wav', wav, expect=3)
        assert 'is STM-1, which has no timeslot 1' in said and not os.path.exists(wav), said


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

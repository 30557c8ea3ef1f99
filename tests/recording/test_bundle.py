# SPDX-License-Identifier: Apache-2.0
"""Bundles against Python's tarfile and coreutils' sha256sum, and hostile archives (TAP).

    /usr/bin/python3 test_bundle.py PROGRAM
"""
import io
import os
import subprocess
import sys
import tarfile
import tempfile
import traceback

PROGRAM = sys.argv[1]


def run(*args, expect=0):
    p = subprocess.run([PROGRAM, 'recording', *args], capture_output=True, text=True, timeout=300)
    assert p.returncode == expect, (args, p.returncode, p.stdout, p.stderr)
    return p.stdout + p.stderr


def read(path):
    with open(path, 'rb') as f:
        return f.read()


def write(path, data):
    with open(path, 'wb') as f:
        f.write(data)


def make(folder):
    """A recording of 3 s and a set of it."""
    raw, one = os.path.join(folder, 'x.raw'), os.path.join(folder, 'one.pcapng')
    write(raw, bytes((i * i >> 3) & 255 for i in range(256 * 1000)))
    run('import', one, '--rate', 'E1', '--raw', 'c=' + raw)
    night = os.path.join(folder, 'night.set')
    run('copy', one, night, '--part-bytes', '100000')
    return one, night


def test_by_tar_and_sha256sum():
    with tempfile.TemporaryDirectory() as folder:
        one, night = make(folder)
        for path, count in ((one, 1), (night, 4)):
            tar, out = path + '.tar', path + '.out'
            run('bundle', path, tar)
            os.mkdir(out)
            with tarfile.open(tar) as t:
                names = t.getnames()
                t.extractall(out)
            assert len(names) == count + 1 and names[-1] == 'SHA256SUMS', names
            assert names[0] == os.path.basename(path)
            subprocess.run(['sha256sum', '-c', '--quiet', 'SHA256SUMS'], cwd=out, check=True)
            for n in names[:-1]:
                assert read(os.path.join(out, n)) == read(os.path.join(folder, n))
            before = read(tar)
            assert 'exists' in run('bundle', path, tar, expect=3)
            os.unlink(tar)
            run('bundle', path, tar)
            assert read(tar) == before


def test_there_and_back():
    with tempfile.TemporaryDirectory() as folder:
        one, night = make(folder)
        tar, other = os.path.join(folder, 'b.tar'), os.path.join(folder, 'lab', 'b')
        run('bundle', night, tar)
        said = run('unbundle', tar, other)
        assert os.path.join(other, 'night.set') + ': all digests fit' in said, said
        assert 'intact' in run('verify', os.path.join(other, 'night.set'))
        assert '1 equal' in run('diff', one, os.path.join(other, 'night.set'))
        assert 'exists' in run('unbundle', tar, other, expect=3)
        assert len(os.listdir(other)) == 4  # what was there is still there


def test_every_alteration_is_noticed():
    with tempfile.TemporaryDirectory() as folder:
        one, night = make(folder)
        tar, bad = os.path.join(folder, 'b.tar'), os.path.join(folder, 'bad.tar')
        run('bundle', night, tar)
        data = read(tar)
        out = os.path.join(folder, 'out')
        with tarfile.open(tar) as t:
            ends = [m.offset_data + m.size for m in t.getmembers()]
            starts = [m.offset_data for m in t.getmembers()]
        # a byte in each file's content, in each header's name, size and sum; cuts
        places = [(s + e) // 2 for s, e in zip(starts, ends)]
        for at in starts:
            places += [at - 512, at - 512 + 130, at - 512 + 150]
        for place in places:
            changed = bytearray(data)
            changed[place] ^= 2
            write(bad, changed)
            said = run('unbundle', bad, out, expect=3)
            assert said.count('\n') == 1 and bad in said, said
            assert os.listdir(out) == [], (place, os.listdir(out))
        for cut in [0, 1, 511, 512, 600, starts[1] + 10, ends[-1] - 5, starts[-1] - 512]:
            write(bad, data[:cut])
            said = run('unbundle', bad, out, expect=3)
            assert said.count('\n') == 1 and os.listdir(out) == [], (cut, said)
        # one part's content altered is named
        changed = bytearray(data)
        changed[(starts[2] + ends[2]) // 2] ^= 1
        write(bad, changed)
        assert 'night-0002.pcapng is altered' in run('unbundle', bad, out, expect=3)


def test_hostile_archives():
    with tempfile.TemporaryDirectory() as folder:
        bad, out = os.path.join(folder, 'bad.tar'), os.path.join(folder, 'out')

        def archive(*members):
            with tarfile.open(bad, 'w', format=tarfile.USTAR_FORMAT) as t:
                for name, kind, content in members:
                    m = tarfile.TarInfo(name)
                    m.type, m.size = kind, len(content)
                    m.linkname = '/etc/passwd' if kind == tarfile.SYMTYPE else ''
                    t.addfile(m, io.BytesIO(content))

        for members, text in [
                ([('../x', tarfile.REGTYPE, b'x')], 'plain files with plain names'),
                ([('/tmp/x', tarfile.REGTYPE, b'x')], 'plain files with plain names'),
                ([('.x', tarfile.REGTYPE, b'x')], 'plain files with plain names'),
                ([('x', tarfile.SYMTYPE, b'')], 'plain files with plain names'),
                ([('x', tarfile.DIRTYPE, b'')], 'plain files with plain names'),
                ([('x', tarfile.REGTYPE, b'x')], 'no SHA256SUMS'),
                ([('SHA256SUMS', tarfile.REGTYPE, b'')], 'holds no recording'),
                ([('x', tarfile.REGTYPE, b'x'), ('SHA256SUMS', tarfile.REGTYPE, b'rubbish\n')],
                 'a line of its SHA256SUMS'),
                ([('x', tarfile.REGTYPE, b'x'),
                  ('SHA256SUMS', tarfile.REGTYPE, b'0' * 64 + b'  y\n')], 'y is missing'),
                ([('x', tarfile.REGTYPE, b'x'), ('SHA256SUMS', tarfile.REGTYPE, b'')],
                 'x is not in its SHA256SUMS')]:
            archive(*members)
            said = run('unbundle', bad, out, expect=3)
            assert text in said and said.count('\n') == 1, (members, said)
            assert os.listdir(out) == [] and not os.path.exists(os.path.join(folder, 'x'))
        write(bad, b'x' * 5000)
        assert 'no ustar archive' in run('unbundle', bad, out, expect=3)
        one, night = make(folder)
        write(one, read(one)[:-1])
        assert 'is not whole' in run('bundle', one, bad + '2', expect=3)
        part = os.path.join(folder, 'night-0002.pcapng')
        assert 'is part 2 of a set' in run('bundle', part, bad + '2', expect=3)


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

# SPDX-License-Identifier: Apache-2.0
"""Dossiers and recordings as files in the hands of somebody else: made, verified, altered.
Outside checks: `openssl cms -verify`, `openssl dgst`, `sha256sum -c` (Debian's openssl, coreutils);
SHA-256 by Python's hashlib.
"""
import hashlib
import json
import os
import random
import shutil
import subprocess

import blackbox as b

FILES = ['SHA256SUMS', 'VERIFY.txt', 'bench.yaml', 'campaign.lua', 'evidence.json',
         'manifest.json', 'manifest.p7s', 'report.html', 'report.pdf', 'signer.pem']


def dossier(p, name='out', run='1', more=()):
    out = p.path(name)
    r = b.expect(p.run('dossier', run, '--store', p.store, '--out', out, *more), 0,
                 os.path.join(out, 'report.html'))
    assert sorted(os.listdir(out)) == FILES, os.listdir(out)
    return out, r


def evidence_rows(out):
    with open(os.path.join(out, 'evidence.json'), encoding='utf-8') as f:
        return [json.loads(r['text']) for r in json.load(f)['rows']]


def openssl(*args, cwd=None):
    r = subprocess.run(['openssl'] + list(args), cwd=cwd, capture_output=True, text=True)
    return r.returncode, r.stdout + r.stderr


def key_and_cert(p, name, subject):
    status, text = openssl('req', '-x509', '-newkey', 'ec', '-pkeyopt', 'ec_paramgen_curve:P-256',
                           '-nodes', '-keyout', p.path(name + '.key'), '-out',
                           p.path(name + '.pem'), '-days', '3650', '-subj', subject)
    assert status == 0, text


def flip(path, at):
    """One bit of the byte `at`."""
    with open(path, 'r+b') as f:
        f.seek(at)
        byte = f.read(1)
        f.seek(at)
        f.write(bytes([byte[0] ^ 1]))


def test_dossier(p):
    b.expect(p.run_campaign(b.ARRIVAL, build='B'), 1)
    out, r = dossier(p)
    assert 'DEMONSTRATION KEY' in r.out
    b.expect(p.run('verify', out), 0, 'Nothing was altered', 'DEMONSTRATION KEY', 'build B: fail')
    status, text = openssl('cms', '-verify', '-binary', '-inform', 'DER', '-in', 'manifest.p7s',
                           '-content', 'manifest.json', '-CAfile', 'signer.pem', '-purpose', 'any',
                           '-out', '/dev/null', cwd=out)
    assert status == 0 and 'successful' in text, text
    subprocess.run(['sha256sum', '--quiet', '-c', 'SHA256SUMS'], cwd=out, check=True)
    with open(os.path.join(out, 'report.html'), encoding='utf-8') as f:
        report = f.read()
    assert 'trib 1' in report and 'http-equiv="refresh"' not in report and '<script' not in report
    # Made again it takes the place of the old one; a folder of somebody else is left alone.
    dossier(p)
    p.write('mine.txt', 'mine')
    b.refused(p.run('dossier', '1', '--store', p.store, '--out', p.dir), 3, p.dir)
    assert os.path.exists(p.path('mine.txt'))
    b.refused(p.run('dossier', '1', '--store', p.store, '--out', p.path('mine.txt')), 3)
    b.refused(p.run('dossier', '1', '--store', p.store, '--out', '/dev/null/x'), 3, '/dev/null')
    b.expect(p.run_campaign(b.ARRIVAL), 0)
    out, _ = dossier(p, 'second', '2', ('--compare', '1'))
    b.expect(p.run('verify', out), 0)


def test_full_and_light(p):
    """A dossier with its recordings: what tar and sha256sum say of them, and what verify says."""
    b.expect(p.run_campaign(b.RECORD), 0)
    out = p.path('full')
    make = ('dossier', '1', '--store', p.store, '--out', out)
    b.expect(p.run(*make, '--recordings'), 0)
    assert sorted(os.listdir(out)) == sorted(FILES + ['recording-1.tar', 'recording-2.tar'])
    b.expect(p.run('verify', out), 0, 'Nothing was altered')
    subprocess.run(['sha256sum', '--quiet', '-c', 'SHA256SUMS'], cwd=out, check=True)
    with open(os.path.join(out, 'manifest.json'), encoding='utf-8') as f:
        recordings = json.load(f)['recordings']
    for n, r in enumerate(recordings, 1):
        place = p.path('unpacked-%d' % n)
        os.mkdir(place)
        subprocess.run(['tar', '-C', place, '-xf', os.path.join(out, 'recording-%d.tar' % n)],
                       check=True)
        subprocess.run(['sha256sum', '--quiet', '-c', 'SHA256SUMS'], cwd=place, check=True)
        name = [x for x in os.listdir(place) if x != 'SHA256SUMS'][0]
        with open(os.path.join(place, name), 'rb') as f:
            data = f.read()
        assert hashlib.sha256(data).hexdigest() == r['sha256'] and len(data) == int(r['bytes'])
    with open(os.path.join(out, 'report.html'), encoding='utf-8') as f:
        assert 'They are in this dossier' in f.read()
    # A light one takes the place of the full one, as a whole.
    b.expect(p.run(*make), 0)
    assert sorted(os.listdir(out)) == FILES
    b.expect(p.run(*make, '--recordings'), 0)
    flip(os.path.join(out, 'recording-2.tar'), 7000)
    b.expect(p.run('verify', out), 1, 'recording-2.tar: was altered')
    # A recording that is not what the run made is not handed over, and the old dossier stays.
    before = sorted(os.listdir(p.dir))
    victim = os.path.join(p.store + '.recordings', sorted(os.listdir(p.store + '.recordings'))[0])
    flip(victim, 9000)
    b.refused(p.run(*make, '--recordings'), 3, victim)
    assert sorted(os.listdir(p.dir)) == before and len(os.listdir(out)) == len(FILES) + 2
    os.unlink(victim)
    b.refused(p.run(*make, '--recordings'), 3, victim)


def test_compressed(p):
    """What zstd of Debian unpacks has the digest that run, dossier and verify tell."""
    b.expect(p.run_campaign(b.RECORD.replace('as = "kept",', 'as = "kept", compress = true,')
                            .replace('as = "again",',
                                     'as = "again", compress = true, part = "100 ms",')), 0)
    folder = p.store + '.recordings'
    names = sorted(os.listdir(folder))
    assert names == ['run-1-case-1-take-1.pcapng.zst', 'run-1-case-1-take-2-0001.pcapng.zst',
                     'run-1-case-1-take-2.set'], names
    plain = subprocess.run(['zstd', '-dc', os.path.join(folder, names[0])], check=True,
                           capture_output=True).stdout
    r = p.run('show', '1', '--store', p.store, '--json').json()
    assert hashlib.sha256(plain).hexdigest() == r['recordings'][0]['sha256'], r['recordings']
    assert os.path.getsize(os.path.join(folder, names[0])) == r['recordings'][0]['bytes']
    for name in (names[0], names[2]):
        b.expect(p.run('recording', 'verify', os.path.join(folder, name)), 0)
    b.expect(p.run('dossier', '1', '--store', p.store, '--out', p.path('z'), '--recordings'), 0)
    b.expect(p.run('verify', p.path('z')), 0, 'Nothing was altered')


def test_own_key(p):
    b.expect(p.run_campaign(b.ARRIVAL), 0)
    for name in ('lab', 'other'):
        key_and_cert(p, name, '/O=Example Laboratory (invented)/CN=' + name)
    key, cert = p.path('lab.key'), p.path('lab.pem')
    out, r = dossier(p, more=('--key', key, '--cert', cert))
    assert 'DEMONSTRATION' not in r.out
    b.expect(p.run('verify', out), 0, 'Example Laboratory', '--trust')
    b.expect(p.run('verify', out, '--trust', cert), 0)
    r = p.run('verify', out, '--trust', p.path('other.pem'))
    assert r.status in (1, 3), str(r)
    b.refused(p.run('verify', out, '--trust', p.path('none.pem')), 3, 'none.pem')
    b.refused(p.run('verify', out, '--trust', key), 3)
    for k, c, word in ((key, p.path('other.pem'), ''), (p.path('none.key'), cert, 'none.key'),
                       (cert, cert, 'lab.pem'), (key, key, 'lab.key'), (p.store, cert, 'lab.db')):
        b.refused(p.run('dossier', '1', '--store', p.store, '--out', p.path('no'), '--key', k,
                        '--cert', c), 3, word)
        assert not os.path.exists(p.path('no'))


def test_altered_dossier(p):
    """One byte changed anywhere, a file missing, added or exchanged: exit status 1."""
    b.expect(p.run_campaign(b.ARRIVAL), 0)
    out, _ = dossier(p)
    draw = random.Random(1)
    for name in FILES:
        path = os.path.join(out, name)
        with open(path, 'rb') as f:
            good = f.read()
        places = {0, len(good) - 1} | {draw.randrange(len(good)) for _ in range(4)}
        for at in sorted(places):
            bad = bytearray(good)
            bad[at] ^= 1 << draw.randrange(8)
            with open(path, 'wb') as f:
                f.write(bad)
            b.expect(p.run('verify', out), 1, name, 'ALTERED')
        for bad in (good + b'\n', good[:-1], b''):
            with open(path, 'wb') as f:
                f.write(bad)
            b.expect(p.run('verify', out), 1, name)
        os.remove(path)
        b.expect(p.run('verify', out), 1, name)
        os.symlink('/dev/zero', path)
        b.expect(p.run('verify', out), 1, name)
        os.remove(path)
        with open(path, 'wb') as f:
            f.write(good)
    b.expect(p.run('verify', out), 0)
    for name in ('more.txt', '.hidden'):
        with open(os.path.join(out, name), 'w') as f:
            f.write('x')
        b.expect(p.run('verify', out), 1, name)
        os.remove(os.path.join(out, name))
    os.mkdir(os.path.join(out, 'folder'))
    b.expect(p.run('verify', out), 1, 'folder')
    os.rmdir(os.path.join(out, 'folder'))
    # The signature of another run does not fit.
    b.expect(p.run_campaign(b.ARRIVAL, build='B'), 1)
    other, _ = dossier(p, 'other', '2')
    for names in (['manifest.p7s'], ['manifest.p7s', 'signer.pem'], ['evidence.json']):
        mixed = p.path('mixed')
        shutil.copytree(out, mixed)
        for name in names:
            shutil.copy(os.path.join(other, name), mixed)
        b.expect(p.run('verify', mixed), 1)
        shutil.rmtree(mixed)
    b.refused(p.run('verify', p.path('absent')), 3, 'absent')
    b.refused(p.run('verify', p.store), 3, 'lab.db')
    os.mkdir(p.path('empty'))
    r = p.run('verify', p.path('empty'))
    assert r.status in (1, 3), str(r)


def recordings(p):
    b.expect(p.run_campaign(b.RECORD), 0)
    shown = p.run('show', '1', '--store', p.store, '--json').json()
    paths = {}
    for r in shown['recordings']:
        path = os.path.join(p.dir, r['path'])
        with open(path, 'rb') as f:
            assert hashlib.sha256(f.read()).hexdigest() == r['sha256']
        paths[r['name']] = path
    return paths['kept'], paths['again']


def test_proof_and_witness(p):
    """One row proved alone; a witness beside the laboratory's signature."""
    b.expect(p.run_campaign(b.ARRIVAL), 0)
    out, _ = dossier(p)
    proof = p.path('proof.json')
    case = [r for r in evidence_rows(out) if r[0] == 'case_'][0]
    name = dict(zip(case[1::2], case[2::2]))['name']
    b.expect(p.run('verify', out, '--prove', name + '/1', '--out', proof), 0, proof)
    light = p.path('light')
    os.mkdir(light)
    for part in ('manifest.json', 'manifest.p7s', 'signer.pem'):
        shutil.copy(os.path.join(out, part), light)
    b.expect(p.run('verify', light, '--proof', proof), 0, 'check_', 'one of this run')
    with open(proof, encoding='utf-8') as f:
        text = f.read()
    p.write('proof.json', text.replace('pass', 'fail'))
    b.expect(p.run('verify', light, '--proof', proof), 1, 'NOT PROVED')
    r = p.run('verify', out, '--prove', 'frost/1', '--out', proof)
    assert r.status == 3 and 'frost/1' in r.err and name in r.err, str(r)
    b.refused(p.run('verify', out, '--prove', name + '/1'), 64, '--out')
    b.refused(p.run('verify', out, '--witness'), 64, '--key')
    key_and_cert(p, 'w', '/CN=Witness (invented)')
    b.expect(p.run('verify', out, '--witness', '--key', p.path('w.key'), '--cert',
                   p.path('w.pem')), 0, 'witnessed')
    b.expect(p.run('verify', out), 0, 'Witness (invented)', 'Nothing was altered')
    r = p.run('verify', out, '--stamp', p.path('w.pem'))
    assert r.status == 3 and 'no time-stamp response' in r.err, str(r)


def test_recording(p):
    kept, again = recordings(p)
    data = b.expect(p.run('recording', 'info', kept, '--json'), 0).json()
    assert data['finished'] and len(data['channels']) >= 9
    text = b.expect(p.run('recording', 'info', kept), 0, 'finished').out
    for channel in data['channels']:
        assert channel['name'] in text
        # 96 ms and 16 ms of lead-in: 768 frames measured, 128 before
        frame = {'E1': 256, 'STM-1': 19440}[channel['rate']]
        assert channel['bits'] % frame == 0 and channel['bits'] // frame in (768, 896), channel
    b.expect(p.run('recording', 'verify', kept), 0, 'intact')
    with open(kept, 'rb') as f:
        sum_ = hashlib.sha256(f.read()).hexdigest()
    assert sum_ in p.run('recording', 'verify', kept).out
    for channel in data['channels']:
        raw = p.path('raw')
        b.expect(p.run('recording', 'extract', kept, '--channel', channel['name'], '--raw', raw), 0)
        assert os.path.getsize(raw) == channel['bits'] // 8
        os.remove(raw)
    b.refused(p.run('recording', 'extract', kept, '--channel', 'nine', '--raw', raw), 3, '"nine"')
    assert not os.path.exists(raw)
    b.refused(p.run('recording', 'extract', kept, '--channel', data['channels'][0]['name'], '--raw',
                    kept), 3, 'itself')
    b.expect(p.run('recording', 'verify', kept), 0)
    b.refused(p.run('recording', 'extract', kept, '--channel', data['channels'][0]['name'], '--raw',
                    '/dev/full'), 3, '/dev/full')
    b.expect(p.run('recording', 'diff', kept, kept), 0)
    same = b.expect(p.run('recording', 'diff', kept, kept, '--json'), 0).json()
    assert same['equal'] and same['different_bits'] == 0 and same['compared_bits'] > 0
    names = [c['name'] for c in data['channels'] if c['rate'] == 'E1' and c['direction'] == 'sent']
    one, two = names[:2]
    r = b.expect(p.run('recording', 'diff', kept, again, '--pair', one + '=' + one, '--json'), 0)
    assert r.json()['pairs'] == 1
    r = b.expect(p.run('recording', 'diff', kept, again, '--pair', one + '=' + two, '--json'), 1)
    assert r.json()['channels'][0]['different_bits'] > 0
    b.expect(p.run('recording', 'diff', kept, again, '--pair', one + '=' + two), 1, 'frame')
    b.refused(p.run('recording', 'diff', kept, again, '--pair', one + '=absent'), 3, 'absent')


def test_bad_recordings(p):
    kept, _ = recordings(p)
    with open(kept, 'rb') as f:
        good = f.read()
    for name, data in (('text', b'dear diary\n' * 50), ('empty', b''),
                       ('pcap', bytes.fromhex('d4c3b2a1020004000000000000000000ffff000001000000')),
                       ('head', good[:20]), ('store', open(p.store, 'rb').read())):
        path = p.write(name, data)
        for verb in (['info', path], ['verify', path], ['diff', path, kept], ['diff', kept, path],
                     ['extract', path, '--channel', 'x', '--raw', p.path('raw')]):
            r = p.run('recording', *verb)
            assert r.status == (1 if verb[0] == 'verify' and r.status == 1 else 3), str(r)
            b.refused(r, r.status, name)
    b.refused(p.run('recording', 'info', p.dir), 3)
    b.refused(p.run('recording', 'info', p.path('absent')), 3, 'absent')
    # Cut off: readable up to the last whole block, and not intact.
    cut = p.write('cut.pcapng', good[:len(good) * 2 // 3])
    r = b.expect(p.run('recording', 'info', cut, '--json'), 0).json()
    assert not r['finished'] and r['missing'] and any(c['bits'] > 0 for c in r['channels'])
    b.expect(p.run('recording', 'verify', cut), 1, 'NOT intact')
    draw = random.Random(2)
    for _ in range(12):
        bad = bytearray(good)
        bad[draw.randrange(len(bad))] ^= 1 << draw.randrange(8)
        path = p.write('bad.pcapng', bytes(bad))
        r = p.run('recording', 'verify', path)
        assert r.status in (1, 3), str(r)
        info = p.run('recording', 'info', path)
        assert info.status in (0, 3), str(info)


b.main()

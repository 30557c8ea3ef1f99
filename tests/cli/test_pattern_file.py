# SPDX-License-Identifier: Apache-2.0
"""Bits of the user's own from a file: what is sent is the file again and again (read back from the
recording by Python), its digest (hashlib) is kept with the run, a signal that carries it is named,
and nothing outside the campaign's folder is read.
"""
import hashlib
import os
import random
import sqlite3

import blackbox as b

CASE = '''\
local own = pattern_file %s
case "own" { title = "Own bits", time_limit = "2 min", run = function(test)
    local seen = test:take { last = "200 ms", play = { trib = %s }, expect = { trib = %s },
        record = { as = "kept", "trib" } }
    test:check_arrival(seen, "trib")
    test:check_bit_errors(seen, "trib", { ratio = 1e-4, confidence = 0.95 })
end }
'''


def own_bits(n):
    return random.Random(7).randbytes(n)


def bits_of(data):
    return ''.join('{:08b}'.format(x) for x in data)


def test_sent_and_kept(p):
    data = own_bits(1999)
    os.mkdir(p.path('bits'))
    p.write('bits/idle.bin', data)
    for run, (what, bits) in enumerate((('"bits/idle.bin"', 15992),
                                        ('{ file = "bits/idle.bin", bits = 2401 }', 2401)), 1):
        r = p.run_campaign(CASE % (what, 'own', 'own'))
        assert r.status == 0, str(r)
        shown = p.run('show', str(run), '--store', p.store, '--json').json()
        recording = os.path.join(p.dir, shown['recordings'][0]['path'])
        raw = p.path('raw-%d' % run)
        b.expect(p.run('recording', 'extract', recording, '--channel', 'trib-2.sent',
                       '--raw', raw), 0)
        with open(raw, 'rb') as f:
            sent = bits_of(f.read())
        period = bits_of(data)[:bits]
        phase = (period * 2).find(sent[:128])
        assert 0 <= phase < bits, phase
        whole = period * (len(sent) // bits + 2)
        assert sent == whole[phase:phase + len(sent)]
        db = sqlite3.connect(p.store)
        rows = db.execute('select name, purpose, bytes, sha256 from run_file where run=?',
                          (run,)).fetchall()
        assert rows == [('bits/idle.bin', 'pattern', 1999, hashlib.sha256(data).hexdigest())], rows
        assert [f['sha256'] for f in shown['files']] == [rows[0][3]], shown['files']
        patterns = {x for x, in db.execute('select pattern from measurement where run=?', (run,))}
        assert patterns == {'user bits/idle.bin, %d bits' % bits}, patterns
        db.close()
    b.expect(p.run('dossier', '1', '--store', p.store, '--out', p.path('d')), 0)
    with open(os.path.join(p.path('d'), 'report.html'), encoding='utf-8') as f:
        assert hashlib.sha256(data).hexdigest() in f.read()


def test_named_when_it_is_not_expected(p):
    p.write('idle.bin', own_bits(300))
    r = p.run_campaign(CASE % ('"idle.bin"', 'own', 'prbs "2^15-1"'))
    assert r.status == 1, str(r)
    assert r.out.count('another pattern arrives: user idle.bin, 2400 bits') == 4, str(r)
    # Phases of their own were not found for so short a pattern: no trouble, so no message.
    assert 'found no phases' not in r.out, str(r)
    assert 'what arrives is user idle.bin, 2400 bits' in r.out, str(r)
    db = sqlite3.connect(p.store)
    found = {x for x, in db.execute('select recognised from measurement')}
    assert found == {'user idle.bin, 2400 bits'}, found


def test_changed_file_is_another_measurement(p):
    """The same campaign file with other bits gives another results digest."""
    digests = set()
    for seed in (1, 2):
        p.write('idle.bin', random.Random(seed).randbytes(500))
        p.run_campaign(CASE % ('"idle.bin"', 'prbs "2^15-1"', 'prbs "2^15-1"'))
        shown = p.run('show', str(seed), '--store', p.store, '--json').json()
        digests.add(shown['results_digest'])
    assert len(digests) == 2


def test_refused(p):
    os.mkdir(p.path('campaigns'))
    p.write('secret.bin', own_bits(300))
    p.write('campaigns/good.bin', own_bits(300))
    p.write('campaigns/same.bin', b'\x55' * 300)
    p.write('campaigns/short.bin', b'\x1f')
    p.write('campaigns/empty.bin', b'')
    with open(p.path('campaigns/huge.bin'), 'wb') as f:
        f.truncate(8 * 1024 * 1024 + 1)
    os.symlink(p.path('secret.bin'), p.path('campaigns/link.bin'))
    os.symlink(p.dir, p.path('campaigns/up'))
    os.mkfifo(p.path('campaigns/pipe'))
    os.mkdir(p.path('campaigns/folder'))
    for what, word in (('"/etc/hostname"', "no name of a file in the campaign's folder"),
                       ('"../secret.bin"', "no name of a file in the campaign's folder"),
                       ('"folder/../good.bin"', 'no name of a file'),
                       ('".."', "no name of a file in the campaign's folder"),
                       ('""', "no name of a file in the campaign's folder"),
                       ('"%s"' % ('x' * 300), 'no name of a file'),
                       ('"link.bin"', 'leads out of the campaign'),
                       ('"up/secret.bin"', 'leads out of the campaign'),
                       ('"missing.bin"', 'missing.bin'),
                       ('"huge.bin"', '8388608'),
                       ('"pipe"', 'pipe'), ('"folder"', 'folder'), ('"good.bin/x"', 'good.bin'),
                       ('"same.bin"', 'same.bin'), ('"short.bin"', '65'), ('"empty.bin"', '65'),
                       ('"a\\0b"', 'no UTF-8'), ('"\\xff"', 'no UTF-8'),
                       ('{ file = "good.bin", bits = 2401 }', 'do not hold 2401 bits'),
                       ('{ file = "good.bin", bits = 64 }', '65'),
                       ('{ file = "good.bin", bits = 0 }', 'bits must be 1 or more'),
                       ('{ file = "good.bin", bits = 1 << 62 }', 'bits must be 65 to 67108864'),
                       ('{ file = "good.bin", size = 5 }', 'size is not known'),
                       ('{}', 'file is missing'), ('(5)', 'a table')):
        r = p.run('run', p.write('campaigns/c.lua', b.HEAD + CASE % (what, 'own', 'own')),
                  '--bench', p.bench, '--build', 'A', '--store', p.store, '--progress', 'none')
        assert r.status == 3 and 'c.lua' in r.err and word in r.err, (what, str(r))
        assert not os.path.exists(p.store), what
    inside = b.HEAD + ('case "own" { title = "x", time_limit = "2 min", run = function(test)\n'
                       'pattern_file "good.bin"\nend }\n')
    r = p.run('run', p.write('campaigns/c.lua', inside), '--bench', p.bench, '--build', 'A',
              '--store', p.store, '--progress', 'none')
    assert r.status == 3 and 'outside of any case' in r.out, str(r)
    many = ''.join('pattern_file { file = "good.bin", bits = %d }\n' % (100 + i) for i in range(17))
    many = b.HEAD + many + CASE % ('"good.bin"', 'own', 'own')
    r = p.run('run', p.write('campaigns/c.lua', many),
              '--bench', p.bench, '--build', 'A', '--store', p.store, '--progress', 'none')
    assert r.status == 3 and 'more than 16 files' in r.err, str(r)


b.main()

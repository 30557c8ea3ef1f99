# SPDX-License-Identifier: Apache-2.0
"""Files that are not what they should be: one line that names file and place, exit status 3, no
crash, no hang, bounded memory. Source: the list of bad input in the project's own requirements.
"""
import os
import resource
import signal
import sqlite3

import blackbox as b

BIG = 100 * 1000 * 1000
# With the sanitizers a process needs more; the point is that 100 MB are not read into memory.
PEAK_KIB = 300 * 1000


def bad_files(p, text):
    """Name, words of the message that are due."""
    os.mkdir(p.path('folder'))
    os.mkfifo(p.path('pipe'))
    with open(p.path('big-zeros'), 'wb') as f:
        f.truncate(BIG)
    with open(p.path('big-text'), 'wb') as f:
        for _ in range(BIG // 1000000):
            f.write((text * 1000000)[:1000000].encode())
    p.write('binary', bytes(range(256)) * 20)
    p.write('nul', text.encode() + b'\0\n')
    p.write('latin1', b'-- # \xe4\n')
    p.write('empty', '')
    return ['missing', 'folder', 'pipe', 'big-zeros', 'big-text', 'binary', 'nul', 'latin1',
            'empty']


def test_campaign_files(p):
    for name in bad_files(p, '-- x\n'):
        for verb in (['fit', p.path(name)], ['run', p.path(name), '--build', 'A', '--store',
                                             p.store, '--progress', 'none']):
            r = b.refused(p.run(*verb, '--bench', p.bench), 3, name)
            assert r.peak_kib < PEAK_KIB, (name, r.peak_kib)


def test_bench_files(p):
    good = p.campaign(b.ARRIVAL)
    for name in bad_files(p, '# x\n'):
        for verb in (['fit', good], ['run', good, '--build', 'A', '--store', p.store,
                                     '--progress', 'none']):
            r = b.refused(p.run(*verb, '--bench', p.path(name)), 3, name)
            assert r.peak_kib < PEAK_KIB, (name, r.peak_kib)


def test_campaign_text(p):
    """What is wrong and in which line."""
    def case(body):
        return 'case "a" { title = "A", time_limit = "1 min", run = function(test)\n' + body + \
            '\nend }\n'
    needs = b.HEAD.count('\n')
    for text, words in (
            ('x = = 1\n', ['bad.lua:1:']),
            (b.HEAD + 'case "a" {', ['bad.lua:%d:' % (needs + 1)]),
            ('\nerror "on purpose"\n', ['bad.lua:2: on purpose']),
            ('\nlocal t = nil\nt.x = 1\n', ['bad.lua:3:']),
            ('while true do end\n', ['bad.lua:1:', 'without end']),
            ('local t = {}\nwhile true do t[#t + 1] = ("x"):rep(1000) .. #t end\n',
             ['bad.lua:2:', 'memory']),
            ('local s = ("a"):rep(1e5)\ns:find(".-.-.-.-.-b")\n', ['bad.lua:2:']),
            ('io.open("/etc/passwd")\n', ['bad.lua:1:', "'io'"]),
            ('os.exit(0)\n', ['bad.lua:1:', "'os'"]),
            ('require "socket"\n', ['bad.lua:1:', "'socket'"]),
            ('-- nothing\n', ['bad.lua', 'campaign']),
            (b.HEAD, ['bad.lua', 'case']),
            (b.HEAD + b.ARRIVAL + b.ARRIVAL, ['bad.lua:', 'arrival']),
            (b.HEAD.replace('title', 'titel') + b.ARRIVAL, ['bad.lua:1:', 'titel']),
            (b.HEAD.replace('"E1"', '"E9"') + b.ARRIVAL, ['bad.lua:', 'E9']),
            (b.HEAD.replace('count = 4', 'count = 0') + b.ARRIVAL, ['bad.lua:', 'count']),
            (b.HEAD.replace('count = 4', 'count = 1.5') + b.ARRIVAL, ['bad.lua:', 'count']),
            (b.HEAD + b.HEAD + b.ARRIVAL, ['bad.lua:%d:' % (needs + 1), 'twice']),
    ):
        path = p.write('bad.lua', text)
        b.refused(p.run('fit', path, '--bench', p.bench), 3, *words)
        b.refused(p.run('run', path, '--bench', p.bench, '--build', 'A', '--store', p.store,
                        '--progress', 'none'), 3, *words)
    # Within a case: the verdict is error, with the line, and the next case is run.
    for number, (body, words) in enumerate((
            ('while true do end', ['c.lua:%d:' % (needs + 2), 'without end']),
            ('error "on purpose"', ['c.lua:%d: on purpose' % (needs + 2)]),
            ('test:take { last = "1 s", plays = {} }', ['c.lua:%d:' % (needs + 2), 'plays']),
            ('test:take { last = "1 s", play = { tribe = prbs "2^15-1" } }', ['tribe']),
            ('test:take { last = "1 s", play = { trib = prbs "2^16-1" } }', ['2^16-1']),
            ('test:take { last = "1 lightyear" }', ['lightyear']),
            ('local co = coroutine.wrap(function() while true do end end) pcall(co)',
             ['c.lua:%d:' % (needs + 2), 'without end']))):
        store = p.path('case-%d.db' % number)
        r = b.expect(p.run_campaign(case(body), b.ARRIVAL, store=store), 3, *words)
        shown = p.run('show', '1', '--store', store, '--json').json()
        assert [c['verdict'] for c in shown['cases']] == ['error', 'pass'], r


def test_bench_text(p):
    good = p.campaign(b.ARRIVAL)
    for old, new, words in (
            ('title:', 'titel:', ['bench.yaml:2:', 'titel']),
            ('driver: simmux', 'driver: absent', ['bench.yaml:', 'absent']),
            ('driver: simmux', 'driver: ../../simmux', ['bench.yaml:']),
            ('line: looped', 'line: lopped', ['bench.yaml:8:', 'lopped']),
            ('channels: [line]', 'channels: [lime]', ['lime']),
            ('trib-{1..4}', 'trib-{1..64}', ['bench.yaml:']),
            ('trib-{1..4}', 'trib-{1..999999999}', ['bench.yaml:']),
            ('trib-{1..4}', '[trib-1, trib-1, trib-2, trib-3]', ['bench.yaml:', 'trib-1']),
            ('channels: [line]', 'channels: [trib-1]', ['trib-1']),
            ('numbers: 1..4', 'numbers: 1..3', ['bench.yaml:']),
            ('roles:', 'roles: {}\nothers:', ['bench.yaml:']),
            ('adapter: mux\n    channels: [line]', 'adapter: max\n    channels: [line]', ['max']),
            ('bench: small', 'bench: &a [*a]', ['bench.yaml:']),
            ('bench: small', '? [a, b]\n: small', ['bench.yaml:']),
            ('bench: small', 'bench: "small', ['bench.yaml:']),
            ('bench: small\n', 'bench: small\nbench: small\n', ['bench.yaml:2:']),
            ('bench: small', 'bench: ' + '[' * 5000, ['bench.yaml:']),
            ('  line:\n    adapter', '  wire:\n    adapter', ['line']),
    ):
        assert old in b.BENCH, old
        path = p.write('bench.yaml', b.BENCH.replace(old, new, 1))
        run = p.run('run', good, '--bench', path, '--build', 'A', '--store', p.store, '--progress',
                    'none')
        b.refused(run, 3, *words)
        fit = p.run('fit', good, '--bench', path)
        assert fit.status in (1, 3), str(fit)
        b.expect(fit, fit.status, *words)
    p.bench = p.write('bench.yaml', b.BENCH)
    b.refused(p.run_campaign(b.ARRIVAL, build='C'), 3, "'C'", 'A, B')


def test_stores_that_are_none(p):
    p.write('text.db', 'this is a letter to my grandmother\n' * 100)
    p.write('empty.db', '')
    os.mkdir(p.path('folder.db'))
    other = sqlite3.connect(p.path('other.db'))
    other.execute('create table shopping (item text)')
    other.commit()
    other.close()
    b.expect(p.run_campaign(b.ARRIVAL), 0)
    with open(p.store, 'rb') as f:
        data = f.read()
    p.write('cut.db', data[:len(data) // 2])
    newer = sqlite3.connect(p.path('newer.db'))
    for line in sqlite3.connect(p.store).iterdump():
        newer.execute(line)
    newer.execute('pragma application_id = %d' % sqlite3.connect(p.store).execute(
        'pragma application_id').fetchone()[0])
    newer.execute('pragma user_version = 999')
    newer.commit()
    newer.close()
    for name, words in (('text.db', []), ('folder.db', []), ('other.db', []), ('newer.db', ['999']),
                        ('missing.db', []), ('no-folder/x.db', [])):
        path = p.path(name)
        for verb in (['runs'], ['show', '1'], ['compare', '1', '1'],
                     ['dossier', '1', '--out', p.path('out')]):
            b.refused(p.run(*verb, '--store', path), 3, name, *words)
        assert not os.path.exists(p.path('out'))
        if name != 'missing.db':
            b.refused(p.run_campaign(b.ARRIVAL, store=path), 3, name, *words)
    for verb in (['runs'], ['show', '1']):
        r = p.run(*verb, '--store', p.path('cut.db'))
        assert r.status == 3, str(r)
        b.refused(r, 3, 'cut.db')
    b.refused(p.run('runs', '--store', ''), 3, 'the name of the store is empty')
    b.refused(p.run('run', p.campaign(b.ARRIVAL), '--bench', p.bench, '--build', 'A', '--store',
                    '', '--progress', 'none'), 3, 'the name of the store is empty')
    # An empty file is what a crash leaves when it strikes at once: it may become a store.
    r = p.run('runs', '--store', p.path('empty.db'))
    assert r.status in (0, 3), str(r)
    b.expect(p.run_campaign(b.ARRIVAL, store=p.path('empty.db')), 0)
    b.refused(p.run('show', '2', '--store', p.store), 3, '2')
    b.refused(p.run('compare', '1', '2', '--store', p.store), 3, '2')
    b.refused(p.run_campaign(b.ARRIVAL, more=('--reference', '9')), 3, '9')
    b.refused(p.run_campaign(b.ARRIVAL, more=('--case', 'absent')), 3, 'absent', 'arrival')


def test_altered_store(p):
    b.expect(p.run_campaign(b.ARRIVAL, build='B'), 1)
    db = sqlite3.connect(p.store)
    assert db.execute("update check_ set verdict = 'pass' where verdict = 'fail'").rowcount > 0
    db.commit()
    db.close()
    r = b.expect(p.run('show', '1', '--store', p.store), 1, 'altered')
    assert 'check' in r.err
    b.expect(p.run('show', '1', '--store', p.store, '--json'), 1)
    b.refused(p.run('dossier', '1', '--store', p.store, '--out', p.path('out')), 3)
    assert not os.path.exists(p.path('out'))


def small_files():
    resource.setrlimit(resource.RLIMIT_FSIZE, (400 * 1024, 400 * 1024))
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)


def test_full_disk(p):
    """A write that the system refuses (here: a limit on the size of files) is reported; what was
    kept before stays readable."""
    long = b.RECORD.replace('"96 ms"', '"20 s"')
    b.expect(p.run_campaign(b.ARRIVAL), 0)
    r = b.expect(p.run_campaign(long, preexec_fn=small_files, restore_signals=False), 3)
    assert 'evenlode' in r.err or 'error' in r.out, str(r)
    runs = p.run('runs', '--store', p.store, '--json').json()['runs']
    assert runs[0]['verdict'] == 'pass' and len(runs) in (1, 2), runs
    b.expect(p.run('show', '1', '--store', p.store), 0)
    b.expect(p.run_campaign(b.ARRIVAL), 0)


def test_hostile_names(p):
    """Control characters in a file's texts do not reach the terminal."""
    text = b.HEAD.replace('title = "Small"', 'title = "S\\27[31m\\7mall\\u{9b}31m"') + \
        b.ARRIVAL.replace('"Arrival"', '"A\\27]0;x\\7"')
    path = p.write('c.lua', text)
    for r in (p.run('fit', path, '--bench', p.bench),
              p.run('run', path, '--bench', p.bench, '--build', 'A\x1b[2J', '--store', p.store),
              p.run('runs', '--store', p.store), p.run('show', '1', '--store', p.store)):
        for char in ('\x1b', '\x07', '\x9b'):
            assert char not in r.out + r.err, str(r)
    if p.run('runs', '--store', p.store).status == 0:
        p.run('show', '1', '--store', p.store, '--json').json()


b.main()

# SPDX-License-Identifier: Apache-2.0
"""Command line: help, exit statuses, what is not understood. Source: docs/commands.md (our own)."""
import os
import re

import blackbox as b

VERBS = {
    'fit': ['c.lua', '--bench', 'b.yaml'],
    'run': ['c.lua', '--bench', 'b.yaml', '--build', 'A', '--store', 's.db'],
    'runs': ['--store', 's.db'],
    'show': ['1', '--store', 's.db'],
    'compare': ['1', '2', '--store', 's.db'],
    'bisect': ['c.lua', 'A', '--bench', 'b.yaml', '--store', 's.db'],
    'history': ['--store', 's.db'],
    'dossier': ['1', '--store', 's.db', '--out', 'o'],
    'verify': ['dir'],
    'recording info': ['f'],
    'recording verify': ['f'],
    'recording diff': ['f', 'g'],
    'recording extract': ['f', '--channel', 'c', '--raw', 'r'],
    'recording import': ['o', '--rate', 'E1', '--raw', 'a=f'],
    'recording copy': ['f', 'o'],
    'recording bundle': ['f', 'o'],
    'recording unbundle': ['f', 'o'],
    'night': ['n.yaml'],
    'adapters': [],
    'numbering': ['--bench', 'b.yaml'],
    'plan': ['--ratio', '1e-9', '--rate', 'E1'],
}
REQUIRED = {'fit': ['--bench'], 'run': ['--bench', '--build', '--store'], 'runs': ['--store'],
            'show': ['--store'], 'compare': ['--store'], 'history': ['--store'],
            'dossier': ['--store', '--out'], 'bisect': ['--bench', '--store'],
            'recording extract': ['--channel'], 'recording import': ['--rate', '--raw'],
            'numbering': ['--bench']}


def test_help(p):
    whole = b.expect(p.run('--help'), 0, 'Exit status', '64').out
    assert p.run('-h').out == whole
    listed = re.findall(r'^  ([a-z]+) {2,}\S', whole.split('Exit status')[0], re.M)
    assert set(listed) == {v.split()[0] for v in VERBS}, listed  # a new verb is tested too
    for verb in VERBS:
        words = verb.split()
        assert words[0] in whole
        for option in ('--help', '-h'):
            r = b.expect(p.run(*words, option), 0, 'usage: ', 'evenlode ' + verb,
                         'Exit status')
            assert r.err == ''
    assert p.run('recording', '--help').out == p.run('recording', 'info', '--help').out


def test_help_and_manual_agree(p):
    """Each option of a help text is in docs/commands.md, and is an option that the verb takes."""
    with open(os.path.join(b.SOURCE_ROOT, 'docs', 'commands.md'), encoding='utf-8') as f:
        manual = f.read()
    for verb in sorted({v.split()[0] for v in VERBS} - {'recording'}):
        text = p.run(verb, '--help').out
        section = manual[re.search(r'^## evenlode %s\b' % verb, manual, re.M).start():]
        section = section[:section.index('\n## ', 5)] if '\n## ' in section[5:] else section
        for option in set(re.findall(r'^  (--[a-z-]+)', text, re.M)) - {'--help'}:
            assert option in section, '%s %s is not in docs/commands.md' % (verb, option)
            r = p.run(verb, option)  # alone: known, though something is missing
            assert 'unknown option' not in r.err, (verb, option)


def test_version(p):
    with open(os.path.join(b.SOURCE_ROOT, 'meson.build'), encoding='utf-8') as f:
        version = re.search(r"version: '([0-9.]+)'", f.read()).group(1)
    b.expect(p.run('--version'), 0, 'evenlode ' + version + ' ')


def test_not_understood(p):
    b.refused(p.run(), 64, 'verb is missing')
    b.refused(p.run('frobnicate'), 64, '"frobnicate"')
    b.refused(p.run('--frob'), 64, '--frob')
    b.refused(p.run('--help', 'x'), 64)
    b.refused(p.run('recording'), 64, 'extract')
    b.refused(p.run('recording', 'play'), 64, '"play"')
    for verb, operands in VERBS.items():
        words = verb.split()
        b.refused(p.run(*words, *operands, '--frob'), 64, '--frob', 'evenlode ' + verb)
        b.refused(p.run(*words, *operands, '--frob=1'), 64, '--frob')
        b.refused(p.run(*words, *operands, '-x'), 64, '-x')
        b.refused(p.run(*words, *operands, '-xy'), 64, '-x')
        if verb not in ('bisect', 'compare'):  # these take any number
            b.refused(p.run(*words, *operands, 'more', 'and more'), 64, 'too many')
        for option in REQUIRED.get(verb, []):
            at = operands.index(option)
            b.refused(p.run(*words, *operands[:at], *operands[at + 2:]), 64, option + ' is missing')
            b.refused(p.run(*words, *operands[:at + 1]), 64, option + ' needs a value')
        if operands and not operands[0].startswith('-'):
            b.refused(p.run(*words, *operands[1:]), 64, 'missing')
    b.refused(p.run('plan', '--ratio', '1e-9'), 64, '--rate')
    b.refused(p.run('recording', 'extract', 'f', '--channel', 'c'), 64, '--raw or --wav is missing')
    b.refused(p.run('runs', '--store=s', '--json=1'), 64, '--json takes no value')
    # Two values for one question: the first must not be dropped in silence.
    b.refused(p.run('runs', '--store', 'a', '--store', 'b'), 64, '--store is given twice')
    b.refused(p.run('run', 'c.lua', '--bench', 'b', '--build', 'A', '--store', 's', '--seed=1',
                    '--seed=1'), 64, '--seed is given twice')
    # Beginnings of options would break scripts when an option is added.
    b.refused(p.run('runs', '--sto', 's.db'), 64, '--sto', '--store')
    b.refused(p.run('runs', '--sto=s.db'), 64, '--sto', '--store')


def test_values(p):
    run = ['run', 'c.lua', '--bench', 'b', '--build', 'A', '--store', 's']
    for bad in ('-1', '+1', '1.5', '1e3', '0x10', '', ' 1', '18446744073709551616', 'one'):
        b.refused(p.run(*run, '--seed', bad), 64, '--seed')
    b.refused(p.run(*run, '--progress', 'loud'), 64, '"loud"', 'auto, plain, none')
    b.refused(p.run(*run, '--reference', '0'), 64, '--reference')
    b.refused(p.run('run', 'c.lua', '--bench', 'b', '--store', 's', '--build', ''), 64, '--build')
    for bad in ('0', '-1', 'x', '', '1x', '99999999999999999999', '9223372036854775808'):
        b.refused(p.run('show', '--store', 's', '--', bad), 64, 'no number of a run')
        b.refused(p.run('compare', '--store', 's', '--', '1', bad), 64, 'no number of a run')
        b.refused(p.run('dossier', '--store', 's', '--out', 'o', '--', bad), 64)
    for bad in ('0', '1', '-0.1', '1.5', 'nan', 'inf', '', 'x', '0.05x', '0x.1', ' 0.1'):
        b.refused(p.run('compare', '1', '2', '--store', 's', '--alpha', bad), 64, '--alpha')
    b.refused(p.run('dossier', '1', '--store', 's', '--out', 'o', '--key', 'k'), 64, '--cert')
    b.refused(p.run('dossier', '1', '--store', 's', '--out', 'o', '--cert', 'k'), 64, '--key')
    for bad in ('a', '=', 'a=', '=b'):
        b.refused(p.run('recording', 'diff', 'f', 'g', '--pair', bad), 64, '--pair')
    b.refused(p.run('adapters', '--option', 'a=b'), 64, '--check')
    b.refused(p.run('adapters', '--check', 'simmux', '--option', '=b'), 64, '--option')


def test_options_and_operands_mix(p):
    missing = p.path('none.db')
    for args in (['1', '--store', missing], ['--store', missing, '1'], ['--store=' + missing, '1'],
                 ['--store', missing, '--', '1']):
        b.refused(p.run('show', *args), 3, missing)


def test_full_output(p):
    """Standard output on a full disk is an error, not silence."""
    for args in (['--help'], ['--version'], ['adapters'], ['adapters', '--json']):
        with open('/dev/full', 'wb') as full:
            b.expect(p.run(*args, stdout=full), 3, 'standard output')


def test_adapters(p):
    r = b.expect(p.run('adapters'), 0, 'simmux', 'virtual-time', 'simulated')
    data = b.expect(p.run('adapters', '--json'), 0).json()
    mux = [a for a in data['adapters'] if a['name'] == 'simmux']
    assert len(mux) == 1 and mux[0]['loads'] and mux[0]['abi'] == data['abi'] == '1.0'
    assert mux[0]['path'] in r.out
    p.write('broken.so', 'this is no shared object')
    os.mkdir(p.path('empty'))
    r = b.expect(p.run('adapters', '--json', '--adapter-path', p.dir + ':' + p.path('empty')), 0)
    broken = [a for a in r.json()['adapters'] if a['name'] == 'broken']
    assert len(broken) == 1 and not broken[0]['loads'] and broken[0]['problem']
    by_env = p.run('adapters', '--json', env={'EVENLODE_ADAPTER_PATH': p.dir}).json()
    assert by_env['folders'][0] == p.dir
    b.expect(p.run('adapters', '--check', 'simmux'), 0, '0 broken')
    data = b.expect(p.run('adapters', '--check', 'simmux', '--json', '--option', 'line=open'),
                    0).json()
    assert data['conforms'] and data['failed'] == 0 and len(data['rules']) > 10
    b.expect(p.run('adapters', '--check', 'simmux', '--option', 'line=closed'), 1, "'closed'")
    b.refused(p.run('adapters', '--check', 'absent'), 3, 'absent')
    b.refused(p.run('adapters', '--check', '../simmux'), 3)
    b.refused(p.run('adapters', '--check', 'broken', '--adapter-path', p.dir), 3, 'broken')


b.main()

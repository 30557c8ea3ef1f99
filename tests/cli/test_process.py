# SPDX-License-Identifier: Apache-2.0
"""Adapters in a child process, in whole runs: the same results as in this process, and a child that
breaks costs its case and not the run. The child in tests/adapters/process_child.py is Python's.
"""
import os
import re
import sqlite3

import blackbox as b

SERVE = os.path.join(os.path.dirname(os.path.abspath(b.PROGRAM)), 'evenlode-serve')
CHILD = os.path.join(b.SOURCE_ROOT, 'tests', 'adapters', 'process_child.py')

ECHO_HEAD = '''\
campaign { name = "echo", title = "Echo", version = "1", needs = {
    trib = { rate = "E1", count = 2, play = true, capture = true } } }
'''


def far(bench):
    """The same bench with simmux in a child process."""
    lines = []
    for line in bench.splitlines():
        if line.strip() == 'driver: simmux':
            lines += ['    driver: process', '    options:',
                      '      command: [evenlode-serve, simmux]']
        elif line == '    options:':
            lines.append('      options:')
        elif line.startswith('      '):
            lines.append('  ' + line)
        else:
            lines.append(line)
    return '\n'.join(lines) + '\n'


def echo(options):
    return '''\
bench: echo
adapters:
  far:
    driver: process
    options:
      command: [/usr/bin/python3, %s]
      limits: {exchange_ms: 3000, take_ms: 3000, call_ms: 3000}
      options: {%s}
roles:
  trib: {adapter: far, channels: 'echo-{1..2}', numbers: 1..2}
''' % (CHILD, options)


def arrival(name):
    return b.ARRIVAL.replace('case "arrival"', 'case "%s"' % name)


TABLES = ('case_', 'take', 'stream', 'measurement', 'second_', 'event', 'check_',
          'recording_channel')


def rows(p, run):
    """Everything that was measured, as the store holds it (read by Python's sqlite3)."""
    db = sqlite3.connect(p.store)
    got = {}
    for table in TABLES:
        names = [c[1] for c in db.execute('PRAGMA table_info(%s)' % table) if c[1] != 'run']
        got[table] = db.execute('SELECT %s FROM %s WHERE run = ? ORDER BY %s' % (
            ', '.join(names), table, ', '.join(str(i + 1) for i in range(len(names)))),
            (run,)).fetchall()
    db.close()
    return got


def test_same_results(p):
    cases = b.ARRIVAL + b.RECORD
    for build, status in (('A', 0), ('B', 1)):
        p.bench = p.write('direct.yaml', b.BENCH)
        near = b.expect(p.run_campaign(cases, build=build, more=('--seed', '5')), status)
        p.bench = p.write('far.yaml', far(b.BENCH))
        away = b.expect(p.run_campaign(cases, build=build, more=('--seed', '5')), status)
        assert away.err == '', str(away)
    for first in (1, 3):
        near, away = rows(p, first), rows(p, first + 1)
        for table in TABLES:
            assert near[table] == away[table], (table, near[table], away[table])
        assert len(set(re.findall('[0-9a-f]{64}', str(near['stream'])))) >= 8
        assert len(near['check_']) > 4 and len(near['measurement']) >= 8
        shown, other = (p.run('show', str(n), '--store', p.store, '--json').json()
                        for n in (first, first + 1))
        assert shown['clock'] == other['clock'] == 'virtual' and other['simulated'] is True
        mux = other['adapters'][0]
        assert mux['driver'] == 'process', mux
        with sqlite3.connect(p.store) as db:
            (what,), = db.execute('SELECT description FROM run_adapter WHERE run = ?',
                                  (first + 1,))
        assert re.match(r'simmux \S+ in a child process: software ', what), what
        assert mux['capabilities'] == shown['adapters'][0]['capabilities'], mux


def leftovers():
    """Processes that still run the child."""
    found = []
    for pid in os.listdir('/proc'):
        try:
            with open('/proc/%s/cmdline' % pid, 'rb') as f:
                words = f.read().split(b'\0')
        except OSError:
            continue
        if CHILD.encode() in words:
            found.append(pid)
    return found


def test_a_child_breaks(p):
    """The case ends with error and names the cause; the cases after it run in a new child."""
    cases = ''.join(arrival(n) for n in ('one', 'two', 'three', 'four'))
    before = leftovers()
    for what, call, text in (('crash', 'exchange:40', 'was ended by signal 11'),
                             ('hang', 'exchange:40', 'did not answer within its time limit'),
                             ('flood', 'poll:40', 'sent garbage'),
                             ('close', 'start:2', 'closed its output'),
                             ('twice', 'exchange:41',
                              'without being asked|where reply [0-9]+ is due'),
                             ('exit', 'stop:2', 'the cable  was pulled')):
        once = p.path('once-' + what)
        p.bench = p.write('echo.yaml', echo('channels: 2, fail: "%s:%s", once: "%s"'
                                            % (what, call, once)))
        store = p.path(what + '.db')
        r = b.expect(p.run_campaign(cases, head=ECHO_HEAD, store=store), 3)
        shown = b.expect(p.run('show', '1', '--store', store, '--json'), 0).json()
        verdicts = [c['verdict'] for c in shown['cases']]
        assert verdicts == ['pass', 'error', 'pass', 'pass'], (what, verdicts)
        assert re.search(text, r.out), str(r)
        assert 'adapter process (instance far)' in r.out, str(r)
        assert os.path.exists(once)
    assert leftovers() == before, leftovers()


def test_no_child(p):
    p.bench = p.write('echo.yaml', echo('chanels: 2'))
    c = p.campaign(arrival('one'), head=ECHO_HEAD)
    r = p.run('run', c, '--bench', p.bench, '--build', 'A', '--store', p.store)
    b.refused(r, 3, 'echo.yaml:8: ', 'option options.chanels')
    p.bench = p.write('echo.yaml', echo('').replace('/usr/bin/python3', '/nowhere/python'))
    r = p.run('run', c, '--bench', p.bench, '--build', 'A', '--store', p.store)
    b.refused(r, 3, "'/nowhere/python' cannot be started: No such file")


def test_conform(p):
    """evenlode adapters --check drives a child too."""
    r = p.run('adapters', '--check', 'process', '--option', 'command[0]=' + SERVE, '--option',
              'command[1]=simmux')
    broken = [line for line in r.out.splitlines() if line.startswith('FAIL')]
    # Two processes on a busy machine with sanitizers may miss the 101 ms of a short exchange.
    assert [line for line in broken if not line.startswith('FAIL  time-limits')] == [], str(r)
    assert len(re.findall('^pass ', r.out, re.M)) >= 36, str(r)


b.main()

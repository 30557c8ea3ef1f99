# SPDX-License-Identifier: Apache-2.0
"""An adapter that never comes back: the case gets verdict error, the process ends, and what follows
goes on. The mock adapter of tests/mocks hangs as told; statuses as in docs/commands.md.
"""
import os
import time

import blackbox as b
import night_place as n

BENCH = '''\
bench: hanging
adapters:
  loop:
    driver: loopback
    options: {e1_channels: 4, delay_frames: 8%s}
roles:
  trib: {adapter: loop, channels: "e1-{1..4}", numbers: 1..4}
'''
HEAD = '''\
campaign { name = "%s", title = "Hang", version = "1", needs = {
    trib = { rate = "E1", count = 4, play = true, capture = true } } }
'''
HANGS = ', hang_exchange: 5, fail_take: 2'


def campaign(p, name):
    cases = [b.ARRIVAL.replace('"arrival"', '"case-%d"' % k) for k in (1, 2, 3)]
    return p.write(name + '.lua', HEAD % name + ''.join(cases))


def test_run(p):
    p.write('bench.yaml', BENCH % HANGS)
    args = ['run', campaign(p, 'one'), '--bench', p.bench, '--build', 'A', '--store', p.store,
            '--adapter-path', b.MOCKS, '--progress', 'none', '--hang-limit', '1']
    began = time.monotonic()
    r = b.refused(p.run(*args), 3, 'instance loop hangs', 'exchange', '--continue')
    assert time.monotonic() - began < 30
    shown = b.expect(p.run('show', '1', '--store', p.store, '--json'), 0).json()
    assert [(c['name'], c['verdict'], c['state']) for c in shown['cases']] == \
        [('case-1', 'pass', 'finished'), ('case-2', 'error', 'finished')], shown['cases']
    assert 'hangs' in shown['cases'][1]['message'] and shown['state'] == 'interrupted'
    assert shown['verdict'] == 'error' and shown['chain']['fault'] is None
    # Going on: both are taken over, the third is run; it is the second take no more.
    r = b.expect(p.run(*args, '--continue', '1'), 3, '2 cases were taken over, 1 were run')
    assert 'case-3' in r.out
    n.check_links(p.store)
    b.refused(p.run(*args[:-1], 'soon'), 64, '--hang-limit')


def test_night_goes_on(p):
    """The program starts itself again: both campaigns come to their end in one command."""
    p.write('bench.yaml', BENCH % HANGS)
    campaign(p, 'first')
    campaign(p, 'second')
    night = p.write('night.yaml', n.NIGHT.replace('[A, B]', '[A]').replace('repeat: 2, ', ''))
    r = p.run('night', night, '--adapter-path', b.MOCKS, '--progress', 'none', '--hang-limit', '1')
    b.expect(r, 3, 'all runs are done')
    assert r.err.count('hangs') == 2 and r.out.count('2 cases were taken over, 1 were run') == 2, \
        str(r)
    runs = n.runs(p, p.path('night.db'))
    assert [x['state'] for x in runs] == ['interrupted', 'finished'] * 2, runs
    n.measured_once(p.path('night.db'))
    n.check_links(p.path('night.db'))


def test_night_after_a_hang_in_the_first_take(p):
    """A hang before anything is in the store but the run, with a retry that hangs as well."""
    p.write('bench.yaml', BENCH % ', hang_exchange: 1, fail_take: 1')
    p.write('first.lua', HEAD % 'first' + b.ARRIVAL)
    campaign(p, 'second')
    night = p.write('night.yaml', n.NIGHT.replace('[A, B]', '[A]').replace(
        'repeat: 2, ', '').replace('seed: 3', 'seed: 3\nretry: {error: 1}'))
    r = p.run('night', night, '--adapter-path', b.MOCKS, '--progress', 'none', '--hang-limit', '1')
    b.expect(r, 3, 'all runs are done')
    # Each of the two campaigns hangs in each of its attempts that plays anything.
    assert r.err.count('hangs') >= 3, str(r)
    n.check_links(p.path('night.db'))


def test_opening_for_the_timetable(p):
    """Nothing is begun yet: one message names file, run and bench, and the program ends."""
    p.write('bench.yaml', BENCH % ', hang_open: 1')
    campaign(p, 'first')
    campaign(p, 'second')
    night = p.write('night.yaml', n.NIGHT)
    for more in ((), ('--timetable',)):
        began = time.monotonic()
        b.refused(p.run('night', night, '--adapter-path', b.MOCKS, '--hang-limit', '1', *more), 3,
                  'night.yaml: opening ', 'bench.yaml for first/one/A: ',
                  'instance loop hangs', 'mend the bench')
        assert time.monotonic() - began < 30
    assert not os.path.exists(p.path('night.db')) and not os.path.exists(p.path('night.db.night'))


b.main()

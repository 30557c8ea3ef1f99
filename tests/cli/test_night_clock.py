# SPDX-License-Identifier: Apache-2.0
"""A night while the clock on the wall is set: forwards and backwards, before and within the window.
What is wanted: docs/night.md (our own). The clock is tests/mocks/jumping_clock.c, preloaded.
"""
import calendar
import os
import subprocess
import time

import blackbox as b
import night_place as n

WINDOW = n.NIGHT.replace('[A, B]', '[A]').replace('repeat: 2, ', '').replace(
    'seed: 3', 'seed: 3\nzone: Etc/UTC\nwindow: "22:00 to 06:00"')
CLOCK = os.path.join(b.MOCKS, 'jumping_clock.so')
SLOW = b.LONG.replace('20 h', '10 min').replace('10 h', '5 s')


class Night:
    """A night whose clock shows `shown` of a winter day (UTC) as it begins."""

    def __init__(self, p, shown, first=b.ARRIVAL):
        self.p, self.store = p, p.path('night.db')
        p.write('first.lua', b.HEAD.replace('"small"', '"first"') + first)
        p.write('second.lua', b.HEAD.replace('"small"', '"second"') + b.ARRIVAL)
        self.set(shown)
        asan = os.environ.get('ASAN_OPTIONS', '')
        self.child = p.start(
            'night', p.write('night.yaml', WINDOW), '--progress', 'plain',
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            env={'LD_PRELOAD': CLOCK, 'EVL_TEST_CLOCK': p.path('clock'),
                 'ASAN_OPTIONS': asan + (':' if asan else '') + 'verify_asan_link_order=0'})

    def set(self, shown):
        wanted = calendar.timegm(time.strptime('2026-12-' + shown, '%Y-%m-%d %H:%M:%S'))
        self.p.write('new-clock', '%d\n' % (wanted - int(time.time())))
        os.replace(self.p.path('new-clock'), self.p.path('clock'))  # seen whole or not at all

    def wait_for_line(self, word):
        while True:
            line = self.child.stderr.readline().decode()
            assert line != '', 'the night ended before "%s"' % word
            if word in line:
                return

    def end(self):
        return b.finish(self.child)


def test_forwards_while_waiting(p):
    night = Night(p, '01 19:00:00')
    night.wait_for_line('waits for the window, which opens')
    night.set('01 22:30:00')
    began = time.monotonic()
    b.expect(night.end(), 0, 'all runs are done')
    assert time.monotonic() - began < 60


def test_backwards_while_waiting(p):
    """It waits on, and the window is the one that was planned."""
    night = Night(p, '01 21:59:30')
    night.wait_for_line('waits for the window')
    night.set('01 20:00:00')
    time.sleep(2.5)  # longer than the second between two looks at the clock
    assert night.child.poll() is None and not os.path.exists(night.store)
    night.set('01 22:00:00')
    b.expect(night.end(), 0, 'all runs are done')


def test_backwards_in_the_window(p):
    """To before its beginning: what has begun goes on to its end."""
    night = Night(p, '01 23:00:00', SLOW)
    night.wait_for_line('case 1 of 1')
    night.set('01 20:00:00')
    b.expect(night.end(), 0, 'all runs are done')
    assert [r['state'] for r in n.runs(p, night.store)] == ['finished'] * 2


def test_forwards_over_the_end(p):
    """The running case is brought to its end; what follows is not begun, and says why."""
    night = Night(p, '01 23:00:00', SLOW + b.ARRIVAL)
    night.wait_for_line('case 1 of 2')
    night.set('02 06:00:01')
    b.expect(night.end(), 2, 'the window of the night was over',
             'second/one/A; the window of the night is too short for it now')
    run, = n.runs(p, night.store)
    assert run['state'] == 'interrupted', run
    shown = b.expect(p.run('show', '1', '--store', night.store, '--json'), 0).json()
    assert shown['cases'][0]['verdict'] == 'pass' and shown['cases'][0]['state'] == 'finished'


b.main()

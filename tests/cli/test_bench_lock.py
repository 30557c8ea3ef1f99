# SPDX-License-Identifier: Apache-2.0
"""Two runs on one bench: refused on the real clock whatever the store, also after a kill -9 free
again at once; harmless on the virtual clock. The lock is seen from outside in /proc/locks.
"""
import os
import signal
import time

import blackbox as b

BENCH = '''\
bench: rig
title: A rig of an invented scenario
adapters:
  loop:
    driver: realtime
roles:
  trib:
    adapter: loop
    channels: e1-{1..4}
'''
HEAD = '''\
campaign { name = "small", title = "Small", version = "1", needs = {
    trib = { rate = "E1", count = 4, play = true, capture = true } } }
'''


def args(p, campaign, bench, store):
    return ('run', campaign, '--bench', bench, '--build', 'A', '--store', p.path(store),
            '--progress', 'none', '--adapter-path', b.MOCKS)


def is_locked(path):
    inode = ':%d ' % os.stat(path).st_ino
    with open('/proc/locks', encoding='ascii') as f:
        return any('FLOCK' in line and inode in line for line in f)


def held(p, child, path):
    end = time.monotonic() + 60
    while not is_locked(path):
        assert child.poll() is None and time.monotonic() < end
        time.sleep(0.02)


def test_one_run_on_a_real_bench(p):
    bench = p.write('real.yaml', BENCH)
    long = p.campaign(b.LONG, head=HEAD, name='long.lua')
    short = p.campaign(b.ARRIVAL, head=HEAD, name='short.lua')
    with open(os.devnull, 'w') as nowhere:
        child = p.start(*args(p, long, bench, 'one.db'), stdout=nowhere, stderr=nowhere)
    try:
        held(p, child, bench)
        b.refused(p.run(*args(p, short, bench, 'two.db')), 3, 'real.yaml',
                  'another process is using this bench')
        assert not os.path.exists(p.path('two.db'))
        os.symlink('real.yaml', p.path('other-name.yaml'))
        b.refused(p.run(*args(p, short, p.path('other-name.yaml'), 'two.db')), 3, 'using this')
        same = p.write('second.yaml', BENCH)  # another bench
        b.expect(p.run(*args(p, short, same, 'three.db')), 0)
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait()
    b.expect(p.run(*args(p, short, bench, 'two.db')), 0)
    os.chmod(bench, 0o444)
    b.expect(p.run(*args(p, short, bench, 'two.db')), 0)
    assert not is_locked(bench)


def test_virtual_benches_are_shared(p):
    long = p.campaign(b.LONG, name='long.lua')
    with open(os.devnull, 'w') as nowhere:
        child = p.start(*args(p, long, p.bench, 'one.db'), stdout=nowhere, stderr=nowhere)
    try:
        end = time.monotonic() + 60
        while not os.path.exists(p.path('one.db')) and time.monotonic() < end:
            time.sleep(0.02)
        b.expect(p.run(*args(p, p.campaign(b.ARRIVAL), p.bench, 'two.db')), 0)
        assert child.poll() is None, 'the first run ended before the second'
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait()


b.main()

# SPDX-License-Identifier: Apache-2.0
"""A night that is killed with SIGKILL at random instants and gone on with by the same command: the
results are those of an undisturbed night, nothing that finished is measured twice, all chains hold.

Kills: 200, or EVL_KILLS (scripts/kill-nights asks for 1000). Python's sqlite3 and hashlib read the
store apart from evenlode.
"""
import os
import random
import shutil
import signal
import subprocess
import time

import blackbox as b
import night_place as n

KILLS = int(os.environ.get('EVL_KILLS', '200'))
PER_NIGHT = 25


def start(p, night):
    return p.start('night', night, '--progress', 'none', stdout=subprocess.PIPE,
                   stderr=subprocess.PIPE)


def closed(store):
    """All is done and only the exit was cut off: the same command would begin the next night."""
    try:
        with open(store + '.night', encoding='utf-8') as f:
            lines = f.read().splitlines()
    except FileNotFoundError:
        return False
    return bool(lines) and lines[-1].startswith('{"close"') and lines[-1].endswith('}')


def test_kill_at_random_instants(p):
    store = p.path('night.db')
    night = n.write_night(p)
    began = time.monotonic()
    b.expect(p.run('night', night, '--progress', 'none'), 1)
    lasts = time.monotonic() - began
    wanted = n.results(p, store)
    assert len(wanted) == 6, wanted
    rng = random.Random(int(os.environ.get('EVL_KILL_SEED', '11')))
    kills = nights = interrupted = taken = 0
    while kills < KILLS:
        for name in os.listdir(p.dir):
            if name == 'night.db.recordings':
                shutil.rmtree(p.path(name))
            elif name.startswith('night.db'):
                os.unlink(p.path(name))
        nights += 1
        mine = 0
        while True:
            child = start(p, night)
            limit = rng.uniform(0.02, lasts * 0.3) if mine < PER_NIGHT and kills < KILLS \
                else b.TIME_LIMIT_S
            try:
                out, err = child.communicate(timeout=limit)
                break
            except subprocess.TimeoutExpired:
                assert limit < b.TIME_LIMIT_S, 'the night does not end'
                child.send_signal(signal.SIGKILL)
                child.communicate()
                kills += 1
                mine += 1
                if closed(store):
                    break
        if child.returncode >= 0:
            r = b.Result(child.returncode, out.decode(), err.decode(), 0)
            b.check_clean(r)
            b.expect(r, 1, 'all runs are done')
        assert n.results(p, store) == wanted, 'after %d kills' % kills
        n.measured_once(store)
        n.check_links(store)
        for run in n.runs(p, store):
            interrupted += run['state'] == 'interrupted'
        taken += n.rows(store, "SELECT count(*) FROM case_ WHERE message LIKE 'taken over%'")[0][0]
    assert interrupted > KILLS / 20 and taken > 0, (interrupted, taken)
    print('# %d kills in %d nights, %d runs broken off, %d cases taken over' % (
        kills, nights, interrupted, taken), flush=True)


b.main()

# SPDX-License-Identifier: Apache-2.0
"""A small night of an invented scenario, and what the tests of the night share."""
import hashlib
import sqlite3

import blackbox as b

NIGHT = '''\
night: small-night
title: Two campaigns of an invented scenario
store: night.db
seed: 3
benches: {one: bench.yaml}
builds: [A, B]
campaigns:
  - {campaign: first.lua, priority: 9}
  - {campaign: second.lua, repeat: 2, after: [first]}
'''

REFERENCE = '''\
case "reference" { title = "Reference", time_limit = "2 min", run = function(test)
    local kept = test:reference "kept"
    local seen = test:take { play = { trib = replay(kept) }, expect = { trib = replay(kept) } }
    test:check_played_as_recorded(seen, "trib")
end }
'''


def write_night(p, text=NIGHT):
    p.write('first.lua', b.HEAD.replace('"small"', '"first"') + b.ARRIVAL + b.RECORD + REFERENCE)
    p.write('second.lua', b.HEAD.replace('"small"', '"second"') + b.TOO_SHORT +
            b.ARRIVAL.replace('200 ms', '400 ms'))
    return p.write('night.yaml', text)


def rows(store, sql):
    with sqlite3.connect('file:%s?mode=ro' % store, uri=True) as db:
        return db.execute(sql).fetchall()


def runs(p, store):
    r = p.run('runs', '--store', store, '--json')
    return r.json()['runs'] if r.status == 0 else []


def results(p, store):
    """(campaign, build, seed) -> results digest of the finished run; one of each."""
    found = {}
    for r in runs(p, store):
        if r['state'] != 'finished':
            continue
        key = (r['campaign'], r['build'], r['seed'])
        shown = b.expect(p.run('show', str(r['run']), '--store', store, '--json'), 0).json()
        assert shown['chain']['fault'] is None
        assert key not in found, 'two finished runs of %s' % (key,)
        found[key] = shown['results_digest']
    return found


def measured_once(store):
    """No case that finished was measured again: all others of its name are copies of it."""
    for row in rows(store, "SELECT r.campaign_name, r.build, r.seed, c.name, count(*) FROM case_ c "
                           "JOIN run r ON r.run=c.run WHERE c.state='finished' AND "
                           "coalesce(c.message, '') NOT LIKE 'taken over%' GROUP BY 1,2,3,4"):
        assert row[4] == 1, 'measured %d times: %s' % (row[4], row[:4])


def check_links(store):
    """Chains recomputed with Python's hashlib, as docs/store.md says."""
    previous = {}
    for run, row, link in rows(store, 'SELECT run, row_sha256, link_sha256 FROM chain '
                                      'ORDER BY run, seq'):
        wanted = hashlib.sha256((previous.get(run, '0' * 64) + row).encode()).hexdigest()
        assert wanted == link
        previous[run] = link

# SPDX-License-Identifier: Apache-2.0
"""Cases that use different roles run at once: what each measures is what it measures alone, what
goes wrong in one stays there, and a run that was killed with several open goes on to the results of
an undisturbed one. Python's sqlite3 and hashlib read the store apart from evenlode.
"""
import os
import random
import signal
import sqlite3
import subprocess
import time

import blackbox as b
import night_place as n

KILLS = int(os.environ.get('EVL_KILLS_AT_ONCE', '3'))  # scripts/kill-nights asks for more

BENCH = '''\
bench: groups
numbering: column-order
adapters:
  mux:
    driver: simmux
    options:
      line: looped
      builds:
        A: {faults: none}
        B:
          faults:
            - {kind: swap, first: 1, second: 5}
            - {kind: errors, tributary: 6, ratio: 1e-3}
roles:
  first: {adapter: mux, channels: "trib-{1..4}", numbers: 1..4}
  second: {adapter: mux, channels: "trib-{5..8}", numbers: 5..8}
  line: {adapter: mux, channels: [line]}
'''
HEAD = '''\
campaign { name = "groups", title = "Groups", version = "1", needs = {
    first = { rate = "E1", count = 4, play = true, capture = true, alarms = true, setup = true,
        inject = true },
    second = { rate = "E1", count = 4, play = true, capture = true, alarms = true, setup = true },
    line = { rate = "STM-1", capture = true, alarms = true },
} }
local p = prbs "2^15-1"
'''


def case(name, body, uses=None, more=''):
    more = ('uses = { "%s" }, ' % uses if uses else '') + more
    return 'case "%s" { title = "T", time_limit = "1 min", %s run = function(test)\n%s\nend }\n' % (
        name, more, body)


def take(role, last, more=''):
    return 'test:take { last = "%s", play = { %s = p }, expect = { %s = p }%s }' % (
        last, role, role, more)


def arrives(role, last, more=''):
    return 'local seen = %s\ntest:check_arrival(seen, "%s")' % (take(role, last, more), role)


def place(p, *cases, bench=BENCH, head=HEAD):
    p.write('bench.yaml', bench)
    p.campaign(*cases, head=head)


def args(p, store, *more, build='A'):
    return ['run', p.path('c.lua'), '--bench', p.bench, '--build', build, '--store', store,
            '--progress', 'none', *more]


def cases_of(store, run=1):
    return {r[0]: r[1:] for r in n.rows(store, 'SELECT name, verdict, state, started_ns, ended_ns, '
                                               'message FROM case_ WHERE run=%d' % run)}


def wait_for(child, store, count, sql):
    """Until the rows are there, or the run has ended."""
    end = time.monotonic() + b.TIME_LIMIT_S
    while time.monotonic() < end and child.poll() is None:
        try:
            if n.rows(store, sql)[0][0] >= count:
                return
        except sqlite3.Error:
            pass
        time.sleep(0.01)


def digest(r):
    return [line for line in r.out.splitlines() if line.startswith('results')][0]


# Two groups with takes of other lengths, settings of their own, injection, recordings, and a
# case over all at the end.
SETTINGS = '''\
local framed = framed { pattern = p }
test:setup { first = { framing = "CRC-4" } }
local seen = test:take { last = "200 ms", play = { first = framed }, expect = { first = framed } }
test:check_no_alarms(seen, "first")
test:check_arrival(seen, "first")
for turn = 1, 2 do
    local unframed = test:take { last = "104 ms", play = { first = p }, expect = { first = p } }
    local lof, others = 0, 0
    for _, e in ipairs(unframed.events) do
        lof = lof + ((e.by == "unit" and e.alarm == "LOF" and e.role == "first") and 1 or 0)
        others = others + (e.role == "second" and 1 or 0)
    end
    test:check { title = "the unit still watches its framing", verdict = lof >= 4 and others == 0
        and "pass" or "fail" }
end
'''
INJECTED = arrives('first', '304 ms', ', inject = { { errors = 1e-4, on = "first", number = 2, '
                   'at = "100 ms", lasting = "100 ms" } }') + '\n' + arrives('first', '40 ms')
OTHER = '''\
test:setup { second = { framing = "FAS" } }
''' + arrives('second', '96 ms') + '''
test:setup { second = { framing = "unframed" } }
''' + arrives('second', '320 ms') + '\n' + arrives('second', '48 ms')
RECORDED = '''\
local kept = test:take { last = "400 ms", play = { %(r)s = p },
    record = { as = "%(r)s", "%(r)s" } }
local again = test:take { play = { %(r)s = replay(kept.recording) },
    expect = { %(r)s = replay(kept.recording) } }
test:check_played_as_recorded(again, "%(r)s")
test:check_returned_as_recorded(again, "%(r)s")
'''
ALL = [case('settings', SETTINGS, 'first'), case('injected', INJECTED, 'first'),
       case('first-record', RECORDED % {'r': 'first'}, 'first'), case('other', OTHER, 'second'),
       case('second-record', RECORDED % {'r': 'second'}, 'second', 'after = { "settings" },'),
       case('both', arrives('first', '96 ms') + '\n' + arrives('second', '96 ms').replace(
           'local ', ''))]


def results(store, run=1):
    """Everything measured, by names; without instants of the bench clock."""
    found = []
    for sql in (
            "SELECT k.title, k.channel_no, k.value, k.verdict, k.errors, k.bits FROM check_ k",
            "SELECT k.take_no, k.channel_no, k.bits, k.errors, k.sync_losses, k.first_error_bit, "
            "k.delay_bits, k.sync_bit FROM measurement k",
            "SELECT k.take_no, k.channel_no, k.direction, k.bits, k.digest FROM stream k",
            "SELECT k.take_no, k.channel_no, k.second, k.bits, k.errors FROM second_ k",
            # How often a receiver in a foreign signal believes to be in frame hangs on where it
            # began to search.
            "SELECT k.take_no, k.channel_no, k.alarm, k.source FROM event k",
            "SELECT k.ordinal, k.name, k.frames, k.planned_frames, k.state FROM take k"):
        sql = sql.replace('SELECT ', 'SELECT DISTINCT c.name, ') + \
            ' JOIN case_ c ON c.run=k.run AND c.ordinal=k.case_no WHERE k.run=%d' % run
        found.append(sorted(n.rows(store, sql), key=repr))
    return found


def test_the_same_as_one_at_a_time(p):
    place(p, *ALL)
    at_once = b.expect(p.run(*args(p, p.store)), 0)
    again = b.expect(p.run(*args(p, p.path('again.db'))), 0)
    one = b.expect(p.run(*args(p, p.path('one.db'), '--one-at-a-time')), 0)
    assert digest(at_once) == digest(again)
    n.check_links(p.store)
    # The chain is the same each time, but for the rows with wall-clock times and paths.
    chain = "SELECT table_name, row_key, row_sha256 FROM chain WHERE table_name NOT IN ('run', " \
        "'recording') ORDER BY seq"
    assert n.rows(p.store, chain) == n.rows(p.path('again.db'), chain)
    a, o = results(p.store), results(p.path('one.db'))
    for x, y in zip(a, o):
        assert x and x == y, [(i, k) for i, k in zip(x, y) if i != k][:3]
    hit = [row for row in a[1] if row[0] == 'injected' and row[4] > 0]
    assert [row[1:3] for row in hit] == [(0, 1)], hit  # first take, number 2
    # In time: those of one role one after the other, the groups beside each other, one over all
    # alone at the end.
    c = cases_of(p.store)
    assert c['settings'][2] == c['other'][2] == 0
    assert c['injected'][2] >= c['settings'][3] and c['first-record'][2] >= c['injected'][3]
    assert c['second-record'][2] >= max(c['settings'][3], c['other'][3])
    assert c['both'][2] >= max(c['first-record'][3], c['second-record'][3])
    end, whole = c['both'][3], cases_of(p.path('one.db'))['both'][3]
    first = sum(r[0] for r in n.rows(p.path('one.db'), "SELECT ended_ns - started_ns FROM case_ "
                "WHERE name IN ('settings', 'injected', 'first-record', 'both')"))
    # Below what both groups take one after the other; nothing can be below the longer one.
    assert first < end < 0.75 * whole, (first, end, whole)


def test_takes_do_not_wait_for_long_ones(p):
    """Six of 400 ms beside one of 2.4 s, one of which goes with it: 4.4 s, which is the least
    (tests/script/test_at_once.c)."""
    shorts = '\n'.join('do %s end' % arrives('first', '400 ms') for _ in range(6))
    place(p, case('short', shorts, 'first', 'estimate = "2500 ms",'),
          case('long', arrives('second', '2400 ms'), 'second', 'estimate = "2500 ms",'))
    b.expect(p.run(*args(p, p.store)), 0)
    end = max(c[3] for c in cases_of(p.store).values())
    assert 4.4e9 <= end <= 4.6e9, end
    # Waiting is not counted: a limit that its own takes just keep.
    place(p, case('short', shorts, 'first').replace('"1 min"', '"2600 ms"'),
          case('long', arrives('second', '2400 ms'), 'second').replace('"1 min"', '"2600 ms"'))
    b.expect(p.run(*args(p, p.path('l.db'))), 0)
    assert max(c[3] for c in cases_of(p.path('l.db')).values()) > 4e9


def test_one_that_goes_wrong(p):
    good = case('good', arrives('second', '200 ms') + '\n' + arrives('second', '200 ms'), 'second')
    for body, words in (
            ('error("by itself")', 'by itself'),
            (take('first', '40 ms') + '\nerror("between")', 'between'),
            (take('first', '2 min'), 'after the time limit'),
            (take('second', '40 ms'), 'role "second" is not in the uses of this case'),
            ('test:take { last = "40 ms", watch = { "line" } }',
             'role "line" is not in the uses of this case'),
            ('test:setup { second = { framing = "FAS" } }', 'not in the uses of this case'),
            ('test:channels("line")', 'not in the uses of this case'),
            (take('first', '40 ms', ', inject = { { errors = 1e-3, on = "second", at = "0 s", '
                                    'lasting = "8 ms" } }'), 'not in the uses of this case')):
        place(p, case('bad', body, 'first'), good)
        store = p.path('s%d.db' % len(os.listdir(p.dir)))
        b.expect(p.run(*args(p, store)), 3, words)
        c = cases_of(store)
        assert c['bad'][0] == 'error' and words in c['bad'][4] and 'c.lua:' in c['bad'][4], c
        assert c['good'][:2] == ('pass', 'finished'), c
        n.check_links(store)


def test_bad_words(p):
    for more, words in (
            ('uses = "first",', 'uses must be a table'),
            ('uses = {},', 'the list is empty'),
            ('uses = { first = true },', 'a list of names is expected'),
            ('uses = { "third" },', 'role "third" is not in the campaign\'s needs'),
            ('uses = { "first", "first" },', 'named twice'),
            ('after = { "later" },', 'no case "later" comes before it'),
            ('after = { "x" },', 'no case "x" comes before it'),
            ('after = {},', 'the list is empty')):
        place(p, case('x', 'return', None, more), case('later', 'return'))
        r = b.refused(p.run(*args(p, p.store)), 3, words)
        assert 'c.lua:' in r.err, r


TWO = '''\
bench: two
adapters:
  one: {driver: loopback, options: {e1_channels: 4%s}}
  two: {driver: loopback, options: {e1_channels: 4}}
roles:
  first: {adapter: one, channels: "e1-{1..2}", numbers: 1..2}
  second: {adapter: one, channels: "e1-{3..4}", numbers: 3..4}
  third: {adapter: two, channels: "e1-{1..4}"}
'''
TWO_HEAD = '''\
campaign { name = "two", title = "Two", version = "1", needs = {
    first = { rate = "E1", count = 2, play = true, capture = true },
    second = { rate = "E1", count = 2, play = true, capture = true },
    third = { rate = "E1", count = 4, play = true, capture = true } } }
local p = prbs "2^15-1"
'''


def three(last='200 ms'):
    return [case(role, arrives(role, last) + '\n' + arrives(role, last), role)
            for role in ('first', 'second', 'third')]


def test_an_adapter_that_fails(p):
    place(p, *three(), bench=TWO % ', fail_exchange: 9, fail_take: 2', head=TWO_HEAD)
    b.expect(p.run(*args(p, p.store, '--adapter-path', b.MOCKS)), 3, 'exchange')
    c = cases_of(p.store)
    for name in ('first', 'second'):
        assert c[name][0] == 'error', c
        assert 'it ends all that ran on it at once: case first, case second' in c[name][4], c
    assert c['third'][:2] == ('pass', 'finished'), c
    n.check_links(p.store)


def test_an_adapter_that_hangs(p):
    place(p, *three(), bench=TWO % ', hang_exchange: 9, fail_take: 2', head=TWO_HEAD)
    more = ('--adapter-path', b.MOCKS, '--hang-limit', '1')
    b.refused(p.run(*args(p, p.store, *more)), 3, 'instance one hangs')
    c = cases_of(p.store)
    assert [c[x][:2] for x in ('first', 'second')] == [('error', 'finished')] * 2, c
    assert c['third'][1] == 'interrupted', c
    b.expect(p.run(*args(p, p.store, *more, '--continue', '1')), 3,
             '2 cases were taken over, 1 were run')
    assert cases_of(p.store, 2)['third'][:2] == ('pass', 'finished')
    n.check_links(p.store)


def test_stopped_by_the_user(p):
    place(p, case('a', arrives('first', '1 h').replace('1 min', '2 h'), 'first').replace(
        '"1 min"', '"2 h"'), case('b', arrives('second', '1 h'), 'second').replace(
            '"1 min"', '"2 h"'), case('c', arrives('first', '40 ms'), 'first'))
    child = p.start(*args(p, p.store), stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    wait_for(child, p.store, 2, 'SELECT count(*) FROM take WHERE frames > 0')
    child.send_signal(signal.SIGINT)
    b.expect(b.finish(child), 2)
    c = cases_of(p.store)
    assert sorted(c) == ['a', 'b']
    assert all(x[:2] == ('inconclusive', 'interrupted') for x in c.values()), c
    n.check_links(p.store)


def test_idle_after_the_end(p):
    """The unit of build B sends the first channel of the one group out on the first of the other:
    there the longer take sees the pattern of the shorter end, and idle bits (docs/campaigns.md:
    alternating) come for the rest."""
    place(p, case('short', take('first', '200 ms'), 'first'),
          case('long', 'test:take { last = "400 ms", play = { second = p }, '
               'record = { as = "kept", "second" } }', 'second'))
    p.run(*args(p, p.store, build='B'))
    names = [x for x in os.listdir(p.store + '.recordings') if x.endswith('.pcapng')]
    b.expect(p.run('recording', 'extract', p.store + '.recordings/' + names[0], '--channel',
                   'second-5.received', '--raw', p.path('raw')), 0)
    data = open(p.path('raw'), 'rb').read()
    # 256 kbyte a second; the unit's delay is below 8 ms.
    tail, head = data[256 * 216:], data[256 * 50:256 * 150]
    assert len(data) == 256 * 400 and len(set(tail)) == 1 and tail[0] in (0xAA, 0x55), set(tail)
    assert len(set(head)) > 100


def test_kill_with_several_open(p):
    place(p, *ALL)
    began = time.monotonic()
    whole = b.expect(p.run(*args(p, p.store)), 0)
    lasts = time.monotonic() - began
    rng = random.Random(7)
    open_at_once = kills = 0
    while kills < KILLS:
        store = p.path('k%d.db' % kills)
        child = p.start(*args(p, store), stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        try:
            child.communicate(timeout=lasts * rng.uniform(0.35, 0.95))
            continue
        except subprocess.TimeoutExpired:
            child.send_signal(signal.SIGKILL)
            child.communicate()
        kills += 1
        found = p.run('runs', '--store', store, '--json')
        runs = found.json()['runs'] if found.status == 0 else []
        more = ('--continue', '1') if runs and runs[0]['state'] == 'interrupted' else ()
        if runs and not more:
            continue  # it had come to its end
        r = b.expect(p.run(*args(p, store, *more)), 0)
        assert digest(r) == digest(whole), (kills, cases_of(store), cases_of(store, 2))
        n.check_links(store)
        n.measured_once(store)
        if more:
            open_at_once += [x[1] for x in cases_of(store).values()].count('interrupted') > 1
    assert open_at_once > 0, 'no kill met two open cases'
    print('# %d kills, %d with several cases open' % (kills, open_at_once), flush=True)


def test_killed_beside_one_that_finished(p):
    """What finished keeps its place in time, so what is run again begins each take when it did."""
    place(p, case('done', arrives('first', '200 ms') + '\n' + arrives('first', '96 ms'), 'first'),
          case('more', arrives('first', '2 s'), 'first'),
          case('broken', arrives('second', '40 ms') + '\n' + arrives('second', '304 ms') + '\n' +
               arrives('second', '6 s'), 'second'))
    whole = b.expect(p.run(*args(p, p.store)), 0)
    child = p.start(*args(p, p.path('k.db')), stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    wait_for(child, p.path('k.db'), 1, "SELECT count(*) FROM take t JOIN case_ c ON c.run=t.run "
             "AND c.ordinal=t.case_no WHERE c.name='more' AND t.frames > 0")
    child.send_signal(signal.SIGKILL)
    child.communicate()
    r = b.expect(p.run(*args(p, p.path('k.db'), '--continue', '1')), 0,
                 '1 cases were taken over, 2 were run')
    was = cases_of(p.path('k.db'))
    assert {k: v[1] for k, v in was.items()} == \
        {'done': 'finished', 'more': 'interrupted', 'broken': 'interrupted'}, was
    assert digest(r) == digest(whole), (cases_of(p.store), cases_of(p.path('k.db'), 2))
    n.check_links(p.path('k.db'))


def test_fit_and_example(p):
    at = os.path.join(b.SOURCE_ROOT, 'campaigns')
    where = (os.path.join(at, 'two-groups.lua'), '--bench',
             os.path.join(at, 'bench-two-groups.yaml'), '--build', 'A')
    r = b.expect(p.run('fit', *where), 0, 'uses first',
                 'bench time at once 5 s, one case at a time 9 s, at least 5 s in any order')
    f = b.expect(p.run('fit', *where, '--json'), 0).json()
    assert (f['at_once_ns'], f['one_at_a_time_ns'], f['bound_ns']) == (5e9, 9e9, 5e9), f
    assert [c['start_ns'] for c in f['cases']] == [0, 2e9, 0, 2e9, 4e9]
    r = b.expect(p.run('run', *where, '--store', p.store, '--progress', 'plain'), 0)
    told = [line for line in r.err.splitlines() if line.startswith(('case', '    first', '    se'))]
    assert [t.split(':')[0] for t in told] == [
        'case 1 of 5, first-errors', 'case 3 of 5, second-errors', '    first-errors',
        '    second-errors', 'case 2 of 5, first-replay', 'case 4 of 5, second-replay',
        '    first-replay', '    second-replay', 'case 5 of 5, line-loss'], told
    end = max(c[3] for c in cases_of(p.store).values())
    total = sum(c[3] - c[2] for c in cases_of(p.store).values())
    # What the longest chain takes (the bound of any order), and 1 % for what rounds cost.
    chain = sum(cases_of(p.store)[x][3] - cases_of(p.store)[x][2]
                for x in ('second-errors', 'second-replay', 'line-loss'))
    assert chain <= end <= 1.01 * chain and end < 0.6 * total, (chain, end, total)
    # A file in which the order costs time says so.
    place(p, case('x', arrives('first', '8 ms'), 'first', 'estimate = "5 s",'),
          case('both', arrives('first', '8 ms'), None, 'estimate = "1 s",'),
          case('y', arrives('second', '8 ms'), 'second', 'estimate = "5 s",'))
    r = b.expect(p.run('fit', p.path('c.lua'), '--bench', p.bench), 0)
    assert 'timetable' not in r.out, r.out
    place(p, case('x', arrives('first', '8 ms'), 'first', 'estimate = "5 s",'),
          case('z', arrives('second', '8 ms'), 'second', 'estimate = "2 s",'),
          case('both', arrives('first', '8 ms'), None, 'estimate = "1 s",'),
          case('y', arrives('second', '8 ms'), 'second', 'estimate = "3 s",'))
    b.expect(p.run('fit', p.path('c.lua'), '--bench', p.bench), 0,
             'bench time at once 9 s, one case at a time 11 s, at least 6 s in any order; another '
             'order of the file needs 6 s')


LINES = '''\
bench: lines
adapters:
  mux:
    driver: simmux
    options:
      lines: 2
numbering: column-order
roles:
  first: {adapter: mux, channels: "trib-{1..63}", line: line-1}
  second: {adapter: mux, channels: "trib-{64..126}", line: line-2}
  one: {adapter: mux, channels: [line-1]}
  two: {adapter: mux, channels: [line-2]}
'''


def test_a_line_brings_what_rides_on_it(p):
    needs = ', '.join('%s = { rate = "%s", count = %d, play = true, capture = true }' % x for x in (
        ('first', 'E1', 63), ('second', 'E1', 63), ('one', 'STM-1', 1), ('two', 'STM-1', 1)))
    head = 'campaign { name = "l", title = "L", version = "1", needs = { %s } }\n' % needs
    for uses, starts in (
            (('first', 'second'), (0, 0)),
            (('one', 'two'), (0, 0)),
            (('one', 'first'), (0, 1)),  # who plays into a line disturbs its tributaries
            (('first', 'one'), (0, 1)),
            (('one', 'second'), (0, 0)),
            (('first', 'two', 'one", "second'), (0, 0, 1)),
            (('first', 'second', None, 'second'), (0, 0, 1, 2))):
        place(p, *[case('c%d' % i, 'return', u, 'estimate = "1 s",') for i, u in enumerate(uses)],
              bench=LINES, head=head)
        f = b.expect(p.run('fit', p.path('c.lua'), '--bench', p.bench, '--json'), 0).json()
        assert tuple(c['start_ns'] / 1e9 for c in f['cases']) == starts, (uses, f['cases'])
        assert f['bound_ns'] <= f['at_once_ns']


b.main()

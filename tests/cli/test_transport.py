# SPDX-License-Identifier: Apache-2.0
"""The campaigns for transport on the software multiplexer: build A passes, and build B fails just
where its bench file plants faults. What a case must show is in docs/transport.md."""
import collections
import os
import sqlite3

import blackbox as b

CAMPAIGNS = os.path.join(b.SOURCE_ROOT, 'campaigns')


def run(p, campaign, bench, build, cases, status):
    more = [x for c in cases for x in ('--case', c)]
    return b.expect(p.run('run', os.path.join(CAMPAIGNS, campaign + '.lua'), '--bench',
                          os.path.join(CAMPAIGNS, bench + '.yaml'), '--build', build, '--store',
                          p.path('store.db'), '--progress', 'none', *more), status)


def rows(p, sql):
    db = sqlite3.connect(p.path('store.db'))
    try:
        return db.execute(sql).fetchall()
    finally:
        db.close()


def test_defects(p):
    run(p, 'transport-defects', 'bench-transport', 'A', ['section', 'low-order-e1', 'e1-signal'], 0)
    # Each defect injected on the line is raised, cleared and stands: six of the section.
    titles = dict(rows(p, "SELECT title, count(*) FROM check_ WHERE case_no = 0 AND channel_no = "
                          "(SELECT ordinal FROM run_channel WHERE role = 'line') GROUP BY title"))
    for alarm in ('LOS', 'OOF', 'LOF', 'MS-AIS', 'MS-RDI', 'RS-TIM'):
        assert titles[alarm + ' stands'] == 1, titles
    # One cut of the line is one root, whatever follows: the unit's LOS; nothing else is a root.
    roots = rows(p, "SELECT alarm, source FROM event WHERE case_no = 0 AND take_no = 0 "
                    "AND raised = 1 AND consequence_of IS NULL")
    assert roots == [('LOS', 'unit')], roots
    followers = collections.Counter(dict(rows(p, "SELECT consequence_of, count(*) FROM event WHERE "
        "case_no = 0 AND take_no = 0 AND raised = 1 AND consequence_of IS NOT NULL "
        "GROUP BY consequence_of")))
    assert list(followers) == ['LOS'] and followers['LOS'] > 70, followers
    # Shown are roots with the number of what follows; --alarms shows each with its cause.
    shown = b.expect(p.run('show', '1', '--store', p.path('store.db')), 0).out
    line = next(x for x in shown.splitlines() if 'LOS ' in x and 'by the unit, take 1' in x)
    assert line.endswith('; %d consequences' % followers['LOS']), line
    assert 'consequence of' not in shown
    full = b.expect(p.run('show', '1', '--store', p.path('store.db'), '--alarms'), 0).out
    assert full.count('take 1') >= followers['LOS'] and 'consequence of LOS, line' in full
    # Instants rise within a take.
    at = rows(p, 'SELECT take_no, at_ns FROM event WHERE case_no = 0 ORDER BY ordinal')
    assert at == sorted(at)


def test_cut_twice(p):
    """Each cut of the line is told with what follows from it, not from the other."""
    b.expect(p.run_campaign('''case "cuts" { title = "Two cuts", time_limit = "1 min",
        run = function(test)
            local seen = test:take { last = "1 s", play = { trib = prbs "2^15-1" },
                watch = { "trib" }, inject = {
                    { alarm = "LOS", on = "line", at = "200 ms", lasting = "100 ms" },
                    { alarm = "LOS", on = "line", at = "600 ms", lasting = "100 ms" } } }
            test:check { title = "seen", verdict = #seen.events > 0 and "pass" or "fail" }
        end }'''), 0)
    shown = b.expect(p.run('show', '1', '--store', p.store), 0).out
    told = [int(x.split('; ')[1].split()[0]) for x in shown.splitlines() if ' LOS ' in x]
    with sqlite3.connect(p.store) as db:
        every = db.execute("SELECT count(*) FROM event WHERE raised = 1 AND "
                           "consequence_of = 'LOS'").fetchone()[0]
    assert len(told) == 2 and told[0] == told[1] and sum(told) == every > 0, (told, every, shown)


def test_defects_of_build_b(p):
    r = run(p, 'transport-defects', 'bench-transport', 'B', ['high-order', 'low-order-e1'], 1)
    failed = set(rows(p, "SELECT DISTINCT title FROM check_ WHERE verdict = 'fail'"))
    assert failed == {('HP-RDI raised',), ('HP-RDI cleared',), ('HP-LOM raised',),
                      ('HP-LOM cleared',), ('HP-LOM stands',), ('LP-UNEQ raised',),
                      ('LP-UNEQ cleared',)}, (failed, r.out)


def test_mappings(p):
    run(p, 'transport-mappings', 'bench-mappings', 'A', ['63-e1', '84-t1-au3', '3-vc3-tu3'], 0)
    places = dict(rows(p, "SELECT role, count(klm) FROM run_channel GROUP BY role"))
    assert (places['e1'], places['t1'], places['line']) == (63, 84, 0), places


def test_mappings_of_build_b(p):
    run(p, 'transport-mappings', 'bench-mappings', 'B', ['63-e1', '84-t1'], 1)
    failed = rows(p, "SELECT c.title, h.role, h.number FROM check_ c JOIN run_channel h ON "
                     "h.ordinal = c.channel_no WHERE c.verdict = 'fail' ORDER BY c.ordinal")
    assert {(role, number) for _, role, number in failed} == {('e1', 12), ('e1', 47), ('t1', 5)}


def test_stm4(p):
    run(p, 'transport-stm4', 'bench-stm4', 'A', ['vc4-4c', 'line-defects'], 0)


def test_two_lines(p):
    run(p, 'transport-126-e1', 'bench-126-e1', 'A', [], 0)
    places = rows(p, "SELECT label FROM run_channel WHERE number IN (22, 85) AND role = 'e1'")
    assert places == [('e1 22 (line-1 1-1-2)',), ('e1 85 (line-2 1-1-2)',)], places


def test_sonet(p):
    """Two OC-3 of build B: the two T1 exchanged between the lines are found, and the RDI that
    line 2 forgets; a defect of line 2, or of its second STS-1, concerns what rides there alone."""
    r = run(p, 'transport-sonet', 'bench-sonet', 'B', [], 1)
    failed = rows(p, "SELECT c.title, h.label FROM check_ c JOIN run_channel h ON h.ordinal = "
                     "c.channel_no WHERE c.verdict = 'fail' ORDER BY c.ordinal")
    # The exchanged T1 are in the second STS-1, so the AIS of each of three walks comes out at the
    # other port: missing at one, foreign at the other.
    one, other = 't1 29 (line-1 2-1-1)', 't1 113 (line-2 2-1-1)'
    assert collections.Counter(failed) == {
        ('arrives on its own number', one): 1, ('arrives on its own number', other): 1,
        ('AIS raised', other): 3, ('AIS cleared', other): 3,
        ('others stay undisturbed', one): 3,
        ('HP-RDI raised', 'line 2'): 1, ('HP-RDI cleared', 'line 2'): 1}, (failed, r.out)
    # RS-TIM: 84 T1 of the line; HP-TIM and AU-LOP of one STS-1: 28 each.
    assert rows(p, "SELECT count(*) FROM check_ WHERE title = 'AIS raised'") == [(84 + 28 + 28,)]


def test_oc12(p):
    run(p, 'transport-oc12', 'bench-oc12', 'B', ['336-t1'], 1)
    failed = rows(p, "SELECT h.label FROM check_ c JOIN run_channel h ON h.ordinal = c.channel_no "
                     "WHERE c.verdict = 'fail' ORDER BY c.ordinal")
    assert failed == [('t1 20 (1-1-5-4)',), ('t1 300 (4-2-5-4)',)], failed


def test_too_short(p):
    """2^15-1 cannot tell 252 channels: the advice is a longer pattern, not the one in use."""
    path = p.write('short.lua', '''\
campaign { name = "short", title = "Short", version = "1", needs = {
    e1 = { rate = "E1", count = 252, play = true, capture = true } } }
case "short" { title = "Short", time_limit = "2 min", run = function(test)
    local seen = test:take { last = "50 ms", play = { e1 = prbs "2^15-1" },
        expect = { e1 = prbs "2^15-1" } }
    test:check_arrival(seen, "e1")
end }
''')
    b.expect(p.run('run', path, '--bench', os.path.join(CAMPAIGNS, 'bench-stm4.yaml'), '--build',
                   'A', '--store', p.path('store.db'), '--progress', 'none'), 2,
             'its 32767 bits are too few to tell which of 252 channels sent it; use 2^20-1 or the '
             'counter pattern')


def test_setup_is_needed(p):
    """Without evl.setup/1 the bench cannot run a campaign that needs it: fit says so."""
    text = open(os.path.join(CAMPAIGNS, 'bench-transport.yaml')).read()
    path = p.write('fixed.yaml', text.replace('driver: simmux', 'driver: nosuch'))
    b.expect(p.run('fit', os.path.join(CAMPAIGNS, 'transport-defects.lua'), '--bench', path), 3)
    fit = b.expect(p.run('fit', os.path.join(CAMPAIGNS, 'transport-defects.lua'), '--bench',
                         os.path.join(CAMPAIGNS, 'bench-transport.yaml')), 0)
    assert 'setup' in fit.out, fit.out


b.main()

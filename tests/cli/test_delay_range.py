# SPDX-License-Identifier: Apache-2.0
"""Round-trip delay measured exactly over the emulation range of 1 to 500 ms, in steps of 125 us:
the planted delays, whose bits at 2048 kbit/s are computed here (256 bits are 125 us), against
a tributary without one; and the variation of a delay.
"""
import sqlite3

import blackbox as b

BIT_S = 2048000
HEAD = b.HEAD.replace('count = 4', 'count = 8')
CASE = '''\
case "delay" { title = "Delay", time_limit = "2 min", run = function(test)
    local p = delay_pattern("E1", "600 ms")
    local seen = test:take { last = "1 s", play = { trib = p }, expect = { trib = p } }
    test:check_arrival(seen, "trib")
%s
end }
'''


def bench(faults):
    text = b.BENCH.replace('trib-{1..4}', 'trib-{1..8}').replace('numbers: 1..4', 'numbers: 1..8')
    return text.replace('          faults: none', '          faults:\n' + faults)


def measured(p, faults, lines=''):
    p.bench = p.write('bench.yaml', bench(faults))
    r = p.run_campaign(CASE % lines, head=HEAD)
    db = sqlite3.connect(p.store)
    db.row_factory = sqlite3.Row
    return r, db.execute("select * from measurement where kind='pattern' and run=(select max(run) "
                         'from run) order by channel_no').fetchall()


def test_range(p):
    """1 ms, 1 ms and one, two steps of 125 us, 250 ms, 499.875 and 500 ms, to the bit."""
    planted_us = {1: 1000, 2: 1125, 3: 1250, 4: 250000, 5: 499875, 6: 500000}
    bits = {n: us * BIT_S // 1000000 for n, us in planted_us.items()}
    assert bits[1] == 2048 and bits[2] - bits[1] == 256 and bits[6] == 1024000, bits
    r, rows = measured(p, '\n'.join(
        '            - {kind: delay, tributary: %d, bits: %d}' % x for x in bits.items()))
    base = rows[6]['delay_bits']
    assert rows[7]['delay_bits'] == base, rows
    for n, want in bits.items():
        got = rows[n - 1]
        assert got['in_sync'] and got['delay_bits'] - base == want, (n, dict(got), base)
        assert got['moved_bits'] == got['errors'] == 0, dict(got)
    # A delay that differs from the common one is told by check_arrival.
    assert r.status == 1, str(r)
    assert base < BIT_S // 100, base


def test_variation(p):
    """A slip of 256 bits later and back every 250 ms: the delay moves by 125 us and returns."""
    r, rows = measured(p, '            - {kind: slip, tributary: 2, bits: 256, at: 200 ms, '
                          'every: 250 ms}')
    moved = rows[1]
    assert moved['moved_most_bits'] - moved['moved_least_bits'] == 256, dict(moved)
    assert moved['slips'] >= 3 and moved['octet_slips'] == moved['slips'], dict(moved)
    assert moved['moved_bits'] == (256 if moved['slips'] % 2 else 0), dict(moved)
    still = rows[0]
    assert still['moved_most_bits'] == still['moved_least_bits'] == 0, dict(still)


b.main()

# SPDX-License-Identifier: Apache-2.0
"""The emulated network from outside: bits that were sent are taken out of recordings and compared
by numpy with those that went in; numbers of errors lie within binomial limits (SciPy); digests are
made again by hashlib as docs/recording.md says; a line's frames are read here after ITU-T G.707
figure 9-1 and 6.5; the unit's reports come in the times of ITU-T G.775 5.2 and T1.231."""
import glob
import hashlib
import os
import re
import sqlite3

import numpy as np
from scipy.stats import binom

import blackbox as b

MS = 2048  # bits of an E1
TAKE = '''\
case "%(name)s" { title = "%(name)s", time_limit = "5 min", run = function(test)
    local p = %(pattern)s
    local seen = test:take { last = "%(last)s", play = { %(role)s = p }, %(more)s
        network = { %(role)s = %(network)s } }
%(checks)s
end }
'''


def case(network, name='one', last='500 ms', pattern='prbs "2^23-1"', role='trib', more='',
         checks=''):
    return TAKE % dict(network=network, name=name, last=last, pattern=pattern, role=role,
                       more=more, checks=checks)


def number_of(run):
    return int(re.search(r'^run +(\d+)', run.out, re.M).group(1))


def rows(p, run):
    shown = p.run('show', number_of(run), '--store', p.store, '--json').json()
    return shown['cases'][0]['checks']


def recordings(p):
    return sorted(glob.glob(p.store + '.recordings/*.pcapng'))


def bits(p, file, channel):
    out = p.path('raw')
    p.run('recording', 'extract', file, '--channel', channel, '--raw', out)
    with open(out, 'rb') as f:
        data = f.read()
    os.unlink(out)
    return data, np.unpackbits(np.frombuffer(data, np.uint8))


def digest(data):
    """docs/recording.md, "The stream digest", of one run without a gap."""
    def le(n):
        return n.to_bytes(8, 'little')
    return hashlib.sha256(b'evl-stream-1' + le(0) + data + le(8 * len(data))).hexdigest()


def within(count, n, ratio):
    least, most = binom.ppf([1e-6, 1 - 1e-6], n, ratio)
    assert least <= count <= most, (least, count, most)


RECORD = 'record = { as = "r", "trib" },'
EVENTS = '''{ delay = "30 ms", errors = 1e-4, events = {
    { errors = 1e-2, at = "100 ms", lasting = "50 ms" },
    { slip = "1 frame", at = "200 ms" },
    { slip = -3, at = "250 ms" },
    { alarm = "AIS", at = "260 ms", lasting = "10 ms", every = "50 ms", times = 2 },
    { delay = "45 ms", at = "400 ms" },
    { alarm = "LOS", at = "450 ms", lasting = "125 us" },
}, [2] = {} }'''


def test_what_was_sent(p):
    """The same patterns without and with a network, by the same seed."""
    p.run_campaign(case('{ [2] = {} }', more=RECORD))
    again = p.run_campaign(case(EVENTS, more=RECORD))
    assert again.status == 0 or 'verdict   none' in again.out, str(again)
    plain, through = recordings(p)
    db = sqlite3.connect(p.store)
    kept = {n: (d, source, text) for n, d, source, text in db.execute(
        "select c.number, s.digest, s.source_digest, s.description from stream s join run_channel "
        "c on c.run = s.run and c.ordinal = s.channel_no where s.run = 2 and s.direction = 'sent'")}
    assert sorted(kept) == [1, 2, 3, 4]
    flips = []
    for n in (1, 3, 4):
        name = 'trib-%d.sent' % n
        data, went_in = bits(p, plain, name)
        sent, came_out = bits(p, through, name)
        assert kept[n][:2] == (digest(sent), digest(data))
        for word in ('through: delay 30 ms, errors 0.0001, errors 0.01 at 100 ms for 50 ms, ',
                     'slip +256 bits at 200 ms, slip -3 bits at 250 ms, ',
                     'AIS at 260 ms for 10 ms every 50 ms 2 times, delay 45 ms at 400 ms, ',
                     'LOS at 450 ms for 125 us'):
            assert word in kept[n][2], kept[n]
        i = np.arange(len(came_out))
        delay = np.where(i < 400 * MS, 30 * MS, 45 * MS)
        delay = delay + np.where(i >= 200 * MS, 256, 0) - np.where(i >= 250 * MS, 3, 0)
        idle = np.uint8([1, 0])[(i - delay) % 2]
        should = np.where(i >= delay, went_in[np.maximum(i - delay, 0)], idle)
        ais = (i >= 260 * MS) & (i < 270 * MS) | (i >= 310 * MS) & (i < 320 * MS)
        los = (i >= 450 * MS) & (i < 450 * MS + 256)
        assert came_out[ais].all() and not came_out[los].any()
        wrong = (came_out != should) & ~ais & ~los
        burst = (i >= 100 * MS) & (i < 150 * MS)
        # Two independent causes: an error is one of the two but not both.
        within(wrong[burst].sum(), burst.sum(), 1e-2 + 1e-4 - 2e-6)
        rest = ~burst & ~ais & ~los
        within(wrong[rest].sum(), rest.sum(), 1e-4)
        flips.append(np.flatnonzero(wrong))
    # Each channel has errors of its own.
    assert len(np.intersect1d(flips[0], flips[1])) < len(flips[0]) // 10
    # A network that does nothing changes nothing.
    assert kept[2][0] == kept[2][1] and ', through: delay 0 s' in kept[2][2], kept[2]
    # The library's own comparison of recordings sees what was done.
    diff = p.run('recording', 'diff', plain, through, '--pair', 'trib-4.sent=trib-4.sent',
                 '--align', '--json')
    assert '"delay_bits": 61440' in diff.out or '"delay_bits":61440' in diff.out, str(diff)
    # And the same seed does the same again.
    p.run_campaign(case(EVENTS, more=RECORD))
    third = bits(p, recordings(p)[2], 'trib-4.sent')[0]
    assert third == bits(p, through, 'trib-4.sent')[0]


def test_meters(p):
    """The delay is that without a network and 2048 bits for each ms; slips are counted."""
    tell = '''\
    for _, m in ipairs(seen.meters) do
        test:check { title = "t", channel = m.channel, verdict = "pass", value = string.format(
            "%d %d %d %d", m.delay_bits, m.errors, m.slips, m.moved_bits) }
    end'''
    def measure(network):
        r = p.run_campaign(case(network, pattern='delay_pattern("E1", "510 ms")', last='1 s',
                                more='expect = { trib = p },', checks=tell))
        return [tuple(map(int, c['value'].split())) for c in rows(p, r)]
    base = measure('{ [1] = {} }')
    assert base == [(base[0][0], 0, 0, 0)] * 4 and base[0][0] < 2 * MS, base
    for ms in (0.125, 30, 150, 500):
        got = measure('{ delay = "%g ms" }' % ms)
        assert got == [(base[0][0] + int(ms * MS), 0, 0, 0)] * 4, (ms, base, got)
    got = measure('{ delay = "30 ms", events = { { slip = "2 octets", at = "400 ms" }, '
                  '{ slip = -1, at = "600 ms" }, { delay = "29 ms", at = "800 ms" } } }')
    assert [(g[2], g[3]) for g in got] == [(3, 15 - MS)] * 4, got


def test_unit_reports(p):
    """AIS: two periods of 512 bits (G.775 5.2); LOS: 255 bits (10 to 255, G.775 4)."""
    p.write('bench.yaml', b.BENCH.replace('line: looped', 'line: open\n      framing: unframed'))
    events = '''{ delay = "10 ms", events = {
        { alarm = "AIS", at = "100 ms", lasting = "20 ms" },
        { alarm = "LOS", at = "200 ms", lasting = "20 ms", every = "100 ms", times = 2 } },
        [3] = { delay = "10 ms" } }'''
    tell = '''\
    for _, e in ipairs(seen.events) do
        if e.by == "unit" and e.role == "%s" and e.at_ns >= 0 then
            test:check { title = e.alarm, at_ns = e.at_ns, channel = e.channel,
                verdict = "pass", value = e.raised and "on" or "off", limit = tostring(e.at_ns) }
        end
    end'''
    head = b.HEAD.replace('capture = true }', 'capture = true, alarms = true }')
    head = head.replace('capture = true, alarms = true, inject', 'capture = true, alarms')
    def told(text):
        found = {}
        for c in rows(p, p.run_campaign(text, head=head)):
            found.setdefault(c['channel'], []).append((c['title'], c['value'], int(c['limit'])))
        return found
    # The library's own check takes an event of the network, too.
    judge = '''
    test:check_alarm(seen, { alarm = "AIS", on = "trib", number = 2, by = "unit",
        after = { alarm = "AIS", at = "100 ms", lasting = "20 ms" },
        raised_within = "1 ms", cleared_within = "1 ms" })
    '''
    run = p.run_campaign(case(events, checks=judge), head=head)
    assert [c['verdict'] for c in rows(p, run)] == ['pass'] * 2, str(run)
    found = told(case(events, checks=tell % 'trib'))
    assert len(found) == 3, found
    want = (('AIS', 'on', 100), ('AIS', 'off', 120), ('LOS', 'on', 200), ('LOS', 'off', 220),
            ('LOS', 'on', 300), ('LOS', 'off', 320))
    for channel, got in found.items():
        assert [g[:2] for g in got] == [w[:2] for w in want], (channel, got)
        for (alarm, on, at), (_, _, ms) in zip(got, want):
            late = at - ms * 1e6
            # 512 bits are 250 us; where a period begins is not known. 255 bits are 125 us;
            # the unit looks at whole octets.
            least, most = (250e3, 750e3) if alarm == 'AIS' else (0, 128e3)
            assert least - 250e3 * (alarm == 'AIS' and on == 'off') <= late <= most, (alarm, on, at)


LINE_HEAD = '''\
campaign { name = "line", title = "Line", version = "1", needs = {
    trib = { rate = "E1", count = 4, play = true, capture = true },
    line = { rate = "STM-1", play = true, capture = true, alarms = true } } }
'''


def k2(data):
    """K2 of each frame, by the standard: 19440 bits a frame, descrambled but for the first row of
    the SOH (G.707 6.5: x^7 + x^6 + 1, ones at the first byte after it); K2 in row 5, column 7."""
    state, mask = 0x7f, []
    for _ in range(2430 - 9):
        byte = 0
        for _ in range(8):
            out = state >> 6 & 1
            byte = byte << 1 | out
            state = (state << 1 | ((state >> 6 ^ state >> 5) & 1)) & 0x7f
        mask.append(byte)
    frames = np.frombuffer(data, np.uint8).reshape(-1, 2430).copy()
    frames[:, 9:] ^= np.uint8(mask)
    return frames[:, :6].copy(), frames[:, 4 * 270 + 6]


def test_line(p):
    """What the unit sends as a line is played to it again, through a network."""
    def run(text):
        return p.run_campaign(text, head=LINE_HEAD)
    run('''case "first" { title = "First", time_limit = "5 min", run = function(test)
        test:take { last = "64 ms", play = { trib = prbs "2^15-1" },
            record = { as = "first", "line" } } end }''')
    p.write('line.bin', bits(p, recordings(p)[0], 'line.received')[0])
    r = run('''local line = pattern_file { file = "line.bin" }
    case "line" { title = "Line", time_limit = "5 min", run = function(test)
        local seen = test:take { last = "64 ms", play = { line = line },
            record = { as = "second", "line" }, network = { line = { delay = "1 ms", events = {
                { alarm = "MS-AIS", at = "24 ms", lasting = "4 ms" },
                { alarm = "LOS", at = "40 ms", lasting = "2 ms" } } } } }
        for _, e in ipairs(seen.events) do
            if e.by == "unit" and e.raised and e.at_ns >= 24000000 then
                test:check { title = e.alarm, verdict = "pass", value = tostring(e.at_ns) }
            end
        end
    end }''')
    data = bits(p, recordings(p)[1], 'line.sent')[0]
    soh, value = k2(data[24 * 8 * 2430:28 * 8 * 2430])
    assert (soh == np.uint8([0xf6] * 3 + [0x28] * 3)).all(), soh
    assert (value & 7 == 7).all(), value
    assert not any(data[40 * 8 * 2430:42 * 8 * 2430]) and data[40 * 8 * 2430 - 1] != 0
    told = {}
    for c in rows(p, r):
        told.setdefault(c['title'], int(c['value']))
    # Its frames begin elsewhere than those before: OOF 5 frames, alignment 2, then 3 to 5.
    assert 24e6 + 3 * 125e3 <= told['MS-AIS'] <= 24e6 + 14 * 125e3, told
    assert 40e6 + 2.3e3 <= told['LOS'] <= 40e6 + 100e3, told


def test_replay(p):
    """What went in is the recording; what comes back is not, and that is said. A recording of what
    was sent behind a network, played without one, brings the network again. Across its delay only
    what it changed differs."""
    text = '''case "replay" { title = "Replay", time_limit = "5 min", run = function(test)
        local n = { trib = { delay = "5 ms", errors = 1e-4 } }
        local first = test:take { last = "96 ms", play = { trib = prbs "2^15-1" },
            record = { as = "first", "trib" } }
        local seen = test:take { play = { trib = replay(first.recording) }, network = n,
            expect = { trib = replay(first.recording) }, record = { as = "through", "trib" } }
        test:check_played_as_recorded(seen, "trib")
        test:check_returned_as_recorded(seen, "trib")
        local third = test:take { play = { trib = replay(seen.recording) },
            expect = { trib = replay(seen.recording) } }
        test:check_played_as_recorded(third, "trib")
        test:check_returned_as_recorded(third, "trib")
        local fourth = test:take { play = { trib = replay(first.recording) }, network = n,
            expect = { trib = replay(seen.recording) } }
        test:check_played_as_recorded(fourth, "trib")
        test:check_returned_as_recorded(fourth, "trib")
        -- 2 errors by the network and nothing but its delay
        local fifth = test:take { play = { trib = replay(first.recording) }, network = { trib = {
            delay = "5 ms", events = { { bit = true, at = "30 ms", every = "30 ms", times = 2 } },
            [4] = { delay = "5 ms" } } },
            expect = { trib = replay(first.recording) }, record = { as = "fifth", "trib" } }
        test:check_returned_as_recorded(fifth, "trib", { delay_may_change = true })
    end }'''
    got = rows(p, p.run_campaign(text))
    verdicts = [[c['verdict'] for c in got[i:i + 4]] for i in range(0, 28, 4)]
    assert verdicts == [['pass'] * 4, ['fail'] * 4] + [['pass'] * 4] * 4 + [
        ['fail'] * 3 + ['pass']], got
    assert all('5 ms later than recorded: 2 bits changed' in c['reason'] for c in got[24:27]), got
    assert all('went into the network' in c['rule'] and c['reason'].endswith(
        'sent through: delay 5 ms, errors 0.0001') for c in got[:4]), got[:4]
    assert all('of what was sent' in c['rule'] for c in got[8:12]), got[8:12]


def test_the_example(p):
    """campaigns/network.lua as docs/guide.md runs it, but for the third case (test_replay)."""
    folder = os.path.join(b.SOURCE_ROOT, 'campaigns')
    r = p.run('run', os.path.join(folder, 'network.lua'), '--bench',
              os.path.join(folder, 'bench-simmux.yaml'), '--build', 'A', '--case', 'delay',
              '--case', 'switch', '--store', p.store, '--progress', 'none')
    assert r.status == 0 and '252 checks, 0 failed' in r.out, str(r)


def test_mistakes(p):
    def one(event):
        return '{ delay = "1 ms", events = { %s } }' % event
    for network, word in (
            ('5', 'a table'), ('{ delay = "30" }', 'not a duration'),
            ('{ delay = "30.1 ms" }', 'network.trib.delay: "30.1 ms" is not a multiple of 125 us'),
            ('{ delay = "501 ms" }', 'a delay is 0 to 500 ms'), ('{ errors = 0 }', 'ratio above 0'),
            ('{ errors = 0/0 }', 'ratio above 0'), ('{ loss = true }', 'loss is not known'),
            ('{ [0] = {} }', 'not the number of a channel'), ('{ [9] = {} }', 'no number 9'),
            ('{ [2] = 5 }', 'network.trib[2]: a table'), (one(''), ''), (one('5'), 'events[1]'),
            (one('{ at = "1 ms" }'), 'give one of'),
            (one('{ slip = 8 }'), 'at is missing'),
            (one('{ slip = 8, bit = true, at = "1 ms" }'), 'slip and bit, not both'),
            (one('{ slip = 0, at = "1 ms" }'), 'other than 0'),
            (one('{ slip = "3 apples", at = "1 ms" }'), 'other than 0'),
            (one('{ slip = 1.5, at = "1 ms" }'), 'other than 0'),
            (one('{ slip = 8, at = "1 ms", lasting = "1 ms" }'), 'has no lasting'),
            (one('{ alarm = "LOS", at = "1 ms" }'), 'lasting is missing'),
            (one('{ alarm = "LOSS", at = "1 ms", lasting = "1 ms" }'), '"LOSS" is not known'),
            (one('{ alarm = "MS-AIS", at = "1 ms", lasting = "1 ms" }'), 'trib 1'),
            (one('{ alarm = "RAI", at = "1 ms", lasting = "1 ms" }'), 'play framed'),
            (one('{ slip = -2049, at = "1 ms" }'), 'leave out 1 bits more than the delay holds'),
            (one('{ slip = 8, at = "1 ms", every = "0.5 ms" }'), '1 ms at least'),
            (one('{ slip = 8, at = "1 ms", jitter = "1 ms" }'), 'jitter goes with every'),
            (one('{ slip = 8, at = "1 ms", every = "5 ms", times = 0 }'), 'above 0'),
            (one('{ slip = 8, at = "504 ms" }'), 'after the end of the take'),
            (one('{ slip = 8, at = "1 ms" }, ' * 65), 'at most 64'),
            (one('x = { slip = 8, at = "1 ms" }'), 'a list is expected')):
        r = p.run_campaign(case(network))
        if word:
            assert r.status == 3 and word in r.out, (network, str(r))
        else:
            assert r.status != 3, (network, str(r))
    r = p.run_campaign(case('{ delay = "1 ms" }').replace('play = { trib = p }',
                                                          'expect = { trib = p }'))
    assert r.status == 3 and 'does not play' in r.out, str(r)
    # A plan that was not made by the library.
    for plan in ('{ { role = "trib", number = 0, delay_frames = -1, ratio = 0, events = {} } }',
                 '{ { role = "trib", number = 0, delay_frames = 0, ratio = 0, events = { { kind = '
                 '"x" } } } }', '{ 5 }', '5'):
        r = p.run_campaign('''case "y" { title = "y", time_limit = "1 min", run = function(test)
            coroutine.yield { name = "n", frames = 64, play = {}, expect = {}, inside = {}, watch =
            {}, inject = {}, clock = {}, record = {}, network = %s } end }''' % plan)
        assert r.status == 3 and 'network' in r.out, (plan, str(r))


b.main()

# SPDX-License-Identifier: Apache-2.0
"""Recordings by triggers, marks, parts and the disk, from outside. A caught file is read with the
reader of tests/recording, made from docs/recording.md alone; where a slip is, NumPy finds in its
bits by the recurrence of 2^15-1 (ITU-T O.150 5.3: s[i] = s[i-14] XOR s[i-15]). Instants are those
at which the campaign injects; the simulated unit delays by less than 2 ms (docs/simmux.md)."""
import glob
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time

import numpy as np

import blackbox as b

sys.path.insert(0, os.path.join(b.SOURCE_ROOT, 'tests', 'recording'))
import read_recording  # noqa: E402

HEAD = b.HEAD.replace('capture = true },\n    line', 'capture = true, inject = true },\n    line')

CASE = '''\
case "hunt" { title = "Hunt", time_limit = "20 min", run = function(test)
    local p = prbs "2^15-1"
    local seen = test:take { last = "%s", play = { trib = p }, expect = { trib = p },
        watch = { "trib", "line" }, %s
        record = { as = "caught", "trib", "line", before = "1 s", after = "500 ms", %s } }
    %s
end }
'''
CHECK = 'test:check_not_triggered(seen)'


def run(p, case, status, more=()):
    return b.expect(p.run_campaign(case, head=HEAD, more=more), status)


def rows(p, sql):
    with sqlite3.connect(p.store) as db:
        return db.execute(sql).fetchall()


def files(p):
    return sorted(glob.glob(p.store + '.recordings/*'))


def bits_of(channel):
    """Start, offset of the first bit and the bits of one channel."""
    (first, data), = channel['runs']
    return channel['start_ns'], first, np.unpackbits(np.frombuffer(data, dtype=np.uint8))


def test_a_slip_is_kept_with_its_history(p):
    inject = 'inject = { { slip = 8, on = "trib", number = 3, at = "3100 ms" } },'
    case = CASE % ('6 s', inject, 'when = { { slip = true, on = "trib" } }', CHECK)
    run(p, case, 1)
    [path] = files(p)
    channels, marks = read_recording.read(path)
    assert len(channels) == 9, channels  # 4 tributaries both ways, and the line
    [(mark_ns, channel, text)] = marks
    assert (channel, text) == ('trib-3.received', 'slip +8 bits on trib 3 (3-1-1)'), marks
    start, first, bits = bits_of(channels['trib-3.received'])
    # From the slab of 8 ms that holds (mark - 1 s), to that of (mark + 500 ms).
    at_ns = mark_ns - start
    assert first == (at_ns - 10**9) // 8000000 * 8 * 2048, (first, at_ns)
    assert first + len(bits) == -(-(at_ns + 5 * 10**8) // 8000000) * 8 * 2048
    one = 1 - bits  # the pattern is sent inverted
    wrong = np.flatnonzero(one[15:] != (one[1:-14] ^ one[:-15])) + 15
    slip = first + int(wrong[0])
    assert int(wrong[-1]) - int(wrong[0]) < 40, wrong
    injected = 3100 * 2048
    assert injected <= slip < injected + 2 * 2048, slip
    assert abs(at_ns - slip * 125000 // 256) < 20000, (at_ns, slip)  # within 40 bits of it
    # What it says.
    [(value, reason, at)] = rows(p, 'select value, reason, at_ns from check_ where '
                                 'verdict="fail"')
    clock = '00:00:%02d.%03d' % (mark_ns // 10**9, mark_ns // 10**6 % 1000)
    assert value == text and at == mark_ns, value
    assert 'caught at %s bench time' % clock in reason, reason
    assert 'kept as "caught", from 2.096 s to 3.608 s after the start' in reason, reason
    [row] = rows(p, 'select name, finished, from_frame, frames, note from recording')
    assert row == ('caught', 1, 2096 * 8, 1512 * 8, None), row
    [row] = rows(p, 'select at_ns, trigger_, text, recording from take_mark')
    assert row == (mark_ns, 1, text, 'caught'), row
    b.expect(p.run('show', '1', '--store', p.store), 0, '1.512 s from 2.096 s after the start',
             text)
    told = p.run('show', '1', '--store', p.store, '--json').json()
    [one] = told['recordings']
    assert (one['name'], one['from_frame'], one['frames']) == ('caught', 16768, 12096), one
    assert [m['text'] for m in told['marks']] == [text], told['marks']
    out = p.path('dossier')
    b.expect(p.run('dossier', '1', '--store', p.store, '--out', out), 0)
    b.expect(p.run('verify', out), 0)
    page = open(os.path.join(out, 'report.html'), encoding='utf-8').read()
    assert 'Triggers and marks' in page and text + ' (trigger)' in page
    # The same again is the same file.
    digest = open(path, 'rb').read()
    os.rename(path, path + '.first')
    run(p, case, 1)
    [again] = [f for f in files(p) if not f.endswith('.first')]
    assert open(again, 'rb').read() == digest


def test_nothing_is_caught(p):
    run(p, CASE % ('2 s', '', 'when = { { slip = true, on = "trib" } }', CHECK), 0)
    assert files(p) == []
    [row] = rows(p, 'select verdict, value, reason from check_')
    assert row == ('pass', 'none', 'nothing in 2 s'), row


def test_marks_alarms_instants(p):
    """An alarm ends the hunt early; marks that are none stay marks."""
    inject = 'inject = { { alarm = "LOS", on = "line", at = "2 s", lasting = "100 ms" } },'
    more = '''when = { { alarm = "LOS", on = "line", by = "unit" } }, most = 2,
        mark = { { at = "1500 ms", text = "protection switch" }, { alarm = "any", on = "trib" } }'''
    case = CASE % ('10 min', inject + ' until_triggered = true,', more, '''
    assert(seen.caught and seen.ended_early, "it did not end")
    assert(#seen.recordings == 1 and seen.recordings[1].name == "caught", "recordings")
    assert(seen.marks[1].text == "protection switch" and seen.marks[1].at_ns == 1500000000, "mark")
    assert(seen.marks[1].recording == "caught" and not seen.marks[1].trigger, "in its history")
    assert(not seen.recording, "it is not the whole take")
    ''' + CHECK)
    run(p, case, 1)
    [path] = files(p)
    _, marks = read_recording.read(path)
    texts = [text for _, _, text in marks]
    assert texts[0] == 'protection switch' and 'LOS raised on line, by the unit' in texts, texts
    assert any(re.match(r'AIS raised on trib 2 .*, by the tester', t) for t in texts), texts
    [(frames, state)] = rows(p, 'select frames, state from take')
    assert state == 'finished' and 2.5 * 8000 <= frames <= 2.6 * 8000, frames


def test_parts_of_a_whole_take(p):
    case = '''case "whole" { title = "Whole", time_limit = "2 min", run = function(test)
    local p = prbs "2^15-1"
    local seen = test:take { last = "2 s", play = { trib = p }, expect = { trib = p },
        record = { as = "all", "trib", part = "500 ms", mark = { { at = "1 s" } } } }
    assert(#seen.marks == 1 and seen.marks[1].recording == "all", "mark")
    local again = test:take { play = { trib = replay(seen.recording) } }
    test:check_played_as_recorded(again, "trib")
end }'''
    run(p, case, 0)
    names = [os.path.basename(f) for f in files(p)]
    assert names == ['run-1-case-1-take-1-%04d.pcapng' % k for k in (1, 2, 3, 4)] + \
        ['run-1-case-1-take-1.set'], names
    b.expect(p.run('recording', 'info', files(p)[-1]), 0, 'at 1 s')
    b.expect(p.run('recording', 'verify', files(p)[-1]), 0)


def test_the_reserve(p):
    case = CASE % ('2 s', '', 'when = { { slip = true, on = "trib" } }', CHECK)
    r = run(p, case, 3, more=('--reserve', '1000000000'))
    b.expect(r, 3, 'are to stay free', 'MB left; make room')
    assert files(p) == []
    run(p, case, 0, more=('--reserve', '0'))
    b.refused(p.run('run', 'c.lua', '--bench', 'x', '--build', 'A', '--store', 'y', '--reserve',
                    '1 GB'), 64, 'no whole number of megabytes')


def test_terminated(p):
    """SIGTERM: recordings are finished within the time of one slab and the writing of what is held;
    10 s is the limit of this test (common practice, no source)."""
    case = CASE % ('30 min', 'inject = { { slip = 8, on = "trib", number = 1, at = "100 ms" } },',
                   'part = "10 s", when = { { slip = true, on = "trib" } }', CHECK)
    case = case.replace('"500 ms"', '"20 min"').replace('20 min", run', '1 h", run')
    case = case.replace('"trib", "line", before', 'most = 1, "trib", before')
    child = p.start('run', p.campaign(case, head=HEAD), '--bench', p.bench, '--build', 'A',
                    '--store', p.store, '--progress', 'none', stdout=subprocess.DEVNULL,
                    stderr=subprocess.PIPE)
    end = time.monotonic() + b.TIME_LIMIT_S
    while not [f for f in files(p) if f.endswith('-0001.pcapng')]:
        assert time.monotonic() < end and child.poll() is None
        time.sleep(0.05)
    child.send_signal(signal.SIGTERM)
    began = time.monotonic()
    err = child.communicate(timeout=b.TIME_LIMIT_S)[1].decode()
    assert time.monotonic() - began < 10, time.monotonic() - began
    assert child.returncode in (1, 2) and 'Sanitizer' not in err, (child.returncode, err)
    [index] = [f for f in files(p) if f.endswith('.set')]
    b.expect(p.run('recording', 'verify', index), 0)
    [(finished, note)] = rows(p, 'select finished, note from recording')
    assert finished == 1 and note is None, note
    [(text, recording)] = rows(p, 'select text, recording from take_mark')
    assert (text, recording) == ('slip +8 bits on trib 1 (1-1-1)', 'caught'), text


def test_bad_input(p):
    when = 'when = { %s }'
    good = '{ slip = true, on = "trib" }'
    for more, message in (
            (when % '{ slip = true, on = "nobody" }', 'role "nobody" is not in'),
            (when % '{ slip = true }', 'on is missing'),
            (when % '{ slip = true, on = "trib", number = 9 }', 'role trib has no number 9'),
            (when % '{ slip = true, pattern_lost = true, on = "trib" }', 'not both'),
            (when % '{ on = "trib" }', 'slip = true'),
            (when % '{ slip = true, on = "line" }', 'nothing is expected on line'),
            (when % '{ errors_above = -1, on = "trib" }', 'errors_above is a number'),
            (when % '{ alarm = "LOSS", on = "line" }', '"LOSS" is not known'),
            (when % '{ alarm = "LOS", on = "trib", by = "unit" }', 'let its needs say alarms'),
            (when % '{ alarm = "LOS", on = "line", by = "god" }', 'by is "unit"'),
            (when % '{ slip = true, on = "trib", by = "unit" }', 'no word for slip'),
            (when % '{ at = "3 s" }', 'after the end of the take'),
            (when % '{ at = "1 s", on = "trib" }', 'an instant is on no role'),
            (when % '{ at = "1 s", text = "a\\nb" }', 'one line'),
            (when % '{ colour = 1 }', 'colour is not known here'),
            (when % '7', 'write a list'),
            (when % 'slip = true', 'write a list'),
            (when % '', '1 to 32 conditions'),
            (when % good + ', most = 0', 'most must be 1 to 100'),
            (when % good + ', part = "1 ms"', 'part must be 100 ms or more'),
            (when % good + ', part_bytes = 100', 'part_bytes must be 65536'),
            (when % good + ', befor = "1 s"', 'befor is not known here'),
            (when % good + ', "nobody"', 'role "nobody" is not in'),
            ('most = 3', 'belong to triggers'),
    ):
        b.expect(run(p, CASE % ('2 s', '', more, CHECK), 3), 3, 'c.lua:', message)
    far = (CASE % ('2 s', '', when % good, CHECK)).replace('before = "1 s"', 'before = "1 h"')
    b.expect(run(p, far, 3), 3, 'MB of memory; at most', 'make before shorter')
    b.expect(run(p, CASE % ('2 s', 'until_triggered = true,', 'mark = { { at = "1 s" } }', ''), 3),
             3, 'until_triggered needs record')
    b.expect(run(p, '''case "x" { title = "X", time_limit = "1 min", run = function(test)
        local seen = test:take { last = "1 s", play = { trib = prbs "2^15-1" } }
        test:check_not_triggered(seen) end }''', 3), 3, 'waited for no trigger')


b.main()

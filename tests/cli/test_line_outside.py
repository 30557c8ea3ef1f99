# SPDX-License-Identifier: Apache-2.0
"""From bench file to line bytes by the command line, judged from outside: `run` records a line and
what was played, `recording extract` writes the raw bytes, and the independent decoder
(tests/adapters/sdh_decoder.py, written from ITU-T G.707 apart from core/) finds every tributary's
bits, parity, pointers and justification. Tributary clocks are off by what ITU-T G.703 (50 ppm) and
ANSI T1.102 (32 ppm) allow, VCs by more than that, so that pointers move."""
import json
import os
import re
import subprocess

import blackbox as b
import numpy as np

DECODER = os.path.join(b.SOURCE_ROOT, 'tests', 'adapters', 'sdh_decoder.py')
MS = 240
FRAMES = MS * 8
FRAME_BITS = {'E1': 256, 'T1': 193}
BAD_POINTER = ('new_data_flags', 'new_values', 'invalid', 'all_ones', 'disagreements')

BENCH = '''\
bench: outside
title: An invented bench
numbering: %(numbering)s
adapters:
  mux:
    driver: simmux
    options:
      line: looped
      numbering: klm-order
      mapping: %(mapping)s
      clock: {vc4_ppm: %(vc_ppm)g, tributaries: {2: %(tu_ppm)g}}
roles:
  trib: {adapter: mux, channels: 'trib-{1..%(count)d}'}
%(bulk)s  line: {adapter: mux, channels: [line], mapping: "%(mapping)s"}
'''

CAMPAIGN = '''\
campaign { name = "outside", title = "Outside", version = "1", needs = {
    trib = { rate = "%(kind)s", count = %(count)d, play = true, capture = true, clock = true },
    %(bulk_need)s line = { rate = "STM-1", capture = true, alarms = true } } }
case "outside" { title = "Outside", time_limit = "5 min", run = function(test)
    local clock = { trib = {} }
    for _, c in ipairs(test:channels "trib") do
        clock.trib[c.number] = c.number %% 2 == 0 and %(ppm)d or -%(ppm)d
    end
    local seen = test:take { last = "%(ms)d ms", clock = clock, watch = { "line" },
        play = { trib = prbs "2^20-1" %(bulk_play)s }, expect = { trib = prbs "2^20-1" },
        record = { as = "all", "trib", %(bulk_record)s "line" } }
    test:check_arrival(seen, "trib")
    test:check_no_alarms(seen, "line")
end }
'''


def take(p, mapping, structure, kind, count, ppm, vc_ppm, tu_ppm, bulk):
    v = dict(mapping=mapping, kind=kind, count=count, ppm=ppm, vc_ppm=vc_ppm, tu_ppm=tu_ppm, ms=MS,
             numbering='{order: klm-order%s}' % (', route: AU-3, unit: TU-11'
                                                 if 'AU-3' in mapping else ''),
             bulk='  vc3: {adapter: mux, channels: [vc3-1], numbers: [%d]}\n' % bulk
                  if bulk else '',
             bulk_need='vc3 = { rate = "VC-3", count = 1, play = true, capture = true },'
                       if bulk else '',
             bulk_play=', vc3 = prbs "2^23-1"' if bulk else '',
             bulk_record='"vc3",' if bulk else '')
    bench = p.write('bench.yaml', BENCH % v)
    b.expect(p.run('run', p.write('c.lua', CAMPAIGN % v), '--bench', bench, '--build', 'A',
                   '--store', p.store, '--progress', 'none'), 0)
    folder = p.store + '.recordings'
    recording = os.path.join(folder, next(n for n in os.listdir(folder) if n.endswith('.pcapng')))
    # Which place each number has: by the program's own table, which has tests of its own.
    places = {c['number']: c['place'] for c in b.expect(
        p.run('numbering', '--bench', bench, '--role', 'trib', '--json', '--unit',
              'TU-12' if kind == 'E1' else 'TU-11'), 0).json()['roles'][0]['channels']}
    names = re.findall(r'^(\S+)\.(?:sent)\s', b.expect(p.run('recording', 'info', recording),
                                                      0).out, re.M)
    assert len(names) == count + bool(bulk), names

    def extract(channel):
        out = p.path('raw')
        b.expect(p.run('recording', 'extract', recording, '--channel', channel, '--raw', out), 0)
        return out

    os.rename(extract('line.received'), p.path('line'))
    subprocess.run(['/usr/bin/python3', DECODER, '--input', p.path('line'), '--out',
                    p.path('decoded'), '--structure', structure], check=True)
    with open(p.path('decoded/summary.json'), encoding='utf-8') as f:
        summary = json.load(f)
    sent = {}
    for name in names:
        place = places[int(name.split('-')[1])] if name.startswith('trib') else str(bulk)
        sent[place] = np.fromfile(extract(name + '.sent'), dtype=np.uint8)
    return summary, sent


def clean(parity, least):
    return parity['errored_blocks'] == 0 and parity['checked'] >= least


def judge(p, mapping, structure, kind, count, ppm, vc_ppm, tu_ppm, bulk=0):
    s, sent = take(p, mapping, structure, kind, count, ppm, vc_ppm, tu_ppm, bulk)
    assert s['frames'] == FRAMES and s['framing_errors'] == 0, s['frames']
    assert clean(s['b1'], FRAMES - 1) and clean(s['b2'], FRAMES - 1), (s['b1'], s['b2'])
    for path in s['paths']:
        assert clean(path['b3'], FRAMES - 16), path
    # High-order pointers: a VC at +vc_ppm gains a step of 1/783 of itself that often (8.1.3).
    want = 783 * FRAMES * vc_ppm * 1e-6
    high = [x['pointer'] for x in s['paths'] if x['name'] == 'vc4' or 'AU-3' in mapping]
    assert high and abs(want) > 5
    for pointer in high:
        assert abs(pointer['decrements'] - pointer['increments'] - want) <= 1.5, (want, pointer)
        assert not any(pointer[k] for k in BAD_POINTER), pointer
    units = {u['name']: u for u in s['units']}
    assert len(units) == count and set(sent) == set(units) | ({str(bulk)} if bulk else set())
    # The VC of port 2 is off against what carries it: a step of its TU pointer is one byte of the
    # 140 (TU-12) or 104 (TU-11) in 500 us (8.3).
    second, size = '1-1-2', 140 if kind == 'E1' else 104
    want = size * FRAMES / 4 * tu_ppm * 1e-6
    for name, u in units.items():
        steps = u['pointer']['decrements'] - u['pointer']['increments']
        assert abs(steps - (want if name == second else 0)) <= 1.5, (name, steps, want)
        assert not any(u['pointer'][k] for k in BAD_POINTER), (name, u['pointer'])
        assert clean(u['bip2'], FRAMES // 4 - 8), (name, u['bip2'])
        assert u['c_split'] == 0 and u['client'] == kind + ' asynchronous', u
    for name, given in sent.items():
        packed = np.fromfile(p.path('decoded/%s.bits' % name), dtype=np.uint8)
        bits, given = np.unpackbits(packed[:-1]), np.unpackbits(given)
        place = given.tobytes().find(bits.tobytes())
        assert place >= 0 and len(bits) > 0.97 * len(given), (name, place, len(bits), len(given))
        if name in units:
            # Justification carries the clock; the store may be 10 bits off, and a step of the
            # unit's own pointer (8 bits of the VC) may just have come or be due.
            u = units[name]
            per_vc = 4 * FRAME_BITS[kind]
            number = sorted(units).index(name) + 1  # by K-L-M
            own = ppm if number % 2 == 0 else -ppm
            carried = vc_ppm + (tu_ppm if name == second else 0)
            want = (own - carried) * 1e-6 * per_vc * u['count']
            off = u['bits'] - per_vc * u['count'] - want
            assert abs(off) <= 10 + 8 * (name == second), (name, want, u['bits'])


def test_63_e1(p):
    judge(p, 'AU-4/TU-12/E1', 'au4: 12', 'E1', 63, 50, 80, 90)


def test_84_t1(p):
    judge(p, 'AU-4/TU-11/T1', 'au4: 11', 'T1', 84, 32, -80, 90)


def test_84_t1_in_sts_1(p):
    judge(p, 'AU-3/TU-11/T1', 'au3: 11', 'T1', 84, 32, 80, -90)


def test_vc3_and_42_e1(p):
    judge(p, 'AU-4/TU-12/E1, AU-4/TU-12/E1, AU-4/TU-3/VC-3', 'au4: 12 | 12 | 3', 'E1', 42, 50, -80,
          90, bulk=3)


b.main()

#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Lines of the simulated unit in all its mappings and rates, read by the independent decoder: each
tributary's bits in the unit that its number says, parity, labels, traces, pointers that move with
the clocks of the containers, justification that carries those of the tributaries. Speaks TAP.

    test_unit_line.py LINE_DUMP GROUP
"""

import os
import subprocess
import sys
import tempfile

import numpy as np

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import sdh_decoder as d  # noqa: E402

DUMP, GROUP = sys.argv[1:3]
RESULTS = []
FRAME_BITS = {"E1": 256, "T1": 193, "VC-3": 6048, "VC-4": 18720}


def check(name, good, detail=""):
    RESULTS.append(bool(good))
    print("%s %d - %s" % ("ok" if good else "not ok", len(RESULTS), name))
    if not good:
        print("# %s" % (str(detail)[:1500],))


def dump(options, frames, ppm):
    with tempfile.TemporaryDirectory() as folder:
        command = [DUMP, folder, "A", "0", str(frames), "none"]
        command += ["+%d" % ppm] if ppm else []
        subprocess.run(command + options, check=True)
        files = {}
        for name in os.listdir(folder):
            with open(os.path.join(folder, name), "rb") as f:
                files[name[:-4]] = f.read()
        return files


def order(names, klm):
    """Numbers by first column: M slowest, then L, then K, AUG by AUG (G.707 Table 7-1); or by K-L-M
    (7.3.13)."""
    def key(name):
        p = [int(x) for x in name.split("-")]
        aug, (k, l, m) = (p[0], p[1:]) if len(p) == 4 else (1, p)
        return (aug, k, l, m) if klm else (aug, m, l, k)
    return sorted(names, key=key)


def clean(parity):
    return parity["errored_bits"] == 0 and parity["checked"] > 10


def line(title, structure, options, tributaries, frames=240, ppm=0, vc_ppm=0, vc_name=None,
         klm=False, which="line", line_ppm=0):
    """`tributaries`: file name of the input by place in order, for the units and then the bulk."""
    options = options + (["clock.vc4_ppm=%s" % vc_ppm] if vc_ppm else [])
    options = options + (["clock.line_ppm=%s" % line_ppm] if line_ppm else [])
    files = dump(options, frames, ppm)
    s, streams = d.decode(files[which], structure)
    check("%s: framing, B1, B2" % title, s["framing_errors"] == 0 and
          s["frames"] >= frames - (line_ppm != 0) and
          clean(s["b1"]) and clean(s["b2"]), (s["b1"], s["b2"]))
    check("%s: B3 and traces of %d paths" % (title, len(s["paths"])),
          all(clean(p["b3"]) and p["j1"]["text"].strip() == "evenlode" for p in s["paths"]))
    units = {u["name"]: u for u in s["units"]}
    check("%s: BIP-2, traces of %d units" % (title, len(units)), all(
        clean(u["bip2"]) and u["j2"]["text"].strip() == "evenlode" for u in units.values()))
    bulk = [n for n in streams if n not in units]
    names = order([n for n in streams if n in units], klm) + sorted(bulk)
    wrong = []
    for name, given in zip(names, tributaries):
        bits = np.unpackbits(np.frombuffer(files[given], dtype=np.uint8))
        got = streams[name]
        place = bits.tobytes().find(got.tobytes()) if len(got) else -1
        step = FRAME_BITS["VC-3" if "vc3" in given else "VC-4"] if name in bulk else 1
        if place < 0 or place % step or len(got) < len(bits) * (1 - 40 / frames):
            wrong.append((name, given, place, len(got), len(bits)))
    check("%s: all bits of %d tributaries" % (title, len(names)),
          not wrong and len(names) == len(tributaries), (len(names), wrong[:4]))
    if vc_ppm or line_ppm:
        # A step for each unit of 3 bytes (AU-3: 1) that the VC gains: 1/783 of it in both cases.
        want = 783 * frames * (vc_ppm - line_ppm) * 1e-6
        seen = [p["pointer"] for p in s["paths"] if p["vc"] == vc_name]
        check("%s: %.1f movements are due in each of %d paths" % (title, want, len(seen)),
              seen and all(abs(p["decrements"] - p["increments"] - want) <= 1.5 for p in seen),
              [(p["decrements"], p["increments"]) for p in seen])
    if ppm:
        off = []
        for i, name in enumerate(n for n in names if n in units):
            u = units[name]
            per_vc = 4 * FRAME_BITS[u["client"][:2]]
            index = int(tributaries[i].split("-")[-1]) - 1
            # VCs that are fast against the bench have room for fewer bits each.
            want = (ppm * (1 - index % 3) - vc_ppm) * 1e-6 * per_vc * u["count"]
            net = u["bits"] - per_vc * u["count"]
            if abs(net - want) > 10:  # bits that the store may be off at either end
                off.append((name, net, want))
        check("%s: justification of the clocks" % title, not off, off[:4])


def count(kind, n, first=1):
    return ["in-%s%d" % (kind, i) for i in range(first, first + n)]


def e1():
    line("63 E1", "au4: 12", [], count("", 63))
    line("63 E1 by K-L-M", "au4: 12", ["numbering=klm-order"], count("", 63), klm=True)
    line("63 E1, all clocks off", "au4: 12", [], count("", 63), 1200, 50, 90, "VC-4")
    line("63 E1, the line and all clocks off", "au4: 12", [], count("", 63), 1200, 50, -20, "VC-4",
         line_ppm=50)
    line("63 E1 by AU-3", "au3: 12", ["mapping=AU-3/TU-12/E1"], count("", 63), 400)


def t1():
    line("84 T1", "au4: 11", ["mapping=AU-4/TU-11/T1"], count("", 84))
    line("84 T1, clocks off", "au4: 11", ["mapping=AU-4/TU-11/T1"], count("", 84), 960, 32, -80,
         "VC-4")
    line("84 T1 by AU-3, clocks off", "au3: 11", ["mapping=AU-3/TU-11/T1"], count("", 84), 960, 32,
         80, "VC-3")
    line("second line of 84 T1", "au4: 11", ["lines=2", "mapping=AU-4/TU-11/T1"],
         count("", 84, 85), which="line-2")


def mixed():
    line("42 E1 and a VC-3", "au4: 12 | 12 | 3",
         ["mapping=AU-4/TU-12/E1, AU-4/TU-12/E1, AU-4/TU-3/VC-3"],
         count("", 42) + ["in-vc3-1"])
    line("VC-3, 28 T1, 21 E1 by AU-3", "au3: 3 | 11 | 12",
         ["mapping=AU-3/VC-3, AU-3/TU-11/T1, AU-3/TU-12/E1", "numbering=klm-order"],
         count("t1-", 28) + count("e1-", 21) + ["in-vc3-1"], klm=True)
    line("three VC-3", "au4: 3", ["mapping=AU-4/TU-3/VC-3"], count("vc3-", 3))
    line("a VC-4", "vc4", ["mapping=AU-4/VC-4"], count("vc4-", 1))


def stm4():
    line("252 E1 on an STM-4", "4x au4: 12", ["rate=STM-4"], count("", 252), 160)
    line("336 T1 on an STM-4", "4x au4: 11", ["rate=STM-4", "mapping=AU-4/TU-11/T1"],
         count("", 336), 160)


{"e1": e1, "t1": t1, "mixed": mixed, "stm4": stm4}[GROUP]()
print("1..%d" % len(RESULTS))
sys.exit(0 if all(RESULTS) else 1)

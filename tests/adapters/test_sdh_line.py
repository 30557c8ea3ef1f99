#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Lines of the general SDH encoder, judged by the independent decoder: every client's bits, all
parity, labels, traces, pointers and their movements, and justification. Speaks TAP.

    test_sdh_line.py SDH_DUMP GROUP

SDH_DUMP is tests/frame/sdh_dump.c; GROUP one of those at the end.
"""

import json
import os
import subprocess
import sys
import tempfile

import numpy as np

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import sdh_decoder as d  # noqa: E402

DUMP, GROUP = sys.argv[1:3]
RESULTS = []
BAD_POINTER = ("new_data_flags", "new_values", "invalid", "all_ones", "disagreements")
BEFORE = 64  # frames, until pointers move
# Labels: C2 04 in VC-3 (10.1.2), 01 equipped or any of the list in VC-4; V5 010 and 100 (9.3.2.1).
FRAME_BITS = {"E1": 256, "T1": 193}


def check(name, good, detail=""):
    RESULTS.append(bool(good))
    print("%s %d - %s" % ("ok" if good else "not ok", len(RESULTS), name))
    if not good:
        print("# %s" % (str(detail)[:3000],))


KINDS = {"E1": "E1 asynchronous", "T1": "T1 asynchronous", "VC-3": "bulk", "VC-4": "bulk",
         "VC-4-4c": "bulk"}


def name_of(c, stm):
    front = "%d-" % c["aug"] if stm > 1 and c["kind"] != "VC-4-4c" else ""
    if c["kind"] in ("VC-4", "VC-4-4c"):
        return front + c["kind"].lower().replace("-", "", 1)
    return front + ("%d" % c["k"] if c["kind"] == "VC-3" else "%(k)d-%(l)d-%(m)d" % c)


def structure_of(the_map):
    """The map in the decoder's words; a TUG-2 without clients counts as one of TU-12."""
    augs = []
    if "AU-4-4c" in the_map["augs"]:
        return "vc4-4c"
    for a, au in enumerate(the_map["augs"], start=1):
        here = [c for c in the_map["clients"] if c["aug"] == a]
        if any(c["kind"] == "VC-4" for c in here):
            augs.append("vc4")
            continue
        parts = []
        for k in (1, 2, 3):
            if any(c["k"] == k and c["kind"] == "VC-3" for c in here):
                parts.append("3")
                continue
            words = []
            for l in range(1, 8):
                c = next((c for c in here if (c["k"], c["l"]) == (k, l)),
                         {"tu11": False, "kind": ""})
                words.append("11" if c["tu11"] else "12v11" if c["kind"][:2] == "T1" else "12")
            parts.append(" ".join(words))
        augs.append({"AU-4": "au4: ", "AU-3": "au3: "}[au] + " | ".join(parts))
    return ";".join(augs)


class Line:
    def __init__(self, scenario, frames, *options):
        with tempfile.TemporaryDirectory() as folder:
            subprocess.run([DUMP, folder, scenario, str(frames), "--data", "random", *options],
                           check=True)
            with open(folder + "/map.json", encoding="ascii") as f:
                self.map = json.load(f)
            with open(folder + "/line.raw", "rb") as f:
                self.line = f.read()
            inputs = [np.fromfile("%s/in-%d.raw" % (folder, c["client"]), dtype=np.uint8)
                      for c in self.map["clients"]]
        self.name = " ".join([scenario, *options])
        self.frames = frames
        self.structure = structure_of(self.map)
        self.summary, self.streams = d.decode(self.line, self.structure)
        named = {x["name"]: x for x in self.summary["paths"] + self.summary["units"]}
        self.clients = []  # (name, as the decoder saw it, what was put in, as the map says)
        for c, given in zip(self.map["clients"], inputs):
            name = name_of(c, self.map["stm"])
            self.clients.append((name, named[name], given, c))
        self.names = {name for name, _, _, _ in self.clients}


def clean(parity, least):
    return parity["errored_blocks"] == 0 and parity["checked"] >= least


def good_trace(t, long_trace):
    if long_trace:
        return (t["kind"], t["text"], t["marker_errors"]) == (
            "64 bytes", "An invented place, line 1", 0)
    return (t["kind"] == "16 bytes" and t["crc_errors"] == t["marker_errors"] == 0 and
            t["text"] == "evenlode".ljust(15))


def overhead(l, long_trace=False):
    s, least = l.summary, l.frames - 16
    section = s["section"]
    check("%s: begins with A1, framing" % l.name,
          s["start_bit"] == 0 and s["frames"] == l.frames and s["framing_errors"] == 0)
    check("%s: B1, B2" % l.name, clean(s["b1"], l.frames - 1) and clean(s["b2"], l.frames - 1),
          (s["b1"], s["b2"]))
    check("%s: K2, M1, J0" % l.name, set(section["k2"]) == {"00"} and section["m1_rei"] == 0 and
          good_trace(section["j0"], long_trace), section)
    bad = []
    for i, p in enumerate(s["paths"]):
        bulk = p.get("client") == "bulk"
        good = [clean(p["b3"], least), p["g1_rei"] == p["g1_rdi"] == 0,
                set(p["c2"]) == {("04" if p["vc"] == "VC-3" else "01") if bulk else "02"},
                bulk or p["h4_sequence_errors"] == 0, p.get("unequal_stuff", 0) == 0,
                good_trace(p["j1"], long_trace and i == 0),
                set(p.get("row4", {"93"})) == {"93"}, set(p.get("row4_h2", {"FF"})) == {"FF"},
                all(set(row[0]) == {"93"} and set(row[1]) == {"E0"}
                    for row in p.get("npi", {}).values())]
        if not all(good):
            bad.append((good, p))
    check("%s: B3, C2, G1, H4, J1 of %d paths" % (l.name, len(s["paths"])), not bad, bad)
    bad = []
    for u in s["units"]:
        if u["name"] not in l.names:  # nothing in it: unequipped, V5 label 000
            good = [clean(u["bip2"], l.frames // 4 - 8), set(u["label"]) == {"0"}]
            bad += [] if all(good) else [(good, u)]
            continue
        label = {"asynchronous": "2", "byte-synchronous": "4"}.get(u["client"].split()[-1])
        good = [clean(u["bip2"], l.frames // 4 - 8), u["rei"] == u["rdi"] == u["rfi"] == 0,
                label is not None and set(u["label"]) == {label}, good_trace(u["j2"], False),
                u.get("c_split", 0) == 0, u.get("stuff_parity_errors", 0) == 0]
        if not all(good):
            bad.append((good, u))
    if s["units"]:
        check("%s: BIP-2, V5, J2 of %d tributaries" % (l.name, len(s["units"])), not bad,
              (len(bad), bad[:1]))


def bits(l):
    """The decoded bits stand in the input without a gap; where the mapping keeps the client's
    frame, or the place in the container, they begin at one."""
    wrong = []
    for name, unit, given, c in l.clients:
        got, given = l.streams[name], np.unpackbits(given)
        place = given.tobytes().find(got.tobytes()) if len(got) else -1
        step = FRAME_BITS[c["kind"][:2]] if "byte" in c["kind"] else (
            len(given) // l.frames if c["kind"][:2] == "VC" else 1)
        # The start of a line is lost to the pointers, the end to the delay of the encoder.
        least = len(given) * (1 - 34 / l.frames)
        kind = KINDS.get(c["kind"], c["kind"])
        if unit["client"] != kind or place < 0 or place % step or len(got) < least:
            wrong.append((name, unit["client"], place, len(got), len(given)))
    check("%s: all bits of %d clients" % (l.name, len(l.clients)),
          not wrong and len(l.clients) > 0, (len(wrong), wrong[:5]))


def planned(l, n):
    """Movements by the dump's rule: up for even places, down for odd ones, counted from 0."""
    plan = {}
    for aug, au in enumerate(l.map["augs"]):
        if au == "AU-4-4c":
            return {("high", "vc4-4c"): n}
        names = ["1", "2", "3"] if au == "AU-3" else ["vc4"]
        for i, name in enumerate(names):
            front = "%d-" % (aug + 1) if l.map["stm"] > 1 else ""
            plan["high", front + name] = n if (3 * aug + i) % 2 == 0 else -n
    for i, (name, unit, _, _) in enumerate(l.clients):
        plan.setdefault(("client", name), n if i % 2 == 0 else -n)
    return plan


def pointers(l, n):
    """Each pointer moves as planned after frame 64 and is quiet otherwise. SS: 10 in AU-4, AU-3 and
    TU-3 (SONET 00), 10 in TU-12, 11 in TU-11 (8.1 to 8.3)."""
    plan, wrong, moving = planned(l, n), [], 0
    all_of_them = [("client" if p["vc"] == "VC-3" and "unequal_stuff" not in p else "high", p)
                   for p in l.summary["paths"]] + [("client", u) for u in l.summary["units"]]
    for level, p in all_of_them:
        pointer, moves = p["pointer"], plan.get((level, p["name"]), 0)
        size = (783 if level == "high" else 765 if p.get("vc") == "VC-3" else
                104 if p["tu"] == "TU-11" else 140)
        want = {"increments": max(moves, 0), "decrements": max(-moves, 0)}
        values = [int(v) for v in pointer["values"]]  # in the order of time
        ss = "11" if size == 104 else "00" if level == "high" and l.map["sonet"] else "10"
        at = [e[0] for e in pointer["events"]]
        apart = all(b - a > 3 for a, b in zip(at, at[1:]))  # at least three units between (8.1.3)
        good = [{k: pointer[k] for k in want} == want, not any(pointer[k] for k in BAD_POINTER),
                values == [(values[0] + i * (1 if moves > 0 else -1)) % size
                           for i in range(abs(moves) + 1)],
                set(pointer["ss"]) == {ss}, apart,
                level != "high" or not at or at[0] >= BEFORE]
        moving += moves != 0
        if not all(good):
            wrong.append((p["name"], moves, good, pointer))
    check("%s: %d pointers, %d of them move" % (l.name, len(all_of_them), moving),
          not wrong, (len(wrong), wrong[:2]))


def clocks(l, ppm, moves):
    """C1 and C2 carry the clock: bits more or fewer than nominal in the VCs seen are those of the
    client's clock, and of the movements: a step is bits of the VC, of which the client has its
    share. The store may be some bits from its level at either end: ten are allowed (the encoder's
    choice; a client's clock makes 17 to 28 in the long lines)."""
    plan, wrong, seen = planned(l, moves), [], 0
    for i, (name, u, _, c) in enumerate(l.clients):
        if c["kind"] not in ("E1", "T1"):
            continue
        per_vc = 4 * FRAME_BITS[c["kind"]]
        net = u["bits"] - per_vc * u["count"]
        steps = plan["client", name] * 8 * per_vc / (1120 if c["kind"] == "E1" else 832)
        if c["kind"] == "T1" and not c["tu11"]:
            steps *= 104 / 140  # a byte of the TU-12's VC is less time
        high = {"au4": "vc4", "au3": "%d" % c["k"]}[u["route"]]
        front = "%d-" % c["aug"] if l.map["stm"] > 1 else ""
        high_steps = plan["high", front + high]
        # Three bytes of the VC-4 of 9396 in 500 us, or one of the AU-3's 3132.
        steps += high_steps * 8 * per_vc / 8 / 3132
        want = ppm * (1 - i % 3) * 1e-6 * per_vc * u["count"] + steps
        if abs(net - want) > 10 or net != u["extra"] - u["missing"]:
            wrong.append((name, c["kind"], net, want, u["extra"], u["missing"]))
        seen += 1
    check("%s: justification of %d clients" % (l.name, seen), not wrong and seen,
          (len(wrong), wrong[:5]))


def line(scenario, frames=200, moves=0, ppm=0, long_trace=False, edge=True):
    options = ["--pointer-moves", str(moves)] if moves else []
    options += ["--ppm", str(ppm)] if ppm else []
    options += ["--trace", "long"] if long_trace else []
    options += ["--pointers", "edge"] if edge else []
    l = Line(scenario, frames, *options)
    overhead(l, long_trace)
    bits(l)
    pointers(l, moves)
    if ppm:
        clocks(l, ppm, moves)


def single_error():
    """One inverted bit in a data byte of TU-11 1-1-1 (VC-4 column 94, 7.3): one error in each
    parity over it, and that client alone is not found any more."""
    l = Line("84t1", 200)
    line = bytearray(l.line)
    # AU pointer 522: J1 in row 1, column 10; VC-4 column 94 is column 103. With TU pointer 78 the
    # VC begins behind V1, so that byte 13 of the TU is byte 13 of a quarter: data.
    line[150 * 2430 + (5 - 1) * 270 + 103 - 1] ^= 0x10
    s, streams = d.decode(bytes(line), l.structure)
    hit = [(u["name"], u["bip2"]["errored_bits"]) for u in s["units"] if u["bip2"]["errored_bits"]]
    check("one wrong bit: one error in B1, B2, B3 and BIP-2 of 1-1-1",
          [x["errored_bits"] for x in (s["b1"], s["b2"], s["paths"][0]["b3"])] == [1, 1, 1] and
          hit == [("1-1-1", 1)], (s["b1"], s["b2"], s["paths"][0]["b3"], hit))
    changed = [n for n in streams if (streams[n] != l.streams[n]).any()]
    check("one wrong bit: in the bits of 1-1-1 alone, and only one", changed == ["1-1-1"] and
          (streams["1-1-1"] != l.streams["1-1-1"]).sum() == 1, changed)


def vc_clock(scenario, ppm, frames=960):
    """High-order VCs that are faster than the line: a decrement for each 1/783 of a VC (8.1.4)."""
    l = Line(scenario, frames, "--vc-ppm", str(ppm), "--ppm", "50")
    overhead(l)
    bits(l)
    want = 783 * frames * ppm * 1e-6
    moves = [p["pointer"] for p in l.summary["paths"]]
    check("%s: %.1f decrements are due in every path" % (l.name, want), moves and all(
        abs(m["decrements"] - want) <= 1 and m["increments"] == 0 and
        not any(m[k] for k in BAD_POINTER) for m in moves), moves)


GROUPS = {
    "e1": lambda: (line("63e1", edge=False), line("63e1", 1200, moves=2, ppm=90), line("63e1-byte"),
                   vc_clock("63e1", 80)),
    "t1": lambda: (single_error(), line("84t1"), line("84t1", 960, moves=2, ppm=90),
                   line("63t1", 960, moves=1, ppm=90)),
    "t1_au3": lambda: (line("au3", long_trace=True), line("au3", 960, moves=2, ppm=90),
                       vc_clock("au3", 80)),
    "mixed": lambda: (line("mixed", edge=False), line("mixed", 960, moves=2, ppm=90),
                      line("au3mix", 960, moves=2, ppm=90)),
    "bulk": lambda: (line("3vc3", moves=2), line("vc4", moves=2, long_trace=True),
                     line("vc4-4c", moves=2)),
    "stm4": lambda: (line("stm4"), line("stm4mix", 400, moves=3, ppm=90), line("stm4-t1")),
}
GROUPS[GROUP]()
print("1..%d" % len(RESULTS))
sys.exit(0 if all(RESULTS) else 1)

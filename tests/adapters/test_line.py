#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""The line of the software multiplexer, judged by the independent decoder: 63 different patterns go
in, every one must be found bit by bit in its own TU-12, and all overhead must be right. Speaks TAP.

    test_line.py LINE_DUMP ENCODE_DUMP

LINE_DUMP plays into the multiplexer, ENCODE_DUMP is its encoder alone with pointers that move.
"""

import os
import subprocess
import sys
import tempfile

import numpy as np

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import stm1_decoder as d  # noqa: E402

DUMP, ENCODE = sys.argv[1:3]
FRAME_NS = 125000
FAULT = "builds.B.faults[0]."
RESULTS = []


def check(name, good, detail=""):
    RESULTS.append(bool(good))
    print("%s %d - %s" % ("ok" if good else "not ok", len(RESULTS), name))
    if not good:
        print("# %s" % (detail,))


def dump(options=(), build="B", at_ns=0, frames=192, inject="none"):
    return collect(lambda folder: [DUMP, folder, build, str(at_ns), str(frames), inject, *options])


def collect(command):
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(command(folder), check=True)
        inputs = [np.fromfile("%s/in-%d.raw" % (folder, n), dtype=np.uint8) for n in range(1, 64)]
        with open(folder + "/line.raw", "rb") as f:
            return f.read(), [np.unpackbits(i) for i in inputs]


def port_of(counts, order):
    return counts["klm_order" if order == "klm-order" else "column_order"]


def find(part, whole, hint=None):
    """Where `part` begins in `whole`, bit by bit; None when it is not there. The patterns do not
    repeat within a take, so there is no second place; `hint` is looked at first."""
    probe = 64
    if len(part) < 4096:
        return None
    n = len(whole) - len(part) + 1
    if hint is not None and hint < n and (whole[hint : hint + len(part)] == part).all():
        return hint
    hit = np.ones(max(n, 0), dtype=bool)
    for i in range(probe):
        hit &= whole[i : i + n] == part[i]
    places = [p for p in np.flatnonzero(hit) if (whole[p : p + len(part)] == part).all()]
    return places[0] if places else None


def clean(parity, blocks):
    return parity == {"checked": blocks, "errored_blocks": 0, "errored_bits": 0}


def check_overhead(name, s, frames):
    """Everything that G.707 fixes for a healthy line with 63 VC-12."""
    lines = {
        "framing": s["framing_errors"] == 0,
        "B1": clean(s["b1"], frames - 1),
        "B2": clean(s["b2"], frames - 1),
        "B3": clean(s["vc4"]["b3"], s["vc4"]["count"] - 1) and s["vc4"]["count"] >= frames - 5,
        "Y bytes": set(s["section"]["y_bytes"]) == {"93"},
        "all-ones bytes of row 4": set(s["section"]["one_bytes"]) == {"FF"},
        "no MS-AIS, no MS-RDI": set(s["section"]["k2"]) == {"00"},
        "no REI or RDI": s["section"]["m1_rei"] == s["vc4"]["g1_rei"] == s["vc4"]["g1_rdi"] == 0,
        "C2": set(s["vc4"]["c2"]) == {"02"},
        "H4": s["vc4"]["h4_sequence_errors"] == 0,
        "J0": good_trace(s["section"]["j0"]),
        "J1": good_trace(s["vc4"]["j1"]),
        "AU-4 pointer": good_pointer(s["au_pointer"], 782),
    }
    for what, good in lines.items():
        check("%s: %s" % (name, what), good, s)
    bad = [t["klm"] for t in s["tributaries"] if not (
        good_pointer(t["pointer"], 139) and clean(t["bip2"], t["vc12"] - 1) and
        t["vc12"] >= s["vc4"]["count"] // 4 - 5 and set(t["label"]) == {"2"} and
        t["rei"] == t["rdi"] == t["rfi"] == 0 and t["c1_split"] == t["c2_split"] == 0 and
        t["s1_data"] == 0 and t["s2_data"] == t["vc12"] and good_trace(t["j2"]))]
    check("%s: TU-12 pointers, BIP-2, labels, J2 and justification of all 63" % name, not bad, bad)


def good_trace(t):
    return (t["kind"] == "16 bytes" and t["crc_errors"] == t["marker_errors"] == 0 and
            t["text"] == "evenlode".ljust(15))


def good_pointer(p, highest):
    quiet = all(p[k] == 0 for k in ("increments", "decrements", "new_data_flags", "new_values",
                                    "invalid", "all_ones", "disagreements"))
    # SS = 10 for AU-4 and TU-12 (8.1, 8.3).
    return (quiet and len(p["values"]) == 1 and set(p["ss"]) == {"10"} and
            0 <= int(next(iter(p["values"]))) <= highest)


def check_payload(name, s, streams, inputs, order, frames):
    """Each TU-12 carries exactly the bits of its port; all at the same place in time."""
    wrong, places, place = [], set(), None
    for t in s["tributaries"]:
        place = find(streams[t["klm"]], inputs[port_of(t, order) - 1], place)
        places.add(place)
        if place is None or len(streams[t["klm"]]) < (frames - 24) * 256:
            wrong.append(t["klm"])
    check("%s: all bits of 63 tributaries" % name, not wrong and len(places) == 1, (wrong, places))


def healthy():
    for order in ("column-order", "klm-order"):
        line, inputs = dump(["numbering=" + order])
        s, streams = d.decode(line)
        check("%s: the line begins with A1" % order, s["start_bit"] == 0, s["start_bit"])
        check_overhead(order, s, 192)
        check_payload(order, s, streams, inputs, order, 192)


def any_alignment():
    for bits in (1, 13577, 19440 + 4001):
        line, inputs = dump([FAULT + "kind=line-delay", FAULT + "bits=%d" % bits])
        start = bits % d.FRAME_BITS
        s, streams = d.decode(line)
        name = "line delayed by %d bits" % bits
        check(name + ": frame found there", s["start_bit"] == start, s["start_bit"])
        check_overhead(name, s, s["frames"])
        check_payload(name, s, streams, inputs, "column-order", 180)
        again, same = d.decode(line, str(start))
        check(name + ": the same with the alignment given",
              again["frames"] == s["frames"] and all((same[k] == streams[k]).all() for k in same))


def pointers():
    """Any pointer value, and pointers that move (G.707 8.1.3, 8.3.3: an inverted I or D word, then
    the new value; at least three units between): no bit may be lost, no parity wrong."""
    moved = {"increments": 0, "decrements": 0}
    for au, tu, moves in ((0, 0, {"au+": 3}), (86, 35, {"au-": 3}), (521, 34, {"tu+": 3}),
                          (782, 139, {"au+": 2, "tu-": 4}), (1, 104, {"au-": 2, "tu+": 1})):
        settings = ["au=%d" % au, "tu=%d" % tu] + ["%s=%d" % m for m in moves.items()]
        line, inputs = collect(lambda folder: [ENCODE, folder, "192", *settings])
        s, streams = d.decode(line)
        name = "pointers " + " ".join(settings)
        t8 = next(t for t in s["tributaries"] if t["column_order"] == 8)
        for which, pointer, first, modulus in (("au", s["au_pointer"], au, 783),
                                               ("tu", t8["pointer"], tu, 140)):
            want = dict(moved, increments=moves.get(which + "+", 0),
                        decrements=moves.get(which + "-", 0))
            last = (first + want["increments"] - want["decrements"]) % modulus
            quiet = all(pointer[k] == 0 for k in ("new_data_flags", "new_values", "invalid",
                                                  "all_ones", "disagreements"))
            check("%s: %s from %d to %d" % (name, which, first, last),
                  quiet and {k: pointer[k] for k in want} == want and
                  {str(first), str(last)} <= set(pointer["values"]), pointer)
        parity = [s["b1"], s["b2"], s["vc4"]["b3"]] + [t["bip2"] for t in s["tributaries"]]
        check(name + ": no parity error", not any(p["errored_bits"] for p in parity), parity)
        check(name + ": H4", s["vc4"]["h4_sequence_errors"] == 0)
        wrong = [t["klm"] for t in s["tributaries"]
                 if find(streams[t["klm"]], inputs[t["column_order"] - 1]) is None]
        check(name + ": all bits of 63 tributaries", not wrong, wrong)


def phases():
    """Multiframe and trace phases are functions of time: frame n since 0."""
    for first in (0, 3, 8, 70):
        line, inputs = dump(at_ns=first * FRAME_NS, frames=64)
        s, streams = d.decode(line)
        check("J0 of a take from frame %d on" % first,
              s["section"]["j0"]["start_phase"] == -first % 16, s["section"]["j0"])
        check_payload("take from frame %d on" % first, s, streams, inputs, "column-order", 64)


def single_error():
    """One inverted bit in TU-12 1-1-1, data of VC-12: one error in each parity, nothing else."""
    line, inputs = dump()
    raw = np.unpackbits(np.frombuffer(line, dtype=np.uint8))
    clean_summary, _ = d.decode(line)
    # Frame 60, VC-4 row 5 column 10 lies in the 1-1-1 columns with J1 at row 1 column 10 (AU
    # pointer 522): STM-1 column 9 + 10.
    check("the AU-4 pointer is 522 (6A 0A)", list(clean_summary["au_pointer"]["values"]) == ["522"])
    raw[60 * d.FRAME_BITS + ((5 - 1) * 270 + 18) * 8 + 3] ^= 1
    s, streams = d.decode(np.packbits(raw).tobytes())
    hit = [t for t in s["tributaries"] if t["bip2"]["errored_bits"]]
    check("one wrong bit: B1, B2, B3 count one each",
          [x["errored_bits"] for x in (s["b1"], s["b2"], s["vc4"]["b3"])] == [1, 1, 1], s)
    check("one wrong bit: BIP-2 of 1-1-1 alone counts one",
          [(t["klm"], t["bip2"]["errored_bits"]) for t in hit] == [("1-1-1", 1)], hit)
    check("one wrong bit: that tributary is not found any more, the others are",
          [find(streams[t["klm"]], inputs[t["column_order"] - 1]) is None
           for t in s["tributaries"]] == [t["klm"] == "1-1-1" for t in s["tributaries"]])


def ais():
    """AIS that was injected, as the standard words it (G.707 6.2.4.1, 9.2.2, 8.3)."""
    line, _ = dump(inject="12@4")
    s, _ = d.decode(line)
    ones = {t["column_order"]: t["pointer"]["all_ones"] for t in s["tributaries"]}
    check("TU-AIS on trib-5: all-ones pointer there and nowhere else",
          [n for n in ones if ones[n]] == [5] and ones[5] >= 40, ones)
    rdi = {t["column_order"]: t["rdi"] for t in s["tributaries"]}
    check("TU-AIS on trib-5: no RDI elsewhere", not [n for n in rdi if rdi[n] and n != 5], rdi)
    line, _ = dump(inject="6@63")
    plain = (np.frombuffer(line, dtype=np.uint8).reshape(-1, d.FRAME_BYTES)
             ^ d.scrambler_mask()).reshape(-1, 9, 270)
    check("AU-AIS: the whole AU-4 and its pointer are ones, the section is not",
          (plain[8:, :, 9:] == 0xFF).all() and (plain[8:, 3, :9] == 0xFF).all() and
          not (plain[8:, 8, 6] & 0xFF == 0xFF).all() and (plain[:, 0, 0] == 0xF6).all())
    line, _ = dump(inject="4@63")
    plain = (np.frombuffer(line, dtype=np.uint8).reshape(-1, d.FRAME_BYTES)
             ^ d.scrambler_mask()).reshape(-1, 9, 270)
    check("MS-AIS: all but the RSOH is ones",
          (plain[8:, 3:, :9] == 0xFF).all() and (plain[8:, :, 9:] == 0xFF).all() and
          (plain[:, 0, 0:3] == 0xF6).all() and (plain[:, 0, 3:6] == 0x28).all())


def far_end():
    """With its line input lost the unit sends MS-RDI, HP-RDI and LP-RDI (9.2.2, 9.3.1.4, 9.3.2.1),
    all within 4 ms (LOS, then AIS seen in 3 multiframes), and its line is healthy all the same."""
    line, inputs = dump([FAULT + "kind=line-loss", FAULT + "at=0 s", FAULT + "for=1 s"])
    s, streams = d.decode(line)
    rdi = s["section"]["k2"].get("06", 0)
    check("lost line: MS-RDI", s["frames"] - 32 <= rdi < s["frames"], s["section"]["k2"])
    check("lost line: HP-RDI", s["vc4"]["g1_rdi"] >= s["vc4"]["count"] - 32, s["vc4"]["g1_rdi"])
    rdi = [(t["rdi"], t["vc12"]) for t in s["tributaries"]]
    check("lost line: LP-RDI on all 63", all(r >= n - 8 > 8 for r, n in rdi), rdi)
    check_payload("lost line", s, streams, inputs, "column-order", 192)


for part in (healthy, any_alignment, pointers, phases, single_error, ais, far_end):
    part()
print("1..%d" % len(RESULTS))
sys.exit(0 if all(RESULTS) else 1)

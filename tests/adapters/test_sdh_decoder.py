#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Checks of the independent decoder sdh_decoder.py on lines that sdh_builder.py puts together byte
by byte, so that what it later says about a line can be believed. Speaks TAP."""

import os
import sys

import numpy as np

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import sdh_builder as b  # noqa: E402
import sdh_decoder as d  # noqa: E402

RESULTS = []
QUIET = ("new_data_flags", "new_values", "invalid", "all_ones", "disagreements")


def check(name, good, detail=""):
    RESULTS.append(bool(good))
    print("%s %d - %s" % ("ok" if good else "not ok", len(RESULTS), name))
    if not good:
        print("# %s" % (detail,))


TRACE64 = b"A long trace of an invented exchange".ljust(62, b"\0") + b"\r\n"
# A CRC-7 published on the mailing list of a general-purpose library: 62.
SHORT = b"\xe2123456789ABCDEF"


def low_order(kinds, route, rng, owners, units, k, moves=True):
    """Fills `owners` with the TU of TUG-3 or AU-3 number k; kinds: seven words as in a
    structure."""
    for l, word in enumerate(kinds, start=1):
        for m in range(1, (3 if word[:2] == "12" else 4) + 1):
            pick = int(rng.integers(4))
            kind = ("e1" if word == "12" else "t1") + ("-byte" if pick == 0 else "")
            justify = {int(n): int(rng.choice([-1, 1])) for n in rng.integers(0, 12, 4)}
            if pick == 0:
                justify = {}
            vc = b.Vc1(kind, rng, SHORT, justify, wide=word == "12v11")
            quarter = 26 if word == "11" else 35
            value = int(rng.choice([0, 3 * quarter, 4 * quarter - 1, rng.integers(4 * quarter)]))
            plan = {4 + int(rng.integers(2)): int(rng.choice([-1, 1]))} if moves and pick else {}
            tu = b.Tu1(quarter, vc, value, plan)
            # Columns as in the published samples (see columns()), one after the other.
            for x, column in enumerate(d.tu_columns(route, word[:2], k, l, m), start=1):
                assert column not in owners
                owners[column] = (tu, x)
            units.append(((k, l, m), kind, vc, tu, plan, word))


def vc4_of(structure_parts, rng, units, bulks):
    owners = {}
    for k, part in enumerate(structure_parts, start=1):
        if part == "3":
            bulk = b.Bulk(rng)
            tu3 = b.Tu3(b.Vc34(85, bulk, TRACE64 if k == 2 else SHORT, c2=4),
                        int(rng.choice([0, 764, rng.integers(765)])), {20: 1, 30: -1})
            bulks.append((str(k), bulk, tu3))
            for x in range(1, 87):
                owners[4 + (k - 1) + 3 * (x - 1)] = (tu3, x)
        else:
            owners[3 + k] = ([0x9B, 0xE0] + [0] * 7, 0)
            owners[6 + k] = ([0] * 9, 0)
            low_order(part, "au4", rng, owners, units, k)
    owners.update({2: ([0] * 9, 0), 3: ([0] * 9, 0)})
    return b.Columns(owners)


def vc3_of(part, rng, units, bulks, a):
    if part == "3":
        bulk = b.Bulk(rng)
        bulks.append((str(a), bulk, None))
        return b.Vc34(87, bulk, SHORT, c2=4)
    owners = {}
    low_order(part, "au3", rng, owners, units, a)
    return b.Vc34(87, b.Columns(owners), SHORT)


def build_aug(text, rng, units, bulks, j1=SHORT, moves=None):
    route, parts = d.parse_structure(text)[0]
    pointers = rng.integers(783, size=3)
    if route == "au3":
        return [b.Au(vc3_of(p, rng, units, bulks, a), 783, 1, int(pointers[a - 1]), moves)
                for a, p in enumerate(parts, start=1)]
    if parts is None:
        bulk = b.Bulk(rng)
        bulks.append(("vc4", bulk, None))
        vc = b.Vc34(261, bulk, j1, c2=0x16)
    else:
        vc = b.Vc34(261, vc4_of(parts, rng, units, bulks), j1)
    return [b.Au(vc, 9 * 261, 3, int(rng.choice([0, 522, 782, pointers[0]])), moves)]


def find(part, whole):
    """True when the bits `part` stand in the bits `whole`, and are not few."""
    if len(part) < 1000:
        return False
    text, pattern = bytes(whole), bytes(int(x) for x in part)
    return pattern in text


def clean(parity, least):
    return parity["errored_bits"] == 0 and parity["checked"] >= least


def moved(pointer, plan):
    want = {"increments": sum(v > 0 for v in plan.values()),
            "decrements": sum(v < 0 for v in plan.values())}
    return all(pointer[k] == want[k] for k in want) and not any(pointer[k] for k in QUIET)


def check_line(name, text, s, streams, units, bulks, frames, prefix=""):
    check("%s: framing, B1, B2" % name, s["framing_errors"] == 0 and clean(s["b1"], frames - 1) and
          clean(s["b2"], frames - 1), (s["b1"], s["b2"]))
    by_name = {u["name"]: u for u in s["units"]}
    paths = [p for p in s["paths"] if p["name"].startswith(prefix)]
    bad = [p["name"] for p in paths if not clean(p["b3"], frames - 16) or
           any(p["pointer"][k] for k in QUIET) or p.get("unequal_stuff", 0)]
    check("%s: pointers and B3 of %d paths" % (name, len(paths)), not bad and paths, bad)
    wrong, why = [], []
    for (k, l, m), kind, vc, tu, plan, word in units:
        u = by_name["%s%d-%d-%d" % (prefix, k, l, m)]
        client = {"e1": "E1", "t1": "T1"}[kind[:2]] + (
            " byte-synchronous" if kind.endswith("byte") else " asynchronous")
        good = [u["client"] == client, find(streams[u["name"]], vc.client.taken),
                clean(u["bip2"], 4), moved(u["pointer"], plan), u["j2"]["marker_errors"] == 0,
                u.get("stuff_parity_errors", 0) == 0]
        if not all(good):
            wrong.append(u["name"])
            why.append((good, u))
    check("%s: bits, BIP-2, pointers of %d tributaries" % (name, len(units)), not wrong,
          (wrong, why[:1]))
    for bulk_name, bulk, tu3 in bulks:
        check("%s: payload of %s%s" % (name, prefix, bulk_name),
              find(streams[prefix + bulk_name], bulk.client.taken))
        if tu3 is not None:
            path = next(p for p in paths if p["name"] == prefix + bulk_name)
            check("%s: TU-3 pointer of %s" % (name, bulk_name),
                  moved(path["pointer"], tu3.pointer.moves), path["pointer"])


def one_line(text, frames, seed, moves=None, j0=SHORT, j1=SHORT):
    rng = np.random.default_rng(seed)
    units, bulks = [], []
    line = b.Line([build_aug(text, rng, units, bulks, j1, moves)], rng, j0)
    s, streams = d.decode(line.frames(frames), text)
    return s, streams, units, bulks


def columns():
    # G.707 7.3 samples by way of the published column tables (RFC 4842 11.2).
    for route, kind, klm, want in (
            ("au4", "12", (1, 1, 1), [10, 73, 136, 199]),
            ("au4", "12", (3, 7, 3), [72, 135, 198, 261]),
            ("au4", "11", (2, 4, 3), [62, 146, 230]), ("au4", "11", (3, 7, 4), [93, 177, 261]),
            ("au3", "11", (1, 1, 1), [2, 31, 60]), ("au3", "11", (1, 7, 4), [29, 58, 87]),
            ("au3", "12", (1, 1, 1), [2, 23, 45, 67]), ("au3", "12", (1, 7, 3), [22, 44, 66, 87])):
        check("columns of TU-%s %d-%d-%d by %s" % ((kind,) + klm + (route,)),
              d.tu_columns(route, kind, *klm) == want, d.tu_columns(route, kind, *klm))


def structures():
    check("a structure of one part is three alike",
          d.parse_structure("au4: 12") == [("au4", [["12"] * 7] * 3)])
    check("four AUG-1", len(d.parse_structure("4x au3: 11 | 12 | 3")) == 4)
    for bad in ("", "au5: 12", "au4", "au4: 12 | 11", "au4: 12 12", "vc4; vc4", "au4: 13"):
        try:
            d.parse_structure(bad)
            check("structure '%s' is refused" % bad, False)
        except d.DecodeError:
            check("structure '%s' is refused" % bad, True)


def lines():
    # Key stream of 6.5 as a published tutorial lists it.
    check("the builder's key stream", bytes(b.key_bytes(16)) == bytes.fromhex(
        "FE041851E459D4FA1C49B5BD8D2EE655"))
    for text, moves in (("au4: 12", {12: 1, 24: -1}), ("au4: 11", {12: -1, 16: -1}),
                        ("au4: 12 11 12v11 12 11 12v11 12 | 3 | 11", {13: 1}),
                        ("au3: 11 | 12 | 3", {12: 1, 20: -1, 28: -1})):
        s, streams, units, bulks = one_line(text, 48, seed=len(text), moves=moves)
        check_line(text, text, s, streams, units, bulks, 48)
        check("%s: AU pointers moved as planned" % text,
              all(moved(p["pointer"], moves) and
                  [e[0] for e in p["pointer"]["events"]] == sorted(moves)
                  for p in s["paths"] if p["vc"] == "VC-4" or text[:3] == "au3"), s["paths"])
        check("%s: H4 and J1" % text, all(
            p["j1"]["crc_errors"] == p["j1"]["marker_errors"] == 0 and
            (p["h4_sequence_errors"] == 0) for p in s["paths"]), s["paths"])


def bulk_lines():
    s, streams, units, bulks = one_line("vc4", 20, 3, {5: 1, 9: -1}, TRACE64, TRACE64)
    check_line("vc4", "vc4", s, streams, units, bulks, 20)
    s, streams, units, bulks = one_line("vc4", 140, 4, None, TRACE64, TRACE64)
    for which, trace in (("J0", s["section"]["j0"]), ("J1", s["paths"][0]["j1"])):
        check("64-byte trace in %s" % which, trace["kind"] == "64 bytes" and
              trace["text"] == "A long trace of an invented exchange" and
              trace["marker_errors"] == 0, trace)
    rng = np.random.default_rng(8)
    vc = b.Vc44c(rng, SHORT)
    line = b.Line(b.Au(vc, 9 * 1044, 12, 100, {5: 1, 9: -1}), rng, SHORT)
    s, streams = d.decode(line.frames(14), "vc4-4c")
    path = s["paths"][0]
    check("VC-4-4c: B1, B2, B3, pointer", clean(s["b1"], 13) and clean(s["b2"], 13) and
          clean(path["b3"], 6) and moved(path["pointer"], {5: 1, 9: -1}), s)
    check("VC-4-4c: payload", find(streams["vc4-4c"], vc.client.taken))
    check("VC-4-4c: concatenation indication", set(path["row4"]) == {"93"} and
          set(path["row4_h2"]) == {"FF"}, path)


def stm4():
    texts = ["au4: 12", "au3: 11", "vc4", "au4: 3 | 11 | 12v11"]
    rng = np.random.default_rng(44)
    everything = [([], []) for _ in texts]
    augs = [build_aug(t, rng, *everything[i], moves={12: 1} if i % 2 else {13: -1})
            for i, t in enumerate(texts)]
    frames = 40
    raw = b.Line(augs, rng, SHORT).frames(frames)
    s, streams = d.decode(raw, ";".join(texts))
    check("STM-4: the line begins with A1", s["start_bit"] == 0 and s["line"] == "STM-4")
    for i, (units, bulks) in enumerate(everything):
        bulks = [(n, bulk, None) for n, bulk, _ in bulks]
        check_line("STM-4 AUG-1 %d" % (i + 1), texts[i], s, streams, units, bulks, frames,
                   "%d-" % (i + 1))
    shifted = np.packbits(np.concatenate([np.ones(4003, dtype=np.uint8), np.unpackbits(
        np.frombuffer(raw, dtype=np.uint8))])).tobytes()
    check("STM-4: found at another bit", d.decode(shifted, ";".join(texts))[0]["start_bit"] == 4003)


def planted():
    """Parity errors, REI and RDI are counted where they were planted and nowhere else."""
    rng = np.random.default_rng(5)
    units, owners = [], {}
    low_order(["12"] * 7, "au4", rng, owners, units, 1, moves=False)
    vc1 = units[0][2]
    vc1.bip_errors, vc1.rei, vc1.rdi = (5, 7), (6,), (6, 7, 8)
    for column in range(2, 262):
        owners.setdefault(column, ([0] * 9, 0))
    path = b.Vc34(261, b.Columns(owners), SHORT, rei=(20, 21), rdi=(22,), bip_errors=(25,))
    line = b.Line([[b.Au(path, 2349, 3, 0)]], rng, SHORT, b1_errors=(10, 11), b2_errors=(12,))
    s, _ = d.decode(line.frames(48), "au4: 12 | 12 | 12")
    # Errors are planted in the carried parity; that byte lies in the next block of the layers
    # outside, whose own parity is made over what is sent. So each shows once.
    got = {u["name"]: u["bip2"]["errored_bits"] for u in s["units"] if u["k"] == 1}
    check("BIP-2 errors of 1-1-1 alone",
          got.pop("1-1-1") == 2 and not any(got.values()), got)
    u = s["units"][0]
    check("V5 REI and RDI", (u["rei"], u["rdi"]) == (1, 3), u)
    p = s["paths"][0]
    check("B3, G1 REI and RDI", (p["b3"]["errored_bits"], p["g1_rei"], p["g1_rdi"]) == (1, 2, 1), p)
    check("B1 and B2", (s["b1"]["errored_bits"], s["b2"]["errored_bits"]) == (2, 1), s["b1"])


def rejects():
    noise = np.random.default_rng(1).integers(0, 256, 30000, dtype=np.uint8)
    for name, data in (("noise", noise.tobytes()), ("nothing", b""), ("zeros", bytes(30000))):
        for text in ("au4: 12", "4x au3: 11"):
            try:
                d.decode(data, text)
                check("%s is refused" % name, False)
            except d.DecodeError:
                check("%s is refused" % name, True)


for part in (columns, structures, lines, bulk_lines, stm4, planted, rejects):
    part()
print("1..%d" % len(RESULTS))
sys.exit(0 if all(RESULTS) else 1)

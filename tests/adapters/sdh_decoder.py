#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Independent decoder of STM-1 and STM-4 lines (OC-3, OC-12) with any mix of payloads (ITU-T
G.707).

Like stm1_decoder.py, on which it builds, it was written from the standard's figures apart from the
C code of core/ and shares no code, table or constant with it. It reads raw line bytes (most
significant bit first, any bit alignment), checks what can be checked from the line alone, and
writes the bits of each client:

    sdh_decoder.py --input line.raw --out DIR --structure TEXT [--align auto|BITS]

The structure says how each AUG-1 is divided, with ";" between the AUG-1 (one given: the line is an
STM-1; four: an STM-4, also "4x STRUCTURE"):

    vc4                      a VC-4 with bulk payload
    vc4-4c                   VC-4-4c with bulk payload (the line is an STM-4)
    au4: 12 | 11 | 3         VC-4 with three TUG-3: of TU-12, of TU-11, a TU-3 with bulk payload
    au4: 12 12 11 12v11 ...  one word for each of the seven TUG-2; 12v11: VC-11 in TU-12
    au3: 11 | 12 | 3         three AU-3, with TUG-2 or (3) bulk payload

One part stands for all three: "au4: 12" has 63 TU-12. DIR gets NAME.bits (packed, the last
byte padded with zeros) and summary.json. Names: K-L-M, K for a VC-3, vc4; in an STM-4 with the
number of the AUG-1 in front. What a VC-12 or VC-11 carries is taken from its signal label. Exit
status 0: the line was decoded (errors, if any, are counted in the summary), 2: no framing or
unusable input.

Clauses: multiplexing 7.1 to 7.3; pointers 8.1 to 8.3; POH 9.3; bulk payload in C-3 and C-4 10.2,
10.3; 1544 kbit/s 10.1.5, 2048 kbit/s 10.1.4; VC-11 in TU-12 10.1.6; VC-4-4c 8.1.7. Sub-clauses
deeper than two levels, and the values marked (m), are from memory.
"""

import argparse
import json
import os
import sys

import numpy as np

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from stm1_decoder import (DecodeError, PointerReader, align_bytes,  # noqa: E402
                          compare_parity, cut_containers, decode_trace, scrambler_bits, tally)

ROWS = 9
MAX_INPUT = 128 << 20
SEARCH_FRAMES = 40


# Structure ------------------------------------------------------------------------------------


def parse_structure(text):
    """A list of AUG-1, each ("vc4", None), ("vc4-4c", None), or ("au4" or "au3", [three parts]); a
    part is "3" or a list of seven words."""
    text = text.strip()
    if text.startswith("4x "):
        text = ";".join([text[3:]] * 4)
    augs = []
    for one in text.split(";"):
        one = one.strip()
        if one in ("vc4", "vc4-4c"):
            augs.append((one, None))
            continue
        route, colon, rest = one.partition(":")
        if route not in ("au4", "au3") or not colon:
            raise DecodeError("structure \"%s\": an AUG-1 is vc4, vc4-4c, au4: ... or "
                              "au3: ..." % one)
        parts = [parse_part(p.split(), one) for p in rest.split("|")]
        if len(parts) == 1:
            parts *= 3
        if len(parts) != 3:
            raise DecodeError("structure \"%s\": one part for all, or three" % one)
        augs.append((route, parts))
    if len(augs) not in (1, 4) or (len(augs) == 4 and any(a[0] == "vc4-4c" for a in augs)):
        raise DecodeError("structure: one AUG-1, four, or vc4-4c alone")
    return augs


def parse_part(words, one):
    if words == ["3"]:
        return "3"
    if len(words) == 1:
        words = words * 7
    if len(words) != 7 or any(w not in ("12", "11", "12v11") for w in words):
        raise DecodeError("structure \"%s\": a part is 3, or 12, 11, 12v11 once or seven "
                          "times" % one)
    return words


# Framing and section --------------------------------------------------------------------------


def find_frame_start(raw, n):
    """Bit offset of the first A1: 3N times F6, then 3N times 28 (9.2.2)."""
    frame_bits = 2430 * n * 8
    bits = np.unpackbits(raw[: SEARCH_FRAMES * 2430 * n])
    word = np.unpackbits(np.array([0xF6] * (3 * n) + [0x28] * (3 * n), dtype=np.uint8))
    if len(bits) < frame_bits + len(word):
        raise DecodeError("input holds less than one frame and one framing word")
    candidates = np.arange(len(bits) - len(word) + 1)
    for i, want in enumerate(word):
        candidates = candidates[bits[candidates + i] == want]
    if len(candidates) == 0:
        raise DecodeError("no framing word of an STM-%d at any bit position" % n)
    votes = np.bincount(candidates % frame_bits, minlength=frame_bits)
    return int(np.argmax(votes))


def descramble(scrambled, n):
    """6.5: all but the first 9N bytes of row 1."""
    span = (2430 * n - 9 * n) * 8
    sequence = np.resize(np.array(scrambler_bits(127), dtype=np.uint8), span)
    mask = np.concatenate([np.zeros(9 * n, dtype=np.uint8), np.packbits(sequence)])
    return (scrambled ^ mask).reshape(-1, ROWS, 270 * n)


def decode_sections(scrambled, plain, n, summary):
    def soh(row, column):  # counted from 1, column of the whole STM-N
        return plain[:, row - 1, column - 1]

    framing = np.array([0xF6] * (3 * n) + [0x28] * (3 * n), dtype=np.uint8)
    summary["framing_errors"] = int((plain[:, 0, : 6 * n] != framing).any(axis=1).sum())
    summary["b1"] = compare_parity(np.bitwise_xor.reduce(scrambled, axis=1), soh(2, 1))
    # B2, BIP-24N: all but rows 1 to 3 of the SOH (9.2.2).
    covered = plain.copy()
    covered[:, 0:3, 0 : 9 * n] = 0
    folded = np.bitwise_xor.reduce(covered.reshape(len(plain), -1, 3 * n), axis=1)
    summary["b2"] = compare_parity(folded, plain[:, 4, 0 : 3 * n])
    m1 = soh(9, 3 * n + 3) & 0x7F
    summary["section"] = {
        "j0": decode_trace(soh(1, 6 * n + 1)),
        "k1": tally(soh(5, 3 * n + 1)),
        "k2": tally(soh(5, 6 * n + 1)),
        "k2_ms_ais_frames": int(((soh(5, 6 * n + 1) & 7) == 7).sum()),
        "k2_ms_rdi_frames": int(((soh(5, 6 * n + 1) & 7) == 6).sum()),
        "s1": tally(soh(9, 1) & 0x0F),
        "m1_rei": int(np.where(m1 <= 24 * n, m1, 0).astype(int).sum()),
    }


# Floating containers --------------------------------------------------------------------------


def follow(items, modulus, step, size):
    """`items` lists (word, head, spare, tail) of the units in order: the pointer word, the bytes
    before the place of justification, those that a negative justification fills, and those behind,
    of which a positive one skips `step`. Returns the containers and the pointer's summary."""
    reader = PointerReader(modulus)
    segments = []
    for word, head, spare, tail in items:
        value, moved, aligned = reader.take(int(word))
        parts = [head]
        if moved < 0:
            parts.append(spare)
        parts.append(tail[step:] if moved > 0 else tail)
        segments.append((np.concatenate(parts), value, aligned))
    if not segments:
        return np.zeros((0, size), dtype=np.uint8), dict(reader.summary(), disagreements=0)
    whole, disagree = cut_containers(segments, size, step)
    return whole, dict(reader.summary(), disagreements=disagree)


NOTHING = np.zeros(0, dtype=np.uint8)


def au_items(au, pointer, payload, spare):
    """`au` is (frame, row, column); `pointer` the columns of H1 and H2, `payload` and `spare` those
    of the payload and of H3. Offset 0 is in row 4 behind the last H3 (8.1)."""
    for f in range(len(au) - 1):
        word = int(au[f, 3, pointer[0]]) << 8 | int(au[f, 3, pointer[1]])
        tail = np.concatenate([au[f][3:, payload].reshape(-1), au[f + 1][:3, payload].reshape(-1)])
        yield word, NOTHING, au[f][3, spare], tail


def decode_au4(aug):
    vcs, pointer = follow(au_items(aug, (0, 3), slice(9, 270), slice(6, 9)), 783, 3, 9 * 261)
    return vcs.reshape(-1, ROWS, 261), pointer


def decode_au4_4c(plain):
    """One pointer for four AU-4, the first; unit 12 bytes (8.1.7, m)."""
    vcs, pointer = follow(au_items(plain, (0, 12), slice(36, 1080), slice(24, 36)), 783, 12,
                          9 * 1044)
    return vcs.reshape(-1, ROWS, 1044), pointer


def decode_au3(aug, a):
    """AU-3 number a = 1..3: every third column (7.1); unit 1 byte; 87 columns with the stuff."""
    vcs, pointer = follow(
        au_items(aug, (a - 1, 2 + a), slice(8 + a, 270, 3), slice(5 + a, 6 + a)), 783, 1, 9 * 87)
    return vcs.reshape(-1, ROWS, 87), pointer


def decode_tu3(vcs, k):
    """TU-3 in TUG-3 number k: H1, H2, H3 in rows 1 to 3 of its first column; offset 0 is behind H3
    (8.2); VC-3 of 85 columns."""
    tu = vcs[:, :, [4 + (k - 1) + 3 * (x - 1) - 1 for x in range(1, 87)]]

    def items():
        for f in range(len(tu) - 1):
            word = int(tu[f, 0, 0]) << 8 | int(tu[f, 1, 0])
            tail = np.concatenate([tu[f, 2:, 1:].reshape(-1), tu[f + 1, :2, 1:].reshape(-1)])
            yield word, NOTHING, tu[f, 2, 0:1], tail

    vc3, pointer = follow(items(), 765, 1, 9 * 85)
    return vc3.reshape(-1, ROWS, 85), pointer


def tu_columns(route, kind, k, l, m):
    """Columns, counted from 1, of a TU-12 or TU-11: of the VC-4 (7.3), or of the 87 of an AU-3."""
    turns, spacing = (4, 3) if kind == "12" else (3, 4)
    if route == "au4":
        return [10 + (k - 1) + 3 * (l - 1) + 21 * (m - 1) + 21 * spacing * (x - 1)
                for x in range(1, turns + 1)]
    if kind == "11":
        return [2 + (l - 1) + 7 * (m - 1) + 29 * (x - 1) for x in (1, 2, 3)]
    plain = [2 + (l - 1) + 7 * (m - 1) + 21 * (x - 1) for x in (1, 2, 3, 4)]
    return [v + (v > 29) + (v > 57) for v in plain]


def decode_tu1(vcs, phase, columns):
    """TU-12 or TU-11 (8.3) over the multiframe of 500 us: V1 to V4 begin its four parts."""
    quarter = 9 * len(columns) - 1  # 35 or 26
    tu = vcs[:, :, [c - 1 for c in columns]].reshape(len(vcs), quarter + 1)
    first = int(np.flatnonzero(phase == 0)[0]) if (phase == 0).any() else len(vcs)

    def items():
        for v in range(first, len(vcs) - 4, 4):
            word = int(tu[v, 0]) << 8 | int(tu[v + 1, 0])
            tail = np.concatenate([tu[v + 2, 1:], tu[v + 3, 1:], tu[v + 4, 1:]])
            yield word, tu[v + 1, 1:], tu[v + 2, 0:1], tail

    return follow(items(), 4 * quarter, 1, 4 * quarter)


# Path overhead --------------------------------------------------------------------------------


def decode_path(vcs):
    """High-order path overhead (9.3.1) of VC-4 or VC-3, (vc, row, column); also the phase of the TU
    multiframe of each: H4 announces that of the next (8.3.8, m)."""
    poh = vcs[:, :, 0]
    if len(vcs) == 0:
        return {"count": 0}, np.zeros(0, dtype=int)
    phase = ((poh[:, 5] & 3).astype(int) - 1) % 4
    expected = (phase[0] + np.arange(len(vcs))) % 4
    rei = poh[:, 3] >> 4
    return {
        "count": int(len(vcs)),
        "b3": compare_parity(np.bitwise_xor.reduce(vcs.reshape(len(vcs), -1), axis=1), poh[:, 1]),
        "j1": decode_trace(poh[:, 0]),
        "c2": tally(poh[:, 2]),
        "g1_rei": int(np.where(rei <= 8, rei, 0).sum()),
        "g1_rdi": int(((poh[:, 3] >> 3) & 1).sum()),
        "h4_sequence_errors": int((phase != expected).sum()),
    }, expected


def decode_vc1_path(vc, quarter):
    """Low-order path overhead (9.3.2) of VC-12 or VC-11."""
    v5 = vc[:, 0]
    folded = np.bitwise_xor.reduce(vc, axis=1) if len(vc) else v5
    odd = np.array([bin(int(b) & 0xAA).count("1") & 1 for b in folded], dtype=np.uint8)
    even = np.array([bin(int(b) & 0x55).count("1") & 1 for b in folded], dtype=np.uint8)
    return {
        "count": int(len(vc)),
        "bip2": compare_parity((odd << 1 | even).astype(np.uint8), v5 >> 6),
        "label": tally((v5 >> 1) & 7, "%d"),
        "rei": int(((v5 >> 5) & 1).sum()),
        "rfi": int(((v5 >> 4) & 1).sum()),
        "rdi": int((v5 & 1).sum()),
        "j2": decode_trace(vc[:, quarter]),
        "n2": tally(vc[:, 2 * quarter]),
        "k4": tally(vc[:, 3 * quarter]),
    }


# Clients --------------------------------------------------------------------------------------


def justification(control):
    """C bits of one VC in three bytes, C1 in bit 1, C2 in bit 2: majority of three; 0 means that S
    is data. Returns both and how often the three differed."""
    c1 = (control >> 7).sum(axis=1)
    c2 = ((control >> 6) & 1).sum(axis=1)
    split = int((((c1 == 1) | (c1 == 2)) | ((c2 == 1) | (c2 == 2))).sum())
    return c1 < 2, c2 < 2, split


def asynchronous(vc, head, s1, s2, last):
    """Bits in order: `head`, S1, S2, `last`; the S only when they are data."""
    quarter = vc.shape[1] // 4
    control = np.stack([vc[:, quarter * i + 1] for i in (1, 2, 3)], axis=1)
    s1_data, s2_data, split = justification(control)
    pieces = []
    for i in range(len(vc)):
        pieces.append(head[i])
        if s1_data[i]:
            pieces.append(s1[i : i + 1])
        if s2_data[i]:
            pieces.append(s2[i : i + 1])
        pieces.append(last[i])
    bits = np.concatenate(pieces) if pieces else NOTHING
    per_vc = s1_data.astype(int) + s2_data.astype(int)
    return bits, {"c_split": split, "s1_data": int(s1_data.sum()), "s2_data": int(s2_data.sum()),
                  "extra": int((per_vc == 2).sum()), "missing": int((per_vc == 0).sum())}


def e1_asynchronous(vc):
    """10.1.4.1. S1 is the last bit of byte 107, S2 the first of byte 108 (counted from 1)."""
    head = np.concatenate([np.unpackbits(vc[:, a:b], axis=1)
                           for a, b in ((2, 34), (37, 69), (72, 104))], axis=1)
    last = np.unpackbits(vc[:, 107:139], axis=1)
    return asynchronous(vc, head, vc[:, 106] & 1, last[:, 0], last[:, 1:])


def t1_asynchronous(vc):
    """10.1.5.1 (m). I is bit 7 of byte 2 of the first three quarters; S1 S2 bits 6 and 7 of the
    fourth."""
    parts = []
    for q in range(3):
        parts.append(((vc[:, 26 * q + 1] >> 1) & 1).reshape(-1, 1))
        parts.append(np.unpackbits(vc[:, 26 * q + 2 : 26 * q + 26], axis=1))
    special = vc[:, 79]
    return asynchronous(vc, np.concatenate(parts, axis=1), (special >> 2) & 1, (special >> 1) & 1,
                        np.unpackbits(vc[:, 80:104], axis=1))


def e1_byte_synchronous(vc):
    """10.1.4.3 (m): timeslots 0 to 31 in bytes 3 to 34 of each quarter."""
    quarters = vc.reshape(-1, 35)
    return np.unpackbits(quarters[:, 2:34]), {}


def t1_byte_synchronous(vc):
    """10.1.5.3 (m): byte 2 is P1 P0 S1 S2 S3 S4 F R, then timeslots 1 to 24."""
    quarters = vc.reshape(-1, 26)
    f = ((quarters[:, 1] >> 1) & 1).reshape(-1, 1)
    bits = np.concatenate([f, np.unpackbits(quarters[:, 2:26], axis=1)], axis=1).reshape(-1)
    return bits, {"p": tally(quarters[:, 1] >> 6, "%d"),
                  "s": tally((quarters[:, 1] >> 2) & 15, "%X")}


CLIENTS = {(140, "2"): ("E1 asynchronous", e1_asynchronous),
           (140, "4"): ("E1 byte-synchronous", e1_byte_synchronous),
           (104, "2"): ("T1 asynchronous", t1_asynchronous),
           (104, "4"): ("T1 byte-synchronous", t1_byte_synchronous)}


def vc11_of_tu12(vc, stuff_column):
    """VC-11 in TU-12 (10.1.6): of four columns one is stuff with even parity. Which, is from
    memory; columns count as if V1 to V4 stood in front of each quarter of 35 bytes."""
    quarters = vc.reshape(-1, 35)
    stuff = np.arange(stuff_column - 2, 35, 4)
    columns = [i for i in range(35) if i not in stuff]
    parity = np.bitwise_xor.reduce(quarters[:, stuff].reshape(len(vc), -1), axis=1)
    return quarters[:, columns].reshape(len(vc), 104), int(
        sum(bin(int(b) & m).count("1") & 1 for b in parity for m in (0xAA, 0x55)))


# Whole ----------------------------------------------------------------------------------------


class Output:
    def __init__(self, summary, stuff_column):
        self.summary, self.stuff_column = summary, stuff_column
        self.streams = {}
        self.paths, self.units = summary.setdefault("paths", []), summary.setdefault("units", [])

    def bulk(self, name, payload):
        self.streams[name] = np.unpackbits(payload.reshape(-1))
        return {"client": "bulk", "bits": int(payload.size) * 8}

    def low_order(self, vcs, phase, route, kind, place, name, aug):
        k, l, m = place
        columns = tu_columns(route, kind[:2], k, l, m)
        vc, pointer = decode_tu1(vcs, phase, columns)
        unit = {"name": name, "tu": "TU-" + kind[:2], "k": k, "l": l, "m": m, "aug": aug,
                "route": route, "columns": columns, "pointer": pointer}
        if kind == "12v11":
            vc, unit["stuff_parity_errors"] = vc11_of_tu12(vc, self.stuff_column)
        unit.update(decode_vc1_path(vc, vc.shape[1] // 4))
        label = max(unit["label"], key=unit["label"].get) if unit["label"] else None
        client, decode_client = CLIENTS.get((vc.shape[1], label), ("none", None))
        bits, more = decode_client(vc) if decode_client else (NOTHING, {})
        unit.update(more, client=client, bits=int(len(bits)))
        self.units.append(unit)
        self.streams[name] = bits

    def tug2s(self, vcs, phase, route, k, words, prefix, aug):
        for l, kind in enumerate(words, start=1):
            for m in range(1, (3 if kind[:2] == "12" else 4) + 1):
                self.low_order(vcs, phase, route, kind, (k, l, m),
                               "%s%d-%d-%d" % (prefix, k, l, m), aug)

    def path(self, name, kind, vcs, pointer, **more):
        summary, phase = decode_path(vcs)
        summary.update(name=name, vc=kind, pointer=pointer, **more)
        self.paths.append(summary)
        return summary, phase

    def aug4(self, aug, prefix, number, parts):
        vcs, pointer = decode_au4(aug)
        if len(vcs) == 0:
            raise DecodeError("no VC-4: the AU-4 pointer was never valid")
        name = prefix + "vc4"
        summary, phase = self.path(name, "VC-4", vcs, pointer, row4=tally(aug[:, 3, 1:3] & 0xF3))
        if parts is None:
            summary.update(self.bulk(name, vcs[:, :, 1:]))
            return
        npi = {}
        for k, part in enumerate(parts, start=1):
            if part == "3":
                vc3, pointer3 = decode_tu3(vcs, k)
                one, _ = self.path("%s%d" % (prefix, k), "VC-3", vc3, pointer3)
                one.update(self.bulk("%s%d" % (prefix, k), vc3[:, :, 1:]))
            else:
                npi[str(k)] = [tally(vcs[:, 0, 2 + k]), tally(vcs[:, 1, 2 + k])]
                self.tug2s(vcs, phase, "au4", k, part, prefix, number)
        summary["npi"] = npi

    def aug3(self, aug, prefix, number, parts):
        for a, part in enumerate(parts, start=1):
            vcs, pointer = decode_au3(aug, a)
            if len(vcs) == 0:
                raise DecodeError("no VC-3: the pointer of AU-3 %d was never valid" % a)
            # Fixed stuff in 30 and 59 of 87; both bytes of a row are equal, so B3 leaves them out.
            unequal = int((vcs[:, :, 29] != vcs[:, :, 58]).sum())
            vc3 = np.delete(vcs, [29, 58], axis=2)
            name = "%s%d" % (prefix, a)
            summary, phase = self.path(name, "VC-3", vc3, pointer, unequal_stuff=unequal)
            if part == "3":
                summary.update(self.bulk(name, vc3[:, :, 1:]))
            else:
                self.tug2s(vcs, phase, "au3", a, part, prefix, number)


def decode(raw, structure, align="auto", stuff_column=4):
    """Decodes line bytes; returns the summary and a mapping from names to bits."""
    augs = parse_structure(structure)
    n = 4 if len(augs) == 4 or augs[0][0] == "vc4-4c" else 1
    raw = np.frombuffer(raw, dtype=np.uint8)
    start = find_frame_start(raw, n) if align == "auto" else int(align)
    aligned = align_bytes(raw, start)
    size = 2430 * n
    frames = len(aligned) // size
    if frames < 2:
        raise DecodeError("fewer than two whole frames after bit %d" % start)
    summary = {"line": "STM-%d" % n, "structure": structure, "start_bit": start, "frames": frames}
    scrambled = aligned[: frames * size].reshape(frames, size)
    plain = descramble(scrambled, n)
    decode_sections(scrambled, plain, n, summary)
    out = Output(summary, stuff_column)
    if augs[0][0] == "vc4-4c":
        vcs, pointer = decode_au4_4c(plain)
        # 2nd to 4th AU-4: the concatenation indication 1001SS11 11111111 in H1, H2.
        one, _ = out.path("vc4-4c", "VC-4-4c", vcs, pointer,
                          row4=tally(plain[:, 3, 1:4] & 0xF3), row4_h2=tally(plain[:, 3, 13:16]))
        one.update(out.bulk("vc4-4c", vcs[:, :, 4:]))  # POH, then three columns of fixed stuff
        return summary, out.streams
    for number, (route, parts) in enumerate(augs, start=1):
        # Column c of AUG-1 number i is column N (c - 1) + i of the STM-N (7.1).
        aug = plain[:, :, number - 1 :: n]
        prefix = "%d-" % number if n > 1 else ""
        if route == "au3":
            out.aug3(aug, prefix, number, parts)
        else:
            out.aug4(aug, prefix, number, parts)
    return summary, out.streams


def main():
    parser = argparse.ArgumentParser(description="decode an STM-1 or STM-4 line of known structure")
    parser.add_argument("--input", required=True, help="raw line bytes")
    parser.add_argument("--out", required=True, help="folder for the bits and summary.json")
    parser.add_argument("--structure", required=True, help="such as 'au4: 12'")
    parser.add_argument("--align", default="auto",
                        help="bit offset of the first frame, or auto to search")
    args = parser.parse_args()
    try:
        if args.align != "auto" and not args.align.isdigit():
            raise DecodeError("--align wants 'auto' or a count of bits, not '%s'" % args.align)
        if os.path.getsize(args.input) > MAX_INPUT:
            raise DecodeError("%s is larger than %d bytes; cut it" % (args.input, MAX_INPUT))
        with open(args.input, "rb") as f:
            summary, streams = decode(f.read(), args.structure, args.align)
        os.makedirs(args.out, exist_ok=True)
        for name, bits in streams.items():
            np.packbits(bits).tofile(os.path.join(args.out, name + ".bits"))
        with open(os.path.join(args.out, "summary.json"), "w", encoding="utf-8") as f:
            json.dump(summary, f, indent=1, sort_keys=True)
            f.write("\n")
    except (DecodeError, OSError) as e:
        print("sdh_decoder: %s" % e, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())

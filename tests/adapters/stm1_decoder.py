#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Independent decoder of an STM-1 line that carries 63 VC-12 (ITU-T G.707).

Written from the standard's figures alone, before the C code of core/ was read, and shares no code,
table or constant with it. It reads raw line bytes (most significant bit first, any bit alignment),
checks everything that can be checked from the line alone, and writes the bits of each 2048 kbit/s
tributary:

    stm1_decoder.py --input line.raw --out DIR [--align auto|BITS]

DIR gets K-L-M.bits (packed, the last byte padded with zeros) and summary.json. Exit status 0: the
line was decoded (errors, if any, are counted in the summary), 2: no framing or unusable input.

Clauses: frame and SOH 6.2, 9.2; scrambler 6.5; AU-4 pointer 8.1; TU-12 pointer 8.3; VC-4 POH 9.3.1;
VC-12 POH 9.3.2; TU-12 columns 7.3; asynchronous mapping of 2048 kbit/s 10.1.4.1; trace and CRC-7
Annex B. Sub-clauses deeper than two levels, and the values marked (m), are from memory.
"""

import argparse
import json
import os
import sys

import numpy as np

ROWS, COLUMNS = 9, 270
FRAME_BYTES = ROWS * COLUMNS
FRAME_BITS = FRAME_BYTES * 8
MAX_INPUT = 64 << 20
SEARCH_FRAMES = 400
MAX_EVENTS = 1000


class DecodeError(Exception):
    """The input cannot be decoded at all; the text says why."""


# Framing and scrambler ------------------------------------------------------------------------


def find_frame_start(raw):
    """Bit offset of the first A1 of a frame, and how many of the frames looked at begin with
    A1 A1 A1 A2 A2 A2 = F6 F6 F6 28 28 28 (G.707 9.2.2)."""
    bits = np.unpackbits(raw[: SEARCH_FRAMES * FRAME_BYTES])
    word = np.unpackbits(np.array([0xF6] * 3 + [0x28] * 3, dtype=np.uint8))
    if len(bits) < FRAME_BITS + len(word):
        raise DecodeError("input holds less than one STM-1 frame and one framing word")
    n = len(bits) - len(word) + 1
    hit = np.ones(n, dtype=bool)
    for i, want in enumerate(word):
        hit &= bits[i : i + n] == want
    places = np.flatnonzero(hit)
    if len(places) == 0:
        raise DecodeError("no framing word A1 A1 A1 A2 A2 A2 at any bit position")
    votes = np.bincount(places % FRAME_BITS, minlength=FRAME_BITS)
    best = int(np.argmax(votes))
    looked_at = (n - 1 - best) // FRAME_BITS + 1
    return best, int(votes[best]), looked_at


def align_bytes(raw, bit):
    """The bytes that begin at bit offset `bit`."""
    whole, part = divmod(bit, 8)
    raw = raw[whole:]
    if part == 0:
        return raw
    wide = (raw[:-1].astype(np.uint16) << 8) | raw[1:]
    return ((wide >> (8 - part)) & 0xFF).astype(np.uint8)


def scrambler_bits(count):
    """G.707 6.5: x^7 + x^6 + 1, all ones at the start, output taken from the last stage."""
    stages = [1] * 7  # stages[0] = x^1 ... stages[6] = x^7
    out = []
    for _ in range(count):
        out.append(stages[6])
        fed_back = stages[6] ^ stages[5]
        stages = [fed_back] + stages[:6]
    return out


def scrambler_mask():
    """What to XOR on one frame: nothing on the first nine bytes of row 1, then the sequence."""
    one_period = np.array(scrambler_bits(127), dtype=np.uint8)
    span = (FRAME_BYTES - 9) * 8
    bits = np.resize(one_period, span)
    return np.concatenate([np.zeros(9, dtype=np.uint8), np.packbits(bits)])


# Small checks ---------------------------------------------------------------------------------


def compare_parity(computed, carried):
    """Unit n's computed parity against what unit n + 1 carries; counts bits and blocks."""
    diff = np.asarray(computed[:-1]) ^ np.asarray(carried[1:])
    if len(diff) == 0:
        return {"checked": 0, "errored_blocks": 0, "errored_bits": 0}
    flat = diff.reshape(len(diff), -1)
    bits = np.unpackbits(flat, axis=1).sum(axis=1)
    return {
        "checked": int(len(flat)),
        "errored_blocks": int((bits > 0).sum()),
        "errored_bits": int(bits.sum()),
    }


def crc7(data):
    """Annex B: x^7 + x^3 + 1, register starts at zero, most significant bit first."""
    reg = 0
    for byte in data:
        for k in range(7, -1, -1):
            bit = ((byte >> k) & 1) ^ (reg >> 6)
            reg = (reg << 1) & 0x7F
            if bit:
                reg ^= 0x09
    return reg


def readable(characters):
    return "".join(chr(c) if 32 <= c < 127 else "\\x%02x" % c for c in characters)


def decode_trace(stream):
    """A 16-byte trace (Annex B): byte 1 = 1 and CRC-7 of the previous frame, then 15 characters; or
    a 64-byte one (SONET): 62 characters, CR, LF (m); or one repeated byte."""
    stream = [int(b) for b in stream]
    result = {"bytes": len(stream), "kind": "none", "text": None, "frames": 0, "crc_errors": 0,
              "marker_errors": 0, "start_phase": None}
    if not stream:
        return result
    if len(set(stream)) == 1:
        result["kind"] = "one byte"
        result["text"] = "%02X" % stream[0]
        return result
    ends = [i for i in range(1, len(stream)) if (stream[i - 1], stream[i]) == (0x0D, 0x0A)]
    if ends and len(stream) >= 64 and not any(b & 0x80 for b in stream):
        return decode_long_trace(stream, ends, result)
    tops = [sum(1 for i in range(p, len(stream), 16) if stream[i] & 0x80) for p in range(16)]
    start = tops.index(max(tops))
    if tops[start] == 0 or len(stream) < 16:
        return result
    result["kind"] = "16 bytes"
    result["start_phase"] = start
    result["marker_errors"] = sum(
        1 for i, b in enumerate(stream) if bool(b & 0x80) != (i % 16 == start))
    frames = [stream[i : i + 16] for i in range(start, len(stream) - 15, 16)]
    result["frames"] = len(frames)
    for before, after in zip(frames, frames[1:]):
        if crc7([0x80] + before[1:]) != (after[0] & 0x7F):
            result["crc_errors"] += 1
    if frames:
        result["text"] = readable(frames[0][1:])
    return result


def decode_long_trace(stream, ends, result):
    votes = [sum(1 for e in ends if (e + 1) % 64 == p) for p in range(64)]
    start = votes.index(max(votes))
    frames = [stream[i : i + 64] for i in range(start, len(stream) - 63, 64)]
    result.update(kind="64 bytes", start_phase=start, frames=len(frames))
    result["marker_errors"] = (
        sum(f[62:] != [0x0D, 0x0A] for f in frames) + sum((e + 1) % 64 != start for e in ends))
    if frames:
        result["text"] = readable(bytes(frames[0][:62]).rstrip(b"\0 "))
    return result


def tally(values, fmt="%02X"):
    kinds, counts = np.unique(np.asarray(values), return_counts=True)
    return {fmt % int(k): int(c) for k, c in zip(kinds, counts)}


# Pointers -------------------------------------------------------------------------------------

# NNNN: the true code words differ in all four bits; three of four right are accepted (m).
NNNN_NDF = {0b1001, 0b0001, 0b1101, 0b1011, 0b1000}
NNNN_NORMAL = {0b0110, 0b1110, 0b0010, 0b0100, 0b0111}
I_BITS = 0b1010101010
D_BITS = 0b0101010101


class PointerReader:
    """Interprets the 16-bit words NNNNSSIDIDIDIDID of one pointer, AU-4 (8.1) or TU-12 (8.3).

    take(word) returns (value, moved, aligned): the offset that holds for this unit, moved = +1 for
    a positive justification, -1 for a negative one, else 0, and aligned = True when the value
    starts afresh: with a new data flag, or at the third of three equal values. Before the first
    value is accepted, value is None."""

    def __init__(self, modulus):
        self.modulus = modulus
        self.value = None
        self.last_new = None
        self.repeats = 0
        self.next_value = None
        self.counts = {"increments": 0, "decrements": 0, "new_data_flags": 0, "new_values": 0,
                       "invalid": 0, "all_ones": 0}
        self.values = {}
        self.ss = {}
        self.units = 0
        self.events = []  # [unit, what, value after it]

    def take(self, word):
        before = dict(self.counts)
        result = self._take(word)
        for what, count in self.counts.items():
            if count != before[what]:
                after = self.value if self.next_value is None else self.next_value
                self.events.append([self.units, what, after])
        self.units += 1
        return result

    def _take(self, word):
        if self.next_value is not None:
            self.value, self.next_value = self.next_value, None
        moved, aligned = 0, False
        code, ss, offset = word >> 12, (word >> 10) & 3, word & 0x3FF
        if word == 0xFFFF:
            self.counts["all_ones"] += 1
            self.last_new = None
            return self.value, 0, False
        key = format(ss, "02b")
        self.ss[key] = self.ss.get(key, 0) + 1
        if code in NNNN_NDF and offset < self.modulus:
            self.counts["new_data_flags"] += 1
            self.value, aligned = offset, True
            self.last_new = None
        elif code in NNNN_NORMAL and offset == self.value:
            self.last_new = None
        elif code in NNNN_NORMAL and self.value is not None and self._inverted(offset, I_BITS):
            self.counts["increments"] += 1
            moved = 1
            self.next_value = (self.value + 1) % self.modulus
        elif code in NNNN_NORMAL and self.value is not None and self._inverted(offset, D_BITS):
            self.counts["decrements"] += 1
            moved = -1
            self.next_value = (self.value - 1) % self.modulus
        elif code in NNNN_NORMAL and offset < self.modulus:
            self.repeats = self.repeats + 1 if offset == self.last_new else 1
            self.last_new = offset
            if self.repeats == 3:
                self.counts["new_values"] += self.value is not None
                self.value, aligned = offset, True
                self.last_new = None
            else:
                self.counts["invalid"] += self.value is not None
        else:
            self.counts["invalid"] += 1
            self.last_new = None
        if self.value is not None:
            self.values[str(self.value)] = self.values.get(str(self.value), 0) + 1
        return self.value, moved, aligned

    def _inverted(self, offset, which):
        """At least three of the five bits in `which` inverted and at most two of the others
        (a choice that G.783 leaves open)."""
        diff = offset ^ self.value
        other = I_BITS ^ D_BITS ^ which
        return bin(diff & which).count("1") >= 3 and bin(diff & other).count("1") <= 2

    def summary(self):
        return dict(self.counts, values=self.values, ss=self.ss, units=self.units,
                    events=self.events[:MAX_EVENTS])


def cut_containers(segments, size, unit):
    """`segments` lists (bytes, value, aligned): what the pointer's unit holds, in order, with the
    offset (in `unit` bytes) of the first container start counted from the segment's first byte.
    Returns the whole containers and how often a pointer disagreed with the running alignment."""
    stream, where, at, disagree = [], [], 0, 0
    start = None
    cuts = []
    for data, value, aligned in segments:
        if value is not None:
            here = at + value * unit
            if aligned or start is None:
                if start is not None:
                    cuts.append((start, here))
                start = here
            elif (here - start) % size:
                disagree += 1
        stream.append(data)
        at += len(data)
    if start is None:
        return np.zeros((0, size), dtype=np.uint8), 0
    cuts.append((start, at))
    whole = np.concatenate(stream)
    for begin, end in cuts:
        count = max(0, end - begin) // size
        if count:
            where.append(whole[begin : begin + count * size].reshape(count, size))
    if not where:
        return np.zeros((0, size), dtype=np.uint8), disagree
    return np.concatenate(where), disagree


# Layers ---------------------------------------------------------------------------------------


def decode_sections(scrambled, summary):
    """B1, B2 and the section overhead; returns the descrambled frames as (frame, row, column)."""
    mask = scrambler_mask()
    plain = (scrambled ^ mask).reshape(-1, ROWS, COLUMNS)
    framing = np.array([0xF6] * 3 + [0x28] * 3, dtype=np.uint8)
    summary["framing_errors"] = int((plain[:, 0, 0:6] != framing).any(axis=1).sum())
    # B1: BIP-8 over the whole previous frame as it was on the line (9.2.2).
    summary["b1"] = compare_parity(np.bitwise_xor.reduce(scrambled, axis=1), plain[:, 1, 0])
    # B2: BIP-24 over the previous frame before scrambling without rows 1 to 3 of the SOH.
    covered = plain.copy()
    covered[:, 0:3, 0:9] = 0
    by_three = covered.reshape(len(plain), -1, 3)
    summary["b2"] = compare_parity(np.bitwise_xor.reduce(by_three, axis=1), plain[:, 4, 0:3])
    summary["section"] = {
        "j0": decode_trace(plain[:, 0, 6]),
        "k1": tally(plain[:, 4, 3]),
        "k2": tally(plain[:, 4, 6]),
        "k2_ms_ais_frames": int(((plain[:, 4, 6] & 7) == 7).sum()),
        "k2_ms_rdi_frames": int(((plain[:, 4, 6] & 7) == 6).sum()),
        "s1": tally(plain[:, 8, 0] & 0x0F),
        "m1_rei": int(np.where(plain[:, 8, 5] & 0x7F <= 24, plain[:, 8, 5] & 0x7F, 0).sum()),
        "y_bytes": tally(plain[:, 3, 1:3] & 0xF3),  # 1001SS11 without SS: 93
        "one_bytes": tally(plain[:, 3, 4:6]),
    }
    return plain


def decode_au4(plain, summary):
    """AU-4 pointer (8.1): returns the VC-4s as (vc, row, column)."""
    reader = PointerReader(783)
    segments = []
    for f in range(len(plain) - 1):
        word = int(plain[f, 3, 0]) << 8 | int(plain[f, 3, 3])
        value, moved, aligned = reader.take(word)
        # Offset 0 is the byte after the last H3; the numbering runs to row 3 of the next frame.
        data = np.concatenate([plain[f, 3:, 9:].reshape(-1), plain[f + 1, :3, 9:].reshape(-1)])
        if moved > 0:
            data = data[3:]
        elif moved < 0:
            data = np.concatenate([plain[f, 3, 6:9], data])
        segments.append((data, value, aligned))
    if not segments:
        raise DecodeError("fewer than two whole frames")
    vcs, disagree = cut_containers(segments, 9 * 261, 3)
    summary["au_pointer"] = dict(reader.summary(), disagreements=disagree)
    return vcs.reshape(-1, ROWS, 261)


def decode_vc4(vcs, summary):
    """VC-4 POH (9.3.1); returns the TU multiframe phase of each VC: 0 when it holds V1."""
    poh = vcs[:, :, 0]
    whole = vcs.reshape(len(vcs), -1)
    h4 = (poh[:, 5] & 3).astype(int)
    # H4 announces the phase of the next VC (8.3.8, m): 00 means that V1 follows.
    phase = (h4 - 1) % 4
    expected = (phase[0] + np.arange(len(vcs))) % 4
    rei = poh[:, 3] >> 4
    summary["vc4"] = {
        "count": int(len(vcs)),
        "b3": compare_parity(np.bitwise_xor.reduce(whole, axis=1), poh[:, 1]),
        "j1": decode_trace(poh[:, 0]),
        "c2": tally(poh[:, 2]),
        "g1_rei": int(np.where(rei <= 8, rei, 0).sum()),
        "g1_rdi": int(((poh[:, 3] >> 3) & 1).sum()),
        "h4_sequence_errors": int((phase != expected).sum()),
        "npi": tally(np.stack([vcs[:, 0, 3:6], vcs[:, 1, 3:6]]).reshape(-1)),
    }
    return expected


def tu12_columns(k, l, m):
    """VC-4 columns, counted from 1, of TU-12 (K, L, M) (7.3)."""
    return [10 + (k - 1) + 3 * (l - 1) + 21 * (m - 1) + 63 * (x - 1) for x in range(1, 5)]


def decode_tu12(vcs, phase, k, l, m):
    """TU-12 pointer (8.3): returns the VC-12s, 140 bytes each, and the pointer's summary."""
    columns = [c - 1 for c in tu12_columns(k, l, m)]
    tu = vcs[:, :, columns].reshape(len(vcs), 36)
    reader = PointerReader(140)
    segments = []
    first = int(np.flatnonzero(phase == 0)[0]) if (phase == 0).any() else len(vcs)
    for v in range(first, len(vcs) - 4, 4):
        word = int(tu[v, 0]) << 8 | int(tu[v + 1, 0])
        value, moved, aligned = reader.take(word)
        parts = [tu[v + 1, 1:]]  # offsets 0 to 34
        if moved < 0:
            parts.append(tu[v + 2, 0:1])  # V3 carries data
        parts.append(tu[v + 2, 2:] if moved > 0 else tu[v + 2, 1:])  # 35 to 69
        parts.append(tu[v + 3, 1:])  # 70 to 104
        parts.append(tu[v + 4, 1:])  # after the next V1: 105 to 139
        segments.append((np.concatenate(parts), value, aligned))
    if not segments:
        return np.zeros((0, 140), dtype=np.uint8), dict(reader.summary(), disagreements=0)
    vc12, disagree = cut_containers(segments, 140, 1)
    return vc12, dict(reader.summary(), disagreements=disagree)


def decode_vc12(vc12):
    """V5 (9.3.2.1) and the asynchronous mapping (10.1.4.1); returns the bits and a summary."""
    # Byte numbers below count from 1, as in the figure.
    def byte(number):
        return vc12[:, number - 1]

    def bits_of(first, last):
        return np.unpackbits(vc12[:, first - 1 : last], axis=1)

    v5 = byte(1)
    folded = np.bitwise_xor.reduce(vc12, axis=1)
    odd = np.array([bin(int(b) & 0xAA).count("1") & 1 for b in folded], dtype=np.uint8)
    even = np.array([bin(int(b) & 0x55).count("1") & 1 for b in folded], dtype=np.uint8)
    control = np.stack([byte(37), byte(72), byte(107)], axis=1)
    c1 = (control >> 7).sum(axis=1)
    c2 = ((control >> 6) & 1).sum(axis=1)
    s1_data, s2_data = c1 < 2, c2 < 2
    head = np.concatenate([bits_of(3, 34), bits_of(38, 69), bits_of(73, 104)], axis=1)
    s1 = byte(107) & 1
    last = np.unpackbits(vc12[:, 107:139], axis=1)  # S2, 7 D, then bytes 109 to 139
    pieces = []
    for i in range(len(vc12)):
        pieces.append(head[i])
        if s1_data[i]:
            pieces.append(s1[i : i + 1])
        pieces.append(last[i] if s2_data[i] else last[i, 1:])
    bits = np.concatenate(pieces) if pieces else np.zeros(0, dtype=np.uint8)
    return bits, {
        "vc12": int(len(vc12)),
        "bip2": compare_parity((odd << 1 | even).astype(np.uint8), v5 >> 6),
        "label": tally((v5 >> 1) & 7, "%d"),
        "rei": int(((v5 >> 5) & 1).sum()),
        "rfi": int(((v5 >> 4) & 1).sum()),
        "rdi": int((v5 & 1).sum()),
        "j2": decode_trace(byte(36)),
        "c1_split": int(((c1 == 1) | (c1 == 2)).sum()),
        "c2_split": int(((c2 == 1) | (c2 == 2)).sum()),
        "s1_data": int(s1_data.sum()),
        "s2_data": int(s2_data.sum()),
        "bits": int(len(bits)),
    }


def decode(raw, align="auto"):
    """Decodes line bytes; returns the summary and a mapping from "K-L-M" to bits."""
    raw = np.frombuffer(raw, dtype=np.uint8)
    summary = {}
    if align == "auto":
        start, right, looked_at = find_frame_start(raw)
        summary["framing_found"] = {"right": right, "looked_at": looked_at}
    else:
        start = int(align)
    summary["start_bit"] = start
    aligned = align_bytes(raw, start)
    frames = len(aligned) // FRAME_BYTES
    if frames < 2:
        raise DecodeError("fewer than two whole frames after bit %d" % start)
    summary["frames"] = frames
    scrambled = aligned[: frames * FRAME_BYTES].reshape(frames, FRAME_BYTES)
    plain = decode_sections(scrambled, summary)
    vcs = decode_au4(plain, summary)
    if len(vcs) == 0:
        raise DecodeError("no VC-4: the AU-4 pointer was never valid")
    phase = decode_vc4(vcs, summary)
    tributaries, streams = [], {}
    for k in range(1, 4):
        for l in range(1, 8):
            for m in range(1, 4):
                name = "%d-%d-%d" % (k, l, m)
                vc12, pointer = decode_tu12(vcs, phase, k, l, m)
                bits, counts = decode_vc12(vc12)
                counts.update({
                    "klm": name,
                    "pointer": pointer,
                    # Table 7-1 and the note in 7.3.13.
                    "column_order": k + 3 * (l - 1) + 21 * (m - 1),
                    "klm_order": 21 * (k - 1) + 3 * (l - 1) + m,
                })
                tributaries.append(counts)
                streams[name] = bits
    summary["tributaries"] = tributaries
    return summary, streams


def main():
    parser = argparse.ArgumentParser(description="decode an STM-1 line with 63 VC-12")
    parser.add_argument("--input", required=True, help="raw line bytes")
    parser.add_argument("--out", required=True, help="folder for the bits and summary.json")
    parser.add_argument("--align", default="auto",
                        help="bit offset of the first frame, or auto to search")
    args = parser.parse_args()
    try:
        if args.align != "auto" and not args.align.isdigit():
            raise DecodeError("--align wants 'auto' or a count of bits, not '%s'" % args.align)
        if os.path.getsize(args.input) > MAX_INPUT:
            raise DecodeError("%s is larger than %d bytes; cut it" % (args.input, MAX_INPUT))
        with open(args.input, "rb") as f:
            summary, streams = decode(f.read(), args.align)
        os.makedirs(args.out, exist_ok=True)
        for name, bits in streams.items():
            np.packbits(bits).tofile(os.path.join(args.out, name + ".bits"))
        with open(os.path.join(args.out, "summary.json"), "w", encoding="utf-8") as f:
            json.dump(summary, f, indent=1, sort_keys=True)
            f.write("\n")
    except (DecodeError, OSError) as e:
        print("stm1_decoder: %s" % e, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())

#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Checks of the independent decoder itself against published figures, so that what it later says
about a line can be believed. Speaks TAP."""

import sys

import numpy as np

sys.path.insert(0, __file__.rsplit("/", 1)[0])
import stm1_decoder as d  # noqa: E402

RESULTS = []


def check(name, good):
    RESULTS.append(bool(good))
    print("%s %d - %s" % ("ok" if good else "not ok", len(RESULTS), name))


def scrambler():
    # Published tutorial listing of the 127-bit sequence of G.707 6.5 (first 32 bytes).
    listed = bytes.fromhex("FE041851E459D4FA1C49B5BD8D2EE655FC0830A3C8B3A9F438936B7B1A5DCCAB")
    mask = d.scrambler_mask()
    check("scrambler gives the listed sequence from byte 10 on", mask[9:41].tobytes() == listed)
    check("the first nine bytes are not scrambled", not mask[:9].any())
    bits = d.scrambler_bits(254)
    check("the sequence repeats after 127 bits, not earlier", bits[:127] == bits[127:] and not any(
        bits[:127] == bits[p : p + 127] for p in range(1, 127)))


def parity():
    # A frame of zeros but A1 and A2 (B1 worked by hand from 6.5 and 9.2.2: FE; last byte FA).
    plain = np.zeros(d.FRAME_BYTES, dtype=np.uint8)
    plain[0:3], plain[3:6] = 0xF6, 0x28
    scrambled = plain ^ d.scrambler_mask()
    check("B1 of the frame of zeros is FE", int(np.bitwise_xor.reduce(scrambled)) == 0xFE)
    check("its last byte on the line is FA", int(scrambled[-1]) == 0xFA)


def trace():
    # Two results of a CRC-7 published on a general-purpose library's mailing list.
    for text, want in ((b"123456789ABCDEF", 0x62), (b"TTI UNAVAILABLE", 0x23)):
        check("CRC-7 of '%s' is %02X" % (text.decode(), want), d.crc7(b"\x80" + text) == want)
    stream = bytes([0x80 | 0x62]) + b"123456789ABCDEF"
    rotated = (stream * 4)[5:]
    good = d.decode_trace(rotated)
    check("a trace is found at any phase", good["text"] == "123456789ABCDEF" and
          good["crc_errors"] == 0 and good["start_phase"] == 11)
    bad = bytearray(stream * 3)
    bad[3] ^= 1
    check("a wrong character shows as a CRC-7 error", d.decode_trace(bad)["crc_errors"] == 1)


def columns():
    # G.707 7.3 figures, by way of the published column tables (RFC 4842 section 11.2).
    for klm, want in (((1, 1, 1), [10, 73, 136, 199]), ((2, 4, 2), [41, 104, 167, 230]),
                      ((3, 7, 3), [72, 135, 198, 261])):
        check("columns of TU-12 %d-%d-%d" % klm, d.tu12_columns(*klm) == want)
    every = sorted(c for k in (1, 2, 3) for l in range(1, 8) for m in (1, 2, 3)
                   for c in d.tu12_columns(k, l, m))
    check("63 TU-12 use each of the columns 10 to 261 once", every == list(range(10, 262)))


def three(modulus, word):
    """A first value holds at the third of three equal ones."""
    reader = d.PointerReader(modulus)
    seen = [reader.take(word) for _ in range(3)]
    assert seen[0][0] is None and seen[1][0] is None
    return reader, seen[2]


def pointers():
    # 6A 0A is offset 522 (a captured frame); TU-12 offset 105 is 68 69 (8.3).
    check("6A0A is AU-4 offset 522", three(783, 0x6A0A)[1] == (522, 0, True))
    check("6869 is TU-12 offset 105", three(140, 0x6869)[1] == (105, 0, True))
    check("140 is out of range for a TU-12", three(140, 0x6800 | 140)[1] == (None, 0, False))
    r = three(783, 0x6800 | 522)[0]
    inc = r.take(0x6800 | (522 ^ d.I_BITS))
    after = r.take(0x6800 | 523)
    check("inverted I bits move the offset up by one", inc[1] == 1 and after == (523, 0, False))
    dec = r.take(0x6800 | (523 ^ d.D_BITS))
    after = r.take(0x6800 | 522)
    check("inverted D bits move it down by one", dec[1] == -1 and after == (522, 0, False))
    check("a new data flag sets it at once", r.take(0x9800 | 7) == (7, 0, True))
    seen = [r.take(0x6800 | 4)[0] for _ in range(3)]
    check("three equal new values set it at the third", seen == [7, 7, 4])
    check("all ones is no value", r.take(0xFFFF)[0] == 4 and r.counts["all_ones"] == 1)


def justification():
    """Containers of 140 numbered bytes through a pointer that moves (8.3.5: the byte after V3 is
    stuff, or V3 carries data): all must come out whole, whatever the first offset."""
    rng = np.random.default_rng(5)
    for first in (0, 1, 34, 35, 104, 105, 138, 139):
        data = np.tile(np.arange(140, dtype=np.uint8), 40)
        reader = d.PointerReader(140)
        segments, at, value, pending = [], 140 - first, first, 0
        for n in range(30):
            word, grow = 0x6800 | value, 0
            if n % 4 == 3:  # at least three multiframes between two movements
                grow = int(rng.choice([-1, 1]))
                word ^= d.I_BITS if grow < 0 else d.D_BITS
            got, moved, aligned = reader.take(word)
            pending += moved != -grow
            segments.append((data[at : at + 140 + grow], got, aligned))
            at += 140 + grow
            value = (value - grow) % 140
        whole, disagree = d.cut_containers(segments, 140, 1)
        good = disagree == 0 and pending == 0 and len(whole) >= 26
        good = good and (whole == np.arange(140, dtype=np.uint8)).all()
        check("containers stay whole over pointer movements from offset %d" % first, good)


def rejects():
    noise = np.random.default_rng(1).integers(0, 256, 4 * d.FRAME_BYTES, dtype=np.uint8)
    for name, data in (("noise", noise.tobytes()), ("nothing", b""), ("zeros", bytes(9720))):
        try:
            d.decode(data)
            check("%s is refused" % name, False)
        except d.DecodeError:
            check("%s is refused" % name, True)


for part in (scrambler, parity, trace, columns, pointers, justification, rejects):
    part()
print("1..%d" % len(RESULTS))
sys.exit(0 if all(RESULTS) else 1)

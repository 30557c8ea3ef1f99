#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""Reads a recording from docs/recording.md alone, with struct and hashlib; checks all of it."""
import hashlib
import json
import struct
import sys

PEN = 32473
FRAME_BITS = {"E1": 256, "T1": 193, "STM-1": 19440}


def options(body):
    out, at = {}, 0
    while at < len(body):
        code, n = struct.unpack_from("<HH", body, at)
        if code == 0:
            assert n == 0 and at + 4 == len(body)
            return out
        out.setdefault(code, []).append(body[at + 4:at + 4 + n])
        at += 4 + (n + 3) // 4 * 4
    raise AssertionError("no end of options")


class Stream:
    def __init__(self):
        self.text, self.end, self.start = b"evl-stream-1", 0, None
        self.bits = self.gaps = self.blocks = self.lossy = 0
        self.first = 0
        self.runs = []  # [offset, bytes] without a gap

    def add(self, offset, data, flags):
        assert offset >= self.end
        if offset != self.end:
            self.gaps += 1
        if self.blocks == 0:
            self.first = offset
        assert bool(flags & 4) == (offset != self.end)
        if self.start is None or offset != self.end:
            self.close()
            self.start = offset
            self.text += struct.pack("<Q", offset)
            self.runs.append([offset, b""])
        self.runs[-1][1] += data
        self.text += data
        self.end = offset + 8 * len(data)
        self.bits += 8 * len(data)
        self.blocks += 1
        self.lossy += bool(flags & 3)

    def close(self):
        if self.start is not None:
            self.text += struct.pack("<Q", self.end - self.start)

    def digest(self):
        self.close()
        return hashlib.sha256(self.text).digest()


def read(path):
    """{name: what the file says of the channel, and "runs", "bits", "gaps", "digest"}, and marks:
    (instant in ns, name of the channel or "-", text)."""
    f = open(path, "rb").read()
    at, channels, streams, firsts = 0, [], [], []
    trailer, marks = None, []
    while at < len(f):
        kind, n = struct.unpack_from("<II", f, at)
        block = f[at:at + n]
        assert len(block) == n and n % 4 == 0 and struct.unpack("<I", block[-4:])[0] == n
        if kind == 0x40000BAD:
            trailer = at
            break
        start = {0x0A0D0D0A: 24, 1: 16}.get(kind)
        if kind == 0x00000BAD:
            pen, tag, time, ch, length = struct.unpack_from("<I8sQII", block, 8)
            assert (pen, tag) == (PEN, b"evl-mark")
            start = 36 + (length + 3) // 4 * 4
            marks.append((at, time, ch, block[36:36 + length].decode()))
        if kind == 6:
            ch, hi, lo, cap, orig = struct.unpack_from("<IIIII", block, 8)
            assert cap == orig
            start = 28 + (cap + 3) // 4 * 4
        opts = options(block[start:-4])
        check = opts[19373][-1]
        assert struct.unpack("<I", check[:4])[0] == PEN
        assert check[4:] == hashlib.sha256(f[:at + n - 24]).digest()[:16], "check at %d" % at
        if kind == 0x0A0D0D0A:
            meta = json.loads(opts[1][0])
            assert meta["format"] == "evenlode-recording" and meta["version"] == 1
            assert opts[4][0].startswith(b"evenlode ")
        elif kind == 1:
            info = json.loads(opts[1][0])
            info["name"] = opts[2][0].decode()
            assert struct.unpack("<Q", opts[8][0])[0] == FRAME_BITS[info["rate"]] * 8000
            channels.append(info)
            streams.append(Stream())
        elif kind == 6:
            pen, offset, flags = struct.unpack("<IQI", opts[2989][0])
            info = channels[ch]
            assert pen == PEN
            assert (hi << 32 | lo) == info["start_ns"] + offset * 125000 // FRAME_BITS[info["rate"]]
            assert struct.unpack("<I", opts[2][0])[0] == (2 if info["direction"] == "sent" else 1)
            assert (1 in opts) == (flags != 0)
            firsts.append((at, ch, offset))
            streams[ch].add(offset, block[28:28 + cap], flags)
        at += n
    assert trailer is not None, "unfinished"
    assert len(channels) == meta["channels"]
    t = f[trailer:]
    assert trailer + len(t) == len(f) and struct.unpack_from("<I", t, 4)[0] == len(t)
    pen, tag, n, points, mark_count, pos, blocks = struct.unpack_from("<I8sIIIQQ", t, 8)
    assert (pen, tag, n, pos) == (PEN, b"evl-end1", len(channels), trailer)
    assert blocks == len(firsts)
    assert t[48:80] == hashlib.sha256(f[:trailer]).digest()
    assert t[-36:-4] == hashlib.sha256(t[:-36]).digest()
    p = 80
    for info, s in zip(channels, streams):
        told = struct.unpack_from("<QQQQQQ", t, p)
        digest = s.digest()
        assert told == (s.blocks, s.bits, s.first, s.end, s.gaps, s.lossy)
        assert t[p + 48:p + 80] == digest
        p += 80
        info.update(runs=s.runs, bits=s.bits, gaps=s.gaps, digest=digest.hex())
    for _ in range(points):
        row = struct.unpack_from("<%dQ" % (1 + n), t, p)
        p += 8 * (1 + n)
        for c in range(n):
            later = [o for a, ch, o in firsts if ch == c and a >= row[0]]
            assert row[1 + c] == (later[0] if later else 2 ** 64 - 1)
        assert any(a == row[0] for a, _, _ in firsts)
    assert list(struct.unpack_from("<%dQ" % mark_count, t, p)) == [m[0] for m in marks]
    assert p + 8 * mark_count == len(t) - 36
    return {info["name"]: info for info in channels}, [
        (time, channels[ch]["name"] if ch != 2 ** 32 - 1 else "-", text)
        for _, time, ch, text in marks]


def main(path):
    channels, marks = read(path)
    for c in channels.values():
        print(c["name"], c["rate"], c["direction"], c["bits"], c["gaps"], c["digest"])
    for mark in marks:
        print("mark", *mark)


if __name__ == "__main__":
    main(sys.argv[1])

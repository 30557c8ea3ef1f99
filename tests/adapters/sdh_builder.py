# SPDX-License-Identifier: Apache-2.0
"""Builds STM-1 and STM-4 lines byte by byte for the test of the independent decoder: every cell of
the frame is asked in turn what it holds, as one reads the figures of ITU-T G.707. Slow and plain on
purpose; shares no placement code with the decoder. Bytes of no use are random where the standard
leaves them free, so that a decoder that read a wrong one would show."""

import numpy as np

INCREMENT, DECREMENT = 0x2AA, 0x155  # I and D bits of the ten-bit value


class Pointer:
    """One pointer: value, and moves as {unit: +1 or -1}."""

    def __init__(self, value, modulus, ss, moves=None):
        self.value, self.modulus, self.ss, self.moves = value, modulus, ss, moves or {}
        self.unit, self.move = -1, 0

    def begin(self):
        """A unit begins: its 16-bit word."""
        self.value = (self.value + self.move) % self.modulus
        self.unit += 1
        self.move = self.moves.get(self.unit, 0)
        word = 0x6000 | self.ss << 10 | self.value
        return word ^ {0: 0, 1: INCREMENT, -1: DECREMENT}[self.move]


class Bytes:
    """Bytes of containers one after the other; `make(number)` gives one."""

    def __init__(self, make, size, phase):
        self.make, self.number, self.at, self.size = make, -1, size, size
        for _ in range(phase % size):
            self.next()

    def next(self):
        if self.at == self.size:
            self.number += 1
            self.data, self.at = self.make(self.number), 0
            assert len(self.data) == self.size, len(self.data)
        self.at += 1
        return self.data[self.at - 1]


def trace_byte(trace, n):
    return trace[n % len(trace)]


class Bits:
    """The client: random bits, remembered."""

    def __init__(self, rng):
        self.rng, self.taken, self.pool = rng, [], []

    def take(self, count):
        if len(self.pool) < count:
            self.pool += self.rng.integers(0, 2, 2048).tolist()
        bits = self.pool[-count:]
        del self.pool[-count:]
        self.taken += bits
        return bits

    def byte(self):
        return bits_to_byte(self.take(8))


def bits_to_byte(bits):
    value = 0
    for bit in bits:
        value = value << 1 | bit
    return value


class Vc1:
    """VC-12 or VC-11. kind: e1, e1-byte, t1, t1-byte. justify: {number of VC: +1 or -1}. `wide`
    puts a VC-11 in the four columns of a TU-12."""

    def __init__(self, kind, rng, trace, justify=None, rei=(), rdi=(), wide=False, bip_errors=()):
        self.kind, self.rng, self.trace, self.justify = kind, rng, trace, justify or {}
        self.rei, self.rdi, self.wide, self.bip_errors = rei, rdi, wide, bip_errors
        self.client = Bits(rng)
        self.parity = None

    def any(self, count):
        return [int(b) for b in self.rng.integers(0, 2, count)]

    def v5(self, number):
        bip = self.parity if self.parity is not None else [0, 0]
        bip = [bip[0] ^ (number in self.bip_errors), bip[1]]
        label = [0, 1, 0] if self.kind in ("e1", "t1") else [1, 0, 0]
        return bits_to_byte(bip + [int(number in self.rei), 0] + label + [int(number in self.rdi)])

    def make(self, number):
        data = []
        extra = self.justify.get(number, 0)
        # Nominal: S1 stuff (C1 = 1), S2 data (C2 = 0).
        c1, c2 = int(extra < 1), int(extra < 0)
        for q in range(4):
            poh = [self.v5(number), trace_byte(self.trace, number), 0, 0][q]
            data.append(poh)
            data += getattr(self, self.kind.replace("-", "_"))(q, c1, c2)
        self.parity = [sum(bin(b & m).count("1") for b in data) % 2 for m in (0xAA, 0x55)]
        if self.wide:
            data = self.widen(data)
        return data

    def widen(self, data):
        """Rows of four: V, three of the VC-11's 26 and so on; the fourth column is stuff."""
        out = []
        for q in range(4):
            narrow = [None] + data[26 * q : 26 * q + 26]
            for row in range(9):
                out += narrow[3 * row : 3 * row + 3] + [0]
        return [b for b in out if b is not None]

    def e1(self, q, c1, c2):
        if q == 0:
            return [self.rng.integers(256)] + [self.client.byte() for _ in range(32)] + [
                self.rng.integers(256)]
        if q < 3:
            return [bits_to_byte([c1, c2] + self.any(6))] + [
                self.client.byte() for _ in range(32)] + [self.rng.integers(256)]
        s1 = self.client.take(1) if not c1 else self.any(1)
        out = [bits_to_byte([c1, c2] + self.any(5) + s1)]
        s2 = self.client.take(1) if not c2 else self.any(1)
        out.append(bits_to_byte(s2 + self.client.take(7)))
        return out + [self.client.byte() for _ in range(31)] + [self.rng.integers(256)]

    def e1_byte(self, q, c1, c2):
        return [self.rng.integers(256)] + [self.client.byte() for _ in range(32)] + [
            self.rng.integers(256)]

    def t1(self, q, c1, c2):
        if q < 3:
            head = self.any(2) if q == 0 else [c1, c2]
            head = head + self.any(4) + self.client.take(1) + self.any(1)
        else:
            s1 = self.client.take(1) if not c1 else self.any(1)
            s2 = self.client.take(1) if not c2 else self.any(1)
            head = [c1, c2] + self.any(3) + s1 + s2 + self.any(1)
        return [bits_to_byte(head)] + [self.client.byte() for _ in range(24)]

    def t1_byte(self, q, c1, c2):
        head = self.any(6) + self.client.take(1) + self.any(1)
        return [bits_to_byte(head)] + [self.client.byte() for _ in range(24)]


class Tu1:
    """TU-12 or TU-11: `cell(phase, i)` is byte i of the part with V1 (phase 0) to V4 (3)."""

    def __init__(self, quarter, vc, value, moves=None):
        self.quarter, self.vc = quarter, vc
        self.pointer = Pointer(value, 4 * quarter, 2 if quarter == 35 else 3, moves)
        # The byte behind the first V1 has offset 3 quarters.
        self.bytes = Bytes(vc.make, 4 * quarter, 3 * quarter - value)

    def cell(self, phase, i):
        if i == 0 and phase == 0:
            self.word = self.pointer.begin()
            return self.word >> 8
        if i == 0 and phase == 1:
            return self.word & 0xFF
        if i == 0 and phase == 2:
            return self.bytes.next() if self.pointer.move < 0 else 0
        if i == 0:
            return 0
        if i == 1 and phase == 2 and self.pointer.move > 0:
            return 0xEE
        return self.bytes.next()


class Bulk:
    """Payload without structure."""

    def __init__(self, rng):
        self.client = Bits(rng)

    def begin(self, number):
        pass

    def cell(self, row, column):
        return self.client.byte()


class Tu3:
    """Tu-3 in the columns of a TUG-3, x = 1..86."""

    def __init__(self, vc, value, moves=None):
        self.pointer, self.vc = Pointer(value, 765, 2, moves), vc
        self.bytes = Bytes(vc.make, 765, 765 - value - 2 * 85)  # row 1 is two rows before offset 0

    def cell(self, row, x):
        if x > 1:
            if row == 3 and x == 2 and self.pointer.move > 0:
                return 0xEE
            return self.bytes.next()
        if row == 1:
            self.word = self.pointer.begin()
            return self.word >> 8
        if row == 2:
            return self.word & 0xFF
        if row == 3 and self.pointer.move < 0:
            return self.bytes.next()
        return 0


class Vc34:
    """A VC-4 (261 columns), or a VC-3 (85, or 87 with the stuff of an AU-3). `payload` answers
    cell(row, column) and is told begin(number)."""

    def __init__(self, columns, payload, trace, c2=2, rei=(), rdi=(), bip_errors=()):
        self.columns, self.payload, self.trace, self.c2 = columns, payload, trace, c2
        self.rei, self.rdi, self.bip_errors, self.b3 = rei, rdi, bip_errors, 0

    def poh(self, row, number):
        g1 = (1 << 4 if number in self.rei else 0) | (8 if number in self.rdi else 0)
        b3 = self.b3 ^ (1 if number in self.bip_errors else 0)
        return [trace_byte(self.trace, number), b3, self.c2, g1, 0, 0xFC | (number + 1) % 4, 0, 0,
                0][row - 1]

    def make(self, number):
        self.payload.begin(number)
        data, parity = [], 0
        for row in range(1, 10):
            for column in range(1, self.columns + 1):
                if column == 1:
                    byte = self.poh(row, number)
                elif self.columns == 87 and column in (30, 59):
                    data.append(0x5A ^ row)  # equal in both columns, not in B3
                    continue
                else:
                    byte = self.payload.cell(row, column)
                data.append(byte)
                parity ^= int(byte)
        self.b3 = parity
        return data


class Vc44c:
    def __init__(self, rng, trace):
        self.client, self.trace, self.b3 = Bits(rng), trace, 0

    def make(self, number):
        data, parity = [], 0
        for row in range(1, 10):
            for column in range(1, 1045):
                if column == 1:
                    byte = [trace_byte(self.trace, number), self.b3, 0x16, 0, 0, 0, 0, 0,
                            0][row - 1]
                else:
                    byte = 0x77 if column <= 4 else self.client.byte()
                data.append(byte)
                parity ^= int(byte)
        self.b3 = parity
        return data


class Columns:
    """Payload of a VC-4 or VC-3 given by owners: {column: (thing, x)}. Things are Tu1 (`cell(phase,
    i)`), Tu3 or Bulk."""

    def __init__(self, owners):
        self.owners = owners

    def begin(self, number):
        self.phase = number % 4

    def cell(self, row, column):
        thing, x = self.owners[column]
        if isinstance(thing, Tu1):
            wide = (thing.quarter + 1) // 9
            return thing.cell(self.phase, wide * (row - 1) + x - 1)
        if isinstance(thing, list):
            return thing[row - 1]
        return thing.cell(row, x)


class Au:
    """An AU-4 or AU-3 in an AUG-1, or the AU-4-4c of an STM-4: `width` bytes to a unit."""

    def __init__(self, vc, size, width, value, moves=None, ss=2):
        self.pointer = Pointer(value, 783, ss, moves)
        # Row 1 of the first frame: three rows before offset 0 of that frame.
        self.bytes = Bytes(vc.make, size, size - (value * width + size // 3))
        self.width, self.vc = width, vc

    def begin(self):
        self.word = self.pointer.begin()


class Line:
    """`augs`: for each AUG-1 a list of one AU-4 or of three AU-3; or one Au alone for an
    AU-4-4c."""

    def __init__(self, augs, rng, j0, b1_errors=(), b2_errors=()):
        self.whole = augs if isinstance(augs, Au) else None
        self.augs = [] if self.whole else augs
        self.n = 4 if self.whole else len(augs)
        self.rng, self.j0 = rng, j0
        self.b1, self.b2 = 0, [0] * (3 * self.n)
        self.b1_errors, self.b2_errors = b1_errors, b2_errors
        self.number = 0

    def au_of(self, column):
        """The AU of a payload column of the STM-N, or of a cell of row 4: (au, which of its
        width)."""
        if self.whole:
            return self.whole, (column - 1) % 12
        aug = self.augs[(column - 1) % self.n]
        within = (column - 1) // self.n + 1  # column of the AUG-1
        if len(aug) == 1:
            return aug[0], (within - 1) % 3
        return aug[(within - 1) % 3], 0

    def row4(self, column):
        au, index = self.au_of(column)
        part = (column - 1) // (3 * self.n)  # H1, H2, H3
        if part == 2:
            return au.bytes.next() if au.pointer.move < 0 else 0
        if index > 0:
            return (0x9B, 0xFF)[part]
        return (au.word >> 8, au.word & 0xFF)[part]

    def section(self, row, column):
        n = self.n
        if row == 4:
            return self.row4(column)
        if row == 1 and column <= 6 * n:
            return 0xF6 if column <= 3 * n else 0x28
        if (row, column) == (1, 6 * n + 1):
            return trace_byte(self.j0, self.number)
        if (row, column) == (2, 1):
            return self.b1 ^ (0x10 if self.number in self.b1_errors else 0)
        if row == 5 and column <= 3 * n:
            return self.b2[column - 1] ^ (2 if column == 2 and self.number in self.b2_errors else 0)
        if (row, column) in ((5, 3 * n + 1), (5, 6 * n + 1)):
            return 0
        if (row, column) == (9, 1):
            return 0x0B
        if (row, column) == (9, 3 * n + 3):
            return 0
        return int(self.rng.integers(256))

    def frame(self):
        n = self.n
        for au in [self.whole] if self.whole else [a for g in self.augs for a in g]:
            au.begin()
        plain = []
        stuff = {}
        for row in range(1, 10):
            for column in range(1, 270 * n + 1):
                if column <= 9 * n:
                    plain.append(self.section(row, column))
                    continue
                au, _ = self.au_of(column)
                if row == 4 and au.pointer.move > 0 and stuff.get(au, 0) < au.width:
                    stuff[au] = stuff.get(au, 0) + 1
                    plain.append(0xEE)
                    continue
                plain.append(au.bytes.next())
        self.b2 = [0] * (3 * n)
        for i, byte in enumerate(plain):
            row, column = i // (270 * n), i % (270 * n)
            if row > 2 or column >= 9 * n:
                self.b2[column % (3 * n)] ^= int(byte)
        line = scramble(plain, 9 * n)
        self.b1 = int(np.bitwise_xor.reduce(np.array(line, dtype=np.uint8)))
        self.number += 1
        return line

    def frames(self, count):
        return np.array([b for _ in range(count) for b in self.frame()], dtype=np.uint8).tobytes()


def keystream():
    """6.5 as a recurrence of the sequence itself: s(t) = s(t-6) + s(t-7), beginning with
    1111111."""
    s = [1] * 7
    while True:
        yield s[0]
        s = s[1:] + [s[0] ^ s[1]]


def key_bytes(count):
    key = keystream()
    return [bits_to_byte([next(key) for _ in range(8)]) for _ in range(count)]


def scramble(plain, unscrambled):
    if len(plain) not in KEYS:
        KEYS[len(plain)] = [0] * unscrambled + key_bytes(len(plain) - unscrambled)
    return [int(byte) ^ mask for byte, mask in zip(plain, KEYS[len(plain)])]


KEYS = {}  # by length of a frame

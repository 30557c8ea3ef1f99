#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Decoder of E1 CRC-4 multiframes and T1 multiframes, written apart from core/frame.

From ITU-T G.704: 2.3.2 and Table 5b (E1), 2.3.3.5 (CRC-4), 5.1.3 (timeslot 16), 2.1.3 and Table 1
(T1 ESF), 2.1.3.1.2 (CRC-6); SF from T1.107 (from memory). Polynomials are divided by numpy in GF(2)
as plain convolution of the whole block, so nothing of core/signal or core/frame is used.
"""
import numpy as np


def bits_of(data):
    return np.unpackbits(np.frombuffer(data, dtype=np.uint8))


def remainder(block, taps, width):
    """Remainder of block(x) * x^width by x^width + taps, most significant first: the sum over all
    ones of the remainders of their powers, the powers of x being made by a shift register."""
    n = block.shape[-1]
    table = np.zeros((n, width), dtype=np.uint8)
    state = 1
    powers = np.zeros(n + width, dtype=np.int64)
    for power in range(n + width):
        powers[power] = state
        state <<= 1
        if state >> width:
            state = (state ^ taps) & ((1 << width) - 1)
    of_bit = powers[width:][::-1]
    for k in range(width):
        table[:, k] = of_bit >> (width - 1 - k) & 1
    return (block.astype(np.int64) @ table) % 2


# ---- E1

def e1_align(bits):
    """The bit where the multiframe begins that fits most of the signal: all 256 phases and 16
    frames are tried, each over every frame, by the fixed bits of timeslot 0."""
    mfas = {1: 0, 3: 0, 5: 1, 7: 0, 9: 1, 11: 1}
    best = (-1, 0)
    for phase in range(256):
        n = (len(bits) - phase) // 256
        ts0 = bits[phase:phase + 256 * n].reshape(n, 256)[:, :8]
        fas = (ts0[:, 1:8] == [0, 0, 1, 1, 0, 1, 1]).all(axis=1)
        if fas.mean() < 0.3:
            continue
        for frame in range(16):
            number = (np.arange(n) + frame) % 16
            even = number % 2 == 0
            score = fas[even].sum() + ts0[~even, 1].sum()
            for f, v in mfas.items():
                score += (ts0[number == f, 0] == v).sum()
            if score > best[0]:
                best = (score, phase + 256 * ((16 - frame) % 16))
    return best[1]


def e1_decode(data):
    bits = bits_of(data)
    start = e1_align(bits)
    n = (len(bits) - start) // 4096
    multi = bits[start:start + 4096 * n].reshape(n, 16, 256)
    out = {'start': start, 'multiframes': n}
    ts0 = multi[:, :, :8]
    out['fas_good'] = bool((ts0[:, 0::2, 1:] == [0, 0, 1, 1, 0, 1, 1]).all())
    out['nfas_good'] = bool((ts0[:, 1::2, 1] == 1).all())
    out['mfas_good'] = bool((ts0[:, 1:12:2, 0] == [0, 0, 1, 0, 1, 1]).all())
    out['a'] = ts0[:, 1::2, 2]
    out['sa'] = ts0[:, 1::2, 3:]
    out['e'] = ts0[:, 13::2, 0]
    blocks = multi.reshape(2 * n, 8, 256).copy()
    sent = blocks[:, 0::2, 0].copy()
    blocks[:, 0::2, 0] = 0
    blocks = blocks.reshape(2 * n, 2048)
    computed = remainder(blocks, 0x3, 4)
    out['bad_blocks'] = [i for i in range(2 * n - 1) if (computed[i] != sent[i + 1]).any()]
    ts16 = multi.reshape(16 * n, 256)[:, 128:136]
    phases = [p for p in range(16) if (ts16[p::16, :4] == 0).all()]
    out['cas_phases'] = phases
    if len(phases) == 1:
        p = phases[0]
        whole = (16 * n - p) // 16
        cas = ts16[p:p + 16 * whole].reshape(whole, 16, 8)
        out['y'] = cas[:, 0, 5]
        out['x'] = cas[:, 0, [4, 6, 7]]
        weights = np.array([8, 4, 2, 1])
        low = cas[:, 1:, :4] @ weights
        high = cas[:, 1:, 4:] @ weights
        out['abcd'] = np.concatenate([low, high], axis=1)
    out['frames'] = np.packbits(multi.reshape(16 * n, 256), axis=1)
    return out


# ---- T1

SF = np.array([1, 0, 0, 0, 1, 1, 0, 1, 1, 1, 0, 0], dtype=np.uint8)
FPS = {4: 0, 8: 0, 12: 1, 16: 0, 20: 1, 24: 1}


def t1_align(bits, esf):
    length = 24 if esf else 12
    best = (-1, 0)
    for phase in range(193):
        f = bits[phase::193]
        for first in range(1, length + 1):
            number = (np.arange(len(f)) + first - 1) % length + 1
            if esf:
                known = number % 4 == 0
                want = np.array([FPS.get(k, 0) for k in range(25)])[number]
            else:
                known = np.ones(len(f), dtype=bool)
                want = SF[number - 1]
            score = (f[known] == want[known]).mean()
            if score > best[0]:
                best = (score, phase + 193 * ((length + 1 - first) % length))
    return best[1]


def t1_decode(data, esf):
    bits = bits_of(data)
    length = 24 if esf else 12
    start = t1_align(bits, esf)
    n = (len(bits) - start) // (193 * length)
    multi = bits[start:start + 193 * length * n].reshape(n, length, 193)
    out = {'start': start, 'multiframes': n}
    f = multi[:, :, 0]
    if esf:
        out['pattern_good'] = bool((f[:, 3::4] == [0, 0, 1, 0, 1, 1]).all())
        out['link'] = f[:, 0::2].reshape(-1)
        blocks = multi.copy()
        blocks[:, :, 0] = 1
        computed = remainder(blocks.reshape(n, 4632), 0x3, 6)
        sent = f[:, 1::4]
        out['bad_blocks'] = [i for i in range(n - 1) if (computed[i] != sent[i + 1]).any()]
    else:
        out['pattern_good'] = bool((f == SF).all())
        out['bad_blocks'] = []
    slots = multi[:, :, 1:].reshape(n, length, 24, 8)
    out['robbed'] = slots[:, 5::6, :, 7]
    out['slots'] = np.packbits(slots.reshape(n * length, 192), axis=1)
    return out

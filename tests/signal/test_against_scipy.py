#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Patterns against SciPy's max_len_seq, thresholds of the random gaps against 60-digit decimals.

With q = 1 - p, binary digit j of a geometric number is 1 with probability q^(2^j) / (1 + q^(2^j));
the product of these over all digits gives back p q^g. Usage: test_against_scipy.py PRINT_SIGNAL
"""
import random
import subprocess
import sys
from decimal import Decimal, getcontext

import numpy as np
from scipy.signal import max_len_seq

getcontext().prec = 60
rnd = random.Random(1)
cases = [(1, 2), (1, 3), (2, 3), (1, 10**9), (1, 10**15), (999, 1000), (1, 2**53),
         (2**53 - 1, 2**53)]
for _ in range(200):
    d = rnd.randrange(2, 10 ** rnd.randrange(1, 16) + 2)
    cases.append((rnd.randrange(1, d), d))
text = "".join(f"{n} {d}\n" for n, d in cases)
out = subprocess.run([sys.argv[1], "gap"], input=text, capture_output=True, text=True,
                     check=True).stdout
lines = out.split("\n")
bad = 0
worst = Decimal(0)
for (n, d), line in zip(cases, lines):
    got = [int(x) for x in line.split()]
    q = 1 - Decimal(n) / Decimal(d)
    for j in range(64):
        want = q / (1 + q)
        have = Decimal(got[j]) / 2**64 if j < len(got) else Decimal(0)
        worst = max(worst, abs(have - want))
        # 2^-53 from the rounding down, and some of it from double arithmetic
        if abs(have - want) > Decimal(3) / 2**53:
            bad += 1
            print(f"# {n}/{d} digit {j}: {have} instead of {want}")
        q = q * q
print("1..10")
print(f"# {len(cases)} ratios, largest deviation {float(worst):.3g}")
failed = bool(bad) or len(lines) < len(cases)
print(("not ok" if failed else "ok") + " 1 - thresholds of the gaps")

# SciPy: x[i+n] = x[i] + x[i+tap] from all ones, so tap = n - k for the stages k and n of O.150.
PATTERNS = (("2^9-1", 9, 5, 0), ("2^11-1", 11, 9, 0), ("2^15-1", 15, 14, 1), ("2^20-1", 20, 3, 0),
            ("QRSS", 20, 17, 0), ("2^23-1", 23, 18, 1), ("2^29-1", 29, 27, 1),
             ("2^31-1", 31, 28, 1))


def made(name, size, phase=0):
    raw = subprocess.run([sys.argv[1], "prbs", name, str(size), str(phase)], capture_output=True,
                         check=True).stdout
    return np.unpackbits(np.frombuffer(raw, dtype=np.uint8))


def suppressed(bits):
    """QRSS: 1 where the next 14 register bits are all 0."""
    wrapped = np.concatenate([bits, bits[:14]])
    ones = np.concatenate([[0], np.cumsum(wrapped)])
    return bits | (ones[15 : len(bits) + 15] - ones[1 : len(bits) + 1] == 0)


number = 2
for name, n, k, inverted in PATTERNS:
    length = min(2**n - 1, 4_000_000) if n > 23 else 2**n - 1
    want = max_len_seq(n, length=length, taps=[n - k])[0]
    if name == "QRSS":
        want = suppressed(want)
    got = made(name, length // 8 + 8)[:length]
    same = len(got) == length and np.array_equal(got, want ^ inverted)
    failed = failed or not same
    print(("ok" if same else "not ok")
          + f" {number} - {name}: {length} bits as max_len_seq has them")
    number += 1


def multiply(a, b, poly, n):
    r = 0
    while b:
        if b & 1:
            r ^= a
        a <<= 1
        if a >> n & 1:
            a ^= poly
        b >>= 1
    return r


def shifted(phase, n, k):
    """x^phase modulo x^n + x^(n-k) + 1, by squaring Python integers."""
    poly, r, x = 1 << n | 1 << (n - k) | 1, 1, 2
    while phase:
        if phase & 1:
            r = multiply(r, x, poly, n)
        x = multiply(x, x, poly, n)
        phase >>= 1
    return r


# Far into the long periods: the polynomial x^phase applied to the first 2n bits.
good = True
for name, n, k, inverted in PATTERNS:
    if name == "QRSS":
        continue
    start = max_len_seq(n, length=256 + n, taps=[n - k])[0]
    for _ in range(20):
        phase = rnd.randrange(2**40)
        terms = shifted(phase, n, k)
        want = np.zeros(256, dtype=np.uint8)
        for m in range(n):
            if terms >> m & 1:
                want ^= start[m : m + 256].astype(np.uint8)
        if not np.array_equal(made(name, 32, phase), want ^ inverted):
            good = False
            print(f"# {name} at {phase} differs")
failed = failed or not good
print(("ok" if good else "not ok") + f" {number} - jumps to any phase")
sys.exit(failed)

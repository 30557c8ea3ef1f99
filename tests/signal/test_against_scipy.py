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
cases = [(1, 2), (1, 3), (2, 3), (1, 10**9), (1, 10**15), (999, 1000), (1, 2**53), (2**53 - 1, 2**53)]
for _ in range(200):
    d = rnd.randrange(2, 10 ** rnd.randrange(1, 16) + 2)
    cases.append((rnd.randrange(1, d), d))
text = "".join(f"{n} {d}\n" for n, d in cases)
out = subprocess.run([sys.argv[1], "gap"], input=text, capture_output=True, text=True, check=True).stdout
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
print("1..3")
print(f"# {len(cases)} ratios, largest deviation {float(worst):.3g}")
failed = bool(bad) or len(lines) < len(cases)
print(("not ok" if failed else "ok") + " 1 - thresholds of the gaps")

# SciPy: x[i+n] = x[i] + x[i+tap] from all ones, so tap = n - k for the stages k and n of O.150.
for number, (name, n, k) in enumerate((("2^15-1", 15, 14), ("2^23-1", 23, 18)), 2):
    size = 2**n - 1 + 64
    raw = subprocess.run([sys.argv[1], "prbs", name, str(size)], capture_output=True, check=True).stdout
    got = np.unpackbits(np.frombuffer(raw, dtype=np.uint8))[: 2**n - 1]
    want = 1 - max_len_seq(n, taps=[n - k])[0]
    same = len(raw) == size and np.array_equal(got, want)
    failed = failed or not same
    print(("ok" if same else "not ok") + f" {number} - {name} over its whole period")
sys.exit(failed)

#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Poisson limits and binomial tails against SciPy, over thousands of random inputs.

Limits: chi2.ppf/isf (Garwood 1936), relative 1e-10. Intervals of a ratio of rates: beta.ppf/isf
(Clopper and Pearson 1934). SciPy's quantiles are not exact to 1e-10 everywhere, and its incomplete
gamma and beta functions lose digits far from the mean for counts above some 1e5. There the
definition itself is the judge: the tail at our limit, summed from 50-digit decimals, must be the
wanted one (the deviation is given in terms of the limit); these cases are counted.
Usage: test_against_scipy.py PRINT_LIMITS
"""
import decimal
import math
import random
import subprocess
import sys

from scipy import special, stats

rnd = random.Random(20)
LIMIT = 1e-10
SCIPY_UP_TO = 100000  # counts
decimal.getcontext().prec = 50
PI = decimal.Decimal("3.14159265358979323846264338327950288419716939937510")


def count():
    kind = rnd.randrange(40)
    if kind == 0:
        return rnd.randrange(10 ** rnd.randrange(5, 10))
    return rnd.choice(
        [rnd.randrange(4), rnd.randrange(60), rnd.randrange(10**4), rnd.randrange(10**5)])


def log_factorial(n):
    if n < 200:
        return decimal.Decimal(math.factorial(n)).ln()
    n = decimal.Decimal(n)
    return (n * n.ln() - n + (2 * PI * n).ln() / 2 + 1 / (12 * n) - 1 / (360 * n**3)
            + 1 / (1260 * n**5)
            - 1 / (1680 * n**7) + 1 / (1188 * n**9))


def pmf(k, m):
    return float((k * decimal.Decimal(m).ln() - decimal.Decimal(m) - log_factorial(k)).exp())


def tails(k, m):
    """P(X <= k) and P(X >= k + 1), the one that falls away from the mean summed term by term."""
    term = total = 1.0
    if m > k:
        j = k
        while j > 0 and term > total * 1e-18:
            term *= j / m
            total += term
            j -= 1
        low = total * pmf(k, m)
        return low, 1 - low
    j = k + 1
    while term > total * 1e-18:
        j += 1
        term *= m / j
        total += term
    high = total * pmf(k + 1, m)
    return 1 - high, high


def confidence():
    return rnd.choice([0.9, 0.95, 0.99, 0.999, 0.5, rnd.random() * 0.998 + 0.001,
                       1 - 10 ** -rnd.uniform(1, 12), 10 ** -rnd.uniform(1, 9)])


cases = []
for _ in range(3000):
    k, c = count(), confidence()
    cases.append(("upper", k, c, 0))
    cases.append(("lower", k + 1, c, 0))
    cases.append(("twosided", k + 1, c, 0))
for _ in range(2000):
    k = min(count(), 10**9)
    m = max(0.0, k + rnd.gauss(0, 3) * math.sqrt(k + 1)) * rnd.choice([1, 1, 1, 0.5, 2])
    cases.append((rnd.choice(["atmost", "atleast"]), k, m, 0))
for _ in range(2000):
    n = 1 + rnd.choice([rnd.randrange(50), rnd.randrange(10**4), rnd.randrange(SCIPY_UP_TO)])
    p = rnd.choice([rnd.random(), 10 ** -rnd.uniform(0, 8)])
    x = min(n, max(0, int(n * p + rnd.gauss(0, 3) * math.sqrt(n * p * (1 - p) + 1))))
    cases.append((rnd.choice(["binatleast", "binatmost"]), x, p, n))
for _ in range(500):
    cases.append(("rates", 1 + min(count(), SCIPY_UP_TO), rnd.choice([0.9, 0.95, 0.99]),
                  1 + min(count(), SCIPY_UP_TO)))

text = "".join(f"{name} {k} {x!r} {n}\n" for name, k, x, n in cases)
out = subprocess.run([sys.argv[1]], input=text, capture_output=True, text=True, check=True).stdout
lines = out.splitlines()
assert len(lines) == len(cases), (len(lines), len(cases))

worst = {}
bad = []
by_definition = 0


def note(name, error, what, limit):
    worst[name] = max(worst.get(name, 0), error)
    if not error <= limit:
        bad.append(what)


def quantile(low, high, k):
    """The mean at which P(X <= k) = low and P(X >= k + 1) = high."""
    if low <= high:
        return stats.chi2.isf(low, 2 * k + 2) / 2
    return stats.chi2.ppf(high, 2 * k + 2) / 2


def check_limit(name, got, low, high, k, what):
    global by_definition
    want = quantile(low, high, k)
    error = abs(got - want) / want
    if error > LIMIT or k > SCIPY_UP_TO:
        # d(tail) = -+ pmf dm
        sums = tails(k, got)
        by_definition += 1
        error = abs(sums[0] - low if low <= high else sums[1] - high) / pmf(k, got) / got
    note(name, error, what + (got, want), LIMIT)


for (name, k, x, n), line in zip(cases, lines):
    got = [float(v) for v in line.split()]
    what = (name, k, x, n)
    if name == "upper":
        check_limit(name, got[0], 1 - x, x, k, what)
    elif name == "lower":
        check_limit(name, got[0], x, 1 - x, k - 1, what)
    elif name == "twosided":
        t = (1 - x) / 2
        check_limit(name, got[0], 1 - t, t, k - 1, what)
        check_limit(name, got[1], t, 1 - t, k, what)
    elif name in ("atmost", "atleast"):
        if k > SCIPY_UP_TO:
            want = tails(k, x)[0] if name == "atmost" else tails(k - 1, x)[1]
        elif name == "atmost":
            want = special.gammaincc(k + 1, x)
        else:
            want = special.gammainc(k, x) if k > 0 else 1.0
        note(name, abs(got[0] - want), what + (got, want), 1e-10)
    elif name in ("binatleast", "binatmost"):
        if name == "binatleast":
            want = special.betainc(k, n - k + 1, x) if k > 0 else 1.0
        else:
            want = special.betainc(n - k, k + 1, 1 - x) if k < n else 1.0
        note(name, abs(got[0] - want), what + (got, want), 1e-9)
    else:
        t = (1 - x) / 2
        lo, hi = stats.beta.ppf(t, n, k + 1), stats.beta.isf(t, n + 1, k)
        note(name, abs(got[0] / (lo / (1 - lo) / 3) - 1), what + (got, lo), 1e-8)
        note(name, abs(got[1] / (hi / (1 - hi) / 3) - 1), what + (got, hi), 1e-8)

names = sorted(worst)
print(f"1..{len(names)}")
print(f"# {len(cases)} inputs, {by_definition} limits judged by the definition instead of "
      "SciPy's quantile")
for i, name in enumerate(names, 1):
    wrong = [b for b in bad if b[0] == name]
    for b in wrong[:5]:
        print("#", b)
    print(f"{'not ok' if wrong else 'ok'} {i} - {name}, largest deviation {worst[name]:.2g}")
sys.exit(bool(bad))

#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Binomial and anytime-valid limits, adjusted p values, shares, trend, history and plans against
SciPy, or against slow models that count every case, over thousands of random inputs; relative
1e-10.
Usage: test_tests_against_scipy.py PRINT_TESTS

SciPy's beta quantiles are not exact to 1e-10 everywhere; where they differ, the definition is the
judge: the binomial tail at our limit, by exact sums of logarithms, must be the wanted one.
"""
import fractions
import itertools
import math
import random
import subprocess
import sys

from scipy import optimize, special, stats

rnd = random.Random(63)
LIMIT = 1e-10
by_definition = 0


def confidence():
    return rnd.choice([0.9, 0.95, 0.99, 0.999, 0.5, rnd.uniform(0.01, 0.99),
                       1 - 10 ** -rnd.uniform(1, 9)])


def close(got, want, limit=LIMIT):
    return abs(got - want) / abs(want) if want != 0 else abs(got) / limit * LIMIT


def pmf(j, n, p):
    return math.exp(math.lgamma(n + 1) - math.lgamma(j + 1) - math.lgamma(n - j + 1)
                    + j * math.log(p) + (n - j) * math.log1p(-p))


def binomial_limit(got, k, n, tail, upper):
    """Deviation of one limit."""
    global by_definition
    if upper:
        want = 1.0 if k == n else stats.beta.isf(tail, k + 1, n - k)
    else:
        want = 0.0 if k == 0 else stats.beta.ppf(tail, k, n - k + 1)
    error = close(got, want)
    if error <= LIMIT or not 0 < got < 1:
        return error
    by_definition += 1
    terms = range(0, k + 1) if upper else range(k, n + 1)
    sums = math.fsum(pmf(j, n, got) for j in terms)
    # d(tail)/dp = n * pmf of the border among n - 1
    slope = n * pmf(k if upper else k - 1, n - 1, got)
    return abs(sums - tail) / slope / got


def evidence(a, b, k, t, rate):
    return (a * math.log(b) + special.gammaln(a + k) - special.gammaln(a)
            - (a + k) * math.log(b + t) + rate * t
            - (k * math.log(rate) if k else 0))


def anytime(a, b, k, t, alpha):
    def f(x):
        return evidence(a, b, k, t, math.exp(x)) + math.log(alpha)
    best = math.log(k / t) if k else math.log(1e-300)
    hi = math.log(k / t) + 1 if k else 0
    while f(hi) < 0:
        hi += 1
    upper = math.exp(optimize.brentq(f, best, hi, xtol=1e-15, rtol=1e-15))
    if not k:
        return 0.0, upper
    lo = best - 1
    while f(lo) < 0:
        lo -= 1
    return math.exp(optimize.brentq(f, lo, best, xtol=1e-15, rtol=1e-15)), upper


def holm(p):
    order = sorted(range(len(p)), key=lambda i: p[i])
    out = [0.0] * len(p)
    for rank, i in enumerate(order):
        out[i] = max(min(1.0, (len(p) - j) * p[order[j]]) for j in range(rank + 1))
    return out


def benjamini_hochberg(p):
    order = sorted(range(len(p)), key=lambda i: p[i])
    out = [0.0] * len(p)
    for rank, i in enumerate(order):
        out[i] = min(min(1.0, len(p) * p[order[j]] / (j + 1)) for j in range(rank, len(p)))
    return out


def trend(errors, bits):
    """All ways to put the errors into the nights."""
    total, k, seen = sum(bits), sum(errors), sum(i * e for i, e in enumerate(errors))
    rising, falling = [], []
    for place in itertools.product(range(len(bits)), repeat=k):
        p = math.prod(bits[i] / total for i in place)
        if sum(place) >= seen:
            rising.append(p)
        if sum(place) <= seen:
            falling.append(p)
    return math.fsum(rising), math.fsum(falling)


def gain(failed, worse):
    n, k, best = len(failed), sum(failed), 0.0
    def fit(x, m):
        return sum(v * math.log(v / m) for v in (x, m - x) if v > 0)
    for j in range(1, n):
        f = sum(failed[:j])
        before, after = f / j, (k - f) / (n - j)
        if (after > before) if worse else (after < before):
            best = max(best, fit(f, j) + fit(k - f, n - j) - fit(k, n))
    return best


def history(failed):
    """All orders of the same verdicts."""
    n, k = len(failed), sum(failed)
    if k in (0, n):
        return 1.0, 1.0
    out = []
    for worse in (True, False):
        seen = gain(failed, worse)
        orders = [[i in c for i in range(n)] for c in itertools.combinations(range(n), k)]
        out.append(sum(gain(o, worse) >= seen * (1 - 1e-12) for o in orders) / len(orders))
    return tuple(out)


def shares(k_before, n_before, k_after, n_after):
    """Fisher's exact test, one-sided, in whole numbers; SciPy where these grow long."""
    n, k = n_before + n_after, k_before + k_after
    if not n_before or not n_after:
        return 1.0, LIMIT
    if n > 3000:
        return stats.fisher_exact([[k_after, n_after - k_after], [k_before, n_before - k_before]],
                                  alternative="greater")[1], 1e-7
    ways = sum(math.comb(k, i) * math.comb(n - k, n_after - i)
               for i in range(k_after, min(k, n_after) + 1))
    return float(fractions.Fraction(ways, math.comb(n, n_after))), LIMIT


cases = []
for _ in range(800):
    n, m = (rnd.choice([rnd.randrange(8), rnd.randrange(1000), rnd.randrange(400000)])
            for _ in range(2))
    p, q = rnd.random() ** 3, rnd.random() ** 3
    cases.append(("shares", [rnd.choice([0, int(n * p)]), n, rnd.choice([m, int(m * q)]), m]))
for _ in range(3000):
    n = 1 + rnd.choice([rnd.randrange(100), rnd.randrange(5000), rnd.randrange(100000)])
    k = rnd.choice([0, n, rnd.randrange(n + 1), min(n, rnd.randrange(30))])
    cases.append((rnd.choice(["binupper", "binlower", "binboth"]), [k, n, confidence()]))
for _ in range(300):
    share = rnd.choice([0.04, 0.002, 2e-4, rnd.uniform(1e-5, 0.9)])
    cases.append(("trials", [rnd.randrange(20), share, confidence()]))
for _ in range(3000):
    a, b = rnd.choice([(0.1, 1.0), (1.0, 0.25), (0.5, 1.0),
                       (rnd.uniform(0.01, 5), rnd.uniform(0.05, 20))])
    k = rnd.choice([0, 1, 2, rnd.randrange(30), rnd.randrange(1000), rnd.randrange(100000)])
    t = max(1e-6, (k + rnd.random()) * 10 ** rnd.uniform(-3, 3))
    if rnd.randrange(2):
        cases.append(("anytime", [a, b, k, t, rnd.choice([0.05, 0.01, 0.001, rnd.random()])]))
    else:
        cases.append(("evidence", [a, b, k, t, (k + 1) / t * 10 ** rnd.uniform(-1, 1)]))
for _ in range(500):
    p = [rnd.choice([rnd.random(), 10 ** -rnd.uniform(0, 9), 0.25, 1.0, 0.0])
         for _ in range(rnd.choice([1, 2, 6, 63, 252]))]
    cases.append((rnd.choice(["holm", "bh"]), p))
for _ in range(150):
    nights = rnd.randrange(2, 6)
    errors = [0] * nights
    for _ in range(rnd.randrange(6)):
        errors[rnd.randrange(nights)] += 1
    bits = [rnd.choice([1000, rnd.randrange(1, 10**6)]) for _ in range(nights)]
    cases.append(("trend", errors + bits))
for _ in range(100):  # beyond the exact range: two nights, where T is the count of the second
    bits = [rnd.randrange(1000, 10**6), rnd.randrange(1000, 10**6)]
    k = rnd.randrange(5000, 10**6)
    second = int(stats.binom.ppf(rnd.uniform(1e-3, 1), k, bits[1] / sum(bits)))
    cases.append(("trendmany", [k - second, second] + bits))
for _ in range(150):
    n = rnd.randrange(1, 13)
    cases.append(("history", [int(rnd.random() < (0.2 if i < n / 2 else 0.6)) for i in range(n)]))
for _ in range(1000):
    limit = 10 ** -rnd.uniform(3, 12)
    true = limit * rnd.choice([0, 0.1, 0.5, 1, 2])
    cases.append(("plan", [limit, confidence(), rnd.choice([1, 63, 252]), rnd.randrange(2), true,
                           rnd.randrange(30)]))

text = "".join("%s %s\n" % (name, " ".join(repr(v) for v in x)) for name, x in cases)
out = subprocess.run([sys.argv[1]], input=text, capture_output=True, text=True,
                     check=True).stdout.splitlines()
assert len(out) == len(cases), (len(out), len(cases))
worst, count, bad = {}, {}, []
for (name, x), line in zip(cases, out):
    got = [float(v) for v in line.split()]
    if name in ("binupper", "binlower"):
        error = binomial_limit(got[0], x[0], x[1], 1 - x[2], name == "binupper")
    elif name == "binboth":
        tail = (1 - x[2]) / 2
        error = max(binomial_limit(got[0], x[0], x[1], tail, False),
                    binomial_limit(got[1], x[0], x[1], tail, True))
    elif name == "trials":
        k, share, c = x
        n = int(got[0])
        enough = stats.binom.cdf(k, n, share) < 1 - c
        fewer = stats.binom.cdf(k, n - 1, share) >= 1 - c
        error = 0 if enough and fewer else 1
    elif name == "evidence":
        want = evidence(*x)
        # SciPy's terms are large and cancel: 1e-10 of the largest of them, at most.
        error = abs(got[0] - want) / max(abs(want), 1, x[3] * x[4], x[2] * 10)
    elif name == "anytime":
        want = anytime(*x)
        error = max(close(g, w) for g, w in zip(got, want))
    elif name in ("holm", "bh"):
        want = holm(x) if name == "holm" else benjamini_hochberg(x)
        error = max(close(g, w) for g, w in zip(got, want))
    elif name == "trend":
        half = len(x) // 2
        want = trend(x[:half], x[half:])
        error = max(close(got[0], want[0]), close(got[1], want[1]), 1 - got[2])
    elif name == "trendmany":
        k, share = x[0] + x[1], x[3] / (x[2] + x[3])
        want = stats.binom.sf(x[1] - 1, k, share), stats.binom.cdf(x[1], k, share)
        # An approximation, stated as such: right to 0.01 here.
        error = max(abs(g - w) for g, w in zip(got, want)) / 0.01 * LIMIT + got[2]
    elif name == "shares":
        want, limit = shares(*(int(v) for v in x))
        # Below the smallest double nothing is left to compare.
        error = close(got[0], want, limit) * LIMIT / limit if want > 1e-290 else abs(got[0])
    elif name == "history":
        error = max(close(g, w) for g, w in zip(got, history(x)))
    else:
        limit, c, channels, together, true, k = x
        if together:
            c = 1 - (1 - c) / channels
        mean = (stats.chi2.isf(1 - c, 2 * k + 2) if c >= 0.5 else stats.chi2.ppf(c, 2 * k + 2)) / 2
        power = special.gammaincc(k + 1, true * got[1]) if true else 1.0
        bits = abs(got[1] - mean / limit) - 1.5 if got[1] < 1e10 else close(got[1], mean / limit)
        error = max(close(got[0], mean), bits,
                    close(got[2], power), close(got[3], power ** channels))
    worst[name] = max(worst.get(name, 0), error)
    count[name] = count.get(name, 0) + 1
    if not error <= LIMIT:
        bad.append((name, error, x if len(x) < 20 else "...", got[:4]))

print("1..%d" % len(worst))
print("# %d inputs, %d binomial limits judged by the definition" % (len(cases), by_definition))
for i, name in enumerate(sorted(worst), 1):
    wrong = [b for b in bad if b[0] == name]
    for b in wrong[:5]:
        print("#", b)
    print("%s %d - %s, %d inputs, largest deviation %.2g" % (
        "not ok" if wrong else "ok", i, name, count[name], worst[name]))
sys.exit(bool(bad))

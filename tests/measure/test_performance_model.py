#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Error performance over random strings against an independent slow model.

The model works on the whole string at once, from the definitions of ITU-T G.821, G.826 Annex A
(from memory): mark the severe seconds; find the runs of ten; fill the states; then count. It shares
nothing with the incremental code but the thresholds, which are given here once more.
Usage: test_performance_model.py PRINT_PERFORMANCE
"""
import random
import subprocess
import sys

rnd = random.Random(826)
THRESHOLD = {  # blocks per second, severe from, severe from in service
    "E1": (1000, 300, 805), "T1": (333, 100, 320), "VC-12": (2000, 600, 600),
    "VC-4": (8000, 2400, 2400), "MS-1": (192000, 28800, 28800),
}


def severe(basis, path, s):
    units, errored, defect = s
    if defect == 2:
        return False
    if defect == 1 or units == 0:
        return True
    if basis == "bits":
        return errored * 1000 >= units
    per_second, blocks, in_service = THRESHOLD[path]
    limit = blocks if basis == "blocks" else in_service
    return errored * per_second >= limit * min(units, per_second)


def states(bad):
    """True where unavailable."""
    down, out, i = False, [False] * len(bad), 0
    for i in range(len(bad)):
        ahead = bad[i:i + 10]
        if len(ahead) == 10 and all(b != down for b in ahead):
            down = not down
        out[i] = down
    return out


def model(basis, path, near, far):
    ways = [near] if far is None else [near, far]
    bad = [[severe(basis, path, s) for s in w] for w in ways]
    down = [any(d) for d in zip(*[states(b) for b in bad])]

    def totals(way, first, last):
        t = [0] * 7
        for i in range(first, last):
            units, errored, defect = ways[way][i]
            if down[i]:
                t[1] += 1
                continue
            t[0] += 1
            if defect == 2:
                t[6] += 1
                continue
            t[2] += bad[way][i] or errored > 0
            t[3] += bad[way][i]
            if not bad[way][i]:
                t[4] += errored
                t[5] += units
        return t

    out = []
    for way in range(len(ways)):
        out += totals(way, 0, len(near))
    for first in range(0, len(near), 900):
        out += totals(0, first, min(first + 900, len(near)))
    return out


def string(basis, path, n, far):
    out = []
    while len(out) < n:
        kind = rnd.choice("......EsSDPU0")
        whole = 2048000 if basis == "bits" else THRESHOLD[path][0] + rnd.choice([0, 0, 1])
        limit = 2048 if basis == "bits" else THRESHOLD[path][1 if basis == "blocks" else 2]
        one = {".": (whole, 0, 0), "E": (whole, rnd.randrange(1, 9), 0), "s": (whole, limit - 1, 0),
               "S": (whole, limit, 0), "D": (whole, 0, 1),
               "P": (whole // 2, limit // 2 + rnd.randrange(3), 0),
               "U": (whole, 0, 2 if far else 0), "0": (0, 0, 0)}[kind]
        out += [one] * rnd.choice([1, 1, 1, 2, 3, 8, 9, 10, 11, 12, 25])
    return out[:n]


def text(seconds):
    return ",".join("%d:%d:%d" % s for s in seconds)


cases = []
for _ in range(4000):
    basis = rnd.choice(["bits", "blocks", "in-service"])
    path = rnd.choice(sorted(THRESHOLD))
    n = rnd.choice([1, 5, 9, 10, 11, 19, 20, 21, 40, 60, 100, 300])
    if rnd.randrange(100) == 0:
        n = 3000
    near = string(basis, path, n, False)
    far = string(basis, path, n, True) if rnd.randrange(2) else None
    cases.append((basis, path, near, far))

lines = "".join("%s %s %s %s\n" % (b, p, text(near), text(far) if far else "")
                for b, p, near, far in cases)
out = subprocess.run([sys.argv[1]], input=lines, capture_output=True, text=True,
                     check=True).stdout.splitlines()
assert len(out) == len(cases), (len(out), len(cases))
print("1..2")
for number, two in enumerate((False, True), 1):
    wrong = count = 0
    for case, line in zip(cases, out):
        if (case[3] is not None) != two:
            continue
        count += 1
        want = model(*case)
        if [int(v) for v in line.split()] != want:
            wrong += 1
            if wrong == 1:
                print("#", case[0], case[1], text(case[2]), text(case[3] or []), line, want)
    print("%s %d - %d random strings, %s" % (
        "not ok" if wrong or not count else "ok", number, count,
        "both directions" if two else "one direction"))

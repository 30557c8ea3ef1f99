#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Probabilistic bisection against an independent model: Bayes' rule over all answers in NumPy's
long double, from a table of P(result | answer), and the mutual information of answer and result
from their whole joint table (Shannon 1948), not from the difference of entropies that the C code
uses. Usage: test_bisect_model.py PRINT_BISECT
"""
import random
import subprocess
import sys

import numpy

rnd = random.Random(1963)


def joint(weights, build, missed, false_alarm):
    """P(answer, result) for result pass, fail."""
    bad = numpy.arange(len(weights)) <= build
    fails = numpy.where(bad, 1 - numpy.longdouble(missed), numpy.longdouble(false_alarm))
    return numpy.stack([weights * (1 - fails), weights * fails])


def mutual_information(table):
    by_result = table.sum(axis=1, keepdims=True)
    by_answer = table.sum(axis=0, keepdims=True)
    product = by_result * by_answer
    some = table > 0
    return (table[some] * numpy.log2(table[some] / product[some])).sum()


def posterior(builds, missed, false_alarm, results):
    w = numpy.full(builds + 1, numpy.longdouble(1) / (builds + 1))
    refused = False
    for build, failed in results:
        new = joint(w, build, missed, false_alarm)[failed]
        if new.sum() == 0:
            refused = True
            continue
        w = new / new.sum()
    return w, refused


def shortest(w, share):
    for width in range(len(w)):
        for first in range(len(w) - width):
            if w[first:first + width + 1].sum() >= share:
                return first, first + width
    raise AssertionError('no range')


CASES = []
for k in range(1500):
    builds = rnd.choice([1, 2, 3, 5, 12, 40])
    missed, false_alarm = rnd.choice(
        [(0, 0), (0.3, 0), (0, 0.2), (0.1, 0.1), (rnd.uniform(0, 0.6), rnd.uniform(0, 0.39))])
    truth = rnd.randrange(builds + 1)
    results = []
    for _ in range(rnd.randrange(30)):
        build = rnd.randrange(builds)
        chance = 1 - missed if build >= truth else false_alarm
        if rnd.random() < 0.02:
            chance = 0.5  # what the noise does not explain
        results.append((build, int(rnd.random() < chance)))
    CASES.append((builds, missed, false_alarm, rnd.choice([0.5, 0.9, 0.99]), results))

text = ''.join('%d %.17g %.17g %.17g %s\n' % (n, m, f, s, ' '.join('%d %d' % r for r in rs))
               for n, m, f, s, rs in CASES)
lines = subprocess.run([sys.argv[1]], input=text, stdout=subprocess.PIPE, check=True,
                       universal_newlines=True).stdout.splitlines()
print('1..4')
worst = 0.0
bad_refusals = bad_next = bad_range = 0
for (builds, missed, false_alarm, share, results), line in zip(CASES, lines):
    words = line.split()
    refused, following, first, last = (int(x) for x in words[:4])
    got = numpy.array([float(x) for x in words[4:]])
    want, want_refused = posterior(builds, missed, false_alarm, results)
    bad_refusals += refused != want_refused
    worst = max(worst, float(numpy.max(numpy.abs(got - want) / numpy.maximum(want, 1e-250))))
    tell = [mutual_information(joint(want, i, missed, false_alarm)) for i in range(builds)]
    if max(tell) > 1e-11:  # equal to rounding: either will do
        bad_next += following < 0 or tell[following] < max(tell) * (1 - 1e-6) - 1e-13
    lo, hi = shortest(want, share - 1e-12)
    lo2, hi2 = shortest(want, share + 1e-12)
    bad_range += not (hi - lo <= last - first <= hi2 - lo2)
assert len(lines) == len(CASES)
print('%s 1 - probabilities of %d histories, worst relative error %.2g'
      % ('ok' if worst < 1e-9 else 'not ok', len(CASES), worst))
print('%s 2 - contradictions noticed (%d differ)' % ('not ok' if bad_refusals else 'ok',
                                                     bad_refusals))
print('%s 3 - the next build tells most (%d differ)' % ('not ok' if bad_next else 'ok', bad_next))
print('%s 4 - shortest range (%d differ)' % ('not ok' if bad_range else 'ok', bad_range))
sys.exit(worst >= 1e-9 or bad_refusals or bad_next or bad_range)

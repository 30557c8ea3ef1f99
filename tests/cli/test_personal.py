# SPDX-License-Identifier: Apache-2.0
"""Personal data: withheld from everything that leaves the laboratory, proved when it is shown.
Outside checks: sqlite3 and hashlib of Python's standard library."""
import hashlib
import json
import os
import sqlite3

import blackbox as b

# Digits of an invented subscriber; the exchange code 555 01 is kept free for examples in the
# numbering plan of North America (from memory).
FIRST, SECOND = '2125550147', '2125550199'

CALLS = '''\
case "calls" { title = "Calls", time_limit = "2 min", run = function(test)
    local seen = test:take { last = "8 ms", play = { trib = prbs "2^15-1" } }
    local a, b = personal(table.concat { "212", "5550", "147" }), personal(2125550099 + 100)
    print("calling " .. a)
    test:check { title = "answered", verdict = "pass", value = "called " .. a .. ", " .. a }
    test:check { title = "answered", verdict = "fail", value = "called " .. b,
        reason = "no answer for " .. a }
end }
case "lost" { title = "Lost", time_limit = "2 min", run = function(test)
    error("lost " .. personal(2125550099 + 100))
end }
'''


def texts(folder):
    for root, _, names in os.walk(folder):
        for n in names:
            with open(os.path.join(root, n), 'rb') as f:
                yield n, f.read()


def test_withheld(p):
    r = b.expect(p.run_campaign(CALLS), 3)
    for digits in (FIRST, SECOND, '\ufdd0'):
        assert digits not in r.out + r.err, r
    assert 'calling [withheld]' in r.err and 'called [withheld 1], [withheld 1]' not in r.err
    for more in ((), ('--all',), ('--json',), ('--junit',), ('--tap',)):
        r = b.expect(p.run('show', '1', '--store', p.store, *more), 0)
        assert FIRST not in r.out and SECOND not in r.out, r
    r = b.expect(p.run('show', '1', '--store', p.store, '--all', '--reveal'), 0,
                 'called %s, %s' % (FIRST, FIRST), 'lost ' + SECOND)

    out = p.path('out')
    b.expect(p.run('dossier', '1', '--store', p.store, '--out', out), 0)
    for name, data in texts(out):
        assert FIRST.encode() not in data and b'5550147' not in data, name
        assert SECOND.encode() not in data, name
    with open(p.path('out/report.html'), encoding='utf-8') as f:
        report = f.read()
    assert 'called [withheld 1], [withheld 1]' in report and 'no answer for [withheld 1]' in report
    assert 'holds <strong>2</strong>' in report, 'what was withheld is stated'
    b.expect(p.run('verify', out), 0, 'Nothing was altered')

    # The laboratory shows it: the same rows, and the digests prove the texts.
    with open(p.path('out/evidence.json'), encoding='utf-8') as f:
        evidence = f.read()
    shown = p.path('shown')
    b.expect(p.run('dossier', '1', '--store', p.store, '--out', shown, '--reveal'), 0)
    with open(p.path('shown/evidence.json'), encoding='utf-8') as f:
        assert f.read() == evidence
    with open(p.path('shown/report.html'), encoding='utf-8') as f:
        report = f.read()
    assert 'called %s, %s' % (FIRST, FIRST) in report and 'lost ' + SECOND in report
    assert 'personal.json' in report
    with open(p.path('shown/personal.json'), encoding='utf-8') as f:
        listed = json.load(f)
    assert [x['text'] for x in listed] == [FIRST, SECOND], listed
    rows = [json.loads(x['text']) for x in json.loads(evidence)['rows']]
    digests = [r[6] for r in rows if r[0] == 'personal']
    assert digests == [hashlib.sha256(bytes.fromhex(x['salt']) + x['text'].encode()).hexdigest()
                       for x in listed]
    b.expect(p.run('verify', shown), 0, 'Nothing was altered')
    first = json.loads(evidence)['results']

    # The results are those of any machine: neither texts nor salts are in their digest.
    b.expect(p.run_campaign(CALLS), 3)
    r = b.expect(p.run('show', '2', '--store', p.store, '--json'), 0)
    assert json.loads(r.out)['results_digest'] == first, r.out
    with sqlite3.connect(p.store) as db:
        salts = [x for (x,) in db.execute('select salt from personal_clear')]
    assert len(set(salts)) == 4, salts


def test_marks(p):
    for bad in ('""', '{}', '1.5', '"\\u{FDD0}"'):
        r = p.run_campaign('case "x" { title = "x", time_limit = "1 min", run = function(test)\n'
                           'personal(%s)\nend }\n' % bad)
        b.expect(r, 3, 'personal: give the text')


if __name__ == '__main__':
    b.main()

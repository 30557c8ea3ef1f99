# SPDX-License-Identifier: Apache-2.0
"""show --junit and --tap, read by others: xmllint with a schema of the commonly used elements
(tests/cli/junit.xsd), Python's xml.etree, and prove (Perl's TAP::Harness).
"""
import os
import re
import subprocess
import xml.etree.ElementTree as ET

import blackbox as b

SCHEMA = os.path.join(os.path.dirname(os.path.abspath(__file__)), 'junit.xsd')
AWKWARD = r'''
case "awkward" { title = "<Odd> & \"quoted\" # with \\ and 'more'", time_limit = "1 min",
    run = function(test) error "]]> & <b> #" end }
'''
NOTHING = 'case "idle" { title = "Idle", time_limit = "1 min", run = function(test) end }\n'


def xmllint(p, data):
    path = p.write('out.xml', data)
    return subprocess.run(['xmllint', '--noout', '--schema', SCHEMA, path], capture_output=True,
                          text=True, check=False)


def prove(p, data):
    # Debian 12's TAP::Harness knows version 13; what is written here is the same in both (14
    # adds subtests, and tells how # and \\ are escaped).
    path = p.write('out.tap', data.replace('TAP version 14\n', 'TAP version 13\n', 1))
    return subprocess.run(['prove', '--verbose', '--exec', 'cat', path], capture_output=True,
                          text=True, check=False)


def test_all_verdicts(p):
    b.expect(p.run_campaign(b.ARRIVAL, b.TOO_SHORT, NOTHING, AWKWARD, build='B'), 3)
    xml = b.expect(p.run('show', '1', '--store', p.store, '--junit'), 0).out
    checked = xmllint(p, xml)
    assert checked.returncode == 0, checked.stderr
    suite = ET.fromstring(xml).find('testsuite')
    got = {c.get('name'): [e.tag for e in c] for c in suite.findall('testcase')}
    # Build B fails arrival and, on tributary 2, the ratio.
    assert got == {'arrival': ['failure'], 'too-short': ['failure'], 'idle': ['skipped'],
                   'awkward': ['error']}, got
    assert {k: suite.get(k) for k in ('tests', 'failures', 'errors', 'skipped')} == \
        {'tests': '4', 'failures': '2', 'errors': '1', 'skipped': '1'}
    error = suite.find("testcase[@name='awkward']/error")
    assert ']]> & <b> #' in error.get('message'), error.get('message')
    failure = suite.find("testcase[@name='arrival']/failure")
    assert 'trib 1' in failure.text and failure.get('type') == 'fail'
    properties = {x.get('name'): x.get('value') for x in suite.iter('property')}
    assert properties['build'] == 'B' and re.fullmatch('[0-9a-f]{64}', properties['results_digest'])

    tap = b.expect(p.run('show', '1', '--store', p.store, '--tap'), 0).out
    assert tap.startswith('TAP version 14\n1..4\n')
    seen = prove(p, tap)
    assert seen.returncode != 0 and 'Failed tests:  1-2, 4' in seen.stdout, seen.stdout
    assert 'Parse errors' not in seen.stdout, seen.stdout
    assert r'\# with \\ and' in tap


def test_good_run(p):
    b.expect(p.run_campaign(b.ARRIVAL, build='A'), 0)
    xml = b.expect(p.run('show', '1', '--store', p.store, '--junit'), 0).out
    assert xmllint(p, xml).returncode == 0
    assert ET.fromstring(xml).get('failures') == '0'
    seen = prove(p, b.expect(p.run('show', '1', '--store', p.store, '--tap'), 0).out)
    assert seen.returncode == 0 and 'All tests successful' in seen.stdout, seen.stdout
    # The schema is no rubber stamp.
    assert xmllint(p, xml.replace('classname=', 'class=')).returncode != 0
    assert xmllint(p, xml.replace('tests="1"', 'tests="one"')).returncode != 0


def test_usage(p):
    b.expect(p.run_campaign(b.ARRIVAL), 0)
    for pair in (('--junit', '--tap'), ('--junit', '--json'), ('--tap', '--all')):
        b.refused(p.run('show', '1', '--store', p.store, *pair), 64)
    b.refused(p.run('show', '9', '--store', p.store, '--tap'), 3, '9')


b.main()

# SPDX-License-Identifier: Apache-2.0
"""Counts what `meson test` left in its logs: count-results.py BUILD/meson-logs

Each subtest of a TAP program counts as one test, as does each program that is no TAP. A program
that ended badly without a failed subtest (crash, leak, time-out) counts as one failure. Exit status
1 when something failed or nothing ran.
"""
import json
import os
import sys
import xml.etree.ElementTree as ElementTree


def main():
    logs = sys.argv[1]
    passed, failed, skipped = 0, [], 0
    subtests = {}
    try:
        for suite in ElementTree.parse(os.path.join(logs, 'testlog.junit.xml')).iter('testsuite'):
            subtests[suite.get('name').split('.', 1)[-1]] = list(suite.iter('testcase'))
        with open(os.path.join(logs, 'testlog.json'), encoding='utf-8') as f:
            programs = [json.loads(line) for line in f]
    except (OSError, ValueError, ElementTree.ParseError) as why:
        print('count-results: the log of meson cannot be read: %s' % why, file=sys.stderr)
        print('0 passed, 0 failed, 0 skipped')
        return 1
    for program in programs:
        name, result = program['name'], program['result']
        bad = len(failed)
        for case in subtests.get(name, []):
            if case.find('failure') is not None or case.find('error') is not None:
                failed.append('%s: %s' % (name, case.get('name')))
            elif case.find('skipped') is not None:
                skipped += 1
            else:
                passed += 1
        if result in ('OK', 'EXPECTEDFAIL'):
            passed += not subtests.get(name)
        elif result == 'SKIP':
            skipped += not subtests.get(name)
        elif len(failed) == bad:
            failed.append('%s: %s' % (name, result.lower()))
    for line in failed:
        print('FAILED %s' % line)
    print('%d passed, %d failed, %d skipped' % (passed, len(failed), skipped))
    return 1 if failed or passed == 0 else 0


sys.exit(main())

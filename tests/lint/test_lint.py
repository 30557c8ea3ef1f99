# SPDX-License-Identifier: Apache-2.0
"""The rules of the house that a program can check, over the whole source tree (TAP).

    python3 tests/lint/test_lint.py SOURCE_ROOT

The rules are those of core/README.md and DEVELOPERS.md; source: our own. Each rule is first tried
on a small tree with a planted violation, so that a rule that finds nothing any more is noticed.
"""
import os
import re
import sys
import tempfile

# From the top down: a room may include itself and the rooms after it.
ROOMS = ['cli', 'night', 'script', 'report', 'live', 'store', 'engine', 'recording', 'adapter',
         'bench', 'frame', 'measure', 'signal', 'base']
# Rooms that may include less than their place in the order allows.
NARROW = {
    'report': {'report', 'store', 'measure', 'base'},
    'live': {'live', 'base'},
    'recording': {'recording', 'measure', 'signal', 'frame', 'base'},
}
ADAPTER_ROOMS = {'signal', 'frame', 'base'}
ADAPTER_ABI = 'core/adapter/adapter.h'
ABI_INCLUDES = {'stdbool.h', 'stddef.h', 'stdint.h'}

COLUMNS_MAX = 100
TAB = 8
TAB_LUA = 4  # tables and functions nest deeper there
LINES_MAX = 700
SOURCE = ('.c', '.h', '.py', '.lua', '.css', '.sh')
TEXT = SOURCE + ('.md', '.yaml', '.yml', '.build', '.txt', '.html', '.json', '.csv')
SKIPPED_FOLDERS = {'.git', 'node_modules', 'out', '__pycache__', 'subprojects'}
BAD_NAMES = {'util', 'utils', 'helper', 'helpers', 'common'}

# Written in pieces, so that this file does not break its own rules.
DASH = '\u2014'
NOTES = re.compile(r'\b(' + '|'.join(['TO' 'DO', 'FIX' 'ME', 'X' 'XX']) + r')\b')
OUTSIDE = re.compile(r'\.\./' 'shared' r'|/work/' 'shared')
INCLUDE = re.compile(r'^\s*#\s*include\s*([<"])([^>"]+)[>"]')


def files_of(root):
    """Paths from the root, '/' between, sorted."""
    found = []
    for folder, folders, names in os.walk(root):
        folders[:] = sorted(f for f in folders
                            if f not in SKIPPED_FOLDERS and not f.startswith('build'))
        for name in sorted(names):
            path = os.path.join(folder, name)
            if not os.path.islink(path):
                found.append(os.path.relpath(path, root).replace(os.sep, '/'))
    return found


def lines_of(root, path):
    with open(os.path.join(root, path), encoding='utf-8', errors='surrogateescape') as f:
        return f.read().split('\n')


def is_script(root, path):
    """A program without an ending: scripts/check and the like."""
    if '.' in os.path.basename(path):
        return False
    with open(os.path.join(root, path), 'rb') as f:
        return f.read(2) == b'#!'


def is_source(root, path):
    return path.endswith(SOURCE) or os.path.basename(path) in ('meson.build', 'meson_options.txt') \
        or is_script(root, path)


def is_text(root, path):
    return path.endswith(TEXT) or is_script(root, path) or path == 'LICENSE'


def is_data(path):
    """Golden data and bad input keep the form that their source gave them."""
    return '/data/' in path or '/golden/' in path


def rule_includes(root):
    for path in files_of(root):
        if not path.endswith(('.c', '.h')) or not path.startswith(('core/', 'adapters/')):
            continue
        place = path.split('/')
        for number, line in enumerate(lines_of(root, path), 1):
            m = INCLUDE.match(line)
            if not m:
                continue
            quoted, target = m.group(1) == '"', m.group(2)
            at = '%s:%d: ' % (path, number)
            if path == ADAPTER_ABI:
                if quoted or target not in ABI_INCLUDES:
                    yield at + 'the driver ABI includes only stdbool.h, stddef.h and stdint.h'
                continue
            if not quoted:
                continue
            to = target.split('/')
            if len(to) < 3 or to[0] not in ('core', 'adapters'):
                yield at + '"%s" is no path from the root of the tree' % target
            elif place[0] == 'adapters':
                if not (to[:2] == place[:2] or target == ADAPTER_ABI
                        or (to[0] == 'core' and to[1] in ADAPTER_ROOMS)):
                    yield at + 'an adapter may not include "%s"' % target
            elif place[1] not in ROOMS:
                yield at + 'room %s is not in the order of rooms' % place[1]
            else:
                allowed = NARROW.get(place[1], set(ROOMS[ROOMS.index(place[1]):]))
                if to[0] != 'core' or to[1] not in allowed:
                    yield at + 'room %s may not include "%s"' % (place[1], target)


def rule_licence(root):
    for path in files_of(root):
        if is_source(root, path) and not is_data(path):
            if not any('SPDX-License-Identifier: Apache-2.0' in line
                       for line in lines_of(root, path)[:3]):
                yield path + ': no SPDX line at the top'


def rule_columns(root):
    for path in files_of(root):
        if not is_source(root, path) or is_data(path):
            continue
        for number, line in enumerate(lines_of(root, path), 1):
            width = len(line.expandtabs(TAB_LUA if path.endswith('.lua') else TAB))
            if width > COLUMNS_MAX:
                yield '%s:%d: %d columns, at most %d' % (path, number, width, COLUMNS_MAX)


def rule_length(root):
    for path in files_of(root):
        if path.endswith(SOURCE) and not is_data(path):
            count = len(lines_of(root, path)) - 1
            if count > LINES_MAX:
                yield '%s: %d lines, at most %d' % (path, count, LINES_MAX)


def rule_names(root):
    for path in files_of(root):
        for part in path.split('/'):
            if part.split('.')[0].lower() in BAD_NAMES:
                yield path + ': a name that says nothing'


def find_text(root, pattern, what):
    for path in files_of(root):
        if not is_text(root, path) or is_data(path):
            continue
        for number, line in enumerate(lines_of(root, path), 1):
            if pattern.search(line):
                yield '%s:%d: %s' % (path, number, what)


def rule_dashes(root):
    return find_text(root, re.compile(DASH), 'an em dash; use a comma, colon or full stop')


def rule_notes(root):
    return find_text(root, NOTES, 'a note to do something; do it, or file an issue')


def rule_outside(root):
    return find_text(root, OUTSIDE, 'mentions a folder outside of the tree')


GOOD = '/* SPDX-License-Identifier: Apache-2.0 */\n'
# rule, then planted files: (path, text, whether the rule must complain)
RULES = [
    ('includes', rule_includes, [
        ('core/base/a.c', GOOD + '#include "core/signal/x.h"\n', True),
        ('core/signal/a.c', GOOD + '#include "core/base/x.h"\n#include <stdio.h>\n', False),
        ('core/report/a.c', GOOD + '#include "core/engine/x.h"\n', True),
        ('core/report/b.c', GOOD + '#include "core/measure/x.h"\n', False),
        ('core/live/a.c', GOOD + '#include "core/engine/x.h"\n', True),
        ('core/recording/a.c', GOOD + '#include "core/adapter/x.h"\n', True),
        ('core/recording/b.c', GOOD + '# include "internal.h"\n', True),
        ('core/store/a.h', GOOD + '#include "adapters/simmux/x.h"\n', True),
        ('core/new/a.c', GOOD + '#include "core/base/x.h"\n', True),
        ('core/adapter/adapter.h', GOOD + '#include <stdio.h>\n', True),
        ('adapters/one/a.c', GOOD + '#include "core/bench/x.h"\n', True),
        ('adapters/one/b.c', GOOD + '#include "adapters/two/x.h"\n', True),
        ('adapters/one/c.c', GOOD + '#include "core/adapter/loader.h"\n', True),
        ('adapters/one/d.c', GOOD + '#include "core/adapter/adapter.h"\n'
                                    '#include "adapters/one/x.h"\n#include "core/frame/x.h"\n',
         False)]),
    ('licence', rule_licence, [
        ('core/base/a.c', 'int a;\n', True), ('scripts/b', '#!/bin/sh\n', True),
        ('scripts/c', '#!/bin/sh\n# SPDX-License-Identifier: Apache-2.0\n', False),
        ('core/meson.build', 'x = 1\n', True), ('docs/d.md', 'text\n', False)]),
    ('columns', rule_columns, [
        ('core/base/a.c', '\t' + 'x' * 93 + '\n', True),
        ('core/base/b.c', '\t' + 'x' * 92 + '\n', False),
        ('tests/base/data/c.py', 'x' * 200 + '\n', False)]),
    ('length', rule_length, [
        ('core/base/a.c', 'x\n' * 701, True), ('core/base/b.c', 'x\n' * 700, False)]),
    ('names', rule_names, [
        ('core/base/util.c', GOOD, True), ('core/common/a.c', GOOD, True),
        ('core/base/utility_pole.c', GOOD, False)]),
    ('dashes', rule_dashes, [
        ('docs/a.md', 'a ' + DASH + ' b\n', True), ('docs/b.md', 'a - b\n', False)]),
    ('notes', rule_notes, [
        ('core/base/a.c', '/* TO' 'DO */\n', True),
        ('core/base/b.c', 'char name[] = "tmpXXXXXX"; /* todo list */\n', False)]),
    ('outside', rule_outside, [
        ('docs/a.md', 'see ../' 'shared/design.md\n', True),
        ('docs/b.md', 'shared/design\n', False)]),
]


def self_test(rule, planted):
    """Every planted file on its own: complaints where they are due, and nowhere else."""
    wrong = []
    for path, text, due in planted:
        with tempfile.TemporaryDirectory() as root:
            os.makedirs(os.path.dirname(os.path.join(root, path)))
            with open(os.path.join(root, path), 'w', encoding='utf-8') as f:
                f.write(text)
            said = list(rule(root))
        if bool(said) != due:
            wrong.append('%s: %s' % (path, said[0] if said else 'not noticed'))
    return wrong


def main():
    root = sys.argv[1]
    number = 0
    failed = False

    def result(name, complaints):
        nonlocal number, failed
        number += 1
        failed = failed or bool(complaints)
        for line in complaints:
            print('# ' + line)
        print('%s %d - %s' % ('not ok' if complaints else 'ok', number, name))

    print('1..%d' % (2 * len(RULES) + 1))
    for name, rule, planted in RULES:
        result(name + ' notices what is planted', self_test(rule, planted))
        result(name, list(rule(root)))
    result('the tree is there', [] if len(files_of(root)) > 50 else ['too few files in ' + root])
    return 1 if failed else 0


sys.exit(main())

# SPDX-License-Identifier: Apache-2.0
"""Looks at report pages with checkers of others: check_web.py SAMPLE-PROGRAM [big]

- The Nu HTML checker (npm package vnu-jar, needs Java): the page must be HTML without errors and
  warnings. That void elements end in "/>" is wanted: the page is XML as well.
- axe-core (npm package, run in headless Chromium): no violation of any of its rules, wide and
  narrow, light and dark. Contrast of text in pictures it cannot compute: check_html.py does.

The pages are those of the invented runs; with `big` one with 3150 checks. Prints TAP. What is not
there is skipped, and the reason says how to get it.
"""
import json
import os
import shutil
import subprocess
import sys
import tempfile

HERE = os.path.dirname(os.path.abspath(__file__))
sys.path.insert(0, os.path.join(os.path.dirname(HERE), 'cli'))
import browser  # noqa: E402

PACKAGES = os.path.join(HERE, 'web', 'node_modules')
AXE = os.path.join(PACKAGES, 'axe-core', 'axe.min.js')
VNU = os.path.join(PACKAGES, 'vnu-jar', 'build', 'dist', 'vnu.jar')
FETCH = 'sh scripts/install-packages test fetches it with npm, which needs a network'
VIEWS = ((1280, 'light', 'screen'), (400, 'dark', 'screen'), (1280, 'light', 'print'))
WANTED = 'Trailing slash on void elements'
number = 0


def tell(good, name, notes=()):
    global number
    number += 1
    print('%s %d - %s' % ('ok' if good else 'not ok', number, name))
    for n in notes:
        print('# ' + n)


def skip(name, why):
    global number
    number += 1
    print('ok %d - %s # SKIP %s' % (number, name, why))


def html_problems(pages):
    """None when Java cannot run the checker at all."""
    r = subprocess.run(['java', '-XX:TieredStopAtLevel=1', '-Xss8m', '-jar', VNU, '--format',
                        'json', '--stdout'] + pages, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        messages = json.loads(r.stdout.decode())['messages']
    except (ValueError, KeyError):
        return ['the checker ended with %d: %s' % (r.returncode, r.stderr.decode()[-300:])]
    return ['%s:%s: %s' % (m.get('url', '//').split('/')[-2], m.get('lastLine'), m['message'])
            for m in messages if not m['message'].startswith(WANTED)]


def check_html(pages, bad):
    name = 'HTML checker'
    if not os.path.exists(VNU):
        skip(name, 'vnu-jar is not here; ' + FETCH)
    elif shutil.which('java') is None:
        skip(name, 'no Java; sh scripts/install-packages test installs it')
    else:
        problems = html_problems(pages + [bad])
        # The checker must see what is wrong with a page that was spoilt on purpose.
        ours = [p for p in problems if not p.startswith('spoilt:')]
        tell(len(ours) < len(problems), name + ' finds a planted mistake')
        tell(not ours, '%s: %d pages' % (name, len(pages)), ours[:20])


def violations(page, path, view):
    width, scheme, media = view
    page.size(width, 900)
    page.call('Emulation.setEmulatedMedia', media=media,
              features=[{'name': 'prefers-color-scheme', 'value': scheme}])
    page.open('file://' + path)
    page.wait('document.readyState === "complete" && location.href.endsWith(%s)'
              % json.dumps(path))
    with open(AXE, encoding='utf-8') as f:
        page.value(f.read() + ';0')
    page.value('window.found = null; axe.run(document, {resultTypes: ["violations"]}).then('
               'function (r) { window.found = r; }); 0')
    page.wait('window.found !== null', 400)
    return json.loads(page.value(
        'JSON.stringify({ passes: found.passes.length, violations: found.violations.map('
        'function (v) { return v.id + ": " + v.help + ": " + v.nodes.length + " times: " + '
        'v.nodes[0].html.slice(0, 200); })})'))


def check_access(pages, bad, views):
    if not os.path.exists(AXE):
        skip('accessibility', 'axe-core is not here; ' + FETCH)
        return
    if browser.program() is None:
        skip('accessibility', 'no Chromium; sh scripts/install-packages test installs it')
        return
    with browser.Browser(limit_s=400) as page:
        found = violations(page, bad, views[0])['violations']
        tell(any(v.startswith('image-alt') for v in found), 'axe-core finds a planted mistake')
        for path in pages:
            name = os.path.basename(os.path.dirname(path))
            for view in views if name == 'b' else views[:1]:
                got = violations(page, path, view)
                tell(not got['violations'] and got['passes'] > 20,
                     'accessibility of page %s, %d wide, %s, %s' % ((name,) + view),
                     got['violations'])


def main():
    big = sys.argv[2:] == ['big']
    with tempfile.TemporaryDirectory() as t:
        subprocess.run([sys.argv[1], t] + (['big', '1'] if big else []), check=True,
                       stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        pages = [os.path.join(t, n, 'report.html') for n in (['big'] if big else ['b', 'c'])]
        bad = os.path.join(t, 'spoilt', 'report.html')
        os.mkdir(os.path.dirname(bad))
        with open(bad, 'w', encoding='utf-8') as f:
            f.write('<!DOCTYPE html><html lang="en"><title>spoilt</title><img src="a.png">')
        check_html(pages, bad)
        check_access(pages, bad, VIEWS)
    print('1..%d' % number)
    return 0


sys.exit(main())

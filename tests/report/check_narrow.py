# SPDX-License-Identifier: Apache-2.0
"""Looks at a report page 400 pixels wide in headless Chromium: check_narrow.py SAMPLE-PROGRAM

Nothing but the plots and what is folded or marked as wide by nature (digests, the matrix of
requirements, tables of checks) may be wider than the page. Prints TAP; without Chromium it is
skipped.
"""
import os
import re
import shutil
import subprocess
import sys
import tempfile

SCRIPT = '''<script>
var wide = [];
document.querySelectorAll('.wide').forEach(function (e) {
  if (e.scrollWidth > e.clientWidth + 1 && !e.querySelector('svg.plot')) {
    wide.push(e.getAttribute('aria-labelledby') || e.getAttribute('aria-label'));
  }
});
var p = document.createElement('p');
p.id = 'measured';
p.textContent = 'page ' + document.documentElement.scrollWidth + ' of ' + window.innerWidth +
  ' wide: ' + wide.join(', ') + ';';
document.body.appendChild(p);
</script></body>'''
# May scroll within themselves on a narrow page, beside plots: tables with a digest or many numbers.
ALLOWED = {'h-changed', 'h-files', 'h-recordings', 'h-trace', 'Checks that do not pass',
           'Checks that pass', 'Cases compared', 'Streams', 'Recorded channels'}


def main():
    chromium = shutil.which('chromium')
    print('1..1')
    if chromium is None:
        print('ok 1 - narrow page # SKIP no chromium')
        return 0
    with tempfile.TemporaryDirectory() as t:
        subprocess.run([sys.argv[1], t], check=True, stdout=subprocess.DEVNULL,
                       stderr=subprocess.DEVNULL)
        with open(os.path.join(t, 'b', 'report.html'), encoding='utf-8') as f:
            page = f.read().replace('</body>', SCRIPT)
        path = os.path.join(t, 'page.html')
        with open(path, 'w', encoding='utf-8') as f:
            f.write(page)
        # The window of headless Chromium is no narrower than 500; a frame of 400 is.
        frame = os.path.join(t, 'frame.html')
        with open(frame, 'w', encoding='utf-8') as f:
            f.write('<iframe id="f" src="page.html" width="400" height="900"></iframe><pre '
                    'id="o"></pre><script>document.getElementById("f").onload = function () {'
                    'document.getElementById("o").textContent = this.contentDocument'
                    '.getElementById("measured").textContent; };</script>')
        env = dict(os.environ, ASAN_OPTIONS='detect_leaks=0')
        r = subprocess.run([chromium, '--headless', '--no-sandbox', '--disable-gpu',
                            '--disable-background-networking', '--disable-sync',
                            '--allow-file-access-from-files', '--user-data-dir=' + t + '/u',
                            '--virtual-time-budget=5000', '--dump-dom', 'file://' + frame],
                           env=env, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        found = re.search(r'<pre id="o">page (\d+) of (\d+) wide: (.*?);', r.stdout.decode())
    if found is None:
        print('not ok 1 - narrow page\n# chromium measured nothing')
        return 1
    wide = {w for w in found.group(3).split(', ') if w} - ALLOWED
    good = int(found.group(1)) <= int(found.group(2)) == 400 and not wide
    print('%s 1 - narrow page\n# %s' % ('ok' if good else 'not ok', found.group(0)))
    return 0 if good else 1


sys.exit(main())

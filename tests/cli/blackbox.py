# SPDX-License-Identifier: Apache-2.0
"""Drives the built program from outside: running it, small campaigns, TAP output.

A test file defines functions named test_*, each taking a Place, and ends with blackbox.main().
Arguments of a test: PROGRAM SOURCE_ROOT
"""
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import traceback

PROGRAM, SOURCE_ROOT = sys.argv[1], sys.argv[2]
# Adapters for tests, beside the program (tests/mocks).
MOCKS = os.path.join(os.path.dirname(os.path.abspath(PROGRAM)), 'tests', 'adapter')
TIME_LIMIT_S = 120  # of one run of the program; the machine may be busy

BENCH = '''\
bench: small
title: A small bench of an invented scenario
numbering: column-order
adapters:
  mux:
    driver: simmux
    options:
      line: looped
      builds:
        A:
          faults: none
        B:
          faults:
            - {kind: swap, first: 1, second: 3}
            - {kind: errors, tributary: 2, ratio: 1e-3}
roles:
  trib:
    adapter: mux
    channels: trib-{1..4}
    numbers: 1..4
  line:
    adapter: mux
    channels: [line]
'''

HEAD = '''\
campaign { name = "small", title = "Small", version = "1", needs = {
    trib = { rate = "E1", count = 4, play = true, capture = true },
    line = { rate = "STM-1", capture = true, alarms = true, inject = true },
} }
'''

ARRIVAL = '''\
case "arrival" { title = "Arrival", time_limit = "2 min", run = function(test)
    local seen = test:take { last = "200 ms", play = { trib = prbs "2^15-1" },
        expect = { trib = prbs "2^15-1" } }
    test:check_arrival(seen, "trib")
end }
'''

# A megabit is too few to prove 1e-7.
TOO_SHORT = '''\
case "too-short" { title = "Too short", time_limit = "2 min", run = function(test)
    local seen = test:take { last = "200 ms", play = { trib = prbs "2^15-1" },
        expect = { trib = prbs "2^15-1" } }
    test:check_bit_errors(seen, "trib", { ratio = 1e-7, confidence = 0.95 })
end }
'''

LONG = '''\
case "long" { title = "Hours", time_limit = "20 h", run = function(test)
    local seen = test:take { last = "10 h", play = { trib = prbs "2^15-1" },
        expect = { trib = prbs "2^15-1" } }
    test:check_arrival(seen, "trib")
end }
'''

RECORD = '''\
case "record" { title = "Record", time_limit = "2 min", run = function(test)
    local first = test:take { last = "96 ms", play = { trib = prbs "2^15-1" },
        record = { as = "kept", "trib", "line" } }
    local again = test:take { play = { trib = replay(first.recording) },
        expect = { trib = replay(first.recording) }, record = { as = "again", "trib" } }
    test:check_played_as_recorded(again, "trib")
    test:check_returned_as_recorded(again, "trib")
end }
'''


class Result:
    def __init__(self, status, out, err, peak_kib):
        self.status, self.out, self.err, self.peak_kib = status, out, err, peak_kib

    def __str__(self):
        return 'status %s\nout: %s\nerr: %s' % (self.status, self.out[-3000:], self.err[-3000:])

    def json(self):
        return json.loads(self.out)


class Place:
    """A folder of one test."""

    def __init__(self):
        self.dir = tempfile.mkdtemp(prefix='evenlode-cli-')
        self.bench = self.write('bench.yaml', BENCH)
        self.store = self.path('lab.db')

    def path(self, name):
        return os.path.join(self.dir, name)

    def write(self, name, data):
        with open(self.path(name), 'wb') as f:
            f.write(data if isinstance(data, bytes) else data.encode())
        return self.path(name)

    def start(self, *args, **kw):
        env = dict(os.environ, **kw.pop('env', {}))
        for name in kw.pop('unset', ()):
            env.pop(name, None)
        return subprocess.Popen([PROGRAM] + [str(a) for a in args], env=env,
            stdin=subprocess.DEVNULL, **kw)

    def run(self, *args, **kw):
        """Runs to the end; ASan and UBSan reports in the output fail the test."""
        out = kw.pop('stdout', None)
        with tempfile.TemporaryFile() as o, tempfile.TemporaryFile() as e:
            p = self.start(*args, stdout=out or o, stderr=e, **kw)
            timer = TIME_LIMIT_S
            try:
                pid, raw, usage = wait4(p, timer)
            except TimeoutError:
                p.kill()
                p.wait()
                raise AssertionError('no end within %d s: %s' % (timer, args))
            texts = []
            for f in (o, e):
                f.seek(0)
                texts.append(f.read().decode('utf-8', 'replace'))
        status = os.waitstatus_to_exitcode(raw)
        p.returncode = status
        r = Result(status, texts[0], texts[1], usage.ru_maxrss)
        check_clean(r)
        return r

    def campaign(self, *cases, head=HEAD, name='c.lua'):
        return self.write(name, head + ''.join(cases))

    def run_campaign(self, *cases, head=HEAD, build='A', more=(), store=None, **kw):
        return self.run('run', self.campaign(*cases, head=head), '--bench', self.bench, '--build',
            build, '--store', store or self.store, '--progress', 'none', *more, **kw)


def wait4(p, limit_s):
    import time
    end = time.monotonic() + limit_s
    pause = 0.002
    while True:
        pid, raw, usage = os.wait4(p.pid, os.WNOHANG)
        if pid:
            return pid, raw, usage
        if time.monotonic() > end:
            raise TimeoutError
        time.sleep(pause)
        pause = min(pause * 1.5, 0.1)


def check_clean(r):
    for word in ('AddressSanitizer', 'LeakSanitizer', 'runtime error:', 'evl_require'):
        assert word not in r.err, str(r)
    assert r.status >= 0, str(r)


def finish(child):
    """What a started program said, when it has ended."""
    out, err = child.communicate(timeout=TIME_LIMIT_S)
    r = Result(child.returncode, out.decode(), err.decode(), 0)
    check_clean(r)
    return r


def expect(r, status, *words):
    """Exit status, and words that standard output or error must hold."""
    assert r.status == status, 'status %d expected\n%s' % (status, r)
    for word in words:
        assert word in r.out + r.err, '"%s" is missing\n%s' % (word, r)
    return r


def refused(r, status, *words):
    """A refusal: one line on standard error, nothing on standard output."""
    expect(r, status, *words)
    assert r.out == '', str(r)
    lines = r.err.splitlines()
    assert len(lines) == 1 and lines[0].startswith('evenlode'), str(r)
    assert len(lines[0]) < 1200, str(r)
    return r


def main():
    scope = sys.modules['__main__'].__dict__
    tests = [(n, f) for n, f in scope.items() if n.startswith('test_') and callable(f)]
    only = sys.argv[3:]
    if only:
        tests = [(n, f) for n, f in tests if n in only]
    # No core files of the processes that are killed here.
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    print('1..%d' % len(tests), flush=True)
    failed = 0
    for number, (name, function) in enumerate(tests, 1):
        place = Place()
        note = ''
        try:
            note = function(place) or ''
            good = True
        except Exception:
            good = False
            for line in traceback.format_exc().splitlines():
                print('# ' + line)
        finally:
            shutil.rmtree(place.dir, ignore_errors=True)
        failed += not good
        print('%s %d - %s%s' % ('ok' if good else 'not ok', number, name,
            ' # SKIP ' + note if note else ''), flush=True)
    sys.exit(1 if failed else 0)

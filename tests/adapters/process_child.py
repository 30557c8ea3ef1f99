# SPDX-License-Identifier: Apache-2.0
"""An adapter in Python, over the pipe protocol of docs/process.md, with a codec of its own.

    command: [/usr/bin/python3, process_child.py]
    options: {channels: 4, fail: "hang:exchange:2"}

What is played comes back at once, on `channels` E1 channels. For tests of the host, `fail` is
WHAT:CALL:N and does the wrong thing in the N-th such call of this process. With a path in
`once`, only as long as that file does not exist; it is made then.
"""
import os
import signal
import struct
import sys
import time

HELLO, OPEN, CHANNELS, ARM, START, EXCHANGE, POLL, INJECT, SETUP, STOP, CLOSE = range(1, 12)
NAMES = {'hello': HELLO, 'open': OPEN, 'channels': CHANNELS, 'arm': ARM, 'start': START,
         'exchange': EXCHANGE, 'poll': POLL, 'inject': INJECT, 'setup': SETUP, 'stop': STOP,
         'close': CLOSE}
OPTION, UNSUPPORTED, STATE, HARDWARE = 1, 2, 3, 4
PLAY, CAPTURE = 1, 2
VIRTUAL, SIMULATED = 1, 4
E1 = 1
FRAME_NS = 125000

stdin, stdout = sys.stdin.buffer, sys.stdout.buffer


class Refused(Exception):
    def __init__(self, code, text):
        super().__init__(text)
        self.code = code


def text(s):
    raw = s.encode()
    return struct.pack('<I', len(raw)) + raw


class Body:
    def __init__(self, raw):
        self.raw, self.at = raw, 0

    def numbers(self, form):
        got = struct.unpack_from('<' + form, self.raw, self.at)
        self.at += struct.calcsize('<' + form)
        return got if len(got) > 1 else got[0]

    def text(self):
        n = self.numbers('I')
        self.at += n
        return self.raw[self.at - n:self.at].decode()


def room(nominal):
    return nominal + nominal * 300000 // 1000000000 + 64


class Adapter:
    def __init__(self):
        self.channels, self.fail, self.once = 2, None, None
        self.release, self.major, self.capabilities = '1.2', 1, VIRTUAL | SIMULATED
        self.state, self.arms, self.calls, self.opened = 'stopped', [], {}, False
        for word in sys.argv[1:]:  # for what happens before the options are known
            name, value = word.split('=', 1)
            if name == 'fail':
                self.fail = value.split(':')
            elif name == 'major':
                self.major = int(value)
            elif name == 'capabilities':
                self.capabilities = int(value)

    def hello(self, b):
        magic, _, _ = b.numbers('8sII')
        if magic != b'evenlode':
            sys.exit('no pipe protocol')
        return (struct.pack('<8s6I', b'evenlode', self.major, 0, 1, 0, self.capabilities, 0)
                + text('echo') + text(self.release) + text('echo in another language'))

    def open(self, b):
        if self.opened:
            raise Refused(STATE, 'open: it is open already')
        _, virtual = b.numbers('QI')
        b.text()
        if not virtual and not self.capabilities & SIMULATED:
            raise Refused(UNSUPPORTED, 'virtual time only')
        for _ in range(b.numbers('I')):
            path, value, _ = b.text(), b.text(), b.numbers('I')
            if path == 'channels' and value.isdigit() and 0 < int(value) <= 5000:
                self.channels = int(value)
            elif path == 'fail' and len(value.split(':')) == 3:
                self.fail = value.split(':')
            elif path == 'once':
                self.once = value
            else:
                raise Refused(OPTION, 'option %s: unknown, or %s is not possible' % (path, value))
        self.opened = True
        return b''

    def list(self, _):
        n = self.channels
        if self.fail and self.fail[0] == 'grow' and os.path.exists(self.once):
            n += 1
        return struct.pack('<I', n) + b''.join(
            text('echo-%d' % (i + 1)) * 2 + struct.pack('<II', E1, PLAY | CAPTURE)
            for i in range(n))

    def arm(self, b):
        if self.state != 'stopped':
            raise Refused(STATE, 'arm: stop first')
        self.max_frames, n = b.numbers('II')
        arms = [b.numbers('IIi') for _ in range(n)]
        seen = set()
        for channel, flags, ppb in arms:
            if channel >= self.channels or channel in seen or flags == 0 or ppb != 0:
                raise Refused(UNSUPPORTED, 'arm: channel %d cannot do that' % channel)
            seen.add(channel)
        self.arms, self.state = arms, 'armed'
        return b''

    def start(self, b):
        if self.state != 'armed':
            raise Refused(STATE, 'start: arm first')
        self.state = 'started'
        at = b.numbers('Q')
        return struct.pack('<I%dQ' % len(self.arms), len(self.arms), *[at] * len(self.arms))

    def exchange(self, b):
        if self.state != 'started':
            raise Refused(STATE, 'exchange: start first')
        frames, n = b.numbers('II')
        if n != len(self.arms) or frames % 8 or frames > self.max_frames:
            raise Refused(STATE, 'exchange: not as armed')
        slabs = [b.numbers('III') for _ in range(n)]
        table, bits = [], []
        at = b.at
        for (_, tx, _), (_, flags, _) in zip(slabs, self.arms):
            got = b.raw[at:at + tx] if flags & PLAY else b'\x55' * (32 * frames)
            at += tx
            if flags & CAPTURE:
                bits.append(got)
            table.append(struct.pack('<II', len(got) if flags & CAPTURE else 0, 0))
        if at != len(b.raw):
            raise Refused(STATE, 'exchange: bits of the wrong length')
        return struct.pack('<I', n) + b''.join(table) + b''.join(bits)

    def poll(self, _):
        return struct.pack('<I', 0)

    def stop(self, _):
        self.state = 'stopped'
        return b''

    def answer(self, call, body):
        work = {HELLO: self.hello, OPEN: self.open, CHANNELS: self.list, ARM: self.arm,
                START: self.start, EXCHANGE: self.exchange, POLL: self.poll, STOP: self.stop,
                CLOSE: self.stop}.get(call)
        if work is None:
            raise Refused(UNSUPPORTED, 'not here')
        return work(Body(body))

    def due(self, call):
        """Is it this call that goes wrong?"""
        self.calls[call] = self.calls.get(call, 0) + 1
        if not self.fail or NAMES[self.fail[1]] != call or self.calls[call] != int(self.fail[2]):
            return None
        if self.once:
            if os.path.exists(self.once):
                return None
            open(self.once, 'w').close()
        return self.fail[0]


def reply(call, number, body, code=0):
    stdout.write(struct.pack('<IHHI', len(body), call | 0x8000, code, number) + body)
    stdout.flush()


def misbehave(what, call, number, body):
    """True when the call has been answered, in a way."""
    if what == 'crash':
        os.kill(os.getpid(), signal.SIGSEGV)
    elif what == 'exit':
        sys.stderr.write('first line\nthe cable\x07 was pulled\n')
        sys.stderr.flush()
        os._exit(7)
    elif what == 'hang':
        time.sleep(1000)
    elif what == 'deaf':  # and does not end by itself
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        while True:
            time.sleep(1000)
    elif what == 'close':
        os.close(1)
        time.sleep(1000)
    elif what == 'half':
        stdout.write(struct.pack('<IHHI', 100, call | 0x8000, 0, number) + b'half')
        stdout.flush()
        os._exit(0)
    elif what == 'garbage':
        stdout.write(bytes(range(7, 250)))
        stdout.flush()
        time.sleep(1000)
    elif what == 'flood':
        while True:
            stdout.write(b'\0' * 65536)
    elif what == 'long':
        stdout.write(struct.pack('<IHHI', 0xFFFFFFF0, call | 0x8000, 0, number))
        stdout.flush()
        time.sleep(1000)
    elif what == 'number':
        reply(call, number + 1, body)
    elif what == 'other':
        reply(POLL if call != POLL else STOP, number, body)
    elif what == 'request':
        stdout.write(struct.pack('<IHHI', 0, call, 0, number))
        stdout.flush()
    elif what == 'twice':
        reply(call, number, body)
        reply(call, number, body)
    elif what == 'tail':
        reply(call, number, body + b'xxxx')
    elif what == 'short':
        reply(call, number, body[:-1])
    elif what == 'code':
        reply(call, number, b'text', 77)
    elif what == 'mute':
        reply(call, number, b'', HARDWARE)
    elif what == 'chatter':  # more than a pipe holds, and then the right answer
        sys.stderr.write('noise ' * 200000)
        sys.stderr.flush()
        return False
    elif what == 'refuse':
        reply(call, number, b'the line card was pulled', HARDWARE)
    elif what == 'child':  # leaves a child of its own behind that holds the pipe
        if os.fork() == 0:
            time.sleep(1000)
        os._exit(3)
    return True


def main():
    a = Adapter()
    while True:
        header = stdin.read(12)
        if len(header) < 12:
            return
        n, call, _, number = struct.unpack('<IHHI', header)
        body = stdin.read(n)
        what = a.due(call)
        try:
            out, code = a.answer(call, body), 0
        except Refused as e:
            out, code = str(e).encode(), e.code
        if what == 'grow':
            os._exit(9)
        if what and misbehave(what, call, number, out):
            continue
        reply(call, number, out, code)
        if call == CLOSE:
            return


main()

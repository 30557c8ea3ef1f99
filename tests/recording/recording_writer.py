# SPDX-License-Identifier: Apache-2.0
"""Writes recordings from docs/recording.md alone, for tests: marks, gaps, a file without a trailer
(one that was cut off). With struct and hashlib only.
"""
import hashlib
import json
import struct

PEN = 32473
FRAME_BITS = {'E1': 256, 'T1': 193, 'STM-1': 19440}


def option(code, data):
    return struct.pack('<HH', code, len(data)) + data + bytes(-len(data) % 4)


class Recording:
    """Channels: (name, rate, direction) or with start_ns as the fourth."""

    def __init__(self, channels):
        self.channels = [c if len(c) == 4 else c + (0,) for c in channels]
        self.file = b''
        comment = {'format': 'evenlode-recording', 'version': 1, 'channels': len(channels),
                   'meta': {}}
        self.block(0x0A0D0D0A, struct.pack('<IHHq', 0x1A2B3C4D, 1, 0, -1)
                   + option(1, json.dumps(comment).encode()) + option(4, b'evenlode test'))
        for name, rate, direction, start_ns in self.channels:
            info = {'rate': rate, 'direction': direction, 'start_ns': start_ns, 'skew_ns': 0}
            self.block(1, struct.pack('<HHI', 147, 0, 262144)
                       + option(1, json.dumps(info).encode()) + option(2, name.encode())
                       + option(8, struct.pack('<Q', FRAME_BITS[rate] * 8000))
                       + option(9, b'\x09'))
        self.end = [0] * len(channels)

    def block(self, kind, body):
        n = 8 + len(body) + 32
        head = struct.pack('<II', kind, n) + body + struct.pack('<HHI', 19373, 20, PEN)
        check = hashlib.sha256(self.file + head).digest()[:16]
        self.file += head + check + struct.pack('<II', 0, n)

    def add(self, channel, offset, data):
        name, rate, direction, start_ns = self.channels[channel]
        for at in range(0, len(data), 32768):
            some = data[at:at + 32768]
            bit = offset + 8 * at
            flags = 4 if bit != self.end[channel] else 0
            time = start_ns + bit * 125000 // FRAME_BITS[rate]
            options = option(2, struct.pack('<I', 2 if direction == 'sent' else 1))
            if flags:
                options += option(1, b'gap')
            options += option(2989, struct.pack('<IQI', PEN, bit, flags))
            self.block(6, struct.pack('<IIIII', channel, time >> 32, time & 0xFFFFFFFF, len(some),
                                      len(some)) + some + bytes(-len(some) % 4) + options)
            self.end[channel] = bit + 8 * len(some)

    def mark(self, time_ns, text, channel=None):
        text = text.encode()
        self.block(0x00000BAD, struct.pack('<I8sQII', PEN, b'evl-mark', time_ns,
                                           2 ** 32 - 1 if channel is None else channel, len(text))
                   + text + bytes(-len(text) % 4))

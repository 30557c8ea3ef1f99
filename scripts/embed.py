# SPDX-License-Identifier: Apache-2.0
"""Writes the library modules of scripts/ as a C source: embed.py OUT.c FILE.lua..."""
import os
import sys


def main():
    out, paths = sys.argv[1], sorted(sys.argv[2:])
    lines = ['/* Made by scripts/embed.py from scripts/; do not edit. */',
             '#include "core/script/embedded.h"', '']
    table = []
    for index, path in enumerate(paths):
        with open(path, 'rb') as f:
            data = f.read()
        data.decode('utf-8')  # a module that is no text stops the build here
        name = os.path.splitext(os.path.basename(path))[0]
        lines.append('static const char text_%d[] = {' % index)
        for at in range(0, len(data), 16):
            lines.append('\t' + ', '.join('%d' % (b if b < 128 else b - 256)
                                          for b in data[at:at + 16]) + ',')
        lines += ['\t0};', '']
        table.append('\t{"%s", text_%d, %d},' % (name, index, len(data)))
    lines += ['const struct evl_embedded_script evl_embedded_scripts[] = {'] + table + \
        ['\t{0, 0, 0}};', '']
    with open(out, 'w') as f:
        f.write('\n'.join(lines))


main()

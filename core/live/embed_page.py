# SPDX-License-Identifier: Apache-2.0
"""Writes page.html as a C string, with a policy that allows just its own style and script:
embed_page.py IN.html OUT.c

The digests are those of Content Security Policy Level 3, 6.7.2.3: SHA-256, base64.
"""
import base64
import hashlib
import re
import sys

with open(sys.argv[1], encoding='utf-8') as f:
    page = f.read()


def digest(tag):
    found = re.findall('<%s>(.*?)</%s>' % (tag, tag), page, re.S)
    assert len(found) == 1, tag
    return base64.b64encode(hashlib.sha256(found[0].encode()).digest()).decode()


policy = ("default-src 'none'; style-src 'sha256-%s'; script-src 'sha256-%s'; connect-src 'self'; "
          "img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
          % (digest('style'), digest('script')))


def array(name, text):
    data = text.encode('utf-8')
    lines = ['const char %s[] = {' % name]
    # Bytes, because ISO C promises no string literal longer than 4095; signed for char.
    for i in range(0, len(data), 16):
        lines.append('\t' + ' '.join('%d,' % (b - 256 if b > 127 else b) for b in data[i:i + 16]))
    return '\n'.join(lines + ['\t0};\n'])


with open(sys.argv[2], 'w', encoding='utf-8') as f:
    f.write('/* made by embed_page.py from page.html */\n#include "core/live/internal.h"\n\n')
    f.write(array('evl_live_page', page) + '\n' + array('evl_live_policy', policy))

# SPDX-License-Identifier: Apache-2.0
"""Checks a signed report from outside: check_pdf.py PDF HTML SIGNER.pem BYTES-BEFORE-SIGNING

With poppler's pdfsig, pdftotext, pdfinfo and pdffonts, with qpdf, and with the openssl program over
the very ranges that ByteRange names (ISO 32000-1 12.8.1). What a PAdES baseline B-B signature must
and must not hold: ETSI EN 319 142-1, 6.3. Prints what is wrong; exit status 1 then.
"""
import os
import re
import subprocess
import sys
import tempfile
from html.parser import HTMLParser

problems = []


def run(*command):
    p = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    return p.returncode, p.stdout.decode('utf-8', 'replace')


class Words(HTMLParser):
    """Words that a reader of the page sees with everything folded."""
    HIDDEN = {'style', 'nav', 'head', 'desc', 'defs', 'symbol'}
    VOID = {'meta', 'br'}

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.open = []
        self.words = set()

    def handle_starttag(self, tag, attrs):
        if tag not in self.VOID:
            self.open.append((tag, dict(attrs).get('class', '')))

    def handle_startendtag(self, tag, attrs):
        pass

    def handle_endtag(self, tag):
        self.open.pop()

    def handle_data(self, data):
        tags = [t for t, _ in self.open]
        folded = 'details' in tags and 'summary' not in tags
        hidden = any(t in self.HIDDEN or c in ('sr', 'skip', 'symbols') for t, c in self.open)
        svg_title = 'svg' in tags and 'title' in tags
        if not (folded or hidden or svg_title):
            self.words.update(data.split())


def check_signature(pdf, signer):
    with open(pdf, 'rb') as f:
        data = f.read()
    ranges = re.search(rb'/ByteRange \[0 (\d{10}) (\d{10}) (\d{10})\]', data)
    a, b, c = (int(n) for n in ranges.groups())
    if b + c != len(data) or data[a:a + 1] != b'<' or data[b - 1:b] != b'>':
        problems.append('ByteRange leaves out more than the signature')
    der = bytes.fromhex(data[a + 1:b - 1].decode('ascii'))
    length = 4 + int.from_bytes(der[2:4], 'big')
    if der[:2] != b'\x30\x82' or any(der[length:]):
        problems.append('Contents is not one DER structure and zeros')
    with tempfile.TemporaryDirectory() as t:
        for name, what in (('s', der[:length]), ('c', data[:a] + data[b:])):
            with open(os.path.join(t, name), 'wb') as f:
                f.write(what)
        rc, text = run('openssl', 'cms', '-verify', '-binary', '-cades', '-inform', 'DER', '-in',
                       t + '/s', '-content', t + '/c', '-CAfile', signer, '-purpose', 'any',
                       '-partial_chain', '-out', '/dev/null')
        if rc != 0:
            problems.append('openssl cms refuses the signature: ' + text)
        _, text = run('openssl', 'cms', '-cmsout', '-print', '-noout', '-inform', 'DER', '-in',
                      t + '/s')
    attributes = set(re.findall(r'object: ([\w-]+) \(', text.split('signedAttrs:')[1]))
    want = {'contentType', 'messageDigest', 'id-smime-aa-signingCertificateV2'}
    if attributes - {'sha256'} != want:
        problems.append('signed attributes are %s' % sorted(attributes))
    if not re.search(rb'/SubFilter /ETSI\.CAdES\.detached', data) or b'/M (D:20' not in data:
        problems.append('the signature dictionary lacks SubFilter or M')
    # One byte of the shown part altered: poppler must say so.
    with tempfile.NamedTemporaryFile(suffix='.pdf') as f:
        f.write(data[:1000] + bytes([data[1000] ^ 1]) + data[1001:])
        f.flush()
        _, text = run('pdfsig', '-nocert', f.name)
        if 'Signature is Valid' in text or 'Digest Mismatch' not in text:
            problems.append('pdfsig does not see an altered byte: ' + text)


def main():
    pdf, html, signer, plain = sys.argv[1:]
    rc, text = run('pdfsig', '-nocert', pdf)
    for want in ('Signature is Valid', 'ETSI.CAdES.detached', 'Total document signed', 'SHA-256'):
        if want not in text:
            problems.append('pdfsig does not say %r: %s' % (want, text))
    rc, text = run('qpdf', '--check', pdf)
    if rc != 0:
        problems.append('qpdf: ' + text)
    check_signature(pdf, signer)
    with open(pdf, 'rb') as f:
        if not f.read(int(plain)).endswith(b'%%EOF\n'):
            problems.append('the unsigned part is no whole file')
    _, info = run('pdfinfo', pdf)
    pages = int(re.search(r'Pages:\s+(\d+)', info).group(1))
    if not re.search(r'Tagged:\s+yes', info) or 'A4' not in info:
        problems.append('not tagged, or not A4: ' + info)
    _, fonts = run('pdffonts', pdf)
    rows = fonts.splitlines()[2:]
    for row in rows:
        # Columns from the right: emb sub uni object ID (two numbers).
        if row.split()[-5:-2] != ['yes', 'yes', 'yes']:
            problems.append('a font is not embedded, a subset and mapped to Unicode: ' + row)
    if not rows:
        problems.append('no font at all')
    for n in range(1, pages + 1):
        _, text = run('pdftotext', '-f', str(n), '-l', str(n), '-layout', pdf, '-')
        if 'page %d of %d' % (n, pages) not in text:
            problems.append('page %d does not say which it is of how many' % n)
        if ('End of report' in text) != (n == pages):
            problems.append('the end mark is not on the last page alone (page %d)' % n)
    page = Words()
    with open(html, encoding='utf-8') as f:
        page.feed(f.read())
    _, text = run('pdftotext', '-raw', pdf, '-')
    # U+2060 only forbids a line break.
    shown = ''.join(text.replace('\u2060', '').split())
    # Digests are broken over lines, between cells of other columns; looked for by their beginning.
    lost = sorted(w for w in page.words if w.replace('\u2060', '')[:24] not in shown)
    if lost or len(page.words) < 100:
        problems.append('words of the page (%d in all) that the PDF does not show: %s'
                        % (len(page.words), lost[:20]))
    for p in problems:
        print(p)
    return 1 if problems else 0


sys.exit(main())

# SPDX-License-Identifier: Apache-2.0
"""Checks one report page from outside: check_html.py PAGE [TEXT-THAT-MUST-BE-SHOWN ...]

Sources: HTML parsing by Python's html.parser; void elements and the rules on ids from the HTML
standard (WHATWG, 13.1.2 and 3.2.6); contrast by WCAG 2.1, success criterion 1.4.3 (at least 4.5:1)
with its definition of relative luminance. Prints what is wrong; exit status 1 then.
"""
import re
import sys
import xml.dom.minidom
import xml.parsers.expat
from html.parser import HTMLParser

VOID = {'area', 'base', 'br', 'col', 'embed', 'hr', 'img', 'input', 'link', 'meta', 'source',
        'track', 'wbr'}
SELF_CLOSING = {'path', 'circle', 'rect', 'use'}
FORBIDDEN = {'script', 'iframe', 'object', 'embed', 'link', 'img', 'form', 'base', 'video', 'audio'}
problems = []


class Page(HTMLParser):
    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.open = []
        self.ids = []
        self.refs = []
        self.text = []
        self.css = ''
        self.headings = []
        self.count = {}
        self.lang = None
        self.figures = []

    def handle_starttag(self, tag, attrs):
        names = [n for n, _ in attrs]
        attrs = dict(attrs)
        where = 'line %d: <%s>' % (self.getpos()[0], tag)
        self.count[tag] = self.count.get(tag, 0) + 1
        if len(set(names)) != len(names):
            problems.append(where + ' has an attribute twice')
        if tag in FORBIDDEN:
            problems.append(where + ' does not belong in a report that stands alone')
        for name, value in attrs.items():
            if name.startswith('on'):
                problems.append(where + ' has the handler ' + name)
            if name in ('href', 'src', 'xlink:href', 'data', 'action', 'srcset'):
                if not (value or '').startswith('#'):
                    problems.append(where + ' leads outside: %r' % value)
                else:
                    self.refs.append((where, value[1:]))
        if tag == 'html':
            self.lang = attrs.get('lang')
        if 'id' in attrs:
            self.ids.append(attrs['id'])
        for name in ('aria-labelledby', 'aria-describedby'):
            self.refs += [(where, r) for r in (attrs.get(name) or '').split()]
        fill = re.fullmatch(r'url\(#(.*)\)', attrs.get('fill', ''))
        if fill:
            self.refs.append((where, fill.group(1)))
        if tag == 'th' and attrs.get('scope') not in ('row', 'col'):
            problems.append(where + ' has no scope')
        if tag == 'svg' and attrs.get('aria-hidden') != 'true':
            if attrs.get('role') != 'img' or not attrs.get('aria-labelledby'):
                problems.append(where + ' is neither hidden nor named')
            self.figures.append([where, set()])
        if tag in ('title', 'desc') and 'svg' in self.open and self.figures:
            self.figures[-1][1].add(tag)
        if attrs.get('tabindex') not in (None, '0'):
            problems.append(where + ' has a tabindex that is not 0')
        if attrs.get('tabindex') == '0' and not (attrs.get('aria-label')
                                                 or attrs.get('aria-labelledby')):
            problems.append(where + ' can be focused but has no name')
        if re.fullmatch('h[1-6]', tag):
            self.headings.append((int(tag[1]), where))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag in SELF_CLOSING:
            self.open.pop()
        elif tag not in VOID:
            problems.append('line %d: <%s/> is closed at once' % (self.getpos()[0], tag))

    def handle_endtag(self, tag):
        if not self.open or self.open[-1] != tag:
            problems.append('line %d: </%s> closes <%s>' % (
                self.getpos()[0], tag, self.open[-1] if self.open else 'nothing'))
        else:
            self.open.pop()

    def handle_data(self, data):
        if self.open and self.open[-1] == 'style':
            self.css += data
        else:
            self.text.append(data)


def luminance(colour):
    parts = [int(colour[i:i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a, b):
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def mixed(front, back, share):
    return '#' + ''.join('%02x' % round(int(front[i:i + 2], 16) * share
                                        + int(back[i:i + 2], 16) * (1 - share)) for i in (1, 3, 5))


def check_colours(css):
    assert abs(contrast('#000000', '#ffffff') - 21) < 1e-9  # WCAG: the two ends
    found = re.findall(r'--([a-z]+):\s*(#[0-9a-f]{3,6}|\d+%)', css)
    sets, now = [], {}
    for name, value in found:
        if name == 'paper':
            now = dict(sets[0]) if sets else {}
            sets.append(now)
        now[name] = '#' + ''.join(2 * c for c in value[1:]) if len(value) == 4 \
            and value[0] == '#' else value
    if len(sets) != 3:
        problems.append('expected colours for light, dark and print, found %d sets' % len(sets))
    for i, s in enumerate(sets):
        share = int(s['tint'].rstrip('%')) / 100
        for ink in ('ink', 'quiet', 'link', 'pass', 'fail', 'inconclusive', 'error', 'none'):
            grounds = [s['paper'], s['panel']]
            if ink in ('fail', 'inconclusive', 'error'):
                grounds.append(mixed(s[ink], s['panel'], share))
            for ground in grounds:
                if contrast(s[ink], ground) < 4.5:
                    problems.append('colour set %d: %s on %s has contrast %.2f' % (
                        i + 1, ink, ground, contrast(s[ink], ground)))


def main():
    with open(sys.argv[1], encoding='utf-8') as f:
        source = f.read()
    # The PDF is made from the same text, read as XML: Python's own parser must accept it, too.
    try:
        xml.dom.minidom.parseString(source.encode('utf-8'))
    except xml.parsers.expat.ExpatError as e:
        problems.append('is not well-formed XML: %s' % e)
    page = Page()
    page.feed(source)
    page.close()
    if page.open:
        problems.append('never closed: ' + ' '.join(page.open))
    if not source.startswith('<!DOCTYPE html>'):
        problems.append('no doctype')
    if page.lang != 'en':
        problems.append('no language')
    for i in sorted({i for i in page.ids if page.ids.count(i) > 1}):
        problems.append('id %r is given twice' % i)
    for i in page.ids:
        if not re.fullmatch(r'\S+', i):
            problems.append('id %r has blanks or is empty' % i)
    for where, ref in page.refs:
        if ref not in page.ids:
            problems.append('%s points at %r, which does not exist' % (where, ref))
    for where, parts in page.figures:
        if parts != {'title', 'desc'}:
            problems.append(where + ' lacks a title or a desc')
    for tag in ('main', 'header', 'nav', 'footer', 'h1'):
        if page.count.get(tag, 0) != 1:
            problems.append('%d <%s>, expected 1' % (page.count.get(tag, 0), tag))
    level = 0
    for depth, where in page.headings:
        if depth > level + 1:
            problems.append('%s: heading level %d after %d' % (where, depth, level))
        level = depth
    for word in ('@import', 'http:', 'https:', 'file:', '@font-face', 'expression('):
        if word in page.css:
            problems.append('style sheet holds ' + word)
    if re.search(r'url\(', page.css):
        problems.append('style sheet loads something')
    check_colours(page.css)
    shown = ' '.join(' '.join(page.text).split())
    for text in sys.argv[2:]:
        if text not in shown:
            problems.append('does not show %r' % text)
    for p in problems:
        print(p)
    return 1 if problems else 0


sys.exit(main())

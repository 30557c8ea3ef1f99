# SPDX-License-Identifier: Apache-2.0
"""A headless Chromium driven over its DevTools pipe (--remote-debugging-pipe: messages of JSON with
a NUL between them on the descriptors 3 and 4), with nothing but Python's own library.

    with browser.Browser() as page:
        page.open('http://127.0.0.1:1234/')
        page.wait('document.title !== ""')
        print(page.value('document.body.innerText'))
"""
import base64
import json
import os
import select
import shutil
import subprocess
import tempfile
import time

NAMES = ('chromium', 'chromium-browser', 'google-chrome')


def program():
    return next((shutil.which(n) for n in NAMES if shutil.which(n)), None)


class Browser:
    def __init__(self, limit_s=60):
        self.limit_s, self.number, self.rest = limit_s, 0, b''
        self.dir = tempfile.mkdtemp(prefix='evenlode-browser-')
        to_read, self.out = os.pipe()
        self.into, to_write = os.pipe()

        def descriptors():
            a, b = os.dup2(to_read, 60), os.dup2(to_write, 61)
            os.dup2(a, 3)
            os.dup2(b, 4)
            os.set_inheritable(3, True)
            os.set_inheritable(4, True)

        self.child = subprocess.Popen(
            [program(), '--headless=new', '--no-sandbox', '--disable-gpu', '--no-first-run',
             '--disable-dev-shm-usage', '--disable-extensions', '--hide-scrollbars',
             '--disable-background-networking', '--no-proxy-server',
             '--user-data-dir=' + self.dir, '--remote-debugging-pipe', 'about:blank'],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            close_fds=False, preexec_fn=descriptors, start_new_session=True)
        os.close(to_read)
        os.close(to_write)
        target = next(t for t in self.call('Target.getTargets')['targetInfos']
                      if t['type'] == 'page')
        self.session = None
        self.session = self.call('Target.attachToTarget', targetId=target['targetId'],
                                 flatten=True)['sessionId']
        self.errors = []
        for domain in ('Page', 'Runtime', 'Log', 'Accessibility'):
            self.call(domain + '.enable')

    def __enter__(self):
        return self

    def __exit__(self, *_):
        try:
            session, self.session = self.session, None
            self.call('Browser.close')
            self.session = session
            self.child.wait(10)
        except Exception:
            pass
        if self.child.poll() is None:
            self.child.kill()
            self.child.wait()
        os.close(self.out)
        os.close(self.into)
        shutil.rmtree(self.dir, ignore_errors=True)

    def message(self, end):
        while b'\0' not in self.rest:
            left = end - time.monotonic()
            if left <= 0 or not select.select([self.into], [], [], left)[0]:
                raise TimeoutError('the browser does not answer')
            data = os.read(self.into, 1 << 20)
            if not data:
                raise EOFError('the browser has ended')
            self.rest += data
        one, self.rest = self.rest.split(b'\0', 1)
        return json.loads(one)

    def call(self, method, **params):
        self.number += 1
        m = {'id': self.number, 'method': method, 'params': params}
        if getattr(self, 'session', None):
            m['sessionId'] = self.session
        os.write(self.out, json.dumps(m).encode() + b'\0')
        end = time.monotonic() + self.limit_s
        while True:
            got = self.message(end)
            if got.get('method') == 'Runtime.exceptionThrown':
                self.errors.append(got['params']['exceptionDetails'].get('text'))
            if got.get('method') == 'Log.entryAdded' and \
                    got['params']['entry']['level'] == 'error':
                self.errors.append(got['params']['entry']['text'])
            if got.get('id') == self.number:
                if 'error' in got:
                    raise RuntimeError('%s: %s' % (method, got['error']))
                return got['result']

    def open(self, url):
        self.call('Page.navigate', url=url)

    def value(self, script):
        got = self.call('Runtime.evaluate', expression=script, returnByValue=True)
        if 'exceptionDetails' in got:
            raise RuntimeError('%s: %s' % (script, got['exceptionDetails']))
        return got['result'].get('value')

    def wait(self, script, limit_s=60):
        end = time.monotonic() + limit_s
        while time.monotonic() < end:
            try:
                if self.value(script):
                    return
            except RuntimeError:  # the page is being loaded
                pass
            time.sleep(0.1)
        raise TimeoutError('never true: ' + script)

    def size(self, width, height):
        self.call('Emulation.setDeviceMetricsOverride', width=width, height=height,
                  deviceScaleFactor=1, mobile=False)

    def colours(self, scheme):
        self.call('Emulation.setEmulatedMedia',
                  features=[{'name': 'prefers-color-scheme', 'value': scheme}])

    def picture(self, path):
        got = self.call('Page.captureScreenshot', format='png', captureBeyondViewport=True)
        with open(path, 'wb') as f:
            f.write(base64.b64decode(got['data']))

    def tree(self):
        """What assistive technology is told: (role, name) of each node."""
        nodes = self.call('Accessibility.getFullAXTree')['nodes']
        return [(n['role']['value'], n.get('name', {}).get('value', '')) for n in nodes
                if not n.get('ignored') and 'role' in n]

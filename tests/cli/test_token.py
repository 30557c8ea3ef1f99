# SPDX-License-Identifier: Apache-2.0
"""A signing key in a PKCS#11 token: SoftHSM 2 of Debian holds it. Outside checks: `openssl cms
-verify` and poppler's `pdfsig`."""
import glob
import os
import subprocess

import blackbox as b

PIN = '5678'


def softhsm(*args):
    subprocess.run(['softhsm2-util', *args], check=True, capture_output=True)


def key_and_cert(p, name, *kind):
    subprocess.run(['openssl', 'req', '-x509', '-newkey', *kind, '-nodes', '-keyout',
                    p.path(name + '.key'), '-out', p.path(name + '.pem'), '-days', '30', '-subj',
                    '/O=Example Laboratory (invented)/CN=' + name], check=True,
                   capture_output=True)
    softhsm('--import', p.path(name + '.key'), '--token', 'lab', '--label', name, '--id',
            '01' if name == 'ec' else '02', '--pin', PIN)
    os.unlink(p.path(name + '.key'))  # from here on the token alone has it


def test_token(p):
    module = (glob.glob('/usr/lib/*/softhsm/libsofthsm2.so') +
              ['/usr/lib/softhsm/libsofthsm2.so'])[0]
    os.mkdir(p.path('tokens'))
    p.write('softhsm2.conf', 'directories.tokendir = %s\nobjectstore.backend = file\n'
            'log.level = ERROR\n' % p.path('tokens'))
    os.environ['SOFTHSM2_CONF'] = p.path('softhsm2.conf')
    # The modules of others keep memory, and are unloaded before anybody can tell whose it is.
    os.environ['ASAN_OPTIONS'] = os.environ.get('ASAN_OPTIONS', '') + ':detect_leaks=0'
    softhsm('--init-token', '--free', '--label', 'lab', '--so-pin', '1234', '--pin', PIN)
    key_and_cert(p, 'ec', 'ec', '-pkeyopt', 'ec_paramgen_curve:P-256')
    key_and_cert(p, 'rsa', 'rsa:3072')
    pin, bad = p.write('pin', PIN + '\n'), p.write('bad', '0000\n')
    b.expect(p.run_campaign(b.ARRIVAL), 0)

    def dossier(name, *more):
        uri = 'pkcs11:token=lab;object=%s?module-path=%s' % (name, module)
        return p.run('dossier', '1', '--store', p.store, '--out', p.path('out'), '--token', uri,
                     *more)

    for name in ('ec', 'rsa'):
        cert = p.path(name + '.pem')
        b.expect(dossier(name, '--cert', cert, '--password-file', pin), 0, 'CN = ' + name)
        b.expect(p.run('verify', p.path('out'), '--trust', cert), 0, 'Nothing was altered')
        subprocess.run(['openssl', 'cms', '-verify', '-binary', '-inform', 'DER', '-in',
                        'manifest.p7s', '-content', 'manifest.json', '-CAfile', cert, '-purpose',
                        'any', '-out', '/dev/null'], cwd=p.path('out'), check=True,
                       capture_output=True)
        text = subprocess.run(['pdfsig', '-nocert', p.path('out/report.pdf')], check=True,
                              capture_output=True, text=True).stdout
        assert 'Signature is Valid' in text and 'Total document signed' in text, text

    cert = p.path('ec.pem')
    b.refused(dossier('ec', '--cert', cert, '--password-file', bad), 3, 'that the PIN is right')
    b.refused(dossier('ec', '--cert', cert), 3, '--password-file')
    b.refused(dossier('nobody', '--cert', cert, '--password-file', pin), 3, 'object=nobody')
    b.refused(dossier('ec', '--cert', p.path('rsa.pem'), '--password-file', pin), 3,
              'does not belong to the key')
    b.refused(dossier('ec', '--password-file', pin), 3, 'holds no certificate')
    b.refused(p.run('dossier', '1', '--store', p.store, '--out', p.path('out'), '--token', 'lab'),
              3, 'RFC 7512')
    b.refused(p.run('dossier', '1', '--store', p.store, '--out', p.path('out'), '--token',
                    'pkcs11:token=lab;object=ec?module-path=/no/module.so'), 3, '/no/module.so')
    # What was there stays.
    b.expect(p.run('verify', p.path('out')), 0, 'Nothing was altered')


if __name__ == '__main__':
    b.main()

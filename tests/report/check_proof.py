# SPDX-License-Identifier: Apache-2.0
"""Checks a proof of one row from outside: check_proof.py PROOF MANIFEST

The steps are those of RFC 9162 2.1.3.2, with Python's hashlib.
"""
import hashlib
import json
import sys


def node(left, right):
    return hashlib.sha256(b'\x01' + left + right).digest()


def main():
    with open(sys.argv[1], encoding='utf-8') as f:
        proof = json.load(f)
    with open(sys.argv[2], encoding='utf-8') as f:
        tree = json.load(f)['tree']
    r = hashlib.sha256(b'\x00' + proof['text'].encode('utf-8')).digest()
    fn, sn = proof['index'], tree['leaves'] - 1
    assert fn <= sn
    for p in (bytes.fromhex(h) for h in proof['path']):
        assert sn != 0
        if fn & 1 or fn == sn:
            r = node(p, r)
            while not fn & 1 and fn != 0:
                fn >>= 1
                sn >>= 1
        else:
            r = node(r, p)
        fn >>= 1
        sn >>= 1
    assert sn == 0 and r.hex() == tree['root'] == proof['root']


main()

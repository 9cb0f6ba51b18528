"""
Cipher and key derivation against numbers that other people printed.

GCM: D. A. McGrew and J. Viega, "The Galois/Counter Mode of Operation (GCM)," submission to NIST Modes
of Operation Process, May 2005, appendix B, test cases 13, 14 and 16 (AES-256), the mode that NIST
SP 800-38D (2007) specifies. PBKDF2-HMAC-SHA-256: C. Percival and S. Josefsson, RFC 7914, Aug. 2016,
section 11. Every implementation that locks or opens a kit is held to them, those of the page in
``tests/browser/test_cipher_in_browser.py``; all digits must agree.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

VECTORS = json.loads((Path(__file__).parent / "data" / "cipher_vectors.json").read_text("utf-8"))
GCM = [tuple(case.values()) for case in VECTORS["gcm"]]
PBKDF2 = [tuple(case.values()) for case in VECTORS["pbkdf2"]]


@pytest.mark.parametrize(("key", "iv", "plain", "associated", "locked", "tag"), GCM)
def test_gcm_as_it_locks_and_as_it_is_tried(key, iv, plain, associated, locked, tag):
    from Crypto.Cipher import AES
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    key, iv, plain, associated, locked, tag = map(bytes.fromhex, (key, iv, plain, associated, locked, tag))
    assert AESGCM(key).encrypt(iv, plain, associated) == locked + tag
    cipher = AES.new(key, AES.MODE_GCM, nonce=iv, mac_len=16)
    cipher.update(associated)
    assert cipher.decrypt_and_verify(locked, tag) == plain


@pytest.mark.parametrize(("passphrase", "salt", "iterations", "key"), PBKDF2)
def test_derivation_as_it_locks_and_as_it_is_tried(passphrase, salt, iterations, key):
    from Crypto.Hash import SHA256 as OTHER_SHA256
    from Crypto.Protocol.KDF import PBKDF2 as OTHER_PBKDF2
    from cryptography.hazmat.primitives.hashes import SHA256
    from cryptography.hazmat.primitives.kdf.pbkdf2 import PBKDF2HMAC

    given, grain = passphrase.encode(), salt.encode()
    derive = PBKDF2HMAC(algorithm=SHA256(), length=32, salt=grain, iterations=iterations)
    assert derive.derive(given).hex() == key
    assert OTHER_PBKDF2(given, grain, 32, count=iterations, hmac_hash_module=OTHER_SHA256).hex() == key
    assert hashlib.pbkdf2_hmac("sha256", given, grain, iterations, 32).hex() == key

"""
Text locked under a passphrase: packed (zlib), AES-256-GCM with a key from PBKDF2-HMAC-SHA-256.

Locking uses the package ``cryptography``; `unlock` uses PyCryptodome, an implementation that shares
nothing with it, so that what was written is known to open before anyone leaves the house. A browser
opens the same with Web Crypto or, where that is denied to a file, with the bundled stand-in.

References
----------
.. [1] M. Dworkin, "Recommendation for Block Cipher Modes of Operation: Galois/Counter Mode (GCM) and
   GMAC," NIST SP 800-38D, Nov. 2007.
.. [2] K. Moriarty et al., "PKCS #5: Password-Based Cryptography Specification Version 2.1," RFC 8018,
   Jan. 2017.
.. [3] OWASP, "Password Storage Cheat Sheet," section PBKDF2: 600 000 iterations with HMAC-SHA-256.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
import secrets
import unicodedata
import zlib
from dataclasses import dataclass
from typing import Any

from tripplan.errors import SealError

__all__ = ["ITERATIONS", "SEALED_FORMAT", "Sealed", "plain_passphrase", "seal", "unlock"]

ITERATIONS = 600_000
"""Rounds of PBKDF2 [3]_. More would keep a phone without a cipher of its own waiting too long."""

SEALED_FORMAT = "tripplan-sealed/1"
_KEY_BYTES, _SALT_BYTES, _IV_BYTES, _TAG_BYTES = 32, 16, 12, 16
# What the check holds: opened by the right key, it tells a wrong passphrase from a changed file.
_CHECK = b"tripplan"
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\ufeff]")


@dataclass(frozen=True)
class Sealed:
    """
    A locked text.

    Attributes
    ----------
    header : str
        JSON: how it is locked; nothing of what is locked.
    data : str
        Ciphertext and tag in base64.
    """

    header: str
    data: str


def plain_passphrase(passphrase: str) -> str:
    r"""
    Return a passphrase as it is used: NFC, spaces trimmed, runs of white space one space.

    A phone's keyboard may add a space or put an accent together in another way.

    Raises
    ------
    SealError
        If nothing is left, or it holds a control character.

    Examples
    --------
    >>> ascii(plain_passphrase(" otter  cafe\N{COMBINING ACUTE ACCENT} "))
    "'otter caf\\xe9'"
    """
    text = " ".join(unicodedata.normalize("NFC", passphrase).split())
    if not text:
        raise SealError("The passphrase is empty.")
    if _CONTROL.search(text):
        raise SealError("The passphrase holds a control character, which nobody can type on a phone.")
    return text


def seal(text: str, passphrase: str, bound: str = "") -> Sealed:
    """
    Lock a text.

    Parameters
    ----------
    text : str
        What only those with the passphrase shall read.
    passphrase : str
        As `plain_passphrase` returns it, or before.
    bound : str
        Text that travels beside it in the clear; if it is changed, unlocking fails.

    Returns
    -------
    Sealed
        With fresh salt and nonces, so that no two are alike.
    """
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM
    from cryptography.hazmat.primitives.hashes import SHA256
    from cryptography.hazmat.primitives.kdf.pbkdf2 import PBKDF2HMAC

    salt, iv, check_iv = (secrets.token_bytes(size) for size in (_SALT_BYTES, _IV_BYTES, _IV_BYTES))
    derive = PBKDF2HMAC(algorithm=SHA256(), length=_KEY_BYTES, salt=salt, iterations=ITERATIONS)
    cipher = AESGCM(derive.derive(plain_passphrase(passphrase).encode("utf-8")))
    header = json.dumps(
        {
            "format": SEALED_FORMAT,
            "cipher": "AES-256-GCM",
            "derivation": "PBKDF2-HMAC-SHA-256",
            "iterations": ITERATIONS,
            "salt": _base64(salt),
            "iv": _base64(iv),
            "check_iv": _base64(check_iv),
            "check": _base64(cipher.encrypt(check_iv, _CHECK, None)),
        },
        separators=(",", ":"),
    )
    packed = zlib.compress(text.encode("utf-8"), 9)
    return Sealed(header, _base64(cipher.encrypt(iv, packed, _associated(header, bound))))


def unlock(sealed: Sealed, passphrase: str, bound: str = "") -> str:
    """
    Unlock a text with the second implementation.

    Parameters
    ----------
    sealed : Sealed
        As `seal` made it.
    passphrase, bound : str
        As they were given to `seal`.

    Returns
    -------
    str
        The text.

    Raises
    ------
    SealError
        If the passphrase is wrong, or anything was changed; the text says which.
    """
    from Crypto.Cipher import AES
    from Crypto.Hash import SHA256
    from Crypto.Protocol.KDF import PBKDF2

    def opened(iv: bytes, locked: bytes, associated: bytes) -> bytes:
        cipher = AES.new(key, AES.MODE_GCM, nonce=iv, mac_len=_TAG_BYTES)
        cipher.update(associated)
        return cipher.decrypt_and_verify(locked[:-_TAG_BYTES], locked[-_TAG_BYTES:])

    header = _read_header(sealed.header)
    key = PBKDF2(
        plain_passphrase(passphrase).encode("utf-8"),
        header["salt"],
        _KEY_BYTES,
        count=header["iterations"],
        hmac_hash_module=SHA256,
    )
    try:
        opened(header["check_iv"], header["check"], b"")
    except ValueError:
        raise SealError("The passphrase does not open the file.") from None
    try:
        packed = opened(header["iv"], _bytes(sealed.data), _associated(sealed.header, bound))
        return zlib.decompress(packed).decode("utf-8")
    except (ValueError, zlib.error):
        raise SealError("The file was changed or damaged after it was locked.") from None


def _associated(header: str, bound: str) -> bytes:
    return f"{header}\n{bound}".encode()


def _read_header(text: str) -> dict[str, Any]:
    try:
        header = json.loads(text)
        if header["format"] != SEALED_FORMAT:
            raise SealError(f"The file is locked in a way unknown to this version: {header['format']}.")
        found = {key: _bytes(header[key]) for key in ("salt", "iv", "check_iv", "check")}
        return found | {"iterations": int(header["iterations"])}
    except (ValueError, KeyError, TypeError):
        raise SealError("The file was changed or damaged after it was locked.") from None


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")


def _bytes(text: str) -> bytes:
    try:
        data = base64.b64decode(text, validate=True)
    except binascii.Error:
        data = b""
    if not data or _base64(data) != text:  # the last sign has bits to spare: only one way of writing is ours
        raise SealError("The file was changed or damaged after it was locked.")
    return data

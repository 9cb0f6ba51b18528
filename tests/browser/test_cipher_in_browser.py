"""The page's two ciphers against published numbers; the sources stand in ``tests/published``."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tripplan.outputs.pages import asset

pytestmark = pytest.mark.browser

VECTORS = json.loads(
    (Path(__file__).parents[1] / "published" / "data" / "cipher_vectors.json").read_text("utf-8")
)
GCM = [tuple(case.values()) for case in VECTORS["gcm"]]
PBKDF2 = [tuple(case.values()) for case in VECTORS["pbkdf2"]]

IN_BROWSER = """async ([own, gcm, kdf]) => {
  const bytes = hex => Uint8Array.from(hex.match(/../g) || [], pair => parseInt(pair, 16));
  const hex = all => [...new Uint8Array(all)].map(one => one.toString(16).padStart(2, "0")).join("");
  const found = [];
  for (const [key, iv, plain, associated] of gcm) {
    if (own) {
      const k = await crypto.subtle.importKey("raw", bytes(key), "AES-GCM", false, ["encrypt"]);
      found.push(hex(await crypto.subtle.encrypt(
        { name: "AES-GCM", iv: bytes(iv), additionalData: bytes(associated) }, k, bytes(plain))));
    } else { found.push(hex(tripplanCipher.gcm(bytes(key), bytes(iv), bytes(associated)).encrypt(bytes(plain)))); }
  }
  for (const [passphrase, salt, iterations] of kdf) {
    const [p, s] = [passphrase, salt].map(text => new TextEncoder().encode(text));
    if (own) {
      const k = await crypto.subtle.importKey("raw", p, "PBKDF2", false, ["deriveBits"]);
      found.push(hex(await crypto.subtle.deriveBits({ name: "PBKDF2", hash: "SHA-256", salt: s, iterations }, k, 256)));
    } else {
      found.push(hex(await tripplanCipher.pbkdf2Async(tripplanCipher.sha256, p, s, { c: iterations, dkLen: 32 })));
    }
  }
  return JSON.stringify(found);
}"""


@pytest.mark.parametrize("own", [True, False], ids=["the browser's own", "the stand-in"])
def test_both_ciphers_of_the_page(own, tmp_path, open_page):
    page_file = tmp_path / "page.html"
    page_file.write_text(
        f"<!DOCTYPE html><title>x</title><script>{asset('built/cipher.js')}</script>", "utf-8"
    )
    page = open_page(page_file).page
    found = json.loads(page.evaluate(IN_BROWSER, [own, GCM, PBKDF2]))
    assert found == [case[4] + case[5] for case in GCM] + [case[3] for case in PBKDF2]

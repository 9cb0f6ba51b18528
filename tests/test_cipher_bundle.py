"""The stand-in cipher that the build bundles from npm packages."""

from __future__ import annotations

import json
import runpy
from pathlib import Path

import pytest

from tripplan.outputs.pages import asset

ROOT = Path(__file__).parents[1]
MAKE = runpy.run_path(str(ROOT / ".build" / "cipher" / "make.py"))
LOCK = json.loads((ROOT / ".build" / "cipher" / "package-lock.json").read_text("utf-8"))


def test_the_bundle_is_there_and_made_from_the_present_files():
    assert MAKE["is_current"](), "run python .build/cipher/make.py (it needs npm)"
    text = asset("built/cipher.js")
    assert len(text.encode()) < 30_000
    assert text.count("Copyright") >= 3
    assert "Permission is hereby granted" in text
    assert "</script" not in text.lower()


def test_every_package_is_pinned_with_a_checksum_and_no_address():
    packages = {name: one for name, one in LOCK["packages"].items() if name}
    assert {"node_modules/@noble/ciphers", "node_modules/@noble/hashes", "node_modules/fflate"} <= set(
        packages
    )
    for name, one in packages.items():
        assert one["integrity"].startswith("sha512-"), name
        assert "resolved" not in one, name
    wanted = json.loads((ROOT / ".build" / "cipher" / "package.json").read_text("utf-8"))
    for name, version in (wanted["dependencies"] | wanted["devDependencies"]).items():
        assert packages[f"node_modules/{name}"]["version"] == version


def test_without_npm_it_says_so(monkeypatch, tmp_path):
    make = runpy.run_path(str(ROOT / ".build" / "cipher" / "make.py"))
    monkeypatch.setitem(make["make_bundle"].__globals__, "BUNDLE", tmp_path / "cipher.js")
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(make["NoBundleError"], match="npm and node are not on this machine"):
        make["make_bundle"]()
    assert list(tmp_path.iterdir()) == []

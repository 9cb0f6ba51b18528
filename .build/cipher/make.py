"""
Bundle the stand-in cipher of locked pages, from the npm packages that package-lock.json pins.

    python .build/cipher/make.py

Needs npm with Node.js 20 or newer, and the npm registry. Nothing is done where the bundle is there and was
made from the same files. The hook in ``.build/hook.py`` runs this whenever the package is built or installed.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
BUNDLE = HERE.parents[1] / "tripplan" / "outputs" / "assets" / "built" / "cipher.js"
SOURCES = ("package.json", "package-lock.json", "entry.js")
HELD = ("@noble/ciphers", "@noble/hashes", "fflate")
_IMPATIENT = (
    "--fetch-retries=1",
    "--fetch-timeout=20000",
)  # no network: do not wait long
BUNDLING = ("--bundle", "--minify", "--format=iife", "--global-name=tripplanCipher", "--target=es2020")


class NoBundleError(Exception):
    """The bundle could not be made; the text says why."""


def stamp() -> str:
    """Return the line that a bundle made from the present files begins with."""
    digest = hashlib.sha256()
    for name in (*SOURCES, Path(__file__).name):
        digest.update((HERE / name).read_bytes().replace(b"\r\n", b"\n"))
    return f"/* made by .build/cipher/make.py from {digest.hexdigest()} */"


def is_current() -> bool:
    """Return whether the bundle is there and was made from the present files."""
    return BUNDLE.is_file() and BUNDLE.read_text("utf-8").startswith(stamp())


def make_bundle() -> Path:
    """Make the bundle where it is missing or old, and return its path."""
    if is_current():
        return BUNDLE
    npm, node = shutil.which("npm"), shutil.which("node")
    if npm is None or node is None:
        raise NoBundleError("npm and node are not on this machine")
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        for source in SOURCES:
            shutil.copy(HERE / source, work / source)
        _run([npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund", *_IMPATIENT], work)
        bundler = work / "node_modules" / "esbuild" / "bin" / "esbuild"
        _run([node, str(bundler), "entry.js", *BUNDLING, "--legal-comments=inline", "--outfile=out.js"], work)
        text = f"{stamp()}\n{_licences(work)}\n{(work / 'out.js').read_text('utf-8')}"
    BUNDLE.parent.mkdir(parents=True, exist_ok=True)
    part = BUNDLE.with_name(f"{BUNDLE.name}.{os.getpid()}.part")
    part.write_text(text, "utf-8", newline="\n")
    part.replace(BUNDLE)
    return BUNDLE


def _licences(work: Path) -> str:
    """Return what the licences of the packages ask to be kept: whose they are, and the permission."""
    found = {name: (work / "node_modules" / name / "LICENSE").read_text("utf-8") for name in HELD}
    if not all("MIT License" in text for text in found.values()):
        raise NoBundleError("a package is no longer under the MIT licence")
    owners = [
        f"{name}: {line.strip()}"
        for name, text in found.items()
        for line in text.splitlines()
        if line.startswith("Copyright")
    ]
    permission = found[HELD[0]]
    permission = permission[permission.index("Permission is hereby granted") :]
    return "/*! The MIT License\n{}\n{}*/".format("\n".join(owners), permission.replace("*/", ""))


def _run(command: list[str], folder: Path) -> None:
    try:
        done = subprocess.run(  # noqa: S603 - our own words, no shell
            command, cwd=folder, check=False, capture_output=True, text=True, timeout=300
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise NoBundleError(f"{Path(command[0]).name}: {error}") from error
    if done.returncode:
        raise NoBundleError(
            f"{Path(command[0]).name} ended with {done.returncode}: {done.stderr.strip()[-400:]}"
        )


if __name__ == "__main__":
    try:
        print(make_bundle())  # noqa: T201 - a script's answer
    except NoBundleError as problem:
        sys.exit(str(problem))

"""The build's own step: bundles the stand-in cipher, or says that this build goes without."""

from __future__ import annotations

import runpy
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class CustomBuildHook(BuildHookInterface):
    """Runs ``.build/cipher/make.py`` before files are collected."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:  # noqa: ARG002 - hatchling's names
        """Make the bundle; without npm the package works, and says at every locked page what it lacks."""
        make = runpy.run_path(str(Path(self.root) / ".build" / "cipher" / "make.py"))
        try:
            make["make_bundle"]()
        except make["NoBundleError"] as problem:
            self.app.display_warning(
                f"Built without the stand-in cipher ({problem}): locked pages then open only in browsers "
                "that grant a file their own cipher. Install npm and install again to have it."
            )

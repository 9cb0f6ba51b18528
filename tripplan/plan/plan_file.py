"""The plan on file: read back, or why it cannot be."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tripplan.plan.document import Plan
from tripplan.storage import read_bytes

__all__ = ["PLAN_NAME", "NoPlanOnFileError", "read_plan_file"]

PLAN_NAME = "plan.json"


class NoPlanOnFileError(Exception):
    """There is no plan that can be read; the text says why, as a clause."""


def read_plan_file(folder: Path) -> tuple[dict[str, Any], Plan]:
    """
    Read the plan of a folder.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.

    Returns
    -------
    document : dict
        The JSON object as it stands there.
    plan : Plan
        The same, not checked against any fleet.

    Raises
    ------
    NoPlanOnFileError
        If there is none, or what is there is no plan.
    StorageError
        If the file cannot be read.
    """
    path = folder / PLAN_NAME
    if not path.exists():
        raise NoPlanOnFileError(f"there is no {PLAN_NAME} yet")
    try:
        document = json.loads(read_bytes(path))
    except (ValueError, RecursionError) as error:
        raise NoPlanOnFileError(f"{PLAN_NAME} is not JSON") from error
    if not isinstance(document, dict):
        raise NoPlanOnFileError(f"{PLAN_NAME} is not a plan")
    try:
        return document, Plan.from_json(document)
    except (ValueError, KeyError) as error:
        raise NoPlanOnFileError(f"{PLAN_NAME} is not a plan that can be read") from error

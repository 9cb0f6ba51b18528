"""JSON Schemas (draft 2020-12) of what tripplan writes and reads back as JSON."""

from __future__ import annotations

import json
from importlib import resources
from typing import Any

__all__ = ["SCHEMA_NAMES", "load_schema"]

SCHEMA_NAMES = (
    "plan",
    "forecast",
    "results",
    "check",
    "trip",
    "init",
    "spares",
    "packs",
    "handover",
    "overview",
    "record",
    "undo",
    "history",
)


def load_schema(name: str) -> dict[str, Any]:
    """
    Load one of the schemas that come with the package.

    Parameters
    ----------
    name : str
        One of `SCHEMA_NAMES`: the word between ``tripplan-`` and ``/1`` in the file's ``format``.

    Returns
    -------
    dict
        The schema.

    Raises
    ------
    ValueError
        If there is no such schema.

    Examples
    --------
    >>> load_schema("plan")["properties"]["format"]
    {'const': 'tripplan-plan/1'}
    """
    if name not in SCHEMA_NAMES:
        raise ValueError(f"name must be one of {', '.join(SCHEMA_NAMES)}, not {name!r}")
    text = resources.files(__name__).joinpath(f"{name}.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema

"""What a JSON object holds, taken by name and kind; a value of another kind is never bent into one."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

__all__ = ["JsonObject"]

_MISSING = object()


class JsonObject:
    """
    A JSON object whose values are taken by name.

    Every method raises KeyError, naming the key, where nothing stands there and no default is given,
    and ValueError where the value is of another kind.

    Parameters
    ----------
    data : object
        What ``json.loads`` returned.
    where : str, default ""
        What the object is, for messages.

    Raises
    ------
    ValueError
        If it is no JSON object.

    Examples
    --------
    >>> JsonObject({"trips": 3}).whole("trips")
    3
    >>> JsonObject({"swap": "no"}).flag("swap")
    Traceback (most recent call last):
    ...
    ValueError: swap must be true or false, not 'no'
    """

    def __init__(self, data: object, where: str = "") -> None:
        if not isinstance(data, Mapping):
            raise ValueError(f"{where or 'it'} must be a JSON object, not {_shown(data)}")  # noqa: TRY004
        self._data: Mapping[str, Any] = data

    def _take(self, key: str, default: object) -> Any:
        found = self._data.get(key, default)
        if found is _MISSING:
            raise KeyError(key)
        return found

    def text(self, key: str, default: object = _MISSING) -> str:
        """Return a text."""
        found = self._take(key, default)
        if not isinstance(found, str):
            raise ValueError(f"{key} must be text, not {_shown(found)}")  # noqa: TRY004
        return found

    def text_or_none(self, key: str, default: object = _MISSING) -> str | None:
        """Return a text; None for null."""
        return None if self._take(key, default) is None else self.text(key)

    def texts(self, key: str, default: object = _MISSING) -> tuple[str, ...]:
        """Return a list of texts."""
        found = self._take(key, default)
        if not isinstance(found, list | tuple) or not all(isinstance(item, str) for item in found):
            raise ValueError(f"{key} must be a list of texts, not {_shown(found)}")
        return tuple(found)

    def flag(self, key: str, default: object = _MISSING) -> bool:
        """Return true or false."""
        found = self._take(key, default)
        if not isinstance(found, bool):
            raise ValueError(f"{key} must be true or false, not {_shown(found)}")  # noqa: TRY004
        return found

    def number(self, key: str, default: object = _MISSING) -> float:
        """Return a finite number."""
        found = self._take(key, default)
        if not _is_number(found):
            raise ValueError(f"{key} must be a number, not {_shown(found)}")
        return float(found)

    def whole(self, key: str, default: object = _MISSING) -> int:
        """Return a whole number."""
        found = self._take(key, default)
        if not _is_number(found) or found != int(found):
            raise ValueError(f"{key} must be a whole number, not {_shown(found)}")
        return int(found)

    def day(self, key: str) -> date:
        """Return a date."""
        return date.fromisoformat(self.text(key))

    def day_or_none(self, key: str) -> date | None:
        """Return a date; None for null."""
        return None if self._take(key, _MISSING) is None else self.day(key)

    def moment(self, key: str) -> datetime:
        """Return a date with its clock time."""
        return datetime.fromisoformat(self.text(key))

    def counts(self, key: str) -> dict[str, int]:
        """Return an object of whole numbers."""
        found = self._take(key, _MISSING)
        counted = JsonObject(found, key)
        return {name: counted.whole(name) for name in found}

    def objects(self, key: str) -> tuple[JsonObject, ...]:
        """Return a list of objects."""
        found = self._take(key, _MISSING)
        if not isinstance(found, list | tuple):
            raise ValueError(f"{key} must be a list, not {_shown(found)}")  # noqa: TRY004
        return tuple(JsonObject(item, f"each of {key}") for item in found)


def _is_number(value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def _shown(value: object) -> str:
    kinds = {dict: "an object", list: "a list", type(None): "null"}
    text = kinds.get(type(value)) or repr(value)
    return text if len(text) <= 40 else text[:37] + "..."

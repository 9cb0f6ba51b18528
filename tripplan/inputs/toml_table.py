"""A table of tripplan.toml that checks each setting as it is taken and names what nobody took."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, time
from typing import Any

from tripplan.inputs.cell_text import clean_text
from tripplan.inputs.findings import Findings, did_you_mean, fold
from tripplan.inputs.schema import SETTINGS_FILE
from tripplan.inputs.words import is_finite, range_problem

__all__ = ["TomlTable"]


class TomlTable:
    """
    One table of the settings.

    Parameters
    ----------
    data : object
        What stands there; anything but a table is a fault.
    path : str
        How messages name it: ``[plan]``; empty for the file itself.
    findings : Findings
        Takes the faults.
    """

    def __init__(self, data: object, path: str, findings: Findings) -> None:
        self.path = path
        self._findings = findings
        self._known: dict[str, None] = {}
        self._data: Mapping[str, Any] = data if isinstance(data, Mapping) else {}
        if not isinstance(data, Mapping):
            findings.fault(SETTINGS_FILE, f"{path} must be a table", f"Write {path} on a line of its own.")

    def fault(self, key: str, problem: str, mend: str = "", value: object = None) -> None:
        """
        Note a fault of one setting.

        Parameters
        ----------
        key : str
            The setting; empty for the table itself.
        problem, mend : str
            What is wrong, and what to do about it.
        value : object, optional
            What was found.
        """
        name = f"{self.path} {key}".strip()
        found = None if value is None else value if isinstance(value, str) else _shown(value)
        self._findings.fault(SETTINGS_FILE, problem, mend, column=name, value=found)

    def remark(self, key: str, text: str) -> None:
        """
        Note a remark on one setting.

        Parameters
        ----------
        key : str
            The setting.
        text : str
            What is to be said, as a clause with a full stop.
        """
        self._findings.remark(f"{SETTINGS_FILE}, setting {f'{self.path} {key}'.strip()}: {text}")

    def has(self, key: str) -> bool:
        """
        Tell whether a setting stands there.

        Parameters
        ----------
        key : str
            The setting.

        Returns
        -------
        bool
            True where it does.
        """
        return key in self._data

    def use(self, key: str) -> object:
        """
        Take a setting unchecked.

        Parameters
        ----------
        key : str
            The setting; known from now on.

        Returns
        -------
        object
            None where it is not there.
        """
        self._known[key] = None
        return self._data.get(key)

    def items(self) -> Iterator[tuple[str, Any]]:
        """
        Iterate over what stands there.

        Returns
        -------
        iterator of (str, object)
            Settings and values.
        """
        return iter(self._data.items())

    def keys(self) -> tuple[str, ...]:
        """
        Return the names of what stands there.

        Returns
        -------
        tuple of str
            In the order of the file.
        """
        return tuple(self._data)

    def table(self, key: str, path: str = "") -> TomlTable:
        """
        Take a table inside this one.

        Parameters
        ----------
        key : str
            Its name.
        path : str, default ""
            How messages name it.

        Returns
        -------
        TomlTable
            Empty where it is not there.
        """
        inner = self.use(key)
        name = path or (f"{self.path[:-1]}.{key}]" if self.path.startswith("[") else f"[{key}]")
        return TomlTable({} if inner is None else inner, name, self._findings)

    def tables(self, key: str) -> tuple[TomlTable, ...]:
        """
        Take a list of tables.

        Parameters
        ----------
        key : str
            Its name.

        Returns
        -------
        tuple of TomlTable
            In the order of the file.
        """
        inner = self.use(key)
        if inner is None:
            return ()
        if not isinstance(inner, list):
            self.fault("", f"[{key}] must be a list of tables", f"Write [[{key}]] with two brackets.")
            return ()
        return tuple(
            TomlTable(data, f"[[{key}]] {n}", self._findings) for n, data in enumerate(inner, start=1)
        )

    def finish(self) -> None:
        """Note a fault for each setting that nobody took."""
        for key, value in self._data.items():
            if key in self._known:
                continue
            hint = did_you_mean(key, [name for name in self._known if name not in self._data])
            what = (
                "there is no such table"
                if isinstance(value, Mapping | list) and not self.path
                else "there is no such setting"
            )
            self.fault(key, what, hint or "Take it out.")

    def text(self, key: str, default: str = "", *, required: bool = False) -> str:
        """
        Take a text.

        Parameters
        ----------
        key : str
            The setting.
        default : str, default ""
            Where it is not there.
        required : bool, default False
            Whether it must be there and not blank.

        Returns
        -------
        str
            Without space around it.
        """
        value = self.use(key)
        if value is None:
            if required:
                self.fault(key, "the setting is missing", f'Write {key} = "...".')
            return default
        if not isinstance(value, str):
            self.fault(key, "must be text", "Put it between quotation marks.", value)
            return default
        value = clean_text(value)
        if required and not value:
            self.fault(key, "the setting is empty", "Fill it in.")
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """
        Take a list of texts.

        Parameters
        ----------
        key : str
            The setting.

        Returns
        -------
        tuple of str
            Empty where it is not there or faulty.
        """
        value = self.use(key)
        if value is None:
            return ()
        if isinstance(value, list) and all(isinstance(item, str) for item in value):
            return tuple(" ".join(clean_text(item).split()) for item in value)
        self.fault(key, "must be a list of texts", f'Write {key} = ["...", "..."].', value)
        return ()

    def choice(self, key: str, words: Sequence[str]) -> str:
        """
        Take one of some words.

        Parameters
        ----------
        key : str
            The setting.
        words : sequence of str
            The words allowed.

        Returns
        -------
        str
            Empty where it is not there or faulty.
        """
        found = self.text(key)
        for word in words:
            if fold(found) == fold(word):
                return word
        if found:
            self.fault(key, f"must be one of {', '.join(words)}", did_you_mean(found, words), found)
        return ""

    def optional_number(self, key: str, low: float, high: float, *, above: bool = False) -> float | None:
        """
        Take a number that may be absent.

        Parameters
        ----------
        key : str
            The setting.
        low, high : float
            The range, ends included.
        above : bool, default False
            Whether `low` itself is too low.

        Returns
        -------
        float or None
            None where it is not there or faulty.
        """
        value = self.use(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float):
            quoted = isinstance(value, str) and value.strip().replace(".", "", 1).isdigit()
            mend = "Take the quotation marks away." if quoted else ""
            self.fault(key, "must be a number", mend, value)
            return None
        if not is_finite(value):
            self.fault(key, "must be a finite number", "", value)
            return None
        problem = range_problem(value, low, high, above=above)
        if problem:
            self.fault(key, problem, "", value)
            return None
        return float(value)

    def number(self, key: str, default: float, low: float, high: float, *, above: bool = False) -> float:
        """
        Take a number.

        Parameters
        ----------
        key : str
            The setting.
        default : float
            Where it is not there or faulty.
        low, high : float
            The range, ends included.
        above : bool, default False
            Whether `low` itself is too low.

        Returns
        -------
        float
            In range.
        """
        found = self.optional_number(key, low, high, above=above)
        return default if found is None else found

    def whole(self, key: str, default: int, low: int, high: int) -> int:
        """
        Take a whole number.

        Parameters
        ----------
        key : str
            The setting.
        default : int
            Where it is not there or faulty.
        low, high : int
            The range, ends included.

        Returns
        -------
        int
            In range.
        """
        found = self.optional_number(key, low, high)
        if found is None:
            return default
        if found != int(found):
            self.fault(key, "must be a whole number", "", self._data[key])
            return default
        return int(found)


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, date | time):
        return value.isoformat()
    return str(value)

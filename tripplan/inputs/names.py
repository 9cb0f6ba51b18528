"""Ids and names that tables refer to, compared without case and stray spaces."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from tripplan.inputs.columns import ColumnReader
from tripplan.inputs.findings import did_you_mean, fold, list_rows

__all__ = ["Names", "read_ids"]


class Names:
    """
    A set of names.

    Parameters
    ----------
    names : iterable of str
        As they are shown.

    Examples
    --------
    >>> Names(["North Gate"]).find("north  gate")
    'North Gate'
    """

    def __init__(self, names: Iterable[str]) -> None:
        self._by_key: dict[str, str] = {}
        for name in names:
            self._by_key.setdefault(fold(name), name)

    def __iter__(self) -> Iterator[str]:
        """Iterate over the names as they are shown."""
        return iter(self._by_key.values())

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self._by_key)

    def find(self, name: str) -> str | None:
        """
        Return a name as it is shown where it was first given.

        Parameters
        ----------
        name : str
            As a table refers to it.

        Returns
        -------
        str or None
            None for an unknown name.
        """
        return self._by_key.get(fold(name))

    def hint(self, name: str) -> str:
        """
        Return a mend for an unknown name.

        Parameters
        ----------
        name : str
            As a table refers to it.

        Returns
        -------
        str
            The nearest name, or all of them where there are few; may be empty.
        """
        near = did_you_mean(name, self._by_key.values())
        if near or not self._by_key:
            return near
        return f"Known: {', '.join(self._by_key.values())}." if len(self._by_key) <= 6 else ""


def read_ids(reader: ColumnReader, column: str, what: str) -> dict[int, str]:
    """
    Read a column of ids, each of which may stand only once.

    Parameters
    ----------
    reader : ColumnReader
        The table.
    column : str
        A required column.
    what : str
        Word for the thing that has the id.

    Returns
    -------
    dict of int to str
        By row; of doubled ids each row keeps its own.
    """
    reader.require(column)
    found = reader.names(column)
    rows_of: dict[str, list[int]] = {}
    for row, name in found.items():
        rows_of.setdefault(fold(name), []).append(row)
    for rows in rows_of.values():
        for row in rows[1:]:
            reader.fault(
                row,
                column,
                f"the {what} stands in {list_rows(rows)}; capitals and spaces make no difference",
                f"Give each {what} its own id, or delete a row.",
            )
    return found

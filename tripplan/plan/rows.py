"""Rows of the linear programme over trips, and when each must be in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.season import Season, Window

__all__ = ["RowBook", "SpanRow", "StockRow", "crew_cliques", "split_cliques"]

_SLACK = 1e-6
_MOST_OF_SITE = 3
_MOST_OF_TYPE = 6


@dataclass(frozen=True)
class StockRow:
    """At most `cap` packs of a type swapped in on the days from `first` to `last`."""

    pack_type: str
    first: int
    last: int
    cap: int


@dataclass(frozen=True)
class SpanRow:
    """
    A limit on the trips of some crew-dates.

    Attributes
    ----------
    indices : frozenset of int
        Day indices.
    least, most : int or None
        Fewest and most trips; one of the two is given.
    """

    indices: frozenset[int]
    least: int | None = None
    most: int | None = None


@dataclass(frozen=True)
class RowBook:
    """
    All rows, in order: windows, crew-dates, stock, spans.

    A linear programme that leaves some of them out is a relaxation, so its multipliers, with zero for
    what was left out, bound as well as any; rows come in once a solution breaks them.

    Attributes
    ----------
    season : Season
        The problem.
    windows : tuple of Window
        Each must hold a visit.
    cliques : tuple of tuple of int
        Day indices of which at most one can run.
    stock : tuple of StockRow
        What the shelf can give.
    spans : tuple of SpanRow
        Limits on trips.
    forgiven : int
        Sites of which no window counts, whichever they are; the last row, where there are any.
    """

    season: Season
    windows: tuple[Window, ...]
    cliques: tuple[tuple[int, ...], ...]
    stock: tuple[StockRow, ...]
    spans: tuple[SpanRow, ...]
    forgiven: int = 0

    @property
    def n_rows(self) -> int:
        """Rows in all."""
        return self.forgiven_at + (self.forgiven > 0)

    @property
    def stock_at(self) -> int:
        """Number of the first stock row."""
        return len(self.windows) + len(self.cliques)

    @property
    def spans_at(self) -> int:
        """Number of the first span row."""
        return self.stock_at + len(self.stock)

    @property
    def forgiven_at(self) -> int:
        """Number of the row that counts forgiven sites."""
        return self.spans_at + len(self.spans)

    @cached_property
    def window_site(self) -> NDArray[np.int64]:
        """Task of each window."""
        return np.array([window.site for window in self.windows], np.int64)

    @cached_property
    def window_days(self) -> NDArray[np.bool_]:
        """Whether each day lies in each window, shape (n_windows, n_days)."""
        found = np.zeros((len(self.windows), self.season.n_days), np.bool_)
        for r, window in enumerate(self.windows):
            found[r, list(window.days)] = True
        return found

    @cached_property
    def pays(self) -> NDArray[np.bool_]:
        """Whether a visit surely takes a pack, shape (n_tasks, n_days)."""
        return np.array([task.pays for task in self.season.tasks]).reshape(-1, self.season.n_days)

    @cached_property
    def type_of(self) -> NDArray[np.int64]:
        """Number of each task's pack type among `types`."""
        return np.array([self.types.index(t.site.pack_type) for t in self.season.tasks], np.int64)

    @cached_property
    def types(self) -> tuple[str, ...]:
        """Pack types of the tasks."""
        return tuple(sorted({task.site.pack_type for task in self.season.tasks}))

    @cached_property
    def _stock_arrays(self) -> tuple[NDArray[np.int64], ...]:
        rows = [
            (self.types.index(row.pack_type), row.first, row.last, row.cap)
            for row in self.stock
            if row.pack_type in self.types
        ]
        return tuple(np.array(rows, np.int64).reshape(-1, 4).T)

    def sense(self, row: int) -> tuple[float | None, float | None]:
        """Return the least and the most of a row."""
        if row < len(self.windows):
            return 1.0, None
        if row < self.stock_at:
            return None, 1.0
        if row < self.spans_at:
            return None, float(self.stock[row - self.stock_at].cap)
        if row == self.forgiven_at:
            return None, float(self.forgiven)
        span = self.spans[row - self.spans_at]
        return (None, float(span.most or 0)) if span.least is None else (float(span.least), None)

    def counts_trips(self, row: int) -> bool:
        """Tell whether a row counts trips, not visits."""
        return len(self.windows) <= row < self.stock_at or row >= self.spans_at

    def weights(self, row: int, indices: NDArray[np.int64], counts: NDArray[np.uint8]) -> NDArray[np.float64]:
        """
        Return what columns weigh in a row.

        Parameters
        ----------
        row : int
            Number of the row.
        indices : numpy.ndarray, shape (n_columns,)
            Day indices.
        counts : numpy.ndarray, shape (n_columns, n_tasks)
            How often each column visits each task.

        Returns
        -------
        numpy.ndarray, shape (n_columns,)
            Weights.
        """
        days = self._day_numbers[indices]
        if row < len(self.windows):
            inside = self.window_days[row, days]
            return np.asarray(counts[:, self.window_site[row]] * inside.astype(np.float64))
        if row < self.stock_at:
            return np.isin(indices, self.cliques[row - len(self.windows)]).astype(np.float64)
        if row < self.spans_at:
            stock = self.stock[row - self.stock_at]
            inside = (days >= stock.first) & (days <= stock.last)
            taken = (
                self.pays[:, days].T
                & (np.array([t.site.pack_type == stock.pack_type for t in self.season.tasks])[None, :])
            )
            return np.where(inside, (counts * taken).sum(axis=1), 0).astype(np.float64)
        if row == self.forgiven_at:
            return np.zeros(len(indices))
        return np.isin(indices, list(self.spans[row - self.spans_at].indices)).astype(np.float64)

    @cached_property
    def _day_numbers(self) -> NDArray[np.int64]:
        return np.array([day.day for day in self.season.days], np.int64)

    def first_windows(self) -> list[int]:
        """Return windows to begin with: for each task a chain of windows that share no day."""
        last: dict[int, int] = {}
        found = []
        order = sorted(range(len(self.windows)), key=lambda r: (self.windows[r].days[-1], r))
        for r in order:
            window = self.windows[r]
            if window.days[0] > last.get(window.site, -1):
                last[window.site] = window.days[-1]
                found.append(r)
        return sorted(found)

    def broken(
        self, visits: NDArray[np.float64], forgiven: NDArray[np.float64], active: set[int]
    ) -> list[int]:
        """
        Return rows that a solution breaks, those broken most first, a few of each site and pack type.

        Parameters
        ----------
        visits : numpy.ndarray, shape (n_tasks, n_days)
            Weight of visits.
        forgiven : numpy.ndarray, shape (n_tasks,)
            How far each site is forgiven.
        active : set of int
            Rows already in it.

        Returns
        -------
        list of int
            Row numbers.
        """
        found: list[int] = []
        if len(self.windows):
            cover = (self.window_days * visits[self.window_site]).sum(axis=1) + forgiven[self.window_site]
            open_rows = np.flatnonzero(cover < 1.0 - _SLACK)
            taken: dict[int, int] = {}
            for r in open_rows[np.argsort(cover[open_rows], kind="stable")]:
                s = int(self.window_site[r])
                if int(r) not in active and taken.get(s, 0) < _MOST_OF_SITE:
                    taken[s] = taken.get(s, 0) + 1
                    found.append(int(r))
        if self.stock:
            used = np.zeros((len(self.types), self.season.n_days + 1))
            np.add.at(used[:, 1:], self.type_of, visits * self.pays)
            total = used.cumsum(axis=1)
            kind, first, last, cap = self._stock_arrays
            over = total[kind, last + 1] - total[kind, first] - cap
            bad = np.flatnonzero(over > _SLACK)
            taken = {}
            for k in bad[np.argsort(-over[bad], kind="stable")]:
                r, name = int(k) + self.stock_at, int(kind[k])
                if r not in active and taken.get(name, 0) < _MOST_OF_TYPE:
                    taken[name] = taken.get(name, 0) + 1
                    found.append(r)
        return found


def crew_cliques(season: Season) -> tuple[tuple[int, ...], ...]:
    """
    Return the sets of crew-dates of which at most one can run.

    Parameters
    ----------
    season : Season
        The problem.

    Returns
    -------
    tuple of tuple of int
        Day indices; each crew-date stands in one set at least.
    """
    found: list[tuple[int, ...]] = []
    for indices in season.days_by_number.values():
        people: dict[str, list[int]] = {}
        for index in indices:
            for person in season.fleet.crews[season.days[index].crew].people:
                people.setdefault(person.strip().casefold(), []).append(index)
        shared = {tuple(sorted(set(group))) for group in people.values() if len(set(group)) > 1}
        found.extend(sorted(shared))
        covered = {index for group in shared for index in group}
        found.extend((index,) for index in indices if index not in covered)
    return tuple(found)


def split_cliques(cliques: Sequence[tuple[int, ...]]) -> list[tuple[int, ...]]:
    """
    Return sets that share no crew-date, at most one of each can run.

    Parameters
    ----------
    cliques : sequence of tuple of int
        As `crew_cliques` returns them.

    Returns
    -------
    list of tuple of int
        Each crew-date stands in exactly one.
    """
    done: set[int] = set()
    found = []
    for clique in sorted(cliques, key=lambda c: (-len(c), c)):
        rest = tuple(i for i in clique if i not in done)
        if rest:
            done.update(rest)
            found.append(rest)
    return found

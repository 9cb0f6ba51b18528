"""Several searches for fewer trips side by side, from different starts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tripplan.plan.few_dates import SomeDates
from tripplan.plan.search import Search
from tripplan.plan.solution import Trips
from tripplan.plan.squeeze import Squeeze
from tripplan.plan.workers import in_order

__all__ = ["Try", "try_for_fewer"]


@dataclass(frozen=True)
class Try:
    """
    What one search begins with.

    Attributes
    ----------
    trips : mapping of int to frozenset of int
        A plan, perhaps with windows left open.
    on : SomeDates or None
        Where given, the trips are in its numbers, and the search keeps to its dates.
    frozen : frozenset of int
        Day indices of trips that stay as they are.
    """

    trips: Trips
    on: SomeDates | None = None
    frozen: frozenset[int] = frozenset()


def try_for_fewer(
    search: Search,
    squeezer: Squeeze,
    tries: Sequence[Try],
    most: int,
    turns: int,
    go_on: Callable[[], bool],
    *,
    every: bool = False,
    near: Callable[[Trips], bool] | None = None,
) -> bool:
    """
    Look for fewer trips from some starts at once; take what the first of them finds that is better.

    What is taken does not depend on how many run at once.

    Parameters
    ----------
    search : Search
        Holds the best plan, and gets a better one.
    squeezer : Squeeze
        The search on all dates.
    tries : sequence of Try
        What to begin with. What a search learned of the shelf is kept, here and for its few dates.
    most : int
        Trips at the most.
    turns : int
        Turns of each try at the most; on few dates more, as these have fewer windows.
    go_on : callable
        False stops.
    every : bool, default False
        As `Squeeze.fewer` has it; on few dates all windows there are filled.
    near : callable, optional
        Gets what each try ended with that led to something or to fewest open windows; tells whether some stay
        open in it.

    Returns
    -------
    bool
        Whether the best plan became better.
    """
    own = [squeezer if one.on is None else one.on.squeezer for one in tries]
    seeds = [int(search.random.integers(1 << 30)) for _ in tries]
    jobs = [(of.apart(), one, seed) for of, one, seed in zip(own, tries, seeds, strict=True)]
    best, ended, partly = search.best, list[bool](), near is not None

    def look(job: tuple[Squeeze, Try, int]) -> dict[int, frozenset[int]] | None:
        squeeze, one, seed = job

        def still() -> bool:
            return not ended and go_on()

        if one.on is None:
            return squeeze.fewer(
                one.trips, most, turns, seed, still, every=every, partly=partly, like=best, frozen=one.frozen
            )
        more = turns * len(search.rows) // max(1, len(squeeze.rows))  # they take about as long
        found = squeeze.fewer(one.trips, most, more, seed, still, every=True, partly=partly)
        return None if found is None else one.on.whole(found)

    results = in_order(look, jobs, on_end=lambda: ended.append(True))
    for of, (squeeze, _, _), found in zip(own, jobs, results, strict=False):
        of.learn_from(squeeze)
        if found is None or (near is not None and near(found)):
            continue
        if not all(search.book.fits(i, visits) for i, visits in found.items()):
            continue
        if search.offer(found, thin=True):
            results.close()
            for index, visits in found.items():
                search.remember(index, visits)
            return True
    return False

"""Several searches for fewer trips side by side, from different starts."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from tripplan.plan.search import Search
from tripplan.plan.solution import Trips
from tripplan.plan.squeeze import Squeeze
from tripplan.plan.workers import in_order

__all__ = ["try_for_fewer"]


def try_for_fewer(
    search: Search,
    squeezer: Squeeze,
    starts: Sequence[Trips],
    most: int,
    turns: int,
    go_on: Callable[[], bool],
    *,
    every: bool = False,
) -> bool:
    """
    Look for fewer trips from some starts at once; take what the first of them finds that is better.

    What is taken does not depend on how many run at once.

    Parameters
    ----------
    search : Search
        Holds the best plan, and gets a better one.
    squeezer : Squeeze
        The search; keeps what the tries learned of the shelf.
    starts : sequence of mapping of int to frozenset of int
        Plans to begin with.
    most : int
        Trips at the most.
    turns : int
        Turns of each try at the most.
    go_on : callable
        False stops.
    every : bool, default False
        As `Squeeze.fewer` has it.

    Returns
    -------
    bool
        Whether the best plan became better.
    """
    jobs = [(squeezer.apart(), start, int(search.random.integers(1 << 30))) for start in starts]
    best, ended = search.best, list[bool]()

    def look(job: tuple[Squeeze, Trips, int]) -> dict[int, frozenset[int]] | None:
        one, start, seed = job
        return one.fewer(start, most, turns, seed, lambda: not ended and go_on(), every=every, like=best)

    results = in_order(look, jobs, on_end=lambda: ended.append(True))
    for (one, _, _), found in zip(jobs, results, strict=False):
        squeezer.learn_from(one)
        if found is None or not all(search.book.fits(i, visits) for i, visits in found.items()):
            continue
        if search.offer(found, thin=True):
            results.close()
            for index, visits in found.items():
                search.remember(index, visits)
            return True
    return False

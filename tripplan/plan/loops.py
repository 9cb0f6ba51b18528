"""
Foot loops: every set of sites of one parking that a crew can carry packs to, in its best order.

A loop's timing is the triple (d, e, l) of `tripplan.plan.kernels`: it lasts ``d`` seconds without
waiting, is over no earlier than ``e``, must leave the vehicle no later than ``l``. The enumeration is
exact: for each set and last site all triples are kept that no other beats in all three.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["FAR", "FootTimes", "LoopSpec", "enumerate_loops", "relaxed_loops"]

FAR = 1 << 29
_KG_SLACK = 1e-9


@dataclass(frozen=True)
class LoopSpec:
    """
    One loop.

    Attributes
    ----------
    sites : tuple of int
        Site indices in visiting order.
    d, e, l : int
        Duration without waiting, earliest end, latest leave, relative to local midnight. [s]
    """

    sites: tuple[int, ...]
    d: int
    e: int
    l: int  # noqa: E741


@dataclass(frozen=True)
class FootTimes:
    """
    Whole seconds on foot at one parking, and of work, for the sites listed.

    Attributes
    ----------
    sites : tuple of int
        Site indices.
    out, back : tuple of int
        From the parking to each site and back. [s]
    between : tuple of tuple of int
        From each site to each other. [s]
    work : tuple of int
        Work at each site. [s]
    weight_kg : tuple of float
        What is carried for each site. [kg]
    spans : tuple of (tuple of (int, int) or None)
        Spans within which work must both begin and end; None where nothing but daylight limits. [s]
    """

    sites: tuple[int, ...]
    out: tuple[int, ...]
    back: tuple[int, ...]
    between: tuple[tuple[int, ...], ...]
    work: tuple[int, ...]
    weight_kg: tuple[float, ...]
    spans: tuple[tuple[tuple[int, int], ...] | None, ...]


def enumerate_loops(foot: FootTimes, carry_kg: float, most_sites: int) -> list[LoopSpec]:
    """
    Return every loop worth walking.

    Parameters
    ----------
    foot : FootTimes
        The parking.
    carry_kg : float
        What the crew carries at the most. [kg]
    most_sites : int
        Longest loop looked at.

    Returns
    -------
    list of LoopSpec
        For each set of sites its triples, none beaten by another of the same set.
    """
    n = len(foot.sites)
    states: dict[tuple[int, int], list[tuple[int, int, int, tuple[int, ...]]]] = {}
    closed: dict[int, list[tuple[int, int, int, tuple[int, ...]]]] = {}
    for j in range(n):
        if foot.weight_kg[j] > carry_kg + _KG_SLACK:
            continue
        for triple in _site_triples(foot, j):
            joined = _join((0, -FAR, FAR), foot.out[j], triple)
            if joined is not None:
                _keep(states.setdefault((1 << j, j), []), (*joined, (j,)))
    layer = sorted(states)
    for _ in range(most_sites):
        grown: dict[tuple[int, int], list[tuple[int, int, int, tuple[int, ...]]]] = {}
        for mask, last in layer:
            weight = sum(foot.weight_kg[j] for j in range(n) if mask >> j & 1)
            for d, e, late, order in states[mask, last]:
                _keep(
                    closed.setdefault(mask, []),
                    (d + foot.back[last], e + foot.back[last], late, order),
                )
                for j in range(n):
                    if mask >> j & 1 or weight + foot.weight_kg[j] > carry_kg + _KG_SLACK:
                        continue
                    for triple in _site_triples(foot, j):
                        joined = _join((d, e, late), foot.between[last][j], triple)
                        if joined is not None:
                            key = (mask | 1 << j, j)
                            _keep(grown.setdefault(key, []), (*joined, (*order, j)))
        if not grown:
            break
        states = grown
        layer = sorted(grown)
    return [
        LoopSpec(tuple(foot.sites[j] for j in order), d, e, late)
        for mask in sorted(closed)
        for d, e, late, order in sorted(closed[mask])
    ]


def relaxed_loops(foot: FootTimes) -> list[LoopSpec]:
    """
    Return one optimistic loop a site: no real loop takes less time for its sites together.

    Used for the lower bound at parkings with too many sites to enumerate. Each site is charged its
    work and the shortest way into it; windows are left out.

    Parameters
    ----------
    foot : FootTimes
        The parking.

    Returns
    -------
    list of LoopSpec
        One for each site.
    """
    n = len(foot.sites)
    return [
        LoopSpec(
            (foot.sites[j],),
            foot.work[j] + min([foot.out[j], *(foot.between[i][j] for i in range(n) if i != j)]),
            -FAR,
            FAR,
        )
        for j in range(n)
    ]


def _site_triples(foot: FootTimes, j: int) -> Sequence[tuple[int, int, int]]:
    work = foot.work[j]
    spans = foot.spans[j]
    if spans is None:
        return ((work, -FAR, FAR),)
    return tuple((work, first + work, last - work) for first, last in spans if first + work <= last)


def _join(before: tuple[int, int, int], gap: int, after: tuple[int, int, int]) -> tuple[int, int, int] | None:
    d0, e0, l0 = before
    d1, e1, l1 = after
    if e0 + gap > l1:
        return None
    return d0 + gap + d1, max(e0 + gap + d1, e1), min(l0, l1 - gap - d0)


def _keep(
    kept: list[tuple[int, int, int, tuple[int, ...]]], new: tuple[int, int, int, tuple[int, ...]]
) -> None:
    d, e, late, order = new
    for other in kept:
        if other[0] <= d and other[1] <= e and other[2] >= late:
            if other[:3] == (d, e, late) and order < other[3]:
                kept[kept.index(other)] = new
            return
    kept[:] = [o for o in kept if not (d <= o[0] and e <= o[1] and late >= o[2])]
    kept.append(new)

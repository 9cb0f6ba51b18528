"""How long to search, in counts, so that a seed gives the same plan on any machine."""

from __future__ import annotations

from dataclasses import dataclass, replace

__all__ = ["Effort"]


@dataclass(frozen=True)
class Effort:
    """
    Counts at which the steps of planning stop.

    Attributes
    ----------
    builds : int
        Plans built from nothing.
    squeezes, more_squeezes, squeeze_turns : int
        Failed tries for one trip fewer at which to stop, before the bound is sought and after, and the
        turns of each for 400 windows; after, they double with each failure up to 16 times as many.
    pricing_rounds : int
        Exact pricing rounds of column generation.
    branches, branch_rounds : int
        Cases into which a season is split that is one trip from proved (a time limit lets it go on until
        then), and pricing rounds of each.
    interval_turns : int
        Times that limits on the trips between two dates are looked for before that.
    dives : int
        Dives into the linear programme.
    cover_nodes, cover_columns : int
        Nodes and trips of each such choice.
    repairs, repair : int, float
        Rounds of destroy and repair for fewer trips, and the deterministic time of each.
    late_builds : int
        Plans built anew where some site is late.
    time_repairs : int
        Rounds of destroy and repair for less crew time.
    polish_passes : int
        Passes of small moves.
    time_nodes : int
        Nodes of each choice of trips for less crew time.
    time_rounds, time_work : int
        Rounds of pricing for the bound on crew time, and the work (labels compared, and two for each made) at
        which they stop.
    """

    builds: int = 2
    squeezes: int = 2
    more_squeezes: int = 10
    squeeze_turns: int = 4000
    pricing_rounds: int = 24
    branches: int = 80
    branch_rounds: int = 8
    interval_turns: int = 3
    dives: int = 1
    cover_nodes: int = 4
    cover_columns: int = 3000
    repairs: int = 3
    repair: float = 1.0
    late_builds: int = 30
    time_repairs: int = 3
    polish_passes: int = 2
    time_nodes: int = 30
    time_rounds: int = 20
    time_work: int = 200_000_000

    def short(self) -> Effort:
        """Return the effort for side questions."""
        return replace(
            self,
            builds=1,
            squeezes=1,
            more_squeezes=0,
            squeeze_turns=self.squeeze_turns // 4,
            branches=0,
            interval_turns=0,
            dives=0,
            pricing_rounds=max(1, self.pricing_rounds // 4),
            cover_nodes=0,
            repairs=0,
            late_builds=0,
            time_repairs=0,
            polish_passes=0,
            time_nodes=0,
            time_rounds=0,
        )

"""The season's page: one file, no script, for phone and desktop."""

from __future__ import annotations

from tripplan.outputs.handover_page import render_sheet
from tripplan.outputs.season_view import SeasonView
from tripplan.outputs.wording import Wording

__all__ = ["render_season"]


def render_season(view: SeasonView, wording: Wording) -> str:
    """
    Return the season as one self-contained HTML page.

    Parameters
    ----------
    view : SeasonView
        What it shows.
    wording : Wording
        Language and units.

    Returns
    -------
    str
        The page.

    Raises
    ------
    OutsideRequestError
        If the page would ask any host for anything.
    """
    return render_sheet("season.html.j2", wording, season=view)

"""The season's page: one file, no script, for phone and desktop."""

from __future__ import annotations

from markupsafe import Markup

from tripplan.outputs.handover_page import sheet_parts
from tripplan.outputs.pages import page_environment, require_self_contained, script_policy
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
    text = (
        page_environment(wording)
        .get_template("season.html.j2")
        .render(
            season=view,
            policy=script_policy([]),
            styles=Markup("".join(sheet_parts())),  # noqa: S704 - our own files
        )
    )
    require_self_contained(text)
    return text

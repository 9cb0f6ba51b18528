"""The page of a handover: no script, one file, for phone, screen and paper."""

from __future__ import annotations

from markupsafe import Markup

from tripplan.outputs.handover_model import Handover
from tripplan.outputs.pages import asset, page_environment, require_self_contained, script_policy
from tripplan.outputs.wording import Wording

__all__ = ["render_handover", "sheet_parts"]


def render_handover(handover: Handover, wording: Wording) -> str:
    """
    Return a handover as one self-contained HTML page.

    Parameters
    ----------
    handover : Handover
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
        .get_template("handover.html.j2")
        .render(
            hand=handover,
            policy=script_policy([]),
            styles=Markup("".join(sheet_parts())),  # noqa: S704 - our own files
        )
    )
    require_self_contained(text)
    return text


def sheet_parts() -> tuple[str, ...]:
    """Return the styles of a handover and of a season's page, as they stand in them."""
    return (asset("marks.css"), asset("sheet.css"))

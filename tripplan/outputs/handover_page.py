"""The page of a handover: no script, one file, for phone, screen and paper."""

from __future__ import annotations

from markupsafe import Markup

from tripplan.outputs.handover_model import Handover
from tripplan.outputs.pages import asset, page_environment, require_self_contained, script_policy
from tripplan.outputs.wording import Wording

__all__ = ["render_handover", "render_sheet", "sheet_parts"]


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
    return render_sheet("handover.html.j2", wording, hand=handover)


def render_sheet(template: str, wording: Wording, **shown: object) -> str:
    """
    Return a page that runs no script, in the styles of a handover.

    Parameters
    ----------
    template : str
        File of the template.
    wording : Wording
        Language and units.
    **shown : object
        What the template shows, by the name it has there.

    Returns
    -------
    str
        The page.

    Raises
    ------
    OutsideRequestError
        If the page would ask any host for anything.
    """
    styles = Markup("".join(sheet_parts()))  # noqa: S704 - our own files
    page = page_environment(wording).get_template(template)
    text = page.render(policy=script_policy([]), styles=styles, **shown)
    require_self_contained(text)
    return text


def sheet_parts() -> tuple[str, ...]:
    """Return the styles of a handover and of a season's page, as they stand in them."""
    return (asset("marks.css"), asset("sheet.css"))

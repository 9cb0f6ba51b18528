"""The picture of a forecast: each site's charge over the coming months, in one page that asks no host."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from tripplan.fleet import Fleet
from tripplan.forecast.outlook import Outlook, SiteForecast
from tripplan.forecast.weather import climate_of, daily_means
from tripplan.forecast.words import risk_text, runs_text, track_record, when_flat
from tripplan.outputs.pages import require_self_contained
from tripplan.outputs.plain_text import clean

__all__ = ["render_forecast_page"]

_WIDTH, _HEIGHT, _LEFT, _TOP, _PLOT = 400, 150, 42, 8, 106
#: Days with a mean below this are marked as deep cold. [deg C]
_DEEP_COLD_C = -10.0
#: A page with more pictures than this is too heavy for a phone.
_MOST_PICTURES = 300

_STYLE = """
:root{--ink:#111;--paper:#fff;--soft:#333;--line:#bbb;--grid:#ccc;--band:#b9cfe4;--edge:#46698c;--likely:#123}
:root{--cold:#e4e4e4;--mark:#a02000}
@media (prefers-color-scheme:dark){
:root{--ink:#eee;--paper:#14171a;--soft:#c4c8cc;--line:#555;--grid:#3a3f44;--band:#2f4a63;--edge:#7fa3c6}
:root{--likely:#fff;--cold:#2a2e33;--mark:#ff9d7a}}
body{font:16px/1.45 system-ui,sans-serif;margin:1rem auto;max-width:68rem;padding:0 1rem}
body{color:var(--ink);background:var(--paper)}
h1{font-size:1.4rem} h2{font-size:1.05rem;margin:1.6rem 0 .2rem} p{margin:.2rem 0}
main{display:grid;grid-template-columns:repeat(auto-fit,minmax(20rem,1fr));gap:0 2rem}
svg{width:100%;height:auto;display:block} table{border-collapse:collapse;width:100%;font-size:.92rem}
th,td{text-align:left;padding:.25rem .5rem;border-bottom:1px solid var(--line);vertical-align:top}
.late{font-weight:700} .small{font-size:.88rem;color:var(--soft)}
.band{fill:var(--band);stroke:var(--edge);stroke-width:.6}
.likely{fill:none;stroke:var(--likely);stroke-width:2}
.axis{stroke:var(--line);stroke-width:1} .grid{stroke:var(--grid);stroke-width:.7} .cold{fill:var(--cold)}
.swap{stroke:var(--mark);stroke-width:2;stroke-dasharray:5 3} .mark{fill:var(--mark);font-weight:700}
.span{stroke:var(--likely);stroke-width:3} text{font:12px system-ui,sans-serif;fill:var(--ink)}
@media (max-width:44rem){thead{display:none}
tr{display:block;border-bottom:1px solid var(--line);padding:.4rem 0}
td{display:block;border:0;padding:.05rem 0} td[data-is]::before{content:attr(data-is) ": ";color:var(--soft)}
td:first-child{font-weight:700}}
@media print{body{max-width:none;font-size:12px} section{break-inside:avoid}}
"""


def render_forecast_page(fleet: Fleet, outlook: Outlook) -> str:
    """
    Return the forecast as one self-contained HTML page.

    Parameters
    ----------
    fleet : Fleet
        The fleet.
    outlook : Outlook
        Its forecast.

    Returns
    -------
    str
        A table and one picture a site, soonest swap-by date first; no script, no request to any host.

    Raises
    ------
    OutsideRequestError
        If the page would ask a host for anything.
    """
    order = sorted(outlook.sites.values(), key=lambda one: (one.swap_by, one.flat_likely, one.site_id))
    cold = _deep_cold(fleet, outlook)
    sections = Markup("\n").join(_section(fleet, outlook, one, cold) for one in order[:_MOST_PICTURES])
    if len(order) > _MOST_PICTURES:
        sections += Markup("<p>Pictures of the first {} of {} sites only.</p>").format(
            _MOST_PICTURES, len(order)
        )
    notes = Markup("").join(Markup("<p class='small'>{}</p>").format(clean(note)) for note in outlook.notes)
    legend = (
        "Band: charge left from the early to the late case (nine in ten between). Line: the likely case. "
        "Dashed line with an arrow: swap by. Bar below: flat date, early to late."
    )
    if cold:
        legend += f" Grey: the day's mean is usually below {_DEEP_COLD_C:g} C."
    page = Markup(
        "<!DOCTYPE html>\n<html lang='en'><head><meta charset='utf-8'>"
        "<meta http-equiv='Content-Security-Policy' "
        "content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        "<meta name='viewport' content='width=device-width, initial-scale=1'>"
        "<meta name='referrer' content='no-referrer'><title>{title}</title><style>{style}</style></head>\n"
        "<body><h1>{title}</h1><p>{risk}</p><p>{record}</p><p class='small'>{legend}</p>{notes}\n"
        "{table}\n<main>{sections}</main>\n</body></html>\n"
    ).format(
        title=f"{clean(fleet.name)}: flat dates as of {_day(outlook.on)}",
        style=Markup(_STYLE),  # noqa: S704 - our own text
        risk=risk_text(outlook),
        record=track_record(outlook),
        legend=legend,
        notes=notes,
        table=_table(fleet, outlook, order),
        sections=sections,
    )
    require_self_contained(page)
    return str(page)


def _day(day: date) -> str:
    return f"{day.day} {day:%b %Y}"


def _table(fleet: Fleet, outlook: Outlook, order: Sequence[SiteForecast]) -> Markup:
    rows = Markup("").join(
        Markup(
            "<tr><td class='{late}' data-is='Swap by'>{swap_by}{past}</td><td>{site}</td>"
            "<td data-is='Flat, early'>{early}</td><td data-is='Likely'>{likely}</td>"
            "<td data-is='Late'>{latest}</td><td data-is='Rests on'>{basis}</td></tr>"
        ).format(
            late="late" if one.swap_by < outlook.on else "",
            swap_by=_day(one.swap_by),
            past=" (past)" if one.swap_by < outlook.on else "",
            site=clean(fleet.sites_by_id[one.site_id].label),
            early=_day(one.flat_early),
            likely=when_flat(one),
            latest=_day(one.flat_late),
            basis=f"{one.basis}: {clean(one.because)}" if one.because else str(one.basis),
        )
        for one in order
    )
    return Markup(
        "<table><thead><tr><th>Swap by</th><th>Site</th><th>Flat: early</th><th>Likely</th><th>Late</th>"
        "<th>Rests on</th></tr></thead><tbody>{}</tbody></table>"
    ).format(rows)


def _section(fleet: Fleet, outlook: Outlook, one: SiteForecast, cold: Sequence[tuple[int, int]]) -> Markup:
    lines = [text for text in (runs_text(one.last_runs), *one.flags) if text]
    own = (
        f"{one.own_share:.0%} of what is known of its draw comes from its own runs, the rest from the fleet."
    )
    lines += [own] if one.own_share > 0 else []
    if not one.charge_likely:
        lines.append("Nothing is known of its charge: the line is the chance that the site still runs.")
    said = Markup("").join(Markup("<p class='small'>{}</p>").format(clean(text)) for text in lines)
    return Markup("<section><h2>{}</h2><p>Swap by {}; likely flat {}.</p>{}{}</section>").format(
        clean(fleet.sites_by_id[one.site_id].label),
        _day(one.swap_by),
        when_flat(one),
        said,
        _picture(outlook, one, cold),
    )


def _picture(outlook: Outlook, one: SiteForecast, cold: Sequence[tuple[int, int]]) -> Markup:
    n_days = max(1, (outlook.to - outlook.on).days)

    def x(day: float) -> float:
        return round(_LEFT + (_WIDTH - _LEFT - 8) * min(max(day / n_days, 0.0), 1.0), 1)

    def y(share: float) -> float:
        return round(_TOP + _PLOT * (1.0 - share), 1)

    parts = [
        f"<rect class='cold' x='{x(a)}' y='{_TOP}' width='{round(x(b) - x(a), 1)}' height='{_PLOT}'/>"
        for a, b in cold
    ]
    for share in (0.0, 0.5, 1.0):
        parts.append(f"<line class='grid' x1='{_LEFT}' x2='{_WIDTH - 8}' y1='{y(share)}' y2='{y(share)}'/>")
        parts.append(f"<text x='4' y='{y(share) + 4}'>{share:.0%}</text>")
    for day in _month_starts(outlook):
        at = x((day - outlook.on).days)
        parts.append(f"<line class='grid' x1='{at}' x2='{at}' y1='{_TOP}' y2='{_TOP + _PLOT}'/>")
        parts.append(f"<text x='{at + 2}' y='{_TOP + _PLOT + 13}'>{day:%b}</text>")
    low, likely, high = _courses(outlook, one)
    if len(likely):
        step = n_days / max(1, len(likely) - 1)
        upper = " ".join(f"{x(k * step)},{y(share)}" for k, share in enumerate(high))
        lower = " ".join(f"{x(k * step)},{y(share)}" for k, share in reversed(list(enumerate(low))))
        parts.append(f"<polygon class='band' points='{upper} {lower}'/>")
        line = " ".join(f"{x(k * step)},{y(share)}" for k, share in enumerate(likely))
        parts.append(f"<polyline class='likely' points='{line}'/>")
    early, late = (one.flat_early - outlook.on).days, (one.flat_late - outlook.on).days
    bar = _TOP + _PLOT + 20
    parts.append(
        f"<line class='span' x1='{x(early)}' x2='{max(x(late), x(early) + 2)}' y1='{bar}' y2='{bar}'/>"
    )
    swap = x((one.swap_by - outlook.on).days)
    parts.append(f"<line class='swap' x1='{swap}' x2='{swap}' y1='{_TOP}' y2='{bar}'/>")
    anchor = "end" if swap > _WIDTH * 0.55 else "start"
    beside = swap - 5 if anchor == "end" else swap + 5
    outside = " (later)" if one.swap_by > outlook.to else ""
    parts.append(
        f"<text class='mark' x='{beside}' y='{_TOP + 12}' text-anchor='{anchor}'>"
        f"&#8595; swap by {escape(_day(one.swap_by))}{outside}</text>"
    )
    what = f"Charge left of {one.site_id}, from {_day(outlook.on)} to {_day(outlook.to)}"
    return Markup("<svg viewBox='0 0 {} {}' role='img' aria-label='{}'>{}</svg>").format(
        _WIDTH,
        _HEIGHT,
        clean(what),
        Markup("".join(parts)),  # noqa: S704 - numbers and our own words
    )


def _courses(outlook: Outlook, one: SiteForecast) -> tuple[Sequence[float], Sequence[float], Sequence[float]]:
    """Return the charge in the early, likely and late case; without a model, the chance of running."""
    if one.charge_likely:
        return one.charge_early, one.charge_likely, one.charge_late
    dark = outlook.dark_chance_in_place.get(one.site_id)
    if dark is None:
        return (), (), ()
    running: NDArray[np.float64] = 1.0 - dark
    return [0.0] * len(running), running.tolist(), running.tolist()


def _month_starts(outlook: Outlook) -> list[date]:
    days = (outlook.on + timedelta(days=k) for k in range((outlook.to - outlook.on).days + 1))
    return [day for day in days if day.day == 1]


def _deep_cold(fleet: Fleet, outlook: Outlook) -> list[tuple[int, int]]:
    """Return spans of days whose usual mean lies in deep cold."""
    climate = climate_of(fleet)
    if climate is None:
        return []
    n_days = (outlook.to - outlook.on).days + 1
    is_cold = daily_means(climate.mean_c, outlook.on, n_days) < _DEEP_COLD_C
    edges = np.flatnonzero(np.diff(np.concatenate([[False], is_cold, [False]]).astype(np.int64)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]

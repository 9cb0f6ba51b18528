"""The season at a glance: which site is visited when, and how long each could wait; one page, no script."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from markupsafe import Markup, escape

from tripplan.fleet import Fleet, Site
from tripplan.forecast.outlook import Outlook
from tripplan.outputs.pages import require_self_contained
from tripplan.outputs.plain_text import clean
from tripplan.plan.document import Plan, Trip, Visit, VisitKind
from tripplan.travel import idle_spans, open_spans
from tripplan.units import so_many

__all__ = ["render_calendar_page"]

_LEAST_CLOSED_DAYS = 5
"""Shorter closures (the weekdays of a gate) would only blur the picture. [day]"""

_LANE = 20
"""Height of one lane of trip numbers. [px]"""

_LEAST_GAP = 0.055
"""Numbers nearer than this share of the width would hide each other on a telephone."""

_STYLE = """
:root{color-scheme:light dark;--ink:#111;--paper:#fff;--faint:#c9c9c9;--soft:#555;--bar:#cfdfee;
--bar-edge:#2f5878;--late:#8a1c00}
@media (prefers-color-scheme:dark){:root{--ink:#eee;--paper:#161616;--faint:#4a4a4a;--soft:#b5b5b5;
--bar:#28435a;--bar-edge:#9cc4e4;--late:#ff9d80}}
*{box-sizing:border-box}
body{font:16px/1.45 system-ui,sans-serif;margin:0 auto;max-width:80rem;padding:.8rem;
color:var(--ink);background:var(--paper)}
h1{font-size:1.35rem;margin:.2rem 0} h2{font-size:1.1rem;margin:1.4rem 0 .3rem} p{margin:.25rem 0}
.small{font-size:.88rem;color:var(--soft)} .strong{font-weight:700}
.row{display:grid;grid-template-columns:11rem 1fr;align-items:center;border-top:1px solid var(--faint)}
.row .who{padding:.1rem .5rem .1rem 0;overflow-wrap:anywhere;font-size:.92rem}
.axis{position:sticky;top:0;background:var(--paper);z-index:1;border-top:0}
svg{display:block;width:100%;overflow:visible} svg text{font:11px system-ui,sans-serif;fill:var(--ink)}
.grid{stroke:var(--faint);stroke-width:1}
.bar{fill:var(--bar);stroke:var(--bar-edge);stroke-width:1.2}
.wait{stroke:var(--ink);stroke-width:1.5;stroke-dasharray:2 2} .end{stroke:var(--ink);stroke-width:2}
.dot{fill:var(--ink)} svg .num{fill:var(--paper);font-weight:700;text-anchor:middle}
.late{stroke:var(--late);stroke-width:2} #hatch path{stroke:var(--late);stroke-width:2}
#hatch-soft path{stroke:var(--soft);stroke-width:1} #dots circle{fill:var(--soft)}
.legend{display:flex;flex-wrap:wrap;gap:.2rem 1.2rem;margin:.4rem 0 .6rem}
.legend span{display:inline-flex;align-items:center;gap:.4rem;font-size:.88rem}
.legend svg{width:3.2rem;height:22px;flex:none}
table{border-collapse:collapse;width:100%;font-size:.92rem}
th,td{text-align:left;padding:.3rem .5rem;border-bottom:1px solid var(--faint);vertical-align:top}
th{white-space:nowrap}
@media (max-width:40rem){.row{grid-template-columns:1fr}.row .who{padding:.25rem 0 0}
.axis .who{display:none}
table,tbody,tr,td{display:block}thead{display:none}
tr{border-bottom:1px solid var(--faint);padding:.35rem 0}td{border:0;padding:.05rem 0}
td:first-child{font-weight:700}}
@media print{:root{color-scheme:light;--ink:#000;--paper:#fff;--faint:#bbb;--soft:#333;--bar:#e4e4e4;
--bar-edge:#000;--late:#000}body{max-width:none;font-size:11px;padding:0}.axis{position:static}
.row,tr{break-inside:avoid}*{print-color-adjust:exact;-webkit-print-color-adjust:exact}}
"""

_PATTERNS = (
    "<svg width='0' height='0' style='position:absolute' aria-hidden='true'><defs>"
    "<pattern id='hatch' width='6' height='6' patternUnits='userSpaceOnUse'>"
    "<path d='M0 6L6 0M-1 1L1 -1M5 7L7 5'/></pattern>"
    "<pattern id='hatch-soft' width='5' height='5' patternUnits='userSpaceOnUse'>"
    "<path d='M0 0L5 5M-1 4L1 6M4 -1L6 1'/></pattern>"
    "<pattern id='dots' width='5' height='5' patternUnits='userSpaceOnUse'>"
    "<circle cx='2.5' cy='2.5' r='.9'/></pattern></defs></svg>"
)


@dataclass(frozen=True)
class _Pack:
    """
    A pack at a site from `begin` to `end`; `trip` is the trip's number then, 0 at the season's end.

    Where the device stands at home there is none, and `stands` is false.
    """

    begin: date
    end: date
    swap_by: date
    trip: int
    kind: VisitKind = VisitKind.SWAP
    stands: bool = True


@dataclass(frozen=True)
class _Scale:
    """Dates as shares of the picture's width."""

    first: date
    days: int

    def at(self, day: date) -> str:
        """Return where a date stands, as a percentage, cut to the season."""
        share = min(max((day - self.first).days, 0), self.days) / self.days
        return f"{100 * share:.2f}%"

    def wide(self, begin: date, end: date) -> str:
        """Return the width of a span, as a percentage."""
        low, high = (min(max((day - self.first).days, 0), self.days) for day in (begin, end))
        return f"{max(0.0, 100 * (high - low) / self.days):.2f}%"


def render_calendar_page(fleet: Fleet, outlook: Outlook, plan: Plan, proof: str = "") -> str:
    """
    Return the season's calendar as one self-contained HTML page.

    Parameters
    ----------
    fleet : Fleet
        The fleet.
    outlook : Outlook
        The forecast that the plan rests on.
    plan : Plan
        A checked plan.
    proof : str, optional
        What was proved about the number of trips, in one line.

    Returns
    -------
    str
        A strip for each site, soonest first, and a table of trips; no script, no request to any host.

    Raises
    ------
    OutsideRequestError
        If the page would ask a host for anything.
    """
    scale = _Scale(plan.first, max(1, (plan.to - plan.first).days))
    numbers = {trip.trip_id: number for number, trip in enumerate(plan.trips, 1)}
    packs = {
        site.site_id: _packs(plan, outlook, site, numbers, fleet.plan.take_in_days) for site in fleet.sites
    }
    due = [site for site in fleet.sites if _is_shown(packs[site.site_id], plan)]
    due.sort(key=lambda site: (packs[site.site_id][0].swap_by, site.site_id))
    rest = [site.site_id for site in fleet.sites if site not in due]
    page = Markup(
        "<!DOCTYPE html>\n<html lang='en'><head><meta charset='utf-8'>"
        "<meta http-equiv='Content-Security-Policy' "
        "content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        "<meta name='viewport' content='width=device-width, initial-scale=1'>"
        "<meta name='referrer' content='no-referrer'><title>{title}</title><style>{style}</style></head>\n"
        "<body>{patterns}<h1>{title}</h1>{proof}{wishes}{legend}\n"
        "<main>{axis}\n{rows}\n{rest}{trips}{notes}</main></body></html>\n"
    ).format(
        title=f"{clean(fleet.name)}: {_day(plan.first)} to {_day(plan.to)}",
        style=Markup(_STYLE),  # noqa: S704 - our own text
        patterns=Markup(_PATTERNS),  # noqa: S704 - our own text
        proof=Markup("<p class='strong'>{}</p>").format(clean(proof)) if proof else "",
        wishes=_paragraphs(f"As asked: {wish}." for wish in plan.wishes),
        legend=_legend(plan),
        axis=_axis(fleet, plan, scale, numbers),
        rows=Markup("\n").join(_row(fleet, plan, site, packs[site.site_id], scale) for site in due),
        rest=_paragraphs([f"Nothing due this season: {', '.join(rest)}."] if rest else []),
        trips=_trip_table(fleet, plan, numbers),
        notes=_paragraphs(plan.notes),
    )
    require_self_contained(page)
    return str(page)


def _packs(
    plan: Plan, outlook: Outlook, site: Site, numbers: Mapping[str, int], fetch_days: int
) -> list[_Pack]:
    """Follow a site through the season: the pack in place, then each put in."""
    now = outlook.sites[site.site_id]
    begin, swap_by, stands = plan.first, now.swap_by, not now.at_home
    found = []
    for trip, visit in _visits(plan, site.site_id):
        by = visit.swap_by
        if visit.kind is VisitKind.TAKE_IN:
            by = max(trip.date, by) if site.active_to is None else site.active_to + timedelta(days=fetch_days)
        found.append(_Pack(begin, trip.date, by, numbers[trip.trip_id], visit.kind, stands))
        begin, stands = trip.date, True
        if visit.swap:
            swap_by = visit.next_swap_by
        if visit.kind is VisitKind.TAKE_IN:
            return found
    end = plan.to if site.active_to is None else max(begin, min(plan.to, site.active_to))
    found.append(_Pack(begin, end, swap_by, 0, stands=stands))
    return found


def _visits(plan: Plan, site_id: str) -> Iterator[tuple[Trip, Visit]]:
    for trip in plan.trips:
        for visit in trip.visits:
            if visit.site_id == site_id:
                yield trip, visit


def _is_shown(packs: Sequence[_Pack], plan: Plan) -> bool:
    return len(packs) > 1 or packs[0].trip > 0 or packs[0].swap_by < plan.to


def _paragraphs(texts: Iterator[str] | Sequence[str]) -> Markup:
    return Markup("").join(Markup("<p class='small'>{}</p>").format(clean(text)) for text in texts)


def _legend(plan: Plan) -> Markup:
    samples = (
        ("<rect class='bar' x='0' y='9' width='100%' height='9'/>", "a pack in use"),
        (_dot("50%", 11, 3), "swapped on trip 3"),
        (_dot("50%", 11, 3, VisitKind.CALL), "called at without a swap"),
        *(
            (_dot("50%", 11, 3, kind), f"device {_VERBS[kind]}")
            for kind in (VisitKind.SET_OUT, VisitKind.TAKE_IN)
            if any(visit.kind is kind for trip in plan.trips for visit in trip.visits)
        ),
        (_wait("0", "80%"), "could wait until here (swap by)"),
        ("<rect class='late' fill='url(#hatch)' x='0' y='7' width='100%' height='13'/>", "late"),
        ("<rect class='shut' fill='url(#dots)' x='0' y='0' width='100%' height='22'/>", "site closed"),
        ("<rect class='home' fill='url(#hatch-soft)' x='0' y='0' width='100%' height='22'/>", "nobody goes"),
    )
    return Markup("<div class='legend'>{}</div>").format(
        Markup("").join(
            Markup("<span><svg aria-hidden='true'>{}</svg>{}</span>").format(
                Markup(picture),  # noqa: S704 - our own text
                text,
            )
            for picture, text in samples
        )
    )


def _axis(fleet: Fleet, plan: Plan, scale: _Scale, numbers: Mapping[str, int]) -> Markup:
    lanes = _lanes([(trip.date - plan.first).days / scale.days for trip in plan.trips])
    height = 48 + _LANE * max(lanes, default=0)
    parts = [
        f"<rect class='home' fill='url(#hatch-soft)' x='{scale.at(a)}' y='18' width='{scale.wide(a, b)}' "
        f"height='{height - 18}'/>"
        for a, b in _nobody_goes(fleet, plan)
    ]
    for day in _month_starts(plan):
        x = scale.at(day)
        parts.append(f"<line class='grid' x1='{x}' x2='{x}' y1='0' y2='{height}'/>")
        if (plan.to - day).days > scale.days / 30:
            parts.append(f"<text x='{x}' dx='3' y='12'>{day:%b}</text>")
    parts += [
        _dot(scale.at(trip.date), 33 + _LANE * lane, numbers[trip.trip_id])
        for trip, lane in zip(plan.trips, lanes, strict=True)
    ]
    said = "; ".join(f"trip {numbers[t.trip_id]} on {_day(t.date)} by {t.crew}" for t in plan.trips)
    return Markup(
        "<div class='row axis'><div class='who strong'>Trips</div>"
        "<svg height='{}' role='img' aria-label='{}'>{}</svg></div>"
    ).format(height, clean(f"Trips: {said or 'none'}"), Markup("".join(parts)))  # noqa: S704 - numbers


def _lanes(shares: Sequence[float]) -> list[int]:
    """Put each mark into the first lane in which it does not hide the one before it."""
    ends: list[float] = []
    found = []
    for share in shares:
        lane = next((k for k, end in enumerate(ends) if share - end >= _LEAST_GAP), len(ends))
        if lane == len(ends):
            ends.append(share)
        ends[lane] = share
        found.append(lane)
    return found


def _row(fleet: Fleet, plan: Plan, site: Site, packs: Sequence[_Pack], scale: _Scale) -> Markup:
    parts = [
        f"<rect class='shut' fill='url(#dots)' x='{scale.at(a)}' y='0' width='{scale.wide(a, b)}' "
        "height='30'/>"
        for a, b in _closed(fleet, site, plan)
    ]
    parts += [
        f"<line class='grid' x1='{scale.at(day)}' x2='{scale.at(day)}' y1='0' y2='30'/>"
        for day in _month_starts(plan)
    ]
    said = []
    for pack in packs:
        if pack.stands:
            parts.append(
                f"<rect class='bar' x='{scale.at(pack.begin)}' y='13' "
                f"width='{scale.wide(pack.begin, pack.end)}' height='9'/>"
            )
        if pack.end > pack.swap_by:
            begin = max(pack.begin, pack.swap_by)
            parts.append(
                f"<rect class='late' fill='url(#hatch)' x='{scale.at(begin)}' y='11' "
                f"width='{scale.wide(begin, pack.end)}' height='13'/>"
            )
        elif pack.trip:
            parts.append(_wait(scale.at(pack.end), scale.at(pack.swap_by), ends=pack.swap_by <= plan.to))
        said.append(_said(pack, plan))
    parts += [_dot(scale.at(pack.end), 17, pack.trip, pack.kind) for pack in packs if pack.trip]
    late = any(one.site_id == site.site_id for one in plan.unserved)
    return Markup(
        "<div class='row'><div class='who'>{}{}</div>"
        "<svg height='30' role='img' aria-label='{}'>{}</svg></div>"
    ).format(
        clean(site.label),
        Markup(" <b>late</b>") if late else "",
        clean(f"{site.site_id}: {'; '.join(said)}"),
        Markup("".join(parts)),  # noqa: S704 - numbers
    )


def _said(pack: _Pack, plan: Plan) -> str:
    if not pack.trip:
        if not pack.stands:
            return f"device at home, to be set out by {_day(pack.swap_by)}, without a visit"
        if pack.end < plan.to and pack.swap_by >= pack.end:
            return f"then in service until {_day(pack.end)} only"
        if pack.swap_by >= plan.to:
            return f"then good until {_day(pack.swap_by)}"
        return f"then due by {_day(pack.swap_by)} without a visit"
    verb = _VERBS[pack.kind]
    late = (pack.end - pack.swap_by).days
    rest = f"{late} days late" if late > 0 else f"could wait until {_day(pack.swap_by)}"
    return f"{verb} on {_day(pack.end)}, trip {pack.trip}, {rest}"


def _wait(begin: str, end: str, *, ends: bool = True) -> str:
    stop = f"<line class='end' x1='{end}' x2='{end}' y1='0' y2='9'/>" if ends else ""
    return f"<line class='wait' x1='{begin}' x2='{end}' y1='4' y2='4'/>{stop}"


_VERBS = {
    VisitKind.SWAP: "swapped",
    VisitKind.CALL: "called at",
    VisitKind.SET_OUT: "set out",
    VisitKind.TAKE_IN: "taken in",
}
_SHAPES = {
    VisitKind.CALL: "<rect class='dot' x='-8.5' y='.5' width='17' height='17'/>",
    VisitKind.SET_OUT: "<path class='dot' d='M0 -5L13 17H-13Z'/>",
    VisitKind.TAKE_IN: "<path class='dot' d='M0 23L13 1H-13Z'/>",
}


def _dot(x: str, y: int, number: int, kind: VisitKind = VisitKind.SWAP) -> str:
    shape = (
        f"<svg x='{x}' y='{y - 9}' width='1' height='1'>{_SHAPES[kind]}</svg>"
        if kind in _SHAPES
        else f"<circle class='dot' cx='{x}' cy='{y}' r='9'/>"
    )
    return f"{shape}<text class='num' x='{x}' y='{y + 4}'>{number}</text>"


def _nobody_goes(fleet: Fleet, plan: Plan) -> list[tuple[date, date]]:
    """Return spans of at least a week in which no crew goes at all, each with the day after it."""
    return [(a, b + timedelta(days=1)) for a, b in idle_spans(fleet, plan.first, plan.to)]


def _closed(fleet: Fleet, site: Site, plan: Plan) -> list[tuple[date, date]]:
    """Return spans of days on which no crew may enter a site."""
    if not site.access:
        return []
    found: list[tuple[date, date]] = []
    begin: date | None = None
    for k in range((plan.to - plan.first).days + 2):
        day = plan.first + timedelta(days=k)
        shut = day <= plan.to and not any(open_spans(fleet, site, crew.name, day) for crew in fleet.crews)
        if shut and begin is None:
            begin = day
        elif not shut and begin is not None:
            if (day - begin).days >= _LEAST_CLOSED_DAYS:
                found.append((begin, day))
            begin = None
    return found


def _month_starts(plan: Plan) -> list[date]:
    days = (plan.first + timedelta(days=k) for k in range((plan.to - plan.first).days + 1))
    return [day for day in days if day.day == 1]


def _trip_table(fleet: Fleet, plan: Plan, numbers: Mapping[str, int]) -> Markup:
    if not plan.trips:
        return Markup("")
    rows = Markup("").join(
        Markup("<tr><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>").format(
            f"{numbers[trip.trip_id]}: {_day(trip.date)}",
            clean(trip.crew),
            f"{_clock(trip.leave)} to {_clock_up(trip.back)}",
            clean(", ".join(so_many(count, name) for name, count in trip.packs.items()) or "no packs"),
            clean(", ".join(_visit_text(fleet, visit) for visit in trip.visits)),
        )
        for trip in plan.trips
    )
    return Markup(
        "<h2>Trips</h2><table><thead><tr><th>Trip</th><th>Crew</th><th>Away</th><th>Packs</th>"
        "<th>Sites in visiting order</th></tr></thead><tbody>{}</tbody></table>"
    ).format(rows)


def _visit_text(fleet: Fleet, visit: Visit) -> str:
    label = fleet.sites_by_id[visit.site_id].label
    return f"{label} ({visit.kind})" if visit.moves_device else label


def _clock(moment: datetime) -> str:
    return f"{moment:%H:%M}"


def _clock_up(moment: datetime) -> str:
    return _clock(moment + timedelta(seconds=(60 - moment.second) % 60))


def _day(day: date) -> str:
    return str(escape(f"{day:%a} {day.day} {day:%b %Y}"))

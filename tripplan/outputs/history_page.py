"""What has been: runs and voltages of every site and every pack over time, in one page without scripts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import takewhile

from markupsafe import Markup

from tripplan.fleet import SHELF, Fleet, Pack
from tripplan.inputs.stays import Ended, Stay, read_stays, stays_by_pack
from tripplan.outputs.pages import require_self_contained
from tripplan.outputs.plain_text import clean

__all__ = ["render_history_page"]

_Naming = Callable[[Stay], str]
_Placing = Callable[[date], float]

_WIDTH, _LEFT, _RIGHT = 360, 30, 6
_MONTH_DAYS, _MONTH_STEPS, _LEAST_APART = 30.4, (1, 2, 3, 6), 34.0
_BAR_TOP, _BAR, _VOLTS_TOP, _VOLTS = 16, 20, 58, 66
_HEIGHT = _VOLTS_TOP + _VOLTS + 18
_LEAST_LABEL = 24
"""A bar narrower than this carries no name. [px]"""

#: How a stay ended: letter beside the bar's end, and what it means. Shape and letter, never colour alone.
_END_LETTERS = {
    Ended.STILL_THERE: "",
    Ended.RUNNING: "",
    Ended.UNTOLD: "?",
    Ended.FLAT: "F",
    Ended.OTHER_FAULT: "D",
    Ended.UNKNOWN_FAULT: "D",
    Ended.REMOVED: "T",
    Ended.MISSING: "M",
}

_STYLE = """
:root{color-scheme:light dark;--ink:#111;--paper:#fff;--rule:#c4c4c4;--soft:#444;--bar:#d6e4f1;--edge:#28557a;
--flat:#f3d3c4;--flat-edge:#8a2a00;--in:#1d6b2f;--out:#7a1b5e}
@media (prefers-color-scheme:dark){:root{--ink:#eee;--paper:#161616;--rule:#484848;--soft:#bbb;--bar:#243c50;
--edge:#9cc4e4;--flat:#4e2617;--flat-edge:#ffa98a;--in:#8fd6a0;--out:#f0a6da}}
*{box-sizing:border-box}
body{font:16px/1.45 system-ui,sans-serif;margin:0 auto;max-width:80rem;padding:.8rem;color:var(--ink);
background:var(--paper)}
h1{font-size:1.35rem;margin:.2rem 0} h2{font-size:1.15rem;margin:1.6rem 0 .4rem} h3{font-size:1rem;margin:0}
p{margin:.2rem 0} .small{font-size:.88rem;color:var(--soft)}
a{color:inherit} nav a{display:inline-block;padding:.4rem .8rem .4rem 0}
.cards{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(21rem,100%),1fr));gap:1rem 1.4rem}
.card{border-top:2px solid var(--ink);padding:.4rem 0;min-width:0;overflow-wrap:anywhere}
svg{width:100%;height:auto;display:block} svg text{font:10px system-ui,sans-serif;fill:var(--ink)}
.rule{stroke:var(--rule);stroke-width:1} .year{stroke:var(--rule);stroke-width:1}
.stay{fill:var(--bar);stroke:var(--edge);stroke-width:1} .flat{fill:var(--flat);stroke:var(--flat-edge)}
.end{font-weight:700} .in{fill:none;stroke:var(--in);stroke-width:1.6}
.out{fill:var(--out)} .read{fill:var(--soft)}
summary{cursor:pointer;padding:.5rem 0;font-size:.92rem}
table{border-collapse:collapse;width:100%;font-size:.88rem}
th,td{text-align:left;padding:.2rem .4rem .2rem 0;border-bottom:1px solid var(--rule);vertical-align:top}
.wide{overflow-x:auto}
@media print{:root{--ink:#000;--paper:#fff;--rule:#bbb;--soft:#222;--bar:#e8e8e8;--edge:#000;--flat:#bbb;
--flat-edge:#000;--in:#000;--out:#000;color-scheme:light}
body{max-width:none;font-size:11px;padding:0}.card{break-inside:avoid}nav{display:none}
.cards{grid-template-columns:1fr 1fr}details:not([open]){display:none}}
"""


@dataclass(frozen=True)
class _Point:
    """A voltage on a day; `kind` is ``in``, ``out`` or ``read``."""

    day: date
    volts: float
    kind: str


def render_history_page(fleet: Fleet, today: date) -> str:
    """
    Return the history of a fleet as one self-contained HTML page.

    Parameters
    ----------
    fleet : Fleet
        With its records.
    today : datetime.date
        Stays that go on are drawn until this day.

    Returns
    -------
    str
        One picture for each site and each pack that has a history; no script, no request to any host.

    Raises
    ------
    OutsideRequestError
        If the page would ask a host for anything.
    """
    stays = read_stays(fleet)
    by_pack = stays_by_pack(stays)
    first = _first_day(fleet, stays, today)
    readings: dict[str, list[_Point]] = {}
    for reading in fleet.readings:
        if reading.volts is not None and reading.source == "pack":
            day = reading.when.astimezone(fleet.zone).date()
            readings.setdefault(reading.site_id, []).append(_Point(day, reading.volts, "read"))
    sites = Markup("\n").join(
        _card(
            clean(fleet.sites_by_id[site_id].label if site_id in fleet.sites_by_id else site_id),
            _site_words(own, today),
            own,
            [*_points(own), *readings.get(site_id, ())],
            (first, today),
            named=lambda stay: stay.pack_id,
        )
        for site_id, own in stays.items()
    )
    packs = {pack.pack_id: pack for pack in fleet.packs or ()}
    order = [*packs, *sorted(name for name in by_pack if name not in packs)]
    cards = Markup("\n").join(
        _card(
            clean(name),
            _pack_words(packs.get(name), by_pack.get(name, ()), today),
            by_pack.get(name, ()),
            _points(by_pack.get(name, ())),
            (first, today),
            named=lambda stay: stay.site_id,
        )
        for name in order
    )
    page = Markup(
        "<!DOCTYPE html>\n<html lang='en'><head><meta charset='utf-8'>"
        "<meta http-equiv='Content-Security-Policy' "
        "content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        "<meta name='viewport' content='width=device-width, initial-scale=1'>"
        "<meta name='referrer' content='no-referrer'><title>{title}</title><style>{style}</style></head>\n"
        "<body><h1>{title}</h1><p>{count}</p><p class='small'>{legend}</p>"
        "<nav><a href='#sites'>Sites</a> <a href='#packs'>Packs</a></nav>\n"
        "<main><h2 id='sites'>Sites</h2><div class='cards'>{sites}</div>\n"
        "<h2 id='packs'>Packs</h2>{no_packs}<div class='cards'>{packs}</div></main></body></html>\n"
    ).format(
        title=f"{clean(fleet.name)}: what has been, as of {_day(today)}",
        style=Markup(_STYLE),  # noqa: S704 - our own text
        count=f"{len(fleet.visits)} visits and {len(fleet.readings)} readings on record, from {_day(first)}.",
        legend=(
            "Bars: a pack at a site, from going in to coming out; a letter at the end tells how it ended: F "
            "found flat, D dark for another cause or an unknown one, M missing, T taken out, ? not told; no "
            "letter: still running. Below, rested volts: open triangle when it went in, filled circle when "
            "it came out, small square a reading."
        ),
        sites=sites,
        no_packs=Markup("") if order else Markup("<p>No pack has been named.</p>"),
        packs=cards,
    )
    require_self_contained(page)
    return str(page)


def _first_day(fleet: Fleet, stays: Mapping[str, Sequence[Stay]], today: date) -> date:
    days = [visit.day for visit in fleet.visits]
    days += [reading.when.astimezone(fleet.zone).date() for reading in fleet.readings]
    days += [stay.start for own in stays.values() for stay in own if stay.start is not None]
    return min([*days, today])


def _day(day: date) -> str:
    return f"{day.day} {day:%b %Y}"


def _points(stays: Iterable[Stay]) -> list[_Point]:
    points = []
    for stay in stays:
        if stay.volts_in is not None and stay.start is not None:
            points.append(_Point(stay.start, stay.volts_in, "in"))
        if stay.volts_out is not None and stay.end is not None:
            points.append(_Point(stay.end, stay.volts_out, "out"))
    return points


def _site_words(stays: Sequence[Stay], today: date) -> str:
    if not stays:
        return "Nothing on record."
    last = stays[-1]
    runs = f"{len(stays)} run{'' if len(stays) == 1 else 's'}"
    if last.end is None:
        pack = f"pack {last.pack_id}" if last.pack_id else "a pack"
        since = f" since {_day(last.start)}, {last.days(today)} days" if last.start else ""
        return f"{runs}; {pack} in place{since}."
    return f"{runs}; none in place since {_day(last.end)} ({last.ended})."


def _pack_words(pack: Pack | None, stays: Sequence[Stay], today: date) -> str:
    days = sum(stay.days(today) or 0 for stay in stays)
    runs = f"{len(stays)} run{'' if len(stays) == 1 else 's'}, {days} days in all"
    if pack is None:
        return f"Not in packs.csv. {runs}."
    place = {"": "whereabouts not known", SHELF: "on the shelf"}.get(pack.where, f"at {pack.where}")
    bought = f", bought {_day(pack.bought)}" if pack.bought else ""
    tested = ""
    if pack.tested_ah is not None:
        when = f" on {_day(pack.tested_on)}" if pack.tested_on else ""
        tested = f"; tested {pack.tested_ah:g} Ah{when}"
    return f"{pack.pack_type}{bought}; {pack.state}, {place}; {runs}{tested}."


def _card(
    title: str,
    words: str,
    stays: Sequence[Stay],
    points: Sequence[_Point],
    span: tuple[date, date],
    *,
    named: _Naming,
) -> Markup:
    picture = _picture(title, stays, points, span, named) if stays or points else Markup("")
    return Markup("<section class='card'><h3>{}</h3><p class='small'>{}</p>{}{}</section>").format(
        title, clean(words), picture, _as_text(stays, span[1], named)
    )


def _as_text(stays: Sequence[Stay], today: date, named: _Naming) -> Markup:
    if not stays:
        return Markup("")
    rows = Markup("").join(
        Markup("<tr><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>").format(
            clean(named(stay)) or "not named",
            f"{_day(stay.start) if stay.start else '?'} to {_day(stay.end) if stay.end else 'today'}",
            "" if stay.days(today) is None else str(stay.days(today)),
            _volts_words(stay),
            str(stay.ended),
        )
        for stay in reversed(stays)
    )
    return Markup(
        "<details><summary>As text ({})</summary><div class='wide' tabindex='0'><table><thead><tr>"
        "<th>What</th><th>When</th><th>Days</th><th>Volts in, out</th><th>End</th></tr></thead>"
        "<tbody>{}</tbody></table></div></details>"
    ).format(len(stays), rows)


def _volts_words(stay: Stay) -> str:
    if stay.volts_in is None and stay.volts_out is None:
        return ""
    return " to ".join("?" if volts is None else f"{volts:g}" for volts in (stay.volts_in, stay.volts_out))


def _picture(
    title: str, stays: Sequence[Stay], points: Sequence[_Point], span: tuple[date, date], named: _Naming
) -> Markup:
    first, today = span
    n_days = max(1, (today - first).days)

    def x(day: date) -> float:
        share = min(max((day - first).days / n_days, 0.0), 1.0)
        return round(_LEFT + (_WIDTH - _LEFT - _RIGHT) * share, 1)

    parts = [_dates(first, today, x)]
    parts += [_bar(stay, x(stay.start or first), x(stay.end or today), clean(named(stay))) for stay in stays]
    if points:
        parts.append(_volts(points, x))
    what = f"Runs and volts of {title} from {_day(first)} to {_day(today)}"
    height = _HEIGHT if points else _VOLTS_TOP
    return Markup("<svg viewBox='0 0 {} {}' role='img' aria-label='{}'>{}</svg>").format(
        _WIDTH, height, what, Markup("").join(parts)
    )


def _dates(first: date, today: date, x: _Placing) -> Markup:
    """Return the dates above a picture: years, with as many months between as find room."""
    later = (date(first.year + (first.month + n) // 12, (first.month + n) % 12 + 1, 1) for n in range(1200))
    months = list(takewhile(lambda day: day <= today, later))
    room = (_WIDTH - _LEFT - _RIGHT) / max(1, (today - first).days) * _MONTH_DAYS
    step = next((step for step in _MONTH_STEPS if step * room >= _LEAST_APART), 12)
    parts = [Markup("<text x='{}' y='11'>{}</text>").format(_LEFT, f"{first:%b %Y}")]
    least, year = _LEFT + 52.0, first.year
    for mark in (day for day in months if (day.month - 1) % step == 0):
        at = x(mark)
        parts.append(
            Markup("<line class='year' x1='{0}' x2='{0}' y1='14' y2='{1}'/>").format(at, _VOLTS_TOP - 18)
        )
        if least <= at <= _WIDTH - 26:
            shown = (
                f"{mark:%Y}" if mark.month == 1 else f"{mark:%b}" if mark.year == year else f"{mark:%b %Y}"
            )
            parts.append(Markup("<text x='{}' y='11'>{}</text>").format(at + 2, shown))
            least, year = at + (32 if len(shown) < 5 else 52), mark.year
    return Markup("").join(parts)


def _bar(stay: Stay, left: float, right: float, name: str) -> Markup:
    width = round(max(right - left, 1.5), 1)
    kind = "stay flat" if stay.ended in (Ended.FLAT, Ended.OTHER_FAULT, Ended.UNKNOWN_FAULT) else "stay"
    bar = Markup("<rect class='{}' x='{}' y='{}' width='{}' height='{}'><title>{}</title></rect>").format(
        kind,
        left,
        _BAR_TOP,
        width,
        _BAR,
        f"{name or 'not named'}, {_day(stay.start) if stay.start else '?'} to "
        f"{_day(stay.end) if stay.end else 'today'}: {stay.ended}",
    )
    letters = int((width - 6) / 6)
    if name and width >= _LEAST_LABEL and letters >= min(len(name), 3):
        shown = name if len(name) <= letters else name[: letters - 1] + "\u2026"
        bar += Markup("<text x='{}' y='{}'>{}</text>").format(left + 3, _BAR_TOP + 14, shown)
    letter = _END_LETTERS[stay.ended]
    if letter:
        bar += Markup("<text class='end' x='{}' y='{}' text-anchor='middle'>{}</text>").format(
            min(right, _WIDTH - 5.0), _BAR_TOP + _BAR + 11, letter
        )
    return bar


def _volts(points: Sequence[_Point], x: _Placing) -> Markup:
    low = min(point.volts for point in points) - 0.2
    high = max(point.volts for point in points) + 0.2

    def y(volts: float) -> float:
        return round(_VOLTS_TOP + _VOLTS * (1.0 - (volts - low) / (high - low)), 1)

    parts = []
    for volts in (low + 0.2, high - 0.2):
        parts.append(
            Markup("<line class='rule' x1='{}' x2='{}' y1='{}' y2='{}'/>").format(
                _LEFT, _WIDTH - _RIGHT, y(volts), y(volts)
            )
        )
        parts.append(Markup("<text x='0' y='{}'>{}</text>").format(y(volts) + 4, f"{volts:.1f}"))
        if high - low < 0.55:
            break
    parts.append(Markup("<text x='0' y='{}'>V</text>").format(_VOLTS_TOP + _VOLTS + 14))
    for point in sorted(points, key=lambda one: one.day):
        at, up = x(point.day), y(point.volts)
        if point.kind == "in":
            parts.append(Markup("<path class='in' d='M{} {} l4 7 h-8 z'/>").format(at, round(up - 4, 1)))
        elif point.kind == "out":
            parts.append(Markup("<circle class='out' cx='{}' cy='{}' r='3.4'/>").format(at, up))
        else:
            parts.append(
                Markup("<rect class='read' x='{}' y='{}' width='3' height='3'/>").format(
                    round(at - 1.5, 1), round(up - 1.5, 1)
                )
            )
    return Markup("").join(parts)

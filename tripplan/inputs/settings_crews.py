"""The crews of tripplan.toml."""

from __future__ import annotations

from tripplan.fleet import Crew
from tripplan.inputs.cell_text import CellError
from tripplan.inputs.findings import fold
from tripplan.inputs.toml_table import TomlTable
from tripplan.inputs.toml_values import take_angle, take_clock, take_spans
from tripplan.inputs.words import parse_weekdays

__all__ = ["read_crews"]

_USUAL = Crew("", 0.0, 0.0)


def read_crews(top: TomlTable) -> tuple[tuple[Crew, ...], tuple[str, ...]]:
    """
    Read every ``[[crew]]``.

    Parameters
    ----------
    top : TomlTable
        The settings file.

    Returns
    -------
    crews : tuple of Crew
        Those without faults in their name and base.
    names : tuple of str
        Every crew's name.
    """
    tables = top.tables("crew")
    if not tables and not top.has("crew"):
        top.fault("", "there is no crew", "Add a [[crew]] with name, base_lat and base_lon.")
    crews: list[Crew] = []
    names: dict[str, str] = {}
    for table in tables:
        name = " ".join(table.text("name", required=True).split())
        if name and fold(name) in names:
            table.fault("name", "another crew has this name already", "Give each crew its own name.", name)
        elif name:
            names[fold(name)] = name
        crew = _read_crew(table, name)
        table.finish()
        if crew is not None and name:
            crews.append(crew)
    return tuple(crews), tuple(names.values())


def _read_crew(table: TomlTable, name: str) -> Crew | None:
    lat, lon = take_angle(table, "base_lat", "lat"), take_angle(table, "base_lon", "lon")
    if (lat, lon) == (0.0, 0.0):
        table.fault("base_lat", "0, 0 lies in the sea off Africa", "Write where the crew sets out from.")
    days = table.texts("days") if table.has("days") else ("sat", "sun")
    if table.use("days") == []:
        table.fault("days", "the crew has no day", 'Write for example days = ["sat", "sun"].')
    weekdays = _USUAL.weekdays
    try:
        weekdays = parse_weekdays(days)
    except CellError as error:
        table.fault("days", error.problem, error.mend)
    start = take_clock(table, "day_start", _USUAL.day_start_minute)
    end = take_clock(table, "day_end", _USUAL.day_end_minute)
    if start >= end:
        table.fault("day_end", "the day ends before it begins", "day_end must be later than day_start.")
    found = {
        "carry_kg": table.number("carry_kg", _USUAL.carry_kg, 0, 500, above=True),
        "packs_aboard": table.whole("packs_aboard", _USUAL.packs_aboard, 1, 10_000),
    }
    people = tuple(name for name in table.texts("people") if name)
    away = take_spans(table, "away")
    if lat is None or lon is None:
        return None
    return Crew(
        name=name,
        base_lat=lat,
        base_lon=lon,
        weekdays=weekdays,
        day_start_minute=start,
        day_end_minute=end,
        carry_kg=found["carry_kg"],
        packs_aboard=int(found["packs_aboard"]),
        people=people,
        away=away,
    )

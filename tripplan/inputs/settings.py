"""tripplan.toml: the settings of a fleet, every one checked."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from tripplan.fleet import (
    Charger,
    Climate,
    Crew,
    DateSpan,
    DriveSettings,
    Money,
    PackType,
    PlanSettings,
    Profile,
    SparesSettings,
    WalkSettings,
)
from tripplan.inputs.cells import DateOrder
from tripplan.inputs.file_bytes import load_bytes
from tripplan.inputs.findings import Findings, did_you_mean
from tripplan.inputs.schema import SETTINGS_FILE
from tripplan.inputs.settings_crews import read_crews
from tripplan.inputs.settings_packs import read_chargers, read_pack_types, read_spares
from tripplan.inputs.settings_profiles import read_profiles
from tripplan.inputs.toml_table import TomlTable
from tripplan.inputs.toml_values import take_spans, take_twelve

__all__ = ["LANGUAGES", "UNITS", "WALKING_RULES", "Settings", "read_settings"]

LANGUAGES = ("en", "de")
UNITS = ("metric", "imperial")
WALKING_RULES = ("naismith", "tobler", "din33466")
_LATER = (".osm", ".pbf", ".gpx")
_PLACE_FILE_KEYS = ("road_extract", "extract", "tracks", "paths")


@dataclass(frozen=True)
class Settings:
    """
    What tripplan.toml says.

    Attributes
    ----------
    crew_names, type_names : tuple of str
        Every name that stands there, also of crews and pack types that have faults.
    date_order : DateOrder or None
        How dates of two small numbers are written in all tables, where the file says so.
    """

    name: str
    timezone: str | None = None
    currency: str = "EUR"
    language: str = "en"
    units: str = "metric"
    crews: tuple[Crew, ...] = ()
    crew_names: tuple[str, ...] = ()
    pack_types: Mapping[str, PackType] = field(default_factory=dict)
    type_names: tuple[str, ...] = ()
    blocked: tuple[DateSpan, ...] = ()
    plan: PlanSettings = field(default_factory=PlanSettings)
    drive: DriveSettings = field(default_factory=DriveSettings)
    walk: WalkSettings = field(default_factory=WalkSettings)
    climate: Climate | None = None
    chargers: tuple[Charger, ...] = ()
    spares: SparesSettings = field(default_factory=SparesSettings)
    money: Money | None = None
    date_order: DateOrder | None = None
    profiles: Mapping[str, Profile] = field(default_factory=dict)


def read_settings(folder: Path, findings: Findings) -> Settings | None:
    """
    Read tripplan.toml.

    Parameters
    ----------
    folder : pathlib.Path
        Folder of the fleet.
    findings : Findings
        Takes faults and remarks.

    Returns
    -------
    Settings or None
        None where the file could not be read at all.
    """
    data = _load(folder / SETTINGS_FILE, findings)
    if data is None:
        return None
    top = TomlTable(data, "", findings)
    fleet = top.table("fleet")
    name = fleet.text("name", required=True)
    timezone = _timezone(fleet)
    currency = fleet.text("currency", "EUR")
    language = fleet.choice("language", LANGUAGES) or "en"
    units = fleet.choice("units", UNITS) or "metric"
    fleet.finish()
    date_order = _date_order(top)
    crews, crew_names = read_crews(top)
    calendar = top.table("calendar")
    blocked = take_spans(calendar, "blocked")
    calendar.finish()
    plan, drive, walk = _read_plan(top), _read_drive(top), _read_walk(top)
    climate = _read_climate(top)
    pack_types, type_names = read_pack_types(top)
    chargers = read_chargers(top, pack_types, type_names)
    spares = read_spares(top)
    money = _read_money(top)
    profiles = read_profiles(top)
    top.finish()
    return Settings(
        name=name,
        timezone=timezone,
        currency=currency,
        language=language,
        units=units,
        crews=crews,
        crew_names=crew_names,
        pack_types=pack_types,
        type_names=type_names,
        blocked=blocked,
        plan=plan,
        drive=drive,
        walk=walk,
        climate=climate,
        chargers=chargers,
        spares=spares,
        money=money,
        date_order=date_order,
        profiles=profiles,
    )


def _load(path: Path, findings: Findings) -> dict[str, Any] | None:
    if path not in set(path.parent.iterdir()):
        findings.fault(
            path.name, "the file is missing", "tripplan init FOLDER writes a commented one to start from."
        )
        return None
    data = load_bytes(path, findings)
    if data is None:
        return None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        findings.fault(path.name, f"the text is not UTF-8 (line {line})", "Save the file as UTF-8.")
        return None
    if not text.strip():
        findings.fault(
            path.name, "the file is empty", "tripplan init FOLDER writes a commented one to start from."
        )
        return None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        findings.fault(path.name, *_syntax_problem(str(error), text))
    except RecursionError:
        findings.fault(
            path.name,
            "brackets are nested too deeply to be read",
            "Take out those that nothing needs.",
        )
    except ValueError:  # a whole number of thousands of digits
        findings.fault(path.name, "a number has too many digits to be read", "Mend the number.")
    return None


def _syntax_problem(message: str, text: str) -> tuple[str, str]:
    """Return problem and mend of a syntax error, with its line and column."""
    what = re.sub(r"\s*\(at .*\)$", "", message)
    place = re.search(r"\(at line (\d+), column (\d+)\)", message)
    lines = text.splitlines()
    number = int(place[1]) if place else len(lines)
    column = int(place[2]) if place else len(lines[-1]) + 1
    line = lines[number - 1].strip() if number <= len(lines) else ""
    mend = f"The line reads: {line}" if line else "The file ends in the middle of a setting."
    if re.search("[\u201c\u201d\u2018\u2019\u201e]", line):
        mend = 'Use straight quotation marks (").'
    elif re.search(r"=\s*-?\d+,\d+\s*$", line):
        mend = "Write a decimal point, not a comma."
    elif re.search(r"=\s*\d{1,2}:\d{2}\s*$", line):
        mend = "Put a clock time between quotation marks."
    elif re.search(r"=\s*[A-Za-z]", line) and not re.search(r"=\s*(?:true|false|nan|inf)\b", line):
        mend = "Put text between quotation marks."
    return (
        f"the settings cannot be read at line {number}, column {column} ({what[:1].lower()}{what[1:]})",
        mend,
    )


def _timezone(fleet: TomlTable) -> str | None:
    name = fleet.text("timezone")
    if not name:
        return None
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        hint = did_you_mean(name, available_timezones())
        fleet.fault("timezone", "is not a time zone", hint or "Write it like Europe/Vienna.", name)
        return None
    return name


def _date_order(top: TomlTable) -> DateOrder | None:
    files = top.table("files")
    found = files.choice("date_order", ("day first", "month first"))
    files.finish()
    return "day first" if found == "day first" else "month first" if found == "month first" else None


def _read_plan(top: TomlTable) -> PlanSettings:
    table, usual = top.table("plan"), PlanSettings()
    found = PlanSettings(
        weeks=table.whole("weeks", usual.weeks, 1, 104),
        risk=table.number("risk", usual.risk, 0, 0.5, above=True),
        daylight_margin_minutes=table.number(
            "daylight_margin_minutes", usual.daylight_margin_minutes, 0, 360
        ),
        reserve_minutes=table.number("reserve_minutes", usual.reserve_minutes, 0, 720),
        fallback_dates=table.whole("fallback_dates", usual.fallback_dates, 0, 50),
        set_out_days=table.whole("set_out_days", usual.set_out_days, 0, 120),
        take_in_days=table.whole("take_in_days", usual.take_in_days, 0, 120),
    )
    table.finish()
    return found


def _read_drive(top: TomlTable) -> DriveSettings:
    table, usual = top.table("drive"), DriveSettings()
    _refuse_place_files(table)
    found = DriveSettings(
        speed_kmh=table.number("speed_kmh", usual.speed_kmh, 1, 150),
        detour=table.number("detour", usual.detour, 1, 10),
        park_minutes=table.number("park_minutes", usual.park_minutes, 0, 120),
    )
    table.finish()
    return found


def _read_walk(top: TomlTable) -> WalkSettings:
    table, usual = top.table("walk"), WalkSettings()
    _refuse_place_files(table)
    found = WalkSettings(
        detour=table.number("detour", usual.detour, 1, 10),
        speed_factor=table.number("speed_factor", usual.speed_factor, 0.05, 2),
        rule=table.choice("rule", WALKING_RULES) or usual.rule,
    )
    table.finish()
    return found


def _refuse_place_files(table: TomlTable) -> None:
    """Refuse settings that name a road extract or tracks: they are never silently passed over."""
    for key, value in table.items():
        texts = [value] if isinstance(value, str) else value if isinstance(value, list) else []
        names_file = any(isinstance(text, str) and text.casefold().endswith(_LATER) for text in texts)
        if names_file or key in _PLACE_FILE_KEYS:
            table.use(key)
            table.fault(
                key,
                "road extracts and recorded tracks are not yet read",
                "Take the setting out, and give known legs in legs.csv.",
                ", ".join(str(text) for text in texts) or str(value),
            )


def _read_climate(top: TomlTable) -> Climate | None:
    if not top.has("climate"):
        return None
    table = top.table("climate")
    mean = take_twelve(table, "mean_c", -60, 50)
    spread = take_twelve(table, "sd_c", 0, 25)
    sun = take_twelve(table, "sun_kwh", 0, 15) if table.has("sun_kwh") else ()
    table.finish()
    return Climate(mean, spread, sun) if mean and spread else None


def _read_money(top: TomlTable) -> Money | None:
    if not top.has("money"):
        return None
    table = top.table("money")
    prices = table.table("prices")
    found = Money(
        per_km=table.optional_number("per_km", 0, 1e9),
        per_trip=table.optional_number("per_trip", 0, 1e9),
        per_hour=table.optional_number("per_hour", 0, 1e9),
        prices={name: prices.number(name, 0.0, 0, 1e9) for name in prices.keys()},  # noqa: SIM118 - own class
    )
    prices.finish()
    table.finish()
    return found

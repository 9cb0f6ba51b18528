"""
The words of the starter files: a tripplan.toml that explains itself, and the first steps.

In `tripplan.toml` a line that starts with ``#`` and a letter is a setting at its default; a line that
starts with ``# `` explains. The defaults are taken from `tripplan.fleet`, so that the two cannot drift apart.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

from tripplan.fleet import Crew, DriveSettings, Fleet, PackType, PlanSettings, SparesSettings, WalkSettings

__all__ = [
    "FIRST_STEPS",
    "SITES_HEADER",
    "USUAL_MONTHS",
    "WEEKDAY_WORDS",
    "PackValues",
    "StarterValues",
    "clock_text",
    "starter_toml",
    "toml_value",
]

USUAL_MONTHS = 5.0  # the contract's default for a 12 V sealed lead-acid pack of about 7 Ah

WEEKDAY_WORDS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

SITES_HEADER = (
    "site_id",
    "name",
    "lat",
    "lon",
    "pack_type",
    "swapped_on",
    "park_lat",
    "park_lon",
    "walk_m",
    "climb_m",
    "find",
    "notes",
)

_BARE_KEY = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_")


@dataclass(frozen=True)
class PackValues:
    """
    What is known of one kind of pack; None and empty stand commented out, to be filled in.

    Attributes
    ----------
    volts : float or None
        Output at the plug. [V]
    capacity_ah, usual_months : float or None
        As in the contract; None for the default. [Ah], [months]
    """

    name: str = "standard"
    volts: float | None = None
    plug: str = ""
    chemistry: str = ""
    capacity_ah: float | None = None
    usual_months: float | None = None


@dataclass(frozen=True)
class StarterValues:
    """
    What is known when a folder is started; None and empty stand commented out, to be filled in.

    Attributes
    ----------
    base_lat, base_lon : float or None
        Where the crew sets out from. [deg]
    days : tuple of str
        Weekdays, of `WEEKDAY_WORDS`; empty for the default.
    packs : tuple of PackValues
        At least one.
    """

    fleet_name: str
    crew_name: str = "Me"
    base_lat: float | None = None
    base_lon: float | None = None
    days: tuple[str, ...] = ()
    packs: tuple[PackValues, ...] = (PackValues(),)


def toml_value(value: object) -> str:
    r"""
    Return a value as TOML writes it.

    Parameters
    ----------
    value : str, bool, int, float, or a sequence of these
        What to write.

    Returns
    -------
    str
        One line.

    Raises
    ------
    TypeError
        If the value is of another kind.

    Examples
    --------
    >>> toml_value('a "quoted" name'), toml_value(5.0), toml_value(["sat", "sun"])
    ('"a \\"quoted\\" name"', '5.0', '["sat", "sun"]')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, Sequence):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    raise TypeError(f"no TOML for {type(value).__name__}")


def clock_text(minute: int) -> str:
    """
    Return a minute of the day as a clock shows it.

    Parameters
    ----------
    minute : int
        Minutes after midnight. [min]

    Returns
    -------
    str
        ``HH:MM``.

    Examples
    --------
    >>> clock_text(450)
    '07:30'
    """
    return f"{minute // 60:02d}:{minute % 60:02d}"


def _key(name: str) -> str:
    return name if name and set(name) <= _BARE_KEY else toml_value(name)


def _defaults(kind: type) -> Mapping[str, object]:
    return {item.name: item.default for item in fields(kind)}


def _line(key: str, given: object, default: object, why: str) -> str:
    """Return one setting: switched on if given, commented at its default, or to be filled in."""
    if given is not None and given not in ("", ()):
        return f"# {why}\n{key} = {toml_value(given)}"
    if default is None:
        return f"# FILL IN. {why}\n#{key} = "
    return f"# {why}\n#{key} = {toml_value(default)}"


def _table(kind: type, words: Mapping[str, str]) -> str:
    defaults = _defaults(kind)
    return "\n".join(_line(key, None, defaults[key], why) for key, why in words.items())


_PLAN_WORDS = {
    "weeks": "How many weeks to plan ahead.",
    "risk": "The chance of a dark site that you accept: 0.05 is one in twenty.",
    "daylight_margin_minutes": "Nobody walks before sunrise plus, or after sunset minus, this. [minutes]",
    "reserve_minutes": "Time kept free before that end of daylight, for what goes wrong. [minutes]",
    "fallback_dates": "So many later dates must remain on which a visit could still be made in time.",
    "set_out_days": "A device is set out on active_from, or at most so many days before.",
    "take_in_days": "A device is taken in on active_to, or at most so many days after.",
}
_DRIVE_WORDS = {
    "speed_kmh": "Average driving speed. Note a few drives and correct it. [km/h]",
    "detour": "How much longer the road is than the straight line; 1.4 to 1.5 in hills.",
    "park_minutes": "Time lost each time the vehicle is parked. [minutes]",
}
_WALK_WORDS = {
    "detour": "How much longer the way on foot is than the straight line.",
    "speed_factor": "1.0: no load, good path; 0.7: with packs, rough ground; 0.4: deep snow.",
}

_SPARES_WORDS = {
    "chance": "Wanted chance that a trip does not run short of packs.",
    "retire_below": "Share of the rated capacity below which a pack is retired.",
    "shelf_c": "Temperature where the spares stand. [deg C]",
    "detour_minutes": "How far off its way a trip turns aside for a dark site. [minutes]",
    "lead_days": "From ordering a pack to having it built and charged. [days]",
}


def starter_toml(values: StarterValues) -> str:
    """
    Write a tripplan.toml with every setting, its default and what it means.

    Parameters
    ----------
    values : StarterValues
        What is known already.

    Returns
    -------
    str
        Text of the file.
    """
    blocks = (
        (
            "# Settings of one fleet. Lines that begin with '# ' explain. Lines that begin with '#' and a",
            "# letter are settings at their default: take the '#' away to change one. `tripplan check` says",
            "# what is missing or wrong, in all files at once.",
        ),
        (
            "[fleet]",
            _line("name", values.fleet_name, None, "Your name for the whole."),
            "# Left out, the time zone is found from the coordinates.",
            '#timezone = "Europe/London"',
            _line("currency", None, _defaults(Fleet)["currency"], "For the costs."),
        ),
        _crew_block(values),
        (
            "[calendar]",
            _line("blocked", None, [], "Dates on which nobody goes, written like away above."),
        ),
        ("[plan]", _table(PlanSettings, _PLAN_WORDS)),
        ("[drive]", _table(DriveSettings, _DRIVE_WORDS)),
        ("[walk]", _table(WalkSettings, _WALK_WORDS)),
        ("[spares]", _table(SparesSettings, _SPARES_WORDS)),
        (
            "# One table for each kind of pack: packs of one kind can replace each other. A 12 V pack on a",
            "# 6 V device destroys it, so volts, plug and polarity must be right.",
            "\n\n".join(_pack_table(pack) for pack in values.packs),
        ),
        (
            "# The tables below are off until you take the '#' away; their numbers are examples, not yours.",
            "# Monthly means of the air temperature, January first, and how far single days lie about",
            "# them (one standard deviation). [deg C]",
            "#[climate]",
            "#mean_c = [1.0, 1.5, 4.0, 7.0, 11.0, 14.0, 16.0, 16.0, 13.0, 9.0, 5.0, 2.0]",
            "#sd_c = [4.0, 4.0, 3.5, 3.0, 3.0, 3.0, 2.5, 2.5, 3.0, 3.0, 3.5, 4.0]",
            "# For panels, where you know better than the clear sky: sun on level ground on a usual day of",
            "# each month, cloud and all. [kWh/m2]",
            "#sun_kwh = [0.8, 1.5, 2.6, 4.0, 5.0, 5.3, 5.1, 4.4, 3.1, 1.8, 0.9, 0.6]",
        ),
        (
            "# One table for each charger, which takes one pack at a time. Charge in a ventilated place,",
            "# never with the box's lid shut.",
            "#[[charging]]",
            f"#types = {toml_value([pack.name for pack in values.packs])}",
            "#hours_per_pack = 12.0",
            "#changeovers_per_day = 1",
            "# Or its current, from which the hours are reckoned. [A]",
            "#amps = 0.7",
        ),
        ("# What a trip costs you.", "#[money]", "#per_km = 0.3", "#per_trip = 0.0", "#per_hour = 0.0"),
    )
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def _crew_block(values: StarterValues) -> tuple[str, ...]:
    crew = _defaults(Crew)
    days = tuple(day for number, day in enumerate(WEEKDAY_WORDS) if number in _weekdays(crew))
    return (
        "# One [[crew]] table for each group of people that sets out together; copy it for a second.",
        "[[crew]]",
        _line("name", values.crew_name, None, "Name of the crew."),
        _line("base_lat", values.base_lat, None, "Where the crew sets out from, in degrees, south negative."),
        _line("base_lon", values.base_lon, None, "The same, west negative."),
        _line("days", values.days, days, "Days of the week on which they go."),
        "# Earliest time to leave home and latest to be back, driving included.",
        f"#day_start = {toml_value(clock_text(_whole(crew['day_start_minute'])))}",
        f"#day_end = {toml_value(clock_text(_whole(crew['day_end_minute'])))}",
        _line("carry_kg", None, crew["carry_kg"], "What the whole crew carries on foot, together. [kg]"),
        _line("packs_aboard", None, crew["packs_aboard"], "Most packs in the vehicle."),
        _line("people", None, [], "Who they are; crews that share a person never go on the same date."),
        _line("away", None, [], 'Dates on which they cannot go: ["2027-02-06/2027-02-21", "2027-03-14"].'),
    )


def _pack_table(values: PackValues) -> str:
    pack = _defaults(PackType)
    other = "Or lithium iron phosphate, lithium iron disulfide, alkaline, nickel metal hydride."
    months = "How long one usually lasts; used where nothing better is known. [months]"
    return "\n".join(
        (
            f"[pack_types.{_key(values.name)}]",
            _line("volts", values.volts, None, "Volts that the pack gives at its plug."),
            _line("plug", values.plug, None, 'Size and polarity of the plug, such as "5.5x2.1 centre +".'),
            _line("chemistry", values.chemistry, str(pack["chemistry"]), other),
            _line("capacity_ah", values.capacity_ah, pack["capacity_ah"], "What is printed on it. [Ah]"),
            _line("weight_kg", None, pack["weight_kg"], "With box and lead; weigh one. [kg]"),
            _line("usual_months", values.usual_months, USUAL_MONTHS, months),
            "# Charged packs on the shelf. Left out (and without packs.csv), stock sets no limit.",
            "#shelf_charged = 0",
        )
    )


def _weekdays(crew: Mapping[str, object]) -> frozenset[int]:
    days = crew["weekdays"]
    if not isinstance(days, frozenset):
        raise TypeError("Crew.weekdays has no default")
    return days


def _whole(value: object) -> int:
    if not isinstance(value, int):
        raise TypeError("a clock time is whole minutes")
    return value


FIRST_STEPS = """\
# First steps

1. **tripplan.toml**: fill in every line marked `FILL IN` (take the `#` at the start of the line away).
2. **sites.csv**: one row for each site. Open it in any spreadsheet program and save it as CSV again (or keep
   it as sites.xlsx). Two rows, invented, to show what goes where:

       site_id,name,lat,lon,pack_type,swapped_on
       north-1,North gate,57.24152,-4.15766,standard,2026-10-31
       north-2,Old birch,57.24457,-4.15946,standard,2026-10-31

   * `lat`, `lon`: decimal degrees, south and west negative.
   * `pack_type`: the name in `[pack_types.NAME]` of tripplan.toml.
   * `swapped_on`: the date on which the pack now there went in, year-month-day.
   * `park_lat`, `park_lon`: where you leave the vehicle, if not at the site. Sites with the same parking
     are visited on one walk. `walk_m` and `climb_m`: metres from there, and metres up.
   * `find`: how to find it; goes on the checklist. `notes`: stay at home. `private`: which of `name`, `find`
     and `device_id` stay at home too, for example `name;find`.
   * More columns may be added: `draw_mah_per_day`, `usual_months`, `flat_on`, `flat_on_sd_days`,
     `work_minutes`, `access`, `in_use` (`no` sets a row aside), and your own.
3. Run `tripplan check` in this folder. It says what is still missing, in all files at once.
4. Run `tripplan plan`, then `tripplan trip`.

Later, and only if you want: `visits.csv` (what you found, when), `packs.csv` (your packs by number),
`access.csv` (when a place may be entered), `jobs.csv` (other work), `legs.csv` (drives that you know).

A pack of the wrong voltage or polarity destroys a device: check both before the first swap. Keep a fuse
of 2 to 3 A at the battery's terminal. Tell someone your route and when to expect you back.
"""

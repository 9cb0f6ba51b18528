"""The draw profiles and the battery numbers of tripplan.toml."""

from __future__ import annotations

from collections.abc import Mapping

from tripplan.fleet import Profile
from tripplan.inputs.findings import fold
from tripplan.inputs.toml_table import TomlTable
from tripplan.inputs.toml_values import take_list, take_twelve

__all__ = ["BATTERY_CURVES", "BATTERY_RANGES", "read_parameters", "read_profiles"]

#: What a pack type may set in place of its chemistry's number, with its range.
BATTERY_RANGES: Mapping[str, tuple[float, float]] = {
    "cold_sd": (0.0, 1.0),
    "self_discharge_per_month": (0.0, 0.9),
    "doubling_c": (3.0, 50.0),
    "peukert_k": (1.0, 1.6),
    "rated_hours": (0.5, 200.0),
    "usual_health": (0.2, 1.3),
    "health_sd": (0.02, 0.6),
    "fade_per_year": (0.0, 1.0),
    "fade_per_cycle": (0.0, 0.1),
    "soc_reading_sd": (0.02, 10.0),
    "empty_volts_per_cell": (0.1, 5.0),
    "nominal_volts_per_cell": (0.5, 5.0),
    "charge_from_c": (-60.0, 60.0),
    "reserve_share": (0.0, 0.9),
    "cutoff_volts": (0.1, 60.0),
    "controller_idle_ma": (0.0, 100.0),
    "converter_efficiency": (0.2, 1.0),
    "converter_idle_ma": (0.0, 1000.0),
    "panel_yield": (0.05, 1.0),
}
#: Lists that go together: name, range, and whether it must rise.
BATTERY_CURVES: tuple[tuple[tuple[str, float, float, bool], tuple[str, float, float, bool]], ...] = (
    (("temps_c", -60.0, 80.0, True), ("capacity_shares", 0.0, 1.5, False)),
    (("rested_charges", 0.0, 1.0, True), ("rested_volts_per_cell", 0.1, 5.0, True)),
)


def read_parameters(table: TomlTable) -> dict[str, float | tuple[float, ...]]:
    """
    Read the battery numbers that a pack type sets itself.

    Parameters
    ----------
    table : TomlTable
        ``[pack_types.NAME]``.

    Returns
    -------
    dict of str to (float or tuple of float)
        Only what stands there.
    """
    found: dict[str, float | tuple[float, ...]] = {}
    for name, (low, high) in BATTERY_RANGES.items():
        if table.has(name):
            value = table.optional_number(name, low, high)
            if value is not None:
                found[name] = value
    for pair in BATTERY_CURVES:
        if not any(table.has(name) for name, *_ in pair):
            continue
        lists = {name: take_list(table, name, low, high, rising=rising) for name, low, high, rising in pair}
        (first, _, _, _), (second, _, _, _) = pair
        if lists[first] and lists[second] and len(lists[first]) != len(lists[second]):
            table.fault(
                second,
                f"there are {len(lists[second])} values for {len(lists[first])} in {first}",
                "Give both lists the same length.",
            )
        elif all(lists.values()):
            found.update(lists)
    return found


def read_profiles(top: TomlTable) -> dict[str, Profile]:
    """
    Read ``[profiles]``.

    Parameters
    ----------
    top : TomlTable
        The settings file.

    Returns
    -------
    dict of str to Profile
        By name as sites.csv writes it.
    """
    if not top.has("profiles"):
        return {}
    holder = top.table("profiles")
    found: dict[str, Profile] = {}
    seen: set[str] = set()
    for name in holder.keys():  # noqa: SIM118 - own class
        table = holder.table(name)
        if fold(name) in seen:
            table.fault("", "two profiles differ only in capitals or spaces", "Rename one.")
        seen.add(fold(name))
        average = table.optional_number("draw_mah_per_day", 0, 100_000, above=True)
        quiescent = table.number("quiescent_ma", 0.0, 0, 10_000)
        events = table.number("events_per_day", 0.0, 0, 100_000)
        charge = table.number("mah_per_event", 0.0, 0, 10_000)
        parts = quiescent * 24.0 + events * charge
        if average is not None and parts > 0.0:
            table.fault(
                "draw_mah_per_day",
                "the profile gives both an average and its parts",
                "Keep draw_mah_per_day, or quiescent_ma with events_per_day and mah_per_event.",
                f"{average:g}",
            )
        activity = take_twelve(table, "activity", 0, 20) if table.has("activity") else ()
        if activity and not any(activity):
            table.fault(
                "activity", "no month has any activity", "Give twelve factors about 1, January first."
            )
        table.finish()
        found[" ".join(name.split())] = Profile(name, average, quiescent, events, charge, activity)
    return found

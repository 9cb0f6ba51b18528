"""
Write the table of battery numbers for people: ``python tests/forecast/battery_table.py > batteries.md``.

A test keeps the file in step with the package.
"""

from __future__ import annotations

from tripplan.fleet import Chemistry
from tripplan.forecast.battery import Battery
from tripplan.forecast.chemistries import BATTERIES

HEAD = """\
# Battery numbers

What tripplan takes a pack to be, where its settings say nothing else. Each name may be set in `[pack_types.NAME]` of
tripplan.toml; what stands there replaces the number here. "From memory" and "assumption" are said where they are the truth:
weigh them against your maker's sheet, and let your own history speak.

Of the device and the box, also in `[pack_types.NAME]`: `cutoff_volts` (of the pack, where the device or its protection gives
up; becomes `reserve_share`), `converter_efficiency` and `converter_idle_ma` (of a converter in the box, which
`battery_volts` announces), `controller_idle_ma` and `panel_yield` (of a charge controller; 0.7 of the sun's energy is left by
dust, wiring, controller and charging: a usual plain formula).

A flat sealed lead-acid pack is warned of from -5 C (trade practice, no source), and may freeze at -16 C with a quarter of its
charge, -24 C with half, -59 C full (after US Army OD1002, p. 54).
"""
WORDS = {
    "temps_c": "temperatures of the curve [C]",
    "capacity_shares": "usable charge at those, of that at 25 C",
    "cold_sd": "spread of the cold's bite between makes",
    "self_discharge_per_month": "lost in a month at 20 C",
    "doubling_c": "warming that doubles it [C]",
    "peukert_k": "Peukert exponent, above the rated current only",
    "rated_hours": "hours at which the capacity is rated [h]",
    "usual_health": "what a pack in service holds, of its rating",
    "health_sd": "spread of that",
    "fade_per_year": "lost by a year at 25 C",
    "fade_per_cycle": "lost by a full cycle",
    "empty_volts_per_cell": "end of discharge [V]",
    "nominal_volts_per_cell": "sold as [V]",
    "rested_charges": "charges of the resting curve",
    "rested_volts_per_cell": "resting volts at those [V]",
    "soc_reading_sd": "spread of the charge read from one rested voltage",
    "charge_from_c": "no charging below [C]",
    "reserve_share": "left when the device cuts off",
}
ALIAS = {"temps_c": "capacity_shares", "rested_charges": "rested_volts_per_cell"}


def shown(value: object) -> str:
    if isinstance(value, tuple):
        return " ".join(f"{part:g}" for part in value) or "none: volts say nothing"
    text = f"{value:g}"
    return "never" if text == "inf" else text


def section(chemistry: Chemistry, battery: Battery) -> str:
    lines = [f"## {str(chemistry).capitalize()}", "", "| name | is | value | source |", "|---|---|---|---|"]
    for name, word in WORDS.items():
        value = shown(getattr(battery, name))
        if name == "soc_reading_sd" and value == "never":
            value = "volts say nothing"
        source = battery.sources.get(ALIAS.get(name, name), "")
        if name == "reserve_share":
            source = "none taken: at some milliamps a cell gives nearly all it has"
        elif (
            not source and not battery.rested_charges and name in ("rested_charges", "rested_volts_per_cell")
        ):
            source = battery.sources["soc_reading_sd"]
        lines.append(f"| `{name}` | {word} | {value} | {source} |")
    return "\n".join(lines)


def table() -> str:
    parts = [HEAD, *(section(chemistry, battery) for chemistry, battery in BATTERIES.items())]
    return "\n\n".join(part.strip() for part in parts) + "\n"


if __name__ == "__main__":
    print(table(), end="")

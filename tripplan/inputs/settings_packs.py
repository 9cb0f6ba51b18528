"""The pack types and chargers of tripplan.toml."""

from __future__ import annotations

import re
from collections.abc import Mapping

from tripplan.fleet import Charger, Chemistry, PackType, SparesSettings
from tripplan.inputs.cell_text import CellError
from tripplan.inputs.findings import did_you_mean, fold
from tripplan.inputs.settings_profiles import read_parameters
from tripplan.inputs.toml_table import TomlTable
from tripplan.inputs.words import parse_choice
from tripplan.recharge import RECHARGE, recharge_hours

__all__ = ["read_chargers", "read_pack_types", "read_spares"]

_POLARITY = re.compile(r"[+\u2212]|(?<!\w)-|-(?!\w)|plus|minus|positive|negative", re.IGNORECASE)
#: Chemistries whose rested voltage tells nothing of the charge.
_NO_CURVE = (
    Chemistry.LITHIUM_IRON_PHOSPHATE,
    Chemistry.LITHIUM_IRON_DISULFIDE,
    Chemistry.NICKEL_METAL_HYDRIDE,
)
_USUAL_MONTHS = 5.0  # of a 12 V sealed lead-acid pack of about 7 Ah; the contract's default


def read_pack_types(top: TomlTable) -> tuple[dict[str, PackType], tuple[str, ...]]:
    """
    Read ``[pack_types]``.

    Parameters
    ----------
    top : TomlTable
        The settings file.

    Returns
    -------
    types : dict of str to PackType
        Those without faults in volts, plug and chemistry.
    names : tuple of str
        Every type's name.
    """
    holder = top.table("pack_types")
    if not holder.keys():
        top.fault(
            "",
            "there is no pack type",
            "Add [pack_types.NAME] with volts and plug, NAME being what sites.csv says.",
        )
    found: dict[str, PackType] = {}
    seen: dict[str, str] = {}
    for raw_name in holder.keys():  # noqa: SIM118 - own class
        name = " ".join(raw_name.split())
        table = holder.table(raw_name)
        if fold(name) in seen:
            table.fault(
                "",
                f"two pack types differ only in capitals or spaces ({seen[fold(name)]}, {name})",
                "Rename one.",
            )
        seen.setdefault(fold(name), name)
        kind = _read_type(name, table)
        table.finish()
        if kind is not None:
            found[name] = kind
    return found, tuple(seen.values())


def _read_type(name: str, table: TomlTable) -> PackType | None:
    chemistry: Chemistry | None = Chemistry.SEALED_LEAD_ACID
    text = table.text("chemistry")
    if text:
        try:
            chemistry = parse_choice(text, Chemistry)
        except CellError as error:
            table.fault("chemistry", error.problem, error.mend, text)
            chemistry = None
    volts = table.optional_number("volts", 0, 60, above=True)
    if not table.has("volts"):
        table.fault("volts", "the setting is missing", "Write the volts at the pack's plug.")
    plug = table.text("plug", required=True)
    if plug and not _POLARITY.search(plug):
        table.remark(
            "plug", f"'{plug}' does not say which contact is plus; write for example '5.5x2.1 centre +'."
        )
    capacity = table.number("capacity_ah", 7.0, 0, 1000, above=True)
    weight = table.number("weight_kg", 3.0, 0, 100, above=True)
    months = table.optional_number("usual_months", 0, 120, above=True)
    battery_volts = table.optional_number("battery_volts", 0, 60, above=True)
    shelf = table.whole("shelf_charged", 0, 0, 100_000) if table.has("shelf_charged") else None
    if (
        months is None
        and not table.has("usual_months")
        and chemistry is Chemistry.SEALED_LEAD_ACID
        and (battery_volts or volts) == 12.0
        and 6.5 <= capacity <= 7.5
    ):
        months = _USUAL_MONTHS
    parameters = read_parameters(table)
    if "cutoff_volts" in parameters and chemistry in _NO_CURVE and "rested_charges" not in parameters:
        table.fault(
            "cutoff_volts",
            f"volts say nothing of the charge left in {chemistry}",
            "Give reserve_share, the share of charge left when the device cuts off, in its place.",
            parameters["cutoff_volts"],
        )
    if volts is None or chemistry is None or not plug:
        return None
    return PackType(
        name=name,
        volts=volts,
        plug=plug,
        chemistry=chemistry,
        capacity_ah=capacity,
        weight_kg=weight,
        usual_months=months,
        shelf_charged=shelf,
        battery_volts=battery_volts,
        parameters=parameters,
    )


def read_chargers(
    top: TomlTable, types: Mapping[str, PackType], names: tuple[str, ...]
) -> tuple[Charger, ...]:
    """
    Read every ``[[charging]]``.

    Parameters
    ----------
    top : TomlTable
        The settings file.
    types : mapping of str to PackType
        The pack types without faults.
    names : tuple of str
        Every pack type's name.

    Returns
    -------
    tuple of Charger
        In the order of the file.
    """
    by_key = {fold(name): name for name in names}
    found = []
    for table in top.tables("charging"):
        listed = table.texts("types")
        if not listed and not (table.has("types") and table.use("types")):
            table.fault("types", "the charger has no pack type", 'Write types = ["NAME"].')
        known = []
        for name in listed:
            if fold(name) in by_key:
                known.append(by_key[fold(name)])
            else:
                hint = did_you_mean(name, names)
                table.fault("types", "unknown pack type", hint or f"Known are {', '.join(names)}.", name)
        kinds = [types[name] for name in known if name in types]
        _check_one_kind(table, kinds)
        _refuse_primary_cells(table, kinds)
        amps = table.optional_number("amps", 0, 200, above=True)
        hours = table.optional_number("hours_per_pack", 0, 240, above=True)
        if hours is None:
            hours = 12.0 if table.has("hours_per_pack") else _hours_from_amps(table, kinds, amps)
        found.append(
            Charger(
                types=tuple(dict.fromkeys(known)),
                hours_per_pack=hours,
                changeovers_per_day=table.whole("changeovers_per_day", 1, 1, 100),
                amps=amps,
            )
        )
        table.finish()
    _remark_uncharged(top, types, found)
    return tuple(found)


def _remark_uncharged(top: TomlTable, types: Mapping[str, PackType], chargers: list[Charger]) -> None:
    """Say of which pack types none is ever charged again, where some have a charger."""
    charged = {name for charger in chargers for name in charger.types}
    left = [kind.name for kind in types.values() if kind.chemistry in RECHARGE and kind.name not in charged]
    if chargers and left:
        has, those = ("has", "that type") if len(left) == 1 else ("have", "these types")
        top.remark(
            "[[charging]]",
            f"{', '.join(left)} {has} no charger: packs of {those} "
            "that come back are not charged again this season.",
        )


def _refuse_primary_cells(table: TomlTable, kinds: list[PackType]) -> None:
    """Refuse to put on a charger what bursts there."""
    for kind in kinds:
        if kind.chemistry not in RECHARGE:
            table.fault(
                "types",
                f"{kind.chemistry} cells are never charged: they leak or burst",
                "Take the type out; new cells are counted as charged packs.",
                kind.name,
            )


def _hours_from_amps(table: TomlTable, kinds: list[PackType], amps: float | None) -> float:
    """Return the hours of the charger's largest pack from flat; the contract's 12 without a current."""
    rechargeable = [kind for kind in kinds if kind.chemistry in RECHARGE]
    if amps is None or not rechargeable:
        return 12.0
    for kind in rechargeable:
        most = RECHARGE[kind.chemistry].most_c * kind.capacity_ah
        if amps > most * (1.0 + 1e-9):
            table.remark(
                "amps",
                f"{amps:g} A is more than the {most:g} A that {kind.chemistry} of {kind.capacity_ah:g} Ah "
                f"({kind.name}) usually bears; keep to the maker's limit.",
            )
    return min(240.0, max(recharge_hours(kind.chemistry, kind.capacity_ah, amps) for kind in rechargeable))


def read_spares(top: TomlTable) -> SparesSettings:
    """
    Read ``[spares]``.

    Parameters
    ----------
    top : TomlTable
        The settings file.

    Returns
    -------
    SparesSettings
        With its defaults where nothing is said.
    """
    table, usual = top.table("spares"), SparesSettings()
    found = SparesSettings(
        chance=table.number("chance", usual.chance, 0.5, 0.9999),
        retire_below=table.number("retire_below", usual.retire_below, 0.1, 0.95),
        shelf_c=table.number("shelf_c", usual.shelf_c, -30, 45),
        detour_minutes=table.number("detour_minutes", usual.detour_minutes, 0, 240),
        lead_days=table.whole("lead_days", usual.lead_days, 0, 365),
    )
    table.finish()
    return found


def _check_one_kind(table: TomlTable, kinds: list[PackType]) -> None:
    """One charger has one charging voltage and one charging curve."""
    different = dict.fromkeys((kind.chemistry, kind.nominal_volts) for kind in kinds)
    if len(different) > 1:
        listed = "; ".join(f"{kind.name}: {kind.nominal_volts:g} V {kind.chemistry}" for kind in kinds)
        table.fault(
            "types",
            f"one charger cannot serve packs of different voltage or chemistry ({listed})",
            "Give each kind its own [[charging]]; a wrong charger can set a pack on fire.",
        )

"""The command ``spares``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tripplan.cli.open_trips import ask_about_trips, print_open_trips
from tripplan.cli.printing import Printer
from tripplan.cli.progress import reporting
from tripplan.cli.running import Run, folder_argument, run_options
from tripplan.cli.season import count_remarks
from tripplan.cli.wording import clock, count, day, packs_text, weekday

if TYPE_CHECKING:
    from tripplan.fleet import Fleet
    from tripplan.pipeline import SparesResult
    from tripplan.plan.document import ChargeSlot, Trip
    from tripplan.supply.carry import CarryPlan

__all__ = ["print_spares", "spares"]

_CHARGES_SHOWN = timedelta(days=28)
_CURVE_SHOWN = 6


def _refuse_nan(_context: click.Context, _option: click.Parameter, value: float | None) -> float | None:
    """Refuse what every range lets through."""
    if value is not None and math.isnan(value):
        raise click.BadParameter("it is no number.")
    return value


@click.command(
    epilog="Example: tripplan spares myfleet --chance 0.99",
    short_help="Charged spares to carry, packs to own, what to charge by when.",
)
@folder_argument
@click.option(
    "--chance",
    type=click.FloatRange(0.5, 0.9999),
    default=None,
    metavar="CHANCE",
    callback=_refuse_nan,
    help="Wanted chance that a trip does not run short. [default: the setting, 0.95]",
)
@click.option(
    "--more",
    is_flag=True,
    help="Also plan the season anew with a pack or a charger more (at most 30 s each, or --time-limit).",
)
@run_options
def spares(run: Run, folder: Path, chance: float | None, more: bool) -> None:
    """
    Say how many packs to carry and to own, and what goes on a charger when.

    For the next trip: which pack goes to which site and why, and the spares beside them, with the chance
    of not running short for each number so that you can choose another. For the season: packs to own, when
    the shelf runs short, what to order by when. For tonight: what to put on which charger. FOLDER/plan.json
    is used if nothing it rests on has changed; else the season is planned anew.
    """
    from tripplan.pipeline import run_spares
    from tripplan.supply.documents import spares_to_json

    ask_about_trips(run, folder)
    with reporting(run.printer) as reports:
        result = run_spares(
            folder,
            today=run.today,
            chance=chance,
            more=more,
            seed=run.seed,
            time_limit_s=run.time_limit_s,
            reports=reports,
        )
    run.write_json(
        spares_to_json(
            result.fleet,
            result.today,
            result.arranged,
            result.stock,
            result.course,
            result.orders,
            result.tried,
        )
    )
    count_remarks(run.printer, result.fleet)
    print_open_trips(run.printer, result.planned.open_trips)
    print_spares(run.printer, result)


def print_spares(printer: Printer, result: SparesResult) -> None:
    """
    Print what to carry, own and charge, and the register's advice.

    Parameters
    ----------
    printer : Printer
        Prints on standard output.
    result : SparesResult
        As counted.
    """
    fleet, plan = result.fleet, result.arranged.plan
    if result.planned.because:
        printer.warn(f"Planned the season anew: {result.planned.because}.")
    if fleet.packs is None:
        printer.say(
            "There is no packs.csv: which pack goes where, how good each is and what is due for a charge "
            "cannot be said."
            + (
                ""
                if fleet.stock_is_kept
                else " Nor is a shelf counted (shelf_charged): stock limits nothing."
            )
        )
        printer.say()
    trips = {trip.trip_id: trip for trip in plan.trips}
    if not result.arranged.carry:
        printer.say(f"No trip is needed until {weekday(plan.to)}: nothing to carry.")
        printer.say()
    for trip_id, carry in result.arranged.carry.items():
        _print_carry(printer, result, trips[trip_id], carry)
    _print_own(printer, result)
    _print_charging(printer, result)
    _print_orders(printer, result)
    _print_advice(printer, result)


def _print_carry(printer: Printer, result: SparesResult, trip: Trip, carry: CarryPlan) -> None:
    printer.say(f"To carry on trip {trip.trip_id}: {weekday(trip.date)}, {trip.crew}", "bold")
    take = {name: number for name, number in carry.take.items() if number}
    printer.say(
        f"{packs_text(trip.packs)} planned, and as spares {packs_text(take)}: the chance of not running "
        f"short is {_percent(carry.chance)} (asked for: {_percent(carry.asked)})."
    )
    if carry.wanted != carry.take:
        wanted = packs_text({name: number for name, number in carry.wanted.items() if number})
        printer.say(f"! {_percent(carry.chance_wanted)} would take {wanted} as spares.")
    for line in carry.limits:
        printer.say(f"! {line}")
    shown = min(_CURVE_SHOWN, max(max(carry.wanted.values(), default=0) + 2, 3))
    printer.table(
        "Chance of not running short, by number of spares",
        ("Type", "Planned>", *(f"{number}>" for number in range(shown + 1)), "Take>"),
        (
            (
                need.pack_type,
                str(need.planned),
                *(_percent(value) for value in carry.curves[need.pack_type][: shown + 1]),
                str(carry.take[need.pack_type]),
            )
            for need in carry.need.types
        ),
    )
    way = [
        f"{site_id} {_percent(chance)}"
        for need in carry.need.types
        for site_id, chance in need.on_the_way
        if chance >= 0.01
    ]
    printer.say(
        f"Counted with: a carried pack proves bad {_percent(carry.need.bad.mean)}; a fault spoils a second "
        f"pack on a visit {_percent(carry.need.fault.mean)} (the fleet's records with a stated prior of 2 %)"
        + (f"; dark on or near the way: {', '.join(way)}" if way else "")
        + "."
    )
    chosen = [one for one in result.arranged.assignments if one.trip_id == trip.trip_id]
    printer.table(
        "Which pack to which site",
        ("Site", "Pack", "Why"),
        ((one.site_id, one.pack_id, one.because) for one in chosen),
    )
    unnamed = [
        visit.site_id for visit in trip.visits if visit.swap and visit.site_id in result.arranged.unnamed
    ]
    if unnamed and result.fleet.packs is not None:
        printer.say(f"! No fit pack is known by name to be charged in time for {', '.join(unnamed)}.")
    if not chosen:
        printer.say()


def _print_own(printer: Printer, result: SparesResult) -> None:
    printer.table(
        "Packs to own for this season's trips, with these chargers",
        (
            "Type",
            "At sites>",
            "Shelf needs>",
            "With spares>",
            "To own>",
            "Fit on shelf>",
            "Missing>",
            "Runs short",
        ),
        (
            (
                one.pack_type,
                str(one.in_use),
                str(one.needed_shelf),
                str(one.needed_with_spares),
                str(one.to_own),
                "?" if one.shelf is None else str(one.shelf),
                "?" if one.missing is None else str(one.missing),
                _short_text(result, one.first_short is not None, one.shelf is None, index),
            )
            for index, one in enumerate(result.stock)
        ),
    )
    for one in result.stock:
        if one.shelf and one.first_short is None:
            less = one.without_one
            printer.say(
                f"{one.pack_type}: with one pack less the shelf would "
                + (
                    "still do."
                    if less is None
                    else f"be {-less.left} short on {weekday(less.day)} ({', '.join(less.trip_ids)})."
                )
            )
    if result.tried:
        printer.say()
        printer.table(
            "The season planned anew, each with the same short effort",
            ("With", "Trips>", "At least>", "Late sites>", "Late days>"),
            (
                (one.what, str(one.trips), str(one.lower_bound), str(one.late_sites), str(one.late_days))
                for one in result.tried
            ),
        )
    else:
        printer.say(
            "Played again for these trips; --more plans the season anew with one pack or one charger more."
        )
    printer.say()


def _short_text(result: SparesResult, is_short: bool, unknown: bool, index: int) -> str:
    if unknown:
        return "not known: no shelf is counted"
    first = result.stock[index].first_short
    if not is_short or first is None:
        return "never"
    what = "planned swaps" if first.charged < first.planned else "spares"
    return f"{day(first.day)}, {', '.join(first.trip_ids)}: {-first.left} short for {what}"


def _print_charging(printer: Printer, result: SparesResult) -> None:
    fleet, plan = result.fleet, result.arranged.plan
    if not fleet.chargers:
        printer.say(
            "No [[charging]] in the settings: what goes on which charger when cannot be said; packs are "
            "taken as charged again by the next date."
        )
        printer.say()
        return
    if not fleet.stock_is_kept:
        printer.say("No shelf is counted (packs.csv or shelf_charged): what to charge when cannot be said.")
        printer.say()
        return
    if not result.arranged.is_late:
        printer.say("! The charges could not be placed late: they begin as soon as packs come back.")
    ahead = [slot for slot in plan.charging if slot.off.date() >= result.today]
    tonight = [slot for slot in ahead if slot.on.date() <= result.today]
    printer.say("On the charger tonight", "bold")
    for slot in tonight:
        printer.say(f"  {_slot_text(slot)}")
    if not tonight:
        later = ahead[0] if ahead else None
        printer.say("  nothing" + ("." if later is None else f"; next on {weekday(later.on.date())}."))
    shown = [slot for slot in ahead if result.today < slot.on.date() <= result.today + _CHARGES_SHOWN]
    printer.table(
        "Next",
        ("On", "Charger>", "Pack", "Type", "Off", ""),
        (
            (
                f"{weekday(slot.on.date())} {clock(slot.on)}",
                str(slot.charger),
                slot.pack_id or "any that came back",
                slot.pack_type,
                f"{weekday(slot.off.date())} {clock(slot.off)}",
                "top up" if slot.top_up else "",
            )
            for slot in shown
        ),
    )
    rest = sum(slot.on.date() > result.today + _CHARGES_SHOWN for slot in ahead)
    if rest:
        printer.say(f"{count(rest, 'more charge')} later in the season: --json lists them.")
    for line in charging_cautions(fleet, plan.charging):
        printer.say(f"  - {line}")
    printer.say()


def charging_cautions(fleet: Fleet, slots: Sequence[ChargeSlot]) -> tuple[str, ...]:
    """
    Return the cautions that the coming charges call for.

    Parameters
    ----------
    fleet : Fleet
        Its pack types.
    slots : sequence of ChargeSlot
        Charges.

    Returns
    -------
    tuple of str
        Full sentences; local rules and the makers' words come first.
    """
    from tripplan.fleet import Chemistry

    kinds = {fleet.pack_types[slot.pack_type].chemistry for slot in slots}
    found = [
        "Charge in a ventilated place, on something that does not burn, with the box's lid open, never shut.",
        "Charger off before the leads go on; check polarity; a charger only for its own chemistry and volts.",
        "A cold pack warms indoors overnight; never charge one that is frozen, swollen, wet or leaking.",
    ]
    if Chemistry.LITHIUM_IRON_PHOSPHATE in kinds:
        found.append("Lithium iron phosphate is never charged below 0 C, and only on a charger made for it.")
    return tuple(found) if slots else ()


def _slot_text(slot: ChargeSlot) -> str:
    which = f"pack {slot.pack_id}" if slot.pack_id else f"a {slot.pack_type} that came back"
    top_up = ", topping up" if slot.top_up else ""
    return (
        f"charger {slot.charger}: {which} ({slot.pack_type}{top_up}), on at {clock(slot.on)}, "
        f"off {weekday(slot.off.date())} {clock(slot.off)} at the earliest"
    )


def _print_orders(printer: Printer, result: SparesResult) -> None:
    currency = result.fleet.currency
    printer.table(
        "To have for the year",
        ("Count>", "What", "Order by", "Cost>", "Why"),
        (
            (
                str(one.count),
                one.item,
                _by_text(one.by, result.today),
                "" if one.cost is None else f"{one.cost:g} {currency}",
                one.because,
            )
            for one in result.orders
        ),
    )


def _by_text(by: date | None, today: date) -> str:
    if by is None:
        return "with the next order"
    return "now" if by <= today else weekday(by)


def _print_advice(printer: Printer, result: SparesResult) -> None:
    register = result.arranged.register
    printer.table(
        "Packs to see to",
        ("Pack", "Where", "What to do", "Why"),
        (
            (record.pack.pack_id, record.pack.where or "?", str(one.todo), one.because)
            for record in register.records
            for one in record.advice
            if str(record.pack.state) != "retired"
        ),
    )
    if register.to_test:
        printer.say(f"Test first: {', '.join(register.to_test[:8])}.", "bold")


def _percent(chance: float) -> str:
    """
    Return a chance as people say it, never rounded up to certainty.

    Examples
    --------
    >>> _percent(0.953), _percent(0.9968), _percent(0.99999), _percent(0.004)
    ('95 %', '99.6 %', 'over 99.9 %', '0.4 %')
    """
    percent = 100.0 * chance
    if 0.0 < percent < 0.1:
        return "under 0.1 %"
    if percent > 99.9:
        return "over 99.9 %"
    if percent > 99.0 or percent < 1.0:
        return f"{int(percent * 10.0) / 10.0:g} %" if percent > 99.0 else f"{percent:.1f} %"
    return f"{percent:.0f} %"

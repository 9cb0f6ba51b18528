"""What the terminal says about the leeway of a trip."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tripplan.cli.printing import Printer
from tripplan.cli.wording import clock, count, weekday

if TYPE_CHECKING:
    from tripplan.fleet import Fleet
    from tripplan.plan.document import Trip
    from tripplan.plan.leeway import Leeway

__all__ = ["print_leeway"]


def print_leeway(printer: Printer, fleet: Fleet, trip: Trip, leeway: Leeway) -> None:
    """
    Print what can be lost at each stop, and what to leave out first when the day runs late.

    Parameters
    ----------
    printer : Printer
        Prints on standard output.
    fleet : Fleet
        For the sites' names.
    trip : Trip
        The trip.
    leeway : Leeway
        Its leeway.
    """
    printer.say("If the day runs late", "bold")
    for number, (stop, one) in enumerate(zip(trip.stops, leeway.stops, strict=True), 1):
        sites = ", ".join(visit.site_id for loop in stop.loops for visit in loop.visits)
        more = one.lose_with_reserve_minutes
        reserve = f" ({more} if the reserve before dusk is spent)" if more > one.lose_minutes else ""
        printer.say(
            f"  Stop {number} ({sites}): you can lose {one.lose_minutes} min here{reserve}; "
            f"drive off by {clock(one.turn_back)} at the latest."
        )
    day_start = fleet.crews_by_name[trip.crew].day_start_minute
    if trip.leave.hour * 60 + trip.leave.minute > day_start:
        printer.say(
            "  The plan leaves as late as it may; setting off earlier gives you more "
            f"(the crew's day begins {day_start // 60:02d}:{day_start % 60:02d})."
        )
    if leeway.skip:
        printer.say("  Leave out in this order:")
        for step in leeway.skip:
            label = fleet.sites_by_id[step.site_id].label
            printer.say(
                f"    {label}: can wait until {weekday(step.waits_until)}, "
                f"saves {count(step.saved_minutes, 'minute')}."
            )
    fixed = [one.site_id for one in leeway.visits if one.waits_until is None]
    if fixed:
        printer.say(f"  Not to be left out (no later date serves it in time): {', '.join(fixed)}.")
    printer.say()

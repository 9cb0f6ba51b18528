"""Which cautions a trip calls for, and where each of them matters. Short; local rules come first."""

from __future__ import annotations

from collections.abc import Mapping

from tripplan.fleet import Chemistry, Fleet
from tripplan.outputs.kit_model import CautionsView, PackTag
from tripplan.outputs.wording import Wording
from tripplan.plan.document import Loop, Trip

__all__ = ["loop_caution", "trip_cautions"]

_HEAVY_KG = 15.0  # common practice, no source: above this the page asks to share the load


def trip_cautions(fleet: Fleet, trip: Trip, tags: Mapping[str, PackTag], wording: Wording) -> CautionsView:
    """
    Return the cautions of a trip.

    Parameters
    ----------
    fleet, trip : Fleet, Trip
        Whose trip it is.
    tags : mapping by pack type
        Views of its pack types.
    wording : Wording
        Language and units.

    Returns
    -------
    CautionsView
        On the front: voltage, going alone, permission and season. At the load: fuse, lifting. Back home:
        cold and damaged packs, charging, recycling.
    """
    crew = fleet.crews_by_name[trip.crew]
    kinds = {fleet.pack_types[name].chemistry for name in tags}
    volts = {fleet.sites_by_id[visit.site_id].takes_volts for visit in trip.visits}
    front = ["voltage_mixed" if len(volts) > 1 else "voltage"]
    if len(crew.people) < 2:
        front.append("alone")
    front += ["access", "season"]
    load = ["fuse"]
    heaviest = max((loop.carried_kg for stop in trip.stops for loop in stop.loops), default=0.0)
    if heaviest > 0:
        load.append(_lifting(heaviest))
    home = ["packs_cold"]
    if Chemistry.LITHIUM_IRON_PHOSPHATE in kinds:
        home.append("lfp")
    home += ["charging", "recycle"]

    def said(keys: list[str]) -> tuple[str, ...]:
        places = {"heaviest": wording.weight(heaviest), "freezing": wording.temperature(0.0)}
        return tuple(wording.say(f"caution.{key}", **places) for key in keys)

    return CautionsView(said(front), said(load), said(home))


def loop_caution(loop: Loop, wording: Wording) -> str:
    """Return words on lifting where a loop is heavy; else an empty string."""
    if _lifting(loop.carried_kg) == "lifting":
        return ""
    return wording.say("caution.lifting_heavy", heaviest=wording.weight(loop.carried_kg))


def _lifting(kilograms: float) -> str:
    return "lifting_heavy" if kilograms >= _HEAVY_KG else "lifting"

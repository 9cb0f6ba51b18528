"""
The load: what a device takes from its pack in a day.

A site's `draw_mah_per_day` is counted at the pack's terminals, whatever stands between. A profile is
counted at the device's own voltage, and a converter between the two is worked out here.
"""

from __future__ import annotations

from tripplan.fleet import PackType, Profile, Site
from tripplan.units import HOURS_PER_DAY, draw_from_current_mah_per_day

__all__ = ["CONVERTER_EFFICIENCY", "pack_draw_mah_per_day", "through_converter_mah"]

#: Of a small step-down converter at a light load. Assumption; makers print 0.80 to 0.95 at a full one.
CONVERTER_EFFICIENCY = 0.85


def through_converter_mah(
    charge_mah: float, device_volts: float, pack_volts: float, efficiency: float = CONVERTER_EFFICIENCY
) -> float:
    """
    Return the charge that leaves a pack when a device takes its own through a converter.

    Parameters
    ----------
    charge_mah : float
        What the device takes. [mAh]
    device_volts, pack_volts : float
        On either side of the converter. [V]
    efficiency : float, default CONVERTER_EFFICIENCY
        Power out over power in. [-]

    Returns
    -------
    float
        Charge at the pack. [mAh]

    Examples
    --------
    >>> round(through_converter_mah(40.0, 6.0, 12.0, 0.8), 3)
    25.0
    """
    return charge_mah * device_volts / (pack_volts * efficiency)


def pack_draw_mah_per_day(site: Site, kind: PackType, profile: Profile | None) -> float | None:
    """
    Return what leaves the battery of a site in a day, on average over the year.

    Parameters
    ----------
    site : Site
        With its own draw, or the name of a profile.
    kind : PackType
        A converter in its box is counted, too.
    profile : Profile or None
        The site's profile.

    Returns
    -------
    float or None
        None where neither says. [mAh/day]

    Examples
    --------
    >>> from tripplan.fleet import Profile
    >>> site = Site("A", 0, 0, "T", 12.0, "p", 0, 0, profile="busy")
    >>> busy = Profile("busy", quiescent_ma=0.5, events_per_day=20, mah_per_event=1.5)
    >>> pack_draw_mah_per_day(site, PackType("T", 12.0, "p"), busy)
    42.0
    """
    if site.draw_mah_per_day is not None:
        at_plug = site.draw_mah_per_day
    else:
        device = None if profile is None else profile.device_draw_mah_per_day
        if device is None:
            return None
        at_plug = device
        if site.converter_volts is not None:
            efficiency = site.converter_efficiency or CONVERTER_EFFICIENCY
            at_plug = through_converter_mah(device, site.volts, site.converter_volts, efficiency)
    at_plug += draw_from_current_mah_per_day(site.converter_idle_ma or 0.0)
    if kind.nominal_volts != kind.volts:
        efficiency = kind.number("converter_efficiency", CONVERTER_EFFICIENCY)
        at_plug = through_converter_mah(at_plug, kind.volts, kind.nominal_volts, efficiency)
        at_plug += kind.number("converter_idle_ma", 0.0) * HOURS_PER_DAY
    if site.panel_w is not None:
        at_plug += kind.number("controller_idle_ma", 0.0) * HOURS_PER_DAY
    return at_plug if at_plug > 0.0 else None

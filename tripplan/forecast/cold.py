"""A cold spell that is announced: which sites it pulls forward, and which packs could freeze."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from tripplan.fleet import Fleet
from tripplan.forecast.fleet_forecast import forecast_fleet
from tripplan.forecast.weather import ColdSpell

__all__ = ["ColdEffect", "forecast_cold"]


@dataclass(frozen=True)
class ColdEffect:
    """
    What a cold spell does to one site.

    Attributes
    ----------
    usual_swap_by, swap_by : datetime.date
        Without and with the cold spell.
    chance_dark : float
        Chance of being dark by the end of the spell.
    usual_chance_dark : float
        The same without it.
    freezes_from : datetime.date or None
        Where the pack could freeze in it.
    """

    site_id: str
    usual_swap_by: date
    swap_by: date
    chance_dark: float
    usual_chance_dark: float
    freezes_from: date | None

    @property
    def days_forward(self) -> int:
        """Days by which the swap-by date moves forward. [day]."""
        return (self.usual_swap_by - self.swap_by).days


def forecast_cold(fleet: Fleet, on: date, spell: ColdSpell) -> tuple[ColdEffect, ...]:
    """
    Return what a cold spell does to each site.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    on : datetime.date
        Day of the forecast.
    spell : ColdSpell
        The cold days.

    Returns
    -------
    tuple of ColdEffect
        Only sites whose swap-by date it moves, or whose pack could freeze in it; most days forward first.
    """
    last = spell.first + timedelta(days=spell.days - 1)
    weeks = max(1, -(-((last - on).days + 1) // 7))
    usual = forecast_fleet(fleet, on, weeks)
    cold = forecast_fleet(fleet, on, weeks, spell=spell)
    at = max(0, (last - on).days)
    effects: list[ColdEffect] = []
    for site_id, forecast in cold.sites.items():
        before = usual.sites[site_id]
        # only what the spell itself brings, not the winter's usual danger
        is_new = forecast.freezes_from is not None and forecast.freezes_from <= last
        freezes = forecast.freezes_from if is_new else None
        effect = ColdEffect(
            site_id,
            before.swap_by,
            forecast.swap_by,
            float(cold.dark_chance_in_place[site_id][at]),
            float(usual.dark_chance_in_place[site_id][at]),
            freezes,
        )
        if effect.days_forward > 0 or freezes is not None:
            effects.append(effect)
    return tuple(sorted(effects, key=lambda effect: -effect.days_forward))

"""The forecast as the contract writes it: ``tripplan-forecast/1``."""

from __future__ import annotations

from typing import Any

from tripplan.forecast.outlook import Outlook, SiteForecast

__all__ = ["FORECAST_FORMAT", "outlook_to_json"]

FORECAST_FORMAT = "tripplan-forecast/1"


def outlook_to_json(outlook: Outlook) -> dict[str, Any]:
    """
    Return the forecast as the contract's JSON object.

    Parameters
    ----------
    outlook : Outlook
        From `tripplan.forecast.forecast_fleet`.

    Returns
    -------
    dict
        Ready for ``json.dump``.
    """
    return {
        "format": FORECAST_FORMAT,
        "on": outlook.on.isoformat(),
        "risk": outlook.risk,
        "sites": [_site_to_json(forecast) for forecast in outlook.sites.values()],
        "notes": list(outlook.notes),
    }


def _site_to_json(forecast: SiteForecast) -> dict[str, Any]:
    return {
        "site_id": forecast.site_id,
        "flat_early": forecast.flat_early.isoformat(),
        "flat_likely": forecast.flat_likely.isoformat(),
        "flat_late": forecast.flat_late.isoformat(),
        "swap_by": forecast.swap_by.isoformat(),
        "chance_dark_today": round(forecast.chance_dark_today, 6),
        "charge_left": None if forecast.charge_left is None else round(forecast.charge_left, 4),
        "basis": str(forecast.basis),
        "because": forecast.because,
        "risk": forecast.risk,
        "own_share": round(forecast.own_share, 3),
        "last_runs": [
            {
                "start": run.start.isoformat(),
                "days": run.days,
                "was_flat": run.was_flat,
                "said_early": run.said_early,
                "said_likely": run.said_likely,
                "said_late": run.said_late,
                "pack_id": run.pack_id,
            }
            for run in forecast.last_runs
        ],
        "flags": list(forecast.flags),
        "freezes_from": None if forecast.freezes_from is None else forecast.freezes_from.isoformat(),
        "at_home": forecast.at_home,
    }

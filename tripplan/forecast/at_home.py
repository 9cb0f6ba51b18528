"""Devices that stand at home: nothing runs down there; what counts is the day by which they are set out."""

from __future__ import annotations

from datetime import date

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Site
from tripplan.forecast.outlook import Basis, SiteForecast

__all__ = ["forecast_at_home", "is_to_be_set_out"]


def is_to_be_set_out(site: Site, swap_by: date, on: date) -> bool:
    """
    Tell whether a site comes into service only after the pack on file for it has had its day.

    What stands on file is then taken for a pack of the season before.

    Parameters
    ----------
    site : Site
        A site with a pack on file.
    swap_by : datetime.date
        Its swap-by date.
    on : datetime.date
        Day of the forecast.

    Returns
    -------
    bool
        False for a site in service on `on`, and for one whose pack lasts into its service.
    """
    return site.active_from is not None and site.active_from > on and swap_by < site.active_from


def forecast_at_home(site: Site, risk: float, on: date, to: date) -> tuple[SiteForecast, NDArray[np.float64]]:
    """
    Return the forecast of a site whose device stands at home.

    Parameters
    ----------
    site : Site
        The site.
    risk : float
        Accepted chance of being dark.
    on, to : datetime.date
        The season's first and last date.

    Returns
    -------
    forecast : SiteForecast
        All its dates are ``active_from``, or the season's last where it is not to be set out.
    dark : numpy.ndarray, shape (n_days,)
        1 from ``active_from`` to ``active_to``: what should run there and does not; else 0.
    """
    begin, end = site.active_from, site.active_to
    n_days = (to - on).days + 1
    dark = np.zeros(n_days)
    if begin is None or (end is not None and end < on):
        day, because = to, "not in service; active_from says when it is set out again"
    else:
        day, because = begin, f"at home; to be set out by {begin.isoformat()} (active_from)"
        last = n_days if end is None else (end - on).days + 1
        dark[max(0, (begin - on).days) : max(0, last)] = 1.0
    forecast = SiteForecast(
        site_id=site.site_id,
        flat_early=day,
        flat_likely=day,
        flat_late=day,
        swap_by=day,
        risk=risk,
        chance_dark_today=float(dark[0]),
        charge_left=None,
        basis=Basis.GIVEN_DATE,
        because=because,
        at_home=True,
    )
    return forecast, dark

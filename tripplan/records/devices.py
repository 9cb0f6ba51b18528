"""Where devices stand, as the files and what was told so far have it: what is out and what is at home."""

from __future__ import annotations

from datetime import date, timedelta

from tripplan.fleet import Done, Fleet, Found, VisitRecord
from tripplan.inputs.findings import fold, say_date

__all__ = ["Devices"]

_MOVES = (Done.SWAPPED, Done.INSTALLED, Done.REMOVED)


class Devices:
    """
    Follows the devices through the visits told, in the order of their days.

    Parameters
    ----------
    fleet : Fleet
        As the files have it.
    """

    def __init__(self, fleet: Fleet) -> None:
        self._fleet = fleet
        self._out: dict[str, date | None] = {}
        self._home: dict[str, date | None] = {}
        self._last: dict[str, date] = {}
        for site in fleet.sites:
            key = fold(site.site_id)
            if fleet.is_at_home(site.site_id):
                self._home[key] = None
            else:
                self._out[key] = fleet.in_place[site.site_id].since
        for visit in fleet.visits:
            gone = visit.found is Found.MISSING and visit.done is not Done.INSTALLED
            if visit.done in _MOVES or gone:
                key = fold(visit.site_id)
                self._last[key] = max(visit.day, self._last.get(key, visit.day))
                if key in self._home and (gone or visit.done is Done.REMOVED):
                    self._home[key] = max(visit.day, self._home[key] or visit.day)

    def at_odds(self, visit: VisitRecord) -> str:
        """
        Say what cannot be about what a visit did with the device.

        Parameters
        ----------
        visit : VisitRecord
            With its site spelt as the files have it.

        Returns
        -------
        str
            A clause; empty where it can be, and for a visit from before the last that the files have.
        """
        key = fold(visit.site_id)
        if visit.done not in _MOVES or visit.day < self._last.get(key, visit.day):
            return ""
        if key in self._home and visit.done is not Done.INSTALLED:
            since = self._home[key]
            what = "its device was taken in" if visit.done is Done.REMOVED else "its pack was swapped"
            known = (
                "it was never set out" if since is None else f"it has been at home since {say_date(since)}"
            )
            return f"{what}, but as the records have it, {known}"
        if key in self._out and visit.done is Done.INSTALLED and visit.found is not Found.MISSING:
            since = self._out[key]
            if since is None or since == visit.day or self._is_of_last_season(visit, since):
                return ""
            return f"a device was set out, but one has stood there since {say_date(since)}"
        return ""

    def note(self, visit: VisitRecord) -> None:
        """
        Take in what a visit did.

        Parameters
        ----------
        visit : VisitRecord
            One on which no question is open.
        """
        key = fold(visit.site_id)
        if visit.day < self._last.get(key, visit.day) or key not in {**self._out, **self._home}:
            return
        if visit.done in (Done.SWAPPED, Done.INSTALLED):
            self._home.pop(key, None)
            self._out[key] = visit.day
        elif visit.done is Done.REMOVED or visit.found is Found.MISSING:
            self._out.pop(key, None)
            self._home[key] = visit.day
        else:
            return
        self._last[key] = visit.day

    def _is_of_last_season(self, visit: VisitRecord, since: date) -> bool:
        """Tell whether what the files have is from before the days on which the device may be set out."""
        begin = self._fleet.sites_by_id[visit.site_id].active_from
        first = None if begin is None else begin - timedelta(days=self._fleet.plan.set_out_days)
        return first is not None and since < first <= visit.day

"""When a pack that came back is no spare until it has been tested."""

from __future__ import annotations

import re

from tripplan.fleet import Cause, Chemistry, PackType, VisitRecord

__all__ = ["suspect_reason"]

# Below 1.75 V a cell at rest, the usual end of discharge of lead-acid cells, so 10.5 V of six cells and
# 5.25 V of three.
_LEAST_OF_NOMINAL = 0.875
_WORDS = re.compile(
    r"\b(frozen|froze|frost-?bitten|swollen|swelling|bulg(?:ed|ing)|wet|soaked|flooded|leak(?:s|ed|ing|y)?)\b",
    re.IGNORECASE,
)


def suspect_reason(visit: VisitRecord, kind: PackType | None) -> str:
    """
    Return why a pack that came back is suspect.

    Parameters
    ----------
    visit : VisitRecord
        The visit on which it came out.
    kind : PackType or None
        Its type, where known.

    Returns
    -------
    str
        A clause; empty where nothing is suspect. The limit of volts is for lead-acid packs, the words and
        the cause ``water`` count for every chemistry.

    Examples
    --------
    >>> from datetime import date
    >>> sla = PackType("SLA12", 12.0, "plug")
    >>> suspect_reason(VisitRecord(date(2026, 12, 5), "C1", volts_out=10.2), sla)
    'came back at 10.2 V, below 10.5 V'
    >>> suspect_reason(VisitRecord(date(2026, 12, 5), "C1", notes="box full, pack Swollen"), sla)
    "the notes say 'Swollen'"
    """
    if (
        kind is not None
        and kind.chemistry is Chemistry.SEALED_LEAD_ACID
        and visit.volts_out is not None
        and visit.volts_out < _LEAST_OF_NOMINAL * kind.nominal_volts
    ):
        limit = _LEAST_OF_NOMINAL * kind.nominal_volts
        return f"came back at {visit.volts_out:g} V, below {limit:g} V"
    word = _WORDS.search(visit.notes)
    if word is not None:
        return f"the notes say '{word[0]}'"
    return "the cause was water" if visit.cause is Cause.WATER else ""

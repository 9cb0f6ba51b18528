"""Places and telephone numbers as people read them and as a phone opens them; no link asks a host."""

from __future__ import annotations

import re

from tripplan.outputs.wording import Wording

__all__ = ["coordinates", "geo_uri", "phone_links"]

# A telephone number in free text: digits with the usual signs between them; dates and times are too short.
_PHONE = re.compile(r"(?<![\w.,:/-])\+?\(?\d(?:[ /().\u00a0-]{0,2}\d){6,14}(?![\w:]|[.,]\d)")


def coordinates(lat: float, lon: float, wording: Wording) -> str:
    """
    Return coordinates as people read them aloud.

    Parameters
    ----------
    lat, lon : float
        WGS84. [deg]
    wording : Wording
        Language, for the letters of the four directions.

    Returns
    -------
    str
        Decimal degrees to five places, about a metre.

    Examples
    --------
    >>> from tripplan.outputs.wording import wording_for
    >>> coordinates(-42.123456, 147.2, wording_for("en"))
    '42.12346 S, 147.20000 E'
    """
    ns = wording.say("compass.north" if lat >= 0 else "compass.south")
    ew = wording.say("compass.east" if lon >= 0 else "compass.west")
    return f"{abs(lat):.5f} {ns}, {abs(lon):.5f} {ew}"


def geo_uri(lat: float, lon: float) -> str:
    """Return the geo URI of RFC 5870."""
    return f"geo:{lat:.6f},{lon:.6f}"


def phone_links(text: str) -> tuple[tuple[str, str], ...]:
    """
    Return the telephone numbers of a text, as written and as ``tel:`` links of RFC 3966.

    Parameters
    ----------
    text : str
        For example a contact of access.csv.

    Returns
    -------
    tuple of (str, str)
        At most three; numbers of seven to fifteen digits (ITU-T E.164 allows fifteen).

    Examples
    --------
    >>> phone_links("Estate office, 0123 555 0199 (after 8)")
    (('0123 555 0199', 'tel:01235550199'),)
    >>> phone_links("gate code 1234, from 2027-03-06, at 57.24004")
    ()
    """
    found = []
    for match in _PHONE.finditer(text):
        written = match[0]
        if re.fullmatch(r"\d{4}-\d\d-\d\d|\d+\.\d+", written):
            continue
        found.append(
            (written, "tel:" + ("+" if written.startswith("+") else "") + re.sub(r"\D", "", written))
        )
    return tuple(dict.fromkeys(found))[:3]

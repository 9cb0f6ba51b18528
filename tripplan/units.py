"""
Conversions and physical constants, each with its source.

Where a number is a convention of this project and not a published one, its line says so.
"""

from __future__ import annotations

import math

__all__ = [
    "DAYS_PER_MONTH",
    "DAYS_PER_YEAR",
    "HOURS_PER_DAY",
    "HOURS_PER_MONTH",
    "MAH_PER_AH",
    "ZERO_CELSIUS_K",
    "charge_from_energy_mah",
    "draw_from_current_mah_per_day",
    "fahrenheit_to_celsius",
    "seconds_of_hours",
    "so_many",
]

HOURS_PER_DAY = 24.0
#: Mean Gregorian month, 365.25 x 24 / 12. [h]. Other texts use 720 or 730 h (1.4 % less at most).
HOURS_PER_MONTH = 730.5
#: The same in days. [day]
DAYS_PER_MONTH = HOURS_PER_MONTH / HOURS_PER_DAY
#: Julian year. [day]
DAYS_PER_YEAR = 365.25
MAH_PER_AH = 1000.0
#: Ice point, by definition of the degree Celsius (BIPM, SI Brochure, 9th ed. 2019). [K]
ZERO_CELSIUS_K = 273.15


def fahrenheit_to_celsius(temp_f: float) -> float:
    """
    Return a temperature in degrees Celsius (NIST Special Publication 811, appendix B).

    Parameters
    ----------
    temp_f : float
        Temperature. [deg F]

    Returns
    -------
    float
        Temperature. [deg C]

    Examples
    --------
    >>> fahrenheit_to_celsius(212.0)
    100.0
    """
    return (temp_f - 32.0) * 5.0 / 9.0


def draw_from_current_mah_per_day(current_ma: float) -> float:
    """
    Return the charge that an average current takes in a day.

    Parameters
    ----------
    current_ma : float
        Average current. [mA]

    Returns
    -------
    float
        Charge per day. [mAh/day]

    Examples
    --------
    >>> draw_from_current_mah_per_day(1.25)
    30.0
    """
    return current_ma * HOURS_PER_DAY


def charge_from_energy_mah(energy_j: float, volts: float) -> float:
    """
    Return the charge that an amount of energy takes at a voltage.

    Parameters
    ----------
    energy_j : float
        Energy. [J]
    volts : float
        Voltage at which it is drawn, above 0. [V]

    Returns
    -------
    float
        Charge. [mAh]

    Raises
    ------
    ValueError
        If `volts` is not above 0.

    Examples
    --------
    >>> round(charge_from_energy_mah(1.2, 12.0), 4)
    0.0278
    """
    if not volts > 0:
        raise ValueError(f"volts must be above 0, not {volts}")
    return energy_j / volts / 3600.0 * MAH_PER_AH


def seconds_of_hours(hours: float) -> int:
    """
    Return a duration in whole seconds, rounded up.

    Parameters
    ----------
    hours : float
        Duration; within a microsecond of a whole second it is that second. [h]

    Returns
    -------
    int
        Duration. [s]

    Examples
    --------
    >>> seconds_of_hours(12.0), seconds_of_hours(0.1), seconds_of_hours(12.00001)
    (43200, 360, 43201)
    """
    return math.ceil(hours * 3600 - 1e-6)


def so_many(number: int, name: str) -> str:
    r"""
    Return a number of things of a name; a sign between where the name begins with a figure itself.

    Parameters
    ----------
    number : int
        How many.
    name : str
        Such as the name of a pack type.

    Returns
    -------
    str
        Readable also for packs that are named by their volts.

    Examples
    --------
    >>> so_many(3, "SLA12"), ascii(so_many(8, "12V 7Ah"))
    ('3 SLA12', "'8 \\xd7 12V 7Ah'")
    """
    return f"{number} \N{MULTIPLICATION SIGN} {name}" if name[:1].isdigit() else f"{number} {name}"

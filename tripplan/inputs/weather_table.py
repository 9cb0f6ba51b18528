"""weather.csv: the day's mean temperature as it was measured, or is announced."""

from __future__ import annotations

from datetime import date

from tripplan.inputs.columns import ColumnReader

__all__ = ["read_weather"]


def read_weather(reader: ColumnReader) -> dict[date, float]:
    """
    Read weather.csv.

    Parameters
    ----------
    reader : ColumnReader
        The table.

    Returns
    -------
    dict of datetime.date to float
        The day's mean. [deg C]
    """
    reader.require("date")
    reader.require("temp_c")
    days, temps = reader.dates("date"), reader.numbers("temp_c", -60, 50)
    found: dict[date, float] = {}
    first_row: dict[date, int] = {}
    for row in reader.rows:
        number = row.number
        if number not in days or number not in temps:
            continue
        day = days[number]
        if day in found:
            reader.fault(
                number, "date", f"the day stands in row {first_row[day]} already", "Keep one row a day."
            )
            continue
        found[day], first_row[day] = temps[number], number
    return found

"""Which tables a fleet has and which columns they know."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["SETTINGS_FILE", "TABLES", "WORKBOOK", "TableSpec"]

SETTINGS_FILE = "tripplan.toml"
WORKBOOK = "fleet.xlsx"


@dataclass(frozen=True)
class TableSpec:
    """
    One table.

    Attributes
    ----------
    name : str
        Name of the file without its ending, and of the sheet in a workbook.
    required, optional : tuple of str
        Column names.
    """

    name: str
    required: tuple[str, ...]
    optional: tuple[str, ...]

    @property
    def columns(self) -> tuple[str, ...]:
        """All known columns."""
        return self.required + self.optional


TABLES = {
    spec.name: spec
    for spec in (
        TableSpec(
            "sites",
            ("site_id", "lat", "lon", "pack_type"),
            (
                "name",
                "park_lat",
                "park_lon",
                "walk_m",
                "climb_m",
                "volts",
                "plug",
                "draw_mah_per_day",
                "usual_months",
                "swapped_on",
                "flat_on",
                "flat_on_sd_days",
                "work_minutes",
                "access",
                "backup_days",
                "backup_chemistry",
                "backup_cells",
                "converter_volts",
                "converter_idle_ma",
                "converter_efficiency",
                "panel_w",
                "sun_fraction",
                "risk",
                "in_use",
                "active_from",
                "active_to",
                "device_kg",
                "device_id",
                "profile",
                "find",
                "notes",
                "private",
            ),
        ),
        TableSpec(
            "access",
            ("access",),
            (
                "rule",
                "days",
                "from",
                "to",
                "season_from",
                "season_to",
                "contact",
                "notice_days",
                "crews",
            ),
        ),
        TableSpec(
            "packs",
            ("pack_id", "pack_type"),
            ("bought", "tested_ah", "tested_on", "where", "since", "state"),
        ),
        TableSpec(
            "visits",
            ("date", "site_id"),
            (
                "found",
                "cause",
                "done",
                "pack_out",
                "volts_out",
                "pack_in",
                "volts_in",
                "minutes",
                "notes",
            ),
        ),
        TableSpec("readings", ("when", "site_id"), ("volts", "percent", "source", "temp_c")),
        TableSpec("jobs", ("site_id", "job"), ("due_by", "minutes", "bring", "done_on")),
        TableSpec("legs", ("from", "to", "minutes"), ("km",)),
        TableSpec("weather", ("date", "temp_c"), ()),
        TableSpec("wishes", ("wish",), ("date", "until", "crew", "sites", "notes")),
    )
}

"""A small invented fleet on disk whose records the tests change; every name in it is made up."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

TODAY = "2026-12-06"
TRIP = "2026-12-05-A"

TOML = """[fleet]
name = "Hollow beck (invented)"
timezone = "Europe/London"

[[crew]]
name = "Ada"
base_lat = 54.40
base_lon = -2.90

[pack_types.SLA12]
volts = 12.0
plug = "5.5x2.1 centre +"
usual_months = 5.0

[pack_types.SLA6]
volts = 6.0
plug = "5.5x2.1 centre +"
usual_months = 5.0
"""
SITES = """site_id,name,lat,lon,pack_type,volts,active_to,my remark
C1,Fold,54.41000,-2.91000,SLA12,12,,mine
C2,Spur,54.41100,-2.91200,SLA12,12,,
C3,Lek,54.41200,-2.91500,SLA12,12,,"a, b"
D1,Mill,54.42000,-2.92000,SLA6,6,,
"""
PACKS = """pack_id,pack_type,bought,where,since,state,colour
A1,SLA12,2025-09-01,C1,2026-09-05,in use,red
A2,SLA12,2025-09-01,C2,2026-09-05,in use,
A3,SLA12,2025-09-01,C3,2026-09-06,in use,
A4,SLA12,2025-09-01,shelf,2026-10-01,charged,
A5,SLA12,2025-09-01,shelf,2026-10-01,charged,
A6,SLA12,2026-11-20,shelf,2026-11-20,charged,
B1,SLA6,2025-09-01,D1,2026-09-06,in use,
B2,SLA6,2025-09-01,shelf,2026-10-01,charged,
"""
VISITS = """date,site_id,who,found,cause,done,pack_out,volts_out,pack_in,volts_in,minutes,notes
2026-09-05,C1,Ada,,,installed,,,A1,12.9,20,
2026-09-05,C2,Ada,,,installed,,,A2,12.8,,
2026-09-06,C3,,,,installed,,,A3,,,"stile, then left"
2026-09-06,D1,,,,installed,,,B1,6.4,,
"""
FILES = {"tripplan.toml": TOML, "sites.csv": SITES, "packs.csv": PACKS, "visits.csv": VISITS}


def write_fleet(folder: Path, **files: str | None) -> Path:
    """Write the fleet; ``packs_csv=None`` leaves a file out, ``packs_csv=TEXT`` writes another."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in FILES.items():
        given = files.get(name.replace(".", "_"), text)
        if given is not None:
            (folder / name).write_text(given, encoding="utf-8", newline="")
    return folder


def visit(site_id: str, **fields: Any) -> dict[str, Any]:
    """Return a visit as the field kit sends it."""
    blank = dict.fromkeys(
        ("found", "cause", "done", "pack_out", "volts_out", "pack_in", "volts_in", "minutes", "notes")
    )
    return {"site_id": site_id, "when": "2026-12-05T09:31:00+00:00", **blank, **fields}


SWAP = visit(
    "C1",
    found="running",
    done="swapped",
    pack_out="A1",
    volts_out=12.1,
    pack_in="A4",
    volts_in=12.9,
    minutes=15,
)


def results(*visits: dict[str, Any], trip_id: str = TRIP, by: str = "Ruth") -> dict[str, Any]:
    """Return results as the field kit sends them."""
    return {"format": "tripplan-results/1", "trip_id": trip_id, "by": by, "visits": list(visits)}


def write_results(path: Path, *visits: dict[str, Any], **others: str) -> Path:
    """Write a results file."""
    path.write_text(json.dumps(results(*visits, **others)), encoding="utf-8")
    return path


def snapshot(folder: Path) -> dict[str, bytes]:
    """Return the fleet's own files; not the journal, the lock or the plan."""
    return {
        path.name: path.read_bytes()
        for path in sorted(folder.iterdir())
        if path.name in {*FILES, "readings.csv"}
    }

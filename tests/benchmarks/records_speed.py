"""
How long commands take on a fleet of many years: ``python tests/benchmarks/records_speed.py [VISITS] [PACKS]``.

An invented fleet of 300 sites; by default 10 000 visits and 1 000 packs, each visit a swap, and a journal of
as many changes. Prints processor seconds and seconds by the clock of the whole command, start of the program
included; on a busy machine only the first mean something.
"""

from __future__ import annotations

import csv
import os
import random
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, date, timedelta
from pathlib import Path

from record_fleet import TOML

FIRST = date(2016, 1, 1)
TODAY = date(2026, 12, 6)


def build(folder: Path, visits: int, packs: int, sites: int = 300) -> None:
    """Write a fleet whose packs go from site to site, with files that agree."""
    chance = random.Random(1)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "tripplan.toml").write_text(TOML, encoding="utf-8")
    rows = [["site_id", "name", "lat", "lon", "pack_type", "active_to"]]
    rows += [
        [
            f"S{n:03d}",
            f"Place {n}",
            f"{54 + 0.002 * (n // 20):.5f}",
            f"{-3 + 0.003 * (n % 20):.5f}",
            "SLA12",
            "",
        ]
        for n in range(sites)
    ]
    _write(folder / "sites.csv", rows)
    where: dict[str, tuple[str, date]] = {}
    at: dict[str, str] = {}
    shelf = [f"P{n:04d}" for n in range(packs)]
    lines = [
        ["date", "site_id", "found", "cause", "done", "pack_out", "volts_out", "pack_in", "volts_in", "notes"]
    ]
    span = (TODAY - FIRST).days
    for number in range(visits):
        day = FIRST + timedelta(days=int(span * number / visits))
        site = f"S{number % sites:03d}"
        fresh = shelf.pop(0)
        old = at.get(site, "")
        volts = f"{11.6 + chance.random():.2f}"
        done = "swapped" if old else "installed"
        lines.append(
            [
                day.isoformat(),
                site,
                "running" if old else "",
                "",
                done,
                old,
                volts if old else "",
                fresh,
                "12.8",
                "",
            ]
        )
        if old:
            shelf.append(old)
            where[old] = ("shelf", day)
        at[site] = fresh
        where[fresh] = (site, day)
    _write(folder / "visits.csv", lines)
    table = [["pack_id", "pack_type", "bought", "where", "since", "state"]]
    for n in range(packs):
        place, since = where.get(f"P{n:04d}", ("shelf", FIRST))
        state = "charged" if place == "shelf" else "in use"
        table.append([f"P{n:04d}", "SLA12", "2015-12-01", place, since.isoformat(), state])
    _write(folder / "packs.csv", table)


def _write(path: Path, rows: list[list[str]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as handle:
        csv.writer(handle, lineterminator="\n").writerows(rows)


def fill_journal(folder: Path, entries: int) -> None:
    """Write a journal of many changes."""
    from datetime import datetime

    from tripplan.records.journal import Entry, FileChange, entry_path

    for number in range(1, entries + 1):
        entry = Entry(
            number,
            datetime(2026, 1, 1, tzinfo=UTC),
            "record",
            "command line: 1 record",
            ("visits.csv, new row: 2026-01-01, S001, found running",),
            files=(FileChange.of("visits.csv", b"a" * 80, b"b" * 80),),
            digest=f"{number:064d}",
        )
        path = entry_path(folder, number)
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(entry.to_bytes())


def _processor_s() -> float:
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def main(visits: int, packs: int) -> None:
    """Time every command that reads or writes the records."""
    env = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "fleet"
        build(folder, visits, packs)
        fill_journal(folder, visits)
        results = Path(name) / "results.json"
        results.write_text(
            '{"format": "tripplan-results/1", "trip_id": "2026-12-05-A", "by": "Ruth", "visits": [{"site_id": "S001", '
            '"when": "2026-12-05T10:00:00Z", "found": "running", "done": "left"}]}',
            encoding="utf-8",
        )
        commands = [
            ["check", str(folder)],
            ["record", str(folder), "--site", "S007", "--found", "running", "--yes"],
            ["record", str(folder), str(results), "--yes"],
            ["record", str(folder), str(results), "--yes"],
            ["undo", str(folder), "--yes"],
            ["history", str(folder)],
            ["forecast", str(folder)],
            ["packs", str(folder)],
        ]
        print(f"{visits} visits, {packs} packs, {visits} changes in the journal")
        for words in commands:
            begun, used = time.perf_counter(), _processor_s()
            done = subprocess.run(
                [sys.executable, "-m", "tripplan", *words, "--today", TODAY.isoformat(), "--quiet"],
                env=env,
                capture_output=True,
                text=True,
                check=False,
            )
            took, used = time.perf_counter() - begun, _processor_s() - used
            status = "" if done.returncode == 0 else f"  exit {done.returncode}: {done.stderr.strip()[-300:]}"
            print(f"{used:6.1f} s  {took:6.1f} s  tripplan {words[0]} {' '.join(words[2:])}{status}")


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:3]]
    main(*(given if len(given) == 2 else (10_000, 1_000)))

"""
Random damage to the demo's files: whatever comes out is read or refused in words, never a crash.

Bytes flipped, files cut off, pieces lost or put in, columns dropped, rows doubled, cells swapped or
replaced by what spreadsheets and people write.
"""

from __future__ import annotations

import csv
import io
import random
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

import tripplan
from tripplan.errors import InputError
from tripplan.inputs import read_fleet
from tripplan.travel import measure_travel

DEMO = Path(tripplan.__file__).parent / "demo"
FILES = {path.name: path.read_bytes() for path in sorted(DEMO.iterdir()) if path.suffix in (".csv", ".toml")}
TODAY = date(2026, 11, 25)

_CELLS = (
    "1e309 -0 inf nan 1e400 0x10 \u0663 \u00bd 1_000 --5 + - . , 1,2,3 2026-02-30 0000-00-00 99999 20000 60000 "
    "59999.99999 29.02.2027 31/12/2026 12/31/2026 05/04/2026 2026-13-01T25:61 2026-04-13T07:05+99:99 24:00 "
    "2026-04-13T07:05-23:59 2026-04-13T07:05Z 25:00 0.999999 =1+1 yes no NA null #N/A 12\u00b0 90\u00b060' 91 "
    "180 -180.0000001 1\u00b02'3\"4 1e5 007 1/0 mon- -sun sun-mon sat;;sun ; 2100-12-31 2101-01-01 19800101 "
    "20260229 1.200,5 12,5 100% 5km -3,25 shelf C1 c1 A01 SLA12 LFP12 \" '' \x00 \U0001f600 \u202e"
)
_SETTINGS = (
    'nan inf [] {} "" "x" [1,"a"] 1979-05-27 07:32:30 1979-05-27T07:32:00Z true [[]] "24:00" ["2027-02-06/"] '
    "0x7fffffffffffffff [nan,nan] -1 0 1e400"
)
ODD_CELLS = (*_CELLS.split(), "9" * 400, "1 200", "a\tb", "two\nlines", "x" * 140_000)
ODD_SETTINGS = (
    *_SETTINGS.split(),
    "1" + "0" * 400,
    "1" + "0" * 5000,
    "[" * 3000,
    f"[{','.join(['1e308'] * 12)}]",
)


def damage_bytes(rng: random.Random, data: bytes) -> bytes:
    at = rng.randrange(len(data))
    match rng.randrange(4):
        case 0:
            changed = bytearray(data)
            for _ in range(rng.randint(1, 6)):
                changed[rng.randrange(len(changed))] = rng.randrange(256)
            return bytes(changed)
        case 1:
            return data[:at]
        case 2:
            return data[:at] + data[at + rng.randint(1, 40) :]
        case _:
            return data[:at] + rng.choice(ODD_CELLS).encode() + data[at:]


def damage_table(rng: random.Random, data: bytes) -> bytes:
    rows = list(csv.reader(io.StringIO(data.decode())))
    column = rng.randrange(len(rows[0]))
    match rng.randrange(6):
        case 0:
            rows.insert(rng.randrange(1, len(rows) + 1), list(rng.choice(rows)))
        case 1:
            rows = [[cell for n, cell in enumerate(row) if n != column] for row in rows]
        case 2:
            rng.shuffle(rows)
        case 3:
            one, other = rng.choice(rows), rng.choice(rows)
            here, there = rng.randrange(len(one)), rng.randrange(len(other))
            one[here], other[there] = other[there], one[here]
        case 4:
            cell = rng.choice(ODD_CELLS)
            for row in rows[1:]:
                row[column] = cell
        case _:
            for _ in range(rng.randint(1, 3)):
                row = rng.choice(rows[1:])
                row[rng.randrange(len(row))] = rng.choice(ODD_CELLS)
    text = io.StringIO()
    csv.writer(text, delimiter=rng.choice(",,,;\t")).writerows(rows)
    return text.getvalue().encode()


def damage_settings(rng: random.Random, data: bytes) -> bytes:
    lines = data.decode().split("\n")
    at = rng.randrange(len(lines))
    match rng.randrange(3):
        case 0:
            lines[at] = ""
        case 1:
            lines.insert(at, rng.choice(lines))
        case _:
            name, equals, _ = lines[at].partition("=")
            lines[at] = f"{name}= {rng.choice(ODD_SETTINGS)}" if equals else "[[crew]]"
    return "\n".join(lines).encode()


def read_damaged(folder: Path, seed: int) -> bool:
    """Read the demo with one or two files damaged; tell whether it was refused."""
    rng = random.Random(seed)
    files = dict(FILES)
    for _ in range(rng.choice((1, 1, 2))):
        name = rng.choice(sorted(files))
        kind: Callable[[random.Random, bytes], bytes] = (
            damage_bytes if rng.random() < 0.3 else damage_table if name.endswith(".csv") else damage_settings
        )
        if files[name] == FILES[name]:
            files[name] = kind(rng, files[name])
    for name, data in files.items():
        (folder / name).write_bytes(data)
    try:
        measure_travel(read_fleet(folder, TODAY))
    except InputError as error:
        faults = error.faults
    else:
        return False
    assert all(fault.file and fault.problem for fault in faults), f"seed {seed}"
    return True


@pytest.mark.parametrize(
    "seeds", [range(60), pytest.param(range(1000, 4000), marks=pytest.mark.slow)], ids=["few", "many"]
)
def test_damaged_files_are_read_or_refused_in_words(tmp_path, seeds):
    refused = sum(read_damaged(tmp_path, seed) for seed in seeds)
    assert len(seeds) * 0.5 < refused < len(seeds) * 0.95


@pytest.mark.parametrize("name", ["sites.csv", "packs.csv", "visits.csv", "jobs.csv"])
def test_a_row_that_stands_twice_is_told(tmp_path, name):
    """Each row of the table in turn, doubled at its end: counted twice it would be another fleet."""
    lines = FILES[name].decode().splitlines()
    for other, data in FILES.items():
        (tmp_path / other).write_bytes(data)
    rows = list(csv.reader(lines))
    for row in rows[1 :: max(1, len(rows) // 12)]:
        text = io.StringIO()
        csv.writer(text).writerows([*rows, row])
        (tmp_path / name).write_text(text.getvalue(), encoding="utf-8")
        aside = name == "sites.csv" and row[rows[0].index("in_use")] == "no"
        with pytest.raises(InputError) as caught:
            read_fleet(tmp_path, TODAY)
        assert f"{name}, row {len(rows) + 1}" in str(caught.value), aside

"""
Kill a process that records, at random moments, and look at what it leaves.

Run as a program of its own, so that the processes it forks have one thread and nothing of pytest's:
``python kill_records.py FOLDER COUNT SEED`` prints a JSON object with the outcomes.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sys
import time
from collections import Counter
from datetime import date, datetime
from pathlib import Path

from record_fleet import SWAP, TODAY, results, snapshot, visit, write_fleet

from tripplan.inputs import read_fleet
from tripplan.records.commit import commit, holding_records, prepare_undo, write_undo
from tripplan.records.journal import read_journal
from tripplan.records.prepare import prepare
from tripplan.records.questions import Answers
from tripplan.records.results_file import read_told
from tripplan.storage import lock_folder

DAY = date.fromisoformat(TODAY)
TOLD = json.dumps(results(SWAP, visit("C3", found="missing"))).encode()


def record(folder: Path, ready: int | None = None) -> None:
    """Record two visits, which changes three files and the journal; tell when the writing begins."""
    with holding_records(folder):
        prepared = prepare(folder, lambda fleet: read_told("r.json", TOLD, fleet.zone), Answers(), today=DAY)
        if ready is not None:
            os.write(ready, b".")
        commit(prepared, now=datetime.now().astimezone())


def state(folder: Path) -> tuple[tuple[tuple[str, bytes], ...], int]:
    """Return the fleet's files and how many changes the journal holds."""
    return tuple(snapshot(folder).items()), len(read_journal(folder))


def main(place: Path, count: int, seed: int) -> dict[str, object]:
    """Return how often the folder was before and after; raise where it was between."""
    chance = random.Random(seed)
    model = write_fleet(place / "before")
    before = state(model)
    shutil.copytree(model, place / "after")
    begun = time.perf_counter()
    record(place / "after")
    whole_s = time.perf_counter() - begun
    after = state(place / "after")
    outcomes: Counter[str] = Counter()
    notes = 0
    for number in range(count):
        folder = place / "fleet"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(model, folder)
        reading, writing = os.pipe()
        waiting, starting = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                os.read(waiting, 1)
                record(folder, writing)
            finally:
                os._exit(0)
        os.close(writing)
        # The first is killed before it may begin and the second not at all, so that both ends are met on any machine.
        if number:
            os.write(starting, b".")
        if number == 1:
            while os.read(reading, 1):  # until it has ended
                pass
        elif number % 4:  # mostly while it writes, since that is but a small part of the whole
            os.read(reading, 1)
            time.sleep(chance.random() * 0.25 * whole_s)
        elif number:
            time.sleep(chance.random() * whole_s)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        for end in (reading, waiting, starting):
            os.close(end)
        notes += any(path.name.startswith(".tripplan-unfinished") for path in folder.iterdir())
        fleet = read_fleet(folder, DAY)  # any command's first step
        with lock_folder(folder):
            pass
        found = state(folder)
        if found not in (before, after):
            raise AssertionError(f"between before and after at kill {number} (seed {seed})")
        if {path.name for path in folder.iterdir()} - {path.name for path in (place / "after").iterdir()}:
            raise AssertionError(f"leavings after kill {number}: {sorted(p.name for p in folder.iterdir())}")
        outcomes["after" if found == after else "before"] += 1
        assert (len(fleet.visits) > 4) is (found == after)
        if found == after and number % 5 == 0:
            with holding_records(folder):
                undoing = prepare_undo(folder)
                assert undoing is not None
                write_undo(undoing, now=datetime.now().astimezone())
            assert state(folder)[0] == before[0]
    return {"kills": count, **outcomes, "cut off between renames": notes}


if __name__ == "__main__":
    json.dump(main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])), sys.stdout)

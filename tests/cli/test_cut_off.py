"""Commands that are killed while they write, or that the disk refuses: the earlier file stays whole, and it is said."""

from __future__ import annotations

import errno
import json
import signal
import subprocess
import sys
import textwrap

import pytest
from failing_disk import Died, FailingDisk

from tripplan.pipeline import season

pytestmark = pytest.mark.usefixtures("short_search")

COMMANDS = {
    "plan": (("--seed", "2"), "plan.json"),
    "handover": (("--plain",), "maps/handover-2026-11-25.html"),
}


@pytest.fixture
def planned_once(request, monkeypatch):
    """Let a command that runs again and again in one test plan once: what it writes is looked at here."""
    request.getfixturevalue("short_search")
    plan_season, found = season.plan_season, []

    def plan(*args, **kwargs):
        if not found:
            found.append(plan_season(*args, **kwargs))
        return found[0]

    monkeypatch.setattr(season, "plan_season", plan)


def _ready(command, folder):
    """Put an earlier file where the command will write; return the words, the file and what it held."""
    more, name = COMMANDS[command]
    file = folder / name
    if command == "handover":
        file.parent.mkdir(exist_ok=True)
        file.write_text("<p>an earlier page</p>", encoding="utf-8")
    return (command, folder, *more), file, file.read_bytes()


def _is_whole(command, content):
    """Tell whether a new file is complete."""
    if command == "plan":
        return json.loads(content)["seed"] == 2
    return content.rstrip().endswith(b"</html>")


def _leavings(folder):
    return sorted(path.name for path in folder.rglob("*") if path.name.startswith(".tripplan"))


@pytest.mark.usefixtures("planned_once")
@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_that_dies_at_any_operation_leaves_the_old_file_or_the_new_one(door, example, command):
    folder = example("first-weekend")
    words, file, before = _ready(command, folder)
    assert door(*words).exit_code == 0  # planned before the disk fails, so that no attempt plans on it
    ends, number = set(), 0
    while "done" not in ends:
        number += 1
        file.write_bytes(before)
        with FailingDisk(at=number, how="dies") as disk:
            try:
                door(*words)
            except Died:
                pass
            else:
                assert disk.count < number
                ends.add("done")
        content = file.read_bytes()
        if content != before:
            assert _is_whole(command, content), f"half-written after operation {number}"
        ends.add("old" if content == before else "new")
    assert number > 3
    assert ends == {"done", "old", "new"}
    assert door(*words).exit_code == 0  # the next run clears up
    assert _leavings(folder) == []


@pytest.mark.skipif(sys.platform == "win32", reason="there is no such signal")
@pytest.mark.parametrize("step", ["fsync", "replace"])
@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_that_is_killed_while_it_writes_leaves_the_old_file(door, example, command, step):
    folder = example("first-weekend")
    words, file, before = _ready(command, folder)
    code = textwrap.dedent(f"""
        import os, signal
        from pathlib import Path
        from tripplan.cli import main
        owner = os if {step!r} == "fsync" else Path
        def dying(*args):
            os.kill(os.getpid(), signal.SIGKILL)
        setattr(owner, {step!r}, dying)
        main({[str(word) for word in (*words, "--today", "2026-11-25")]!r})
    """)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert done.returncode == -signal.SIGKILL
    assert file.read_bytes() == before
    assert door(*words).exit_code == 0
    assert _is_whole(command, file.read_bytes())
    assert _leavings(folder) == []


@pytest.mark.parametrize(
    ("code", "said"),
    [
        (errno.ENOSPC, "cannot be written: the disk is full. Nothing was changed. Free some space"),
        (errno.EACCES, "you have no permission. Nothing was changed. Change the folder's permissions"),
        (errno.EROFS, "Nothing was changed."),
    ],
)
@pytest.mark.parametrize("command", COMMANDS)
def test_a_disk_that_takes_nothing_is_said_plainly(door, example, command, code, said):
    folder = example("first-weekend")
    words, file, before = _ready(command, folder)
    with FailingDisk(at=2, how="for good", code=code):  # the first is the lock
        done = door(*words)
    assert done.exit_code == 1
    assert said in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr
    assert file.read_bytes() == before

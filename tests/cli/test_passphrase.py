"""trip under a passphrase and for a helper, on the command line."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from tripplan.cli import passphrase as passphrase_module
from tripplan.outputs.sealed_page import open_page

pytestmark = pytest.mark.usefixtures("short_search")

GOOD = "bakomu ridase tulivo pegabi"


@pytest.fixture(autouse=True)
def no_variable(monkeypatch):
    monkeypatch.delenv(passphrase_module.VARIABLE, raising=False)


@pytest.fixture
def secret(tmp_path):
    file = tmp_path / "secret.txt"
    file.write_text(GOOD + "\n", encoding="utf-8")
    file.chmod(0o600)
    return file


def test_a_passphrase_file_locks_the_kit_and_says_so(door, example, secret, faults_of):
    folder = example("first-weekend")
    done = door("trip", folder, "--passphrase-file", secret, "--json", folder / "out.json")
    assert done.exit_code == 0, done.stderr
    kit = folder / "maps" / "2026-12-05-A-locked"
    assert sorted(one.name for one in kit.iterdir()) == ["checklist.html", "map.html"]
    assert "opened again with the passphrase by another implementation" in done.stdout
    assert "on the phone before you leave" in done.stdout
    assert "Left out, since they cannot be locked: load.csv, trip.gpx, trip.ics, trip.geojson." in done.stdout
    assert "weak: about" not in done.stderr
    assert GOOD not in done.output
    assert "owl-1" in open_page((kit / "map.html").read_text("utf-8"), GOOD)
    written = json.loads((folder / "out.json").read_text("utf-8"))
    assert written["locked"] is True
    assert faults_of(written) == []


def test_the_environment_locks_too(door, example, monkeypatch):
    monkeypatch.setenv(passphrase_module.VARIABLE, GOOD)
    folder = example("first-weekend")
    said = "TRIPPLAN_PASSPHRASE is set in the environment: what is written is locked with it."
    done = door("trip", folder)
    assert done.exit_code == 0
    assert said in done.stderr
    page = folder / "maps" / "2026-12-05-A-locked" / "map.html"
    assert "owl-1" in open_page(page.read_text("utf-8"), GOOD)
    assert said not in door("trip", folder, "--passphrase").stderr
    # helpers' kits and dated handovers too, as the help says
    helpers = door("trip", folder, "--for", "Ana", "--sites", "mill")
    assert helpers.exit_code == 0
    (kit,) = [one for one in (folder / "maps").iterdir() if "Ana" in one.name]
    assert sorted(one.name for one in kit.iterdir()) == ["checklist.html", "map.html"]
    assert "mill" in open_page((kit / "map.html").read_text("utf-8"), GOOD)
    span = ("--from", "2026-12-01", "--to", "2026-12-20", "--out", folder / "away.html")
    assert door("handover", folder, *span).exit_code == 0
    assert "owl-1" in open_page((folder / "away.html").read_text("utf-8"), GOOD)
    plain = door("handover", folder, "--plain")
    assert plain.exit_code == 2
    assert "TRIPPLAN_PASSPHRASE in the environment is one" in " ".join(plain.stderr.split())
    for command in ("trip", "handover"):
        words = " ".join(door(command, "--help", today=None).output.split())
        assert (
            "Where that variable is set, everything that can be locked is, also without this option." in words
        )


def test_a_weak_passphrase_is_warned_of_with_a_better_one(door, example, secret):
    secret.write_text("camera1", encoding="utf-8")
    done = door("trip", example("first-weekend"), "--passphrase-file", secret)
    assert done.exit_code == 0
    words = " ".join(done.stderr.split())
    assert "The passphrase is weak: about" in words
    assert len(words.split("A better one, drawn just now: ")[1].split()[:4]) == 4


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "The passphrase is empty."),
        (b" \n", "The passphrase is empty."),
        (b"one\ntwo\n", "holds more than one line"),
        (b"\xff\xfe\x00", "cannot be read as a passphrase in UTF-8"),
        (b"a\x00b", "control character"),
    ],
)
def test_an_unfit_passphrase_file_is_refused_before_anything_is_written(door, example, secret, content, said):
    secret.write_bytes(content)
    folder = example("first-weekend")
    done = door("trip", folder, "--passphrase-file", secret)
    assert done.exit_code == 1
    assert said in " ".join(done.stderr.split())
    assert not (folder / "maps").exists()


def test_a_file_that_others_can_read_is_warned_of(door, example, secret):
    secret.chmod(0o644)
    done = door("trip", example("first-weekend"), "--passphrase-file", secret)
    assert "chmod 600" in " ".join(done.stderr.split())


def test_asking_without_a_terminal_is_wrong_usage(door, example):
    done = door("trip", example("first-weekend"), "--passphrase")
    assert done.exit_code == 2
    assert "asks at a terminal, and there is none" in " ".join(done.stderr.split())


def test_a_missing_passphrase_file_is_wrong_usage(door, example, tmp_path):
    assert door("trip", example("first-weekend"), "--passphrase-file", tmp_path / "none").exit_code == 2


def test_a_helpers_kit(door, example, faults_of):
    folder = example("first-weekend")
    done = door("trip", folder, "--for", "Ana B.", "--sites", "mill,P2", "--json", folder / "out.json")
    assert done.exit_code == 0, done.stderr
    assert "This kit is Ana B.'s" in done.stdout
    kit = folder / "maps" / "2026-12-05-A-Ana-B"
    text = (kit / "map.html").read_text("utf-8")
    assert "Kit for Ana B." in text
    written = json.loads((folder / "out.json").read_text("utf-8"))
    assert written["shared_with"] == "Ana B."
    assert faults_of(written) == []


def test_a_helpers_kit_with_unknown_or_no_sites(door, example):
    folder = example("first-weekend")
    done = door("trip", folder, "--for", "Ana", "--sites", "mill, moon")
    assert done.exit_code == 1
    assert "'moon' is not on trip 2026-12-05-A" in " ".join(done.stderr.split())
    assert not (folder / "maps").exists()
    assert door("trip", folder, "--for", "Ana").exit_code == 2
    assert door("trip", folder, "--sites", "mill").exit_code == 2


def test_locking_where_an_open_kit_lies_is_refused(door, example, secret, tmp_path):
    folder, out = example("first-weekend"), tmp_path / "kit"
    assert door("trip", folder, "--out", out).exit_code == 0
    done = door("trip", folder, "--out", out, "--passphrase-file", secret)
    assert done.exit_code == 1
    assert "files of a kit that is not locked" in " ".join(done.stderr.split())


@pytest.mark.skipif(os.name != "posix", reason="a terminal is made with POSIX means")
def test_at_a_terminal_it_is_asked_for_twice_and_never_shown(example):
    import pty

    folder = example("first-weekend")
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "tripplan", "trip", str(folder), "--passphrase", "--today", "2026-11-25"]
    with subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, close_fds=True) as run:
        os.close(theirs)
        shown = b""
        for _ in range(2):
            shown += read_until(ours, b": ")
            os.write(ours, GOOD.encode() + b"\n")
        shown += read_until(ours, None)
        assert run.wait() == 0, shown.decode()
    os.close(ours)
    assert GOOD.encode() not in shown
    assert b"Once more" in shown
    page = folder / "maps" / "2026-12-05-A-locked" / "map.html"
    assert "owl-1" in open_page(page.read_text("utf-8"), GOOD)


def read_until(terminal, end):
    """Read what a program shows, up to a text or to its own end."""
    shown = b""
    while end is None or not shown.endswith(end):
        try:
            more = os.read(terminal, 4096)
        except OSError:  # the other end was closed
            break
        if not more:
            break
        shown += more
    return shown

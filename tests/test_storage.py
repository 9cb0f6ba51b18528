"""Files are whole or as before, whatever fails, and a lock ends with its process."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest
from failing_disk import Died, FailingDisk

from tripplan.errors import StorageError
from tripplan.storage import (
    LOCK_NAME,
    NOTE_NAME,
    content_digest,
    lock_folder,
    read_bytes,
    settle_folder,
    write_files,
)

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="signals and file modes of POSIX")


def _snapshot(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_write_files_makes_missing_folders_and_leaves_nothing_else(tmp_path: Path) -> None:
    write_files({tmp_path / "maps" / "a" / "one.txt": b"1", tmp_path / "two.txt": b"2"})
    assert _snapshot(tmp_path) == {"maps/a/one.txt": b"1", "two.txt": b"2"}


@posix_only
def test_write_files_keeps_the_mode_and_writes_through_a_link(tmp_path: Path) -> None:
    real = tmp_path / "real.json"
    real.write_bytes(b"old")
    real.chmod(0o640)
    link = tmp_path / "plan.json"
    link.symlink_to(real)
    write_files({link: b"new"})
    assert link.is_symlink()
    assert real.read_bytes() == b"new"
    assert real.stat().st_mode & 0o777 == 0o640


FILES = {"a.txt": b"new a", "new/b.txt": b"new b", "c.txt": b"new c"}
OLD = {"a.txt": b"old a", "c.txt": b"old c"}


def _fill(folder: Path) -> Path:
    folder.mkdir()
    for name, content in OLD.items():
        (folder / name).write_bytes(content)
    return folder


def _write(folder: Path) -> None:
    with lock_folder(folder):
        write_files({folder / name: content for name, content in FILES.items()})


def _count_operations(folder: Path) -> int:
    with FailingDisk(at=None) as disk:
        _write(folder)
    return disk.count


@pytest.mark.parametrize("step", ["open", "fsync", "replace"])
@pytest.mark.parametrize("call", [1, 2, 3])
def test_a_full_disk_leaves_the_folder_as_before_and_is_said(tmp_path: Path, step: str, call: int) -> None:
    folder = _fill(tmp_path / "fleet")
    with FailingDisk(at=call, only=step), pytest.raises(StorageError) as caught:
        _write(folder)
    # Three files are written; then the note is; the first replace is the note's own.
    name = ["a.txt", "a.txt", "new/b.txt"][call - 1] if step == "replace" else list(FILES)[call - 1]
    assert str(caught.value) == (
        f"{folder / name}: cannot be written: the disk is full. Nothing was changed. "
        "Free some space and run it again."
    )
    assert _snapshot(folder) == OLD
    assert not (folder / "new").exists()


@pytest.mark.parametrize("how", ["once", "for good", "dies"])
def test_each_operation_failing_in_turn_never_leaves_files_between(tmp_path: Path, how: str) -> None:
    """Fail the n-th operation on the disk, for every n: after the next start all files are old or all new."""
    total = _count_operations(_fill(tmp_path / "count"))
    assert total > 20
    outcomes = []
    for number in range(1, total + 1):
        folder = _fill(tmp_path / f"{how} {number}")
        with FailingDisk(at=number, how=how), contextlib.suppress(StorageError, Died):
            _write(folder)
        settle_folder(folder)
        with lock_folder(folder):
            pass
        seen = _snapshot(folder)
        assert seen in (OLD, FILES), f"between before and after when operation {number} {how}"
        outcomes.append(seen == FILES)
    # Before is not enough: a run that dies after the note stands is finished, not thrown away.
    assert outcomes[0] is False
    assert outcomes[-1] is True
    if how == "dies":
        first = outcomes.index(True)
        assert all(outcomes[first:]), "once the note stands, the write always comes through"


@pytest.mark.parametrize("every", [4, pytest.param(1, marks=pytest.mark.slow)])
@pytest.mark.parametrize("how", ["for good", "dies"])
def test_the_run_that_ends_anothers_work_may_fail_as_well(tmp_path: Path, how: str, every: int) -> None:
    total = _count_operations(_fill(tmp_path / "count"))
    for number in range(1, total + 1, every):
        for second in range(1, 14):
            folder = _fill(tmp_path / f"{number} {second}")
            with FailingDisk(at=number, how=how), contextlib.suppress(StorageError, Died):
                _write(folder)
            with FailingDisk(at=second, how=how), contextlib.suppress(StorageError, Died):
                settle_folder(folder)
            settle_folder(folder)
            with lock_folder(folder):
                pass
            assert _snapshot(folder) in (OLD, FILES)


@pytest.mark.parametrize("how", ["once", "for good", "dies"])
def test_files_that_go_go_together_with_those_that_come(tmp_path: Path, how: str) -> None:
    after = {"a.txt": b"new a"}
    number = total = 0
    while number <= total:
        folder = _fill(tmp_path / f"{number}")
        with FailingDisk(at=number or None, how=how) as disk, contextlib.suppress(StorageError, Died):
            write_files({folder / "a.txt": b"new a", folder / "c.txt": None, folder / "never.txt": None})
        settle_folder(folder)
        with lock_folder(folder):
            pass
        assert _snapshot(folder) in (OLD, after)
        if number == 0:
            total = disk.count
            assert _snapshot(folder) == after
        number += 1
    assert total > 12


def test_a_hand_change_between_the_cut_off_and_the_next_run_is_kept(tmp_path: Path) -> None:
    folder = _fill(tmp_path / "fleet")
    with FailingDisk(at=3, only="replace", how="dies"), contextlib.suppress(Died):
        _write(folder)
    assert (folder / NOTE_NAME).exists()
    (folder / "c.txt").write_bytes(b"by hand")
    with pytest.raises(StorageError) as caught:
        settle_folder(folder)
    assert str(caught.value) == (
        f"{folder}: a run of tripplan had been cut off while it wrote here; its work is ended now. Files that "
        "were changed by hand since then are kept as c.txt.kept-1. Compare them, then run it again."
    )
    assert _snapshot(folder) == FILES | {"c.txt.kept-1": b"by hand"}
    settle_folder(folder)


def test_a_note_that_names_files_elsewhere_is_not_obeyed(tmp_path: Path) -> None:
    folder = _fill(tmp_path / "fleet")
    (tmp_path / "victim.txt").write_bytes(b"mine")
    (tmp_path / ".x.01234567.tripplan-new").write_bytes(b"theirs")
    step = {
        "target": "../victim.txt",
        "new": ".x.01234567.tripplan-new",
        "old": "",
        "new_digest": content_digest(b"theirs"),
        "old_digest": content_digest(b"mine"),
    }
    for steps in ([step], [step | {"target": "/victim.txt"}], [step | {"target": "a.txt", "new": "b/c"}], 7):
        (folder / NOTE_NAME).write_text(json.dumps({"format": "tripplan-unfinished/1", "files": steps}))
        with pytest.raises(StorageError, match="this note about an unfinished run cannot be read"):
            settle_folder(folder)
    assert (tmp_path / "victim.txt").read_bytes() == b"mine"


def test_what_a_cut_off_run_had_prepared_is_gone(tmp_path: Path) -> None:
    folder = _fill(tmp_path / "fleet")
    with FailingDisk(at=3, only="replace", how="dies"), contextlib.suppress(Died):
        _write(folder)
    for left in folder.rglob("*.tripplan-*"):
        if left.name.endswith(("-new", "-old")):
            left.unlink()
    with pytest.raises(StorageError, match="it can be neither finished nor taken back"):
        settle_folder(folder)
    assert (folder / NOTE_NAME).exists()


@pytest.mark.parametrize("count", [1, 2])
def test_a_file_changed_meanwhile_is_not_written_over(tmp_path: Path, count: int) -> None:
    folder = _fill(tmp_path / "fleet")
    names = list(OLD)[:count]
    expect = {folder / name: content_digest(OLD[name]) for name in names}
    (folder / "a.txt").write_bytes(b"by hand")
    with pytest.raises(StorageError) as caught:
        write_files({folder / name: b"new" for name in names}, expect=expect)
    assert str(caught.value) == (
        "a.txt: another program changed the file while tripplan was at work. Nothing was changed. Run it again."
    )
    assert _snapshot(folder) == OLD | {"a.txt": b"by hand"}


def test_a_file_that_should_not_be_there_is_not_written_over(tmp_path: Path) -> None:
    folder = _fill(tmp_path / "fleet")
    with pytest.raises(StorageError, match="another program changed the file"):
        write_files({folder / "a.txt": b"new"}, expect={folder / "a.txt": ""})
    assert _snapshot(folder) == OLD


def test_a_change_into_the_old_file_in_the_last_moment_is_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = _fill(tmp_path / "fleet")
    real = Path.replace

    def late(self: Path, target: Path) -> Path:
        if target.name == "c.txt":
            with target.open("r+b") as handle:  # a spreadsheet saves into the very file
                handle.write(b"by hand")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", late)
    expect = {folder / name: content_digest(content) for name, content in OLD.items()}
    with pytest.raises(StorageError, match=r"c\.txt: another program changed the file"):
        write_files({folder / name: b"new" for name in OLD}, expect=expect)
    monkeypatch.undo()
    assert _snapshot(folder) == OLD | {"c.txt": b"by hand"}


def test_waiting_for_the_lock(tmp_path: Path) -> None:
    code = textwrap.dedent(f"""
        import time
        from pathlib import Path
        from tripplan.storage import lock_folder
        with lock_folder(Path({str(tmp_path)!r})):
            print("held", flush=True)
            time.sleep(0.5)
    """)
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with lock_folder(tmp_path, wait_s=600.0):
            pass


def test_without_hard_links_a_copy_serves(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_link(*_: object, **__: object) -> None:
        raise OSError(errno.EPERM, "links are not known here")

    monkeypatch.setattr(os, "link", no_link)
    (tmp_path / "a.txt").write_bytes(b"old")
    write_files({tmp_path / "a.txt": b"new"})
    assert _snapshot(tmp_path) == {"a.txt": b"new"}


def test_what_cannot_be_put_back_is_named_and_mended_by_the_next_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("a.txt", "b.txt"):
        (tmp_path / name).write_bytes(b"old")
    real = Path.replace
    calls = []

    def failing(self: Path, target: Path) -> Path:
        calls.append(target)
        if len(calls) > 2 and target.suffix == ".txt":
            raise OSError(errno.EIO, "broken")
        return real(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", failing)
        with pytest.raises(StorageError) as caught:
            write_files({tmp_path / "a.txt": b"new", tmp_path / "b.txt": b"new"})
    assert str(caught.value) == (
        f"{tmp_path / 'b.txt'}: cannot be written: the disk reports an error. a.txt could not be put back as "
        "before; the next run here tries it again. Check the disk before you trust it further."
    )
    assert (tmp_path / "a.txt").read_bytes() == b"new"
    settle_folder(tmp_path)
    assert _snapshot(tmp_path) == {"a.txt": b"old", "b.txt": b"old"}


def test_ctrl_c_while_writing_leaves_the_folder_as_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a.txt").write_bytes(b"old")
    before = _snapshot(tmp_path)

    def interrupt(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_files({tmp_path / "a.txt": b"new", tmp_path / "b" / "b.txt": b"new"})
    assert _snapshot(tmp_path) == before
    assert not (tmp_path / "b").exists()


@posix_only
def test_a_size_limit_of_the_system_is_reported_plainly(tmp_path: Path) -> None:
    target = tmp_path / "plan.json"
    target.write_bytes(b"old")
    code = f"""
        import resource, signal
        from pathlib import Path
        from tripplan.errors import StorageError
        from tripplan.storage import write_files
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
        try:
            write_files({{Path({str(target)!r}): b"x" * 5000}})
        except StorageError as error:
            print(error)
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code)], capture_output=True, text=True, check=True
    )
    assert done.stdout == (
        f"{target}: cannot be written: the file would be larger than allowed here. "
        "Nothing was changed. Choose a folder on another disk.\n"
    )
    assert _snapshot(tmp_path) == {"plan.json": b"old"}


@posix_only
def test_a_folder_without_write_permission(tmp_path: Path) -> None:
    folder = tmp_path / "fleet"
    folder.mkdir()
    folder.chmod(0o555)
    for parent in [tmp_path, *list(tmp_path.parents)[:2]]:
        parent.chmod(parent.stat().st_mode | 0o055)
    code = f"""
        import os
        from pathlib import Path
        from tripplan.errors import StorageError
        from tripplan.storage import lock_folder, write_files
        if os.geteuid() == 0:
            os.setuid(65534)
        folder = Path({str(folder)!r})
        try:
            write_files({{folder / "plan.json": b"x"}})
        except StorageError as error:
            print(error)
        try:
            with lock_folder(folder):
                print("locked")
        except StorageError as error:
            print(error)
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code)], capture_output=True, text=True, check=True
    )
    mend = "Nothing was changed. Change the folder's permissions, or choose another folder."
    assert done.stdout == (
        f"{folder / 'plan.json'}: cannot be written: you have no permission. {mend}\n"
        f"{folder}: cannot be written to: you have no permission. {mend}\n"
    )


def test_a_folder_in_the_place_of_the_file(tmp_path: Path) -> None:
    (tmp_path / "plan.json").mkdir()
    with pytest.raises(StorageError) as caught:
        write_files({tmp_path / "a.txt": b"a", tmp_path / "plan.json": b"x"})
    assert str(caught.value) == (
        f"{tmp_path / 'plan.json'}: cannot be written: a folder of this name stands there. "
        "Nothing was changed. Move the folder away or rename it."
    )
    assert list(tmp_path.iterdir()) == [tmp_path / "plan.json"]


def test_a_file_in_the_place_of_a_folder(tmp_path: Path) -> None:
    (tmp_path / "maps").write_bytes(b"")
    with pytest.raises(StorageError) as caught:
        write_files({tmp_path / "maps" / "x" / "a.txt": b"a"})
    assert str(caught.value) == (
        f"{tmp_path / 'maps' / 'x' / 'a.txt'}: cannot be written: a part of this path is a file, "
        "not a folder. Nothing was changed. Check the name."
    )


def test_reading_what_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(StorageError) as caught:
        read_bytes(tmp_path / "none.csv")
    assert str(caught.value) == (
        f"{tmp_path / 'none.csv'}: cannot be read: there is no such file or folder. Check the name."
    )


def test_reading_a_folder(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="a folder of this name stands there"):
        read_bytes(tmp_path)


def test_a_second_run_is_refused_and_names_the_first(tmp_path: Path) -> None:
    with lock_folder(tmp_path):
        with pytest.raises(StorageError) as caught, lock_folder(tmp_path):
            pass
        pid, since = (tmp_path / LOCK_NAME).read_text().split()
        assert pid == str(os.getpid())
        shown = since[:19].replace("T", " ")
        assert str(caught.value) == (
            f"{tmp_path}: another run of tripplan is at work here (process {pid}, since {shown}). "
            "Wait until it has ended; nothing was changed."
        )
    assert not (tmp_path / LOCK_NAME).exists()
    with lock_folder(tmp_path):
        pass


def test_the_lock_clears_away_what_a_killed_run_left(tmp_path: Path) -> None:
    (tmp_path / ".plan.json.0badf00d.tripplan-new").write_bytes(b"half")
    (tmp_path / ".plan.json.0badf00d.tripplan-old").write_bytes(b"older")
    (tmp_path / "plan.json").write_bytes(b"whole")
    with lock_folder(tmp_path):
        pass
    assert _snapshot(tmp_path) == {"plan.json": b"whole"}


@posix_only
@pytest.mark.parametrize(
    ("step", "expected"),
    [
        ("first fsync", {"a.txt": b"old", "b.txt": b"old"}),
        ("second fsync", {"a.txt": b"old", "b.txt": b"old"}),
        ("first replace", {"a.txt": b"old", "b.txt": b"old"}),
        ("second replace", {"a.txt": b"new" * 1000, "b.txt": b"new" * 1000}),
    ],
)
def test_a_killed_run_is_finished_or_forgotten_and_leaves_no_lock(
    tmp_path: Path, step: str, expected: dict[str, bytes]
) -> None:
    for name in ("a.txt", "b.txt"):
        (tmp_path / name).write_bytes(b"old")
    which, method = step.split()
    code = f"""
        import os, signal
        from pathlib import Path
        from tripplan import storage
        owner = os if {method!r} == "fsync" else Path
        real, calls = getattr(owner, {method!r}), []
        def dying(*args):
            calls.append(args)
            if len(calls) == {1 if which == "first" else 2}:
                os.kill(os.getpid(), signal.SIGKILL)
            return real(*args)
        setattr(owner, {method!r}, dying)
        folder = Path({str(tmp_path)!r})
        with storage.lock_folder(folder):
            storage.write_files({{folder / n: b"new" * 1000 for n in ("a.txt", "b.txt")}})
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(code)], check=False)
    assert done.returncode == -signal.SIGKILL
    with lock_folder(tmp_path):  # the dead run's lock does not hold, and its leavings go
        pass
    assert _snapshot(tmp_path) == expected


def test_a_folder_that_may_be_listed_but_not_entered(tmp_path, monkeypatch):
    """Permissions do not bind root, so the answer of the system is played."""

    def refuse(path: Path, **_: object) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))

    monkeypatch.setattr(Path, "stat", refuse)
    with pytest.raises(StorageError) as caught:
        settle_folder(tmp_path)
    assert str(caught.value) == (
        f"{tmp_path}: cannot be read: you have no permission. "
        "Change the folder's permissions, or choose another folder."
    )


@posix_only
def test_a_lock_that_the_disk_does_not_let_sign(tmp_path):
    """The lock file itself needs no room, its text does; closing it must not fail a second time."""
    code = textwrap.dedent(f"""
        import resource, signal
        from pathlib import Path
        from tripplan.errors import StorageError
        from tripplan.storage import lock_folder
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
        try:
            with lock_folder(Path({str(tmp_path / "new")!r})):
                print("the lock was given")
        except StorageError as error:
            print(error)
        """)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == (
        f"{tmp_path / 'new'}: cannot be written to: the file would be larger than allowed here. "
        "Nothing was changed. Choose a folder on another disk.\n"
    )
    assert list(tmp_path.iterdir()) == []


def test_folders_made_for_files_that_did_not_come_are_removed(tmp_path):
    with pytest.raises(ZeroDivisionError), lock_folder(tmp_path / "maps" / "trip"):
        raise ZeroDivisionError
    assert list(tmp_path.iterdir()) == []
    with lock_folder(tmp_path / "maps" / "trip"):
        (tmp_path / "maps" / "trip" / "load.csv").write_bytes(b"x")
    assert [path.name for path in (tmp_path / "maps").iterdir()] == ["trip"]

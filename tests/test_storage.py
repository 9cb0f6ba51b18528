"""Files are whole or as before, whatever fails, and a lock ends with its process."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path

import pytest

from tripplan import storage
from tripplan.errors import StorageError
from tripplan.storage import LOCK_NAME, lock_folder, read_bytes, write_files

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


def _fail_at(call: int, real: Callable[..., object]) -> tuple[Callable[..., object], list[int]]:
    calls = [0]

    def failing(*args: object, **kwargs: object) -> object:
        calls[0] += 1
        if calls[0] == call:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(*args, **kwargs)

    return failing, calls


@pytest.mark.parametrize("call", [1, 2, 3])
@pytest.mark.parametrize("step", ["open", "fsync", "replace"])
def test_each_write_failing_in_turn_leaves_the_folder_as_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, call: int
) -> None:
    (tmp_path / "a.txt").write_bytes(b"old a")
    (tmp_path / "c.txt").write_bytes(b"old c")
    before = _snapshot(tmp_path)
    owner = {"open": Path, "replace": Path, "fsync": storage.os}[step]
    failing, calls = _fail_at(call, getattr(owner, step))
    with monkeypatch.context() as patch:
        patch.setattr(owner, step, failing)
        with pytest.raises(StorageError) as caught:
            write_files(
                {
                    tmp_path / "a.txt": b"new a",
                    tmp_path / "new" / "b.txt": b"new b",
                    tmp_path / "c.txt": b"new c",
                }
            )
    assert calls[0] >= call
    name = ["a.txt", "new/b.txt", "c.txt"][call - 1]
    assert str(caught.value) == (
        f"{tmp_path / name}: cannot be written: the disk is full. Nothing was changed. "
        "Free some space and run it again."
    )
    assert _snapshot(tmp_path) == before
    assert not (tmp_path / "new").exists()


def test_without_hard_links_a_copy_serves(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_link(*_: object, **__: object) -> None:
        raise OSError(errno.EPERM, "links are not known here")

    monkeypatch.setattr(storage.os, "link", no_link)
    (tmp_path / "a.txt").write_bytes(b"old")
    write_files({tmp_path / "a.txt": b"new"})
    assert _snapshot(tmp_path) == {"a.txt": b"new"}


def test_what_cannot_be_put_back_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("a.txt", "b.txt"):
        (tmp_path / name).write_bytes(b"old")
    real = Path.replace
    calls = []

    def failing(self: Path, target: Path) -> Path:
        calls.append(target)
        if len(calls) > 1:
            raise OSError(errno.EIO, "broken")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", failing)
    with pytest.raises(StorageError) as caught:
        write_files({tmp_path / "a.txt": b"new", tmp_path / "b.txt": b"new"})
    assert str(caught.value) == (
        f"{tmp_path / 'b.txt'}: cannot be written: the disk reports an error. "
        "a.txt could not be put back as before. Check the disk before you trust it further."
    )
    assert (tmp_path / "a.txt").read_bytes() == b"new"
    assert (tmp_path / "b.txt").read_bytes() == b"old"


def test_ctrl_c_while_writing_leaves_the_folder_as_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a.txt").write_bytes(b"old")
    before = _snapshot(tmp_path)

    def interrupt(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(storage.os, "fsync", interrupt)
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
        ("second replace", {"a.txt": b"new" * 1000, "b.txt": b"old"}),
    ],
)
def test_a_killed_run_leaves_whole_files_and_no_lock(
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
    seen = {name: content for name, content in _snapshot(tmp_path).items() if not name.startswith(".")}
    assert seen == expected
    with lock_folder(tmp_path):  # the dead run's lock does not hold, and its leavings go
        pass
    assert _snapshot(tmp_path) == expected

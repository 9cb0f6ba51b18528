"""Folders and files that are not there, cannot be read, or are something else."""

from __future__ import annotations

from pathlib import Path

import pytest

from tripplan.errors import InputError, StorageError
from tripplan.inputs import folder_digest, read_fleet


def report(folder):
    with pytest.raises(InputError) as caught:
        read_fleet(folder)
    return str(caught.value).splitlines()


def test_no_such_folder(tmp_path):
    folder = tmp_path / "nowhere"
    assert report(folder) == [f"{folder}: there is no such folder. Name the folder that holds tripplan.toml."]


def test_a_file_instead_of_a_folder(folder):
    file = folder / "sites.csv"
    assert report(file) == [
        f"{file}: this is a file, not a folder. Name the folder that holds tripplan.toml."
    ]


def test_an_empty_folder(tmp_path):
    assert report(tmp_path) == [
        f"{tmp_path}: the folder is empty. tripplan init FOLDER writes a commented starter set of files."
    ]


def test_both_required_files_missing(tmp_path):
    (tmp_path / "notes.txt").write_text("nothing here")
    (tmp_path / "sites.ods").write_text("a spreadsheet of another kind")
    assert report(tmp_path) == [
        "tripplan.toml: the file is missing. tripplan init FOLDER writes a commented one to start from.",
        "sites.csv: the file is missing (sites.ods cannot be read). Save it as sites.csv or sites.xlsx.",
    ]


def test_only_the_required_files(folder, read):
    for path in folder.glob("*.csv"):
        if path.name != "sites.csv":
            path.unlink()
    (folder / "sites.csv").write_text(
        "site_id,lat,lon,pack_type,swapped_on\nA,50.27412,8.49871,SLA12,2026-08-30\n"
    )
    fleet = read()
    assert (fleet.packs, fleet.visits, fleet.legs, dict(fleet.access)) == (None, (), (), {})
    assert not fleet.stock_is_kept
    assert fleet.folder == folder


@pytest.mark.parametrize("name", ["sites.csv", "sites.xlsx", "tripplan.toml"])
def test_a_folder_instead_of_a_file(folder, faults, name):
    for path in folder.glob("*.csv"):
        path.unlink()
    if name != "sites.xlsx":
        (folder / name).unlink(missing_ok=True)
    (folder / name).mkdir()
    expected = f"{name}: this is a folder, not a file. Move it away; a file of the fleet has this name."
    assert expected in faults()


@pytest.mark.parametrize("name", ["sites.csv", "tripplan.toml", "fleet.xlsx"])
def test_a_file_that_may_not_be_read(folder, faults, monkeypatch, name):
    if name == "fleet.xlsx":
        for path in folder.glob("*.csv"):
            path.unlink()
        (folder / name).write_bytes(b"")
    true_read = Path.read_bytes

    def refuse(path):
        if path.name == name:
            raise PermissionError(13, "Permission denied", str(path))
        return true_read(path)

    monkeypatch.setattr(Path, "read_bytes", refuse)
    assert faults() == [
        f"{name}: the file cannot be read. Close it in other programs and check its permissions."
    ]


def test_a_folder_that_may_not_be_listed(folder, monkeypatch):
    def refuse(path):
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "iterdir", refuse)
    assert report(folder) == [f"{folder}: the folder cannot be read. Check its permissions."]


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "the file is empty. tripplan init FOLDER writes a commented one to start from."),
        (b'[fleet]\nname = "M\xfchle"\n', "the text is not UTF-8 (line 2). Save the file as UTF-8."),
    ],
)
def test_settings_that_are_no_settings(folder, faults, content, expected):
    (folder / "tripplan.toml").write_bytes(content)
    assert faults() == [f"tripplan.toml: {expected}"]


def test_settings_with_a_byte_order_mark(folder, read):
    settings = folder / "tripplan.toml"
    settings.write_bytes(b"\xef\xbb\xbf" + settings.read_bytes())
    assert read().name == "Nest boxes (invented)"


def test_names_of_files_may_have_capitals(folder, read):
    (folder / "jobs.csv").rename(folder / "Jobs.CSV")
    assert len(read().jobs) == 1


def test_a_table_of_a_misspelt_name_is_remarked(folder, read):
    (folder / "visits.csv").rename(folder / "visit.csv")
    (folder / "sites.csv").write_text((folder / "sites.csv").read_text("utf-8"), "utf-8")
    assert read().remarks[-1] == (
        "visit.csv: no file of a fleet has this name, so it was not read. Did you mean 'visits.csv'?"
    )


def test_the_fingerprint_follows_every_input_file_and_no_other(folder):
    before = folder_digest(folder)
    assert before == folder_digest(folder)
    (folder / "plan.json").write_text("{}")
    (folder / "notes.csv").write_text("x")
    assert folder_digest(folder) == before
    seen = {before}
    for path in [*sorted(folder.glob("*.csv")), folder / "tripplan.toml"]:
        if path.name == "notes.csv":
            continue
        old = path.read_bytes()
        path.write_bytes(old + b"\n")
        seen.add(folder_digest(folder))
        path.write_bytes(old)
    assert folder_digest(folder) == before
    assert len(seen) == 9


def test_the_fingerprint_sees_a_row_moved_between_files(folder):
    before = folder_digest(folder)
    (folder / "jobs.csv").rename(folder / "spare.csv")
    (folder / "legs.csv").rename(folder / "jobs.csv")
    (folder / "spare.csv").rename(folder / "legs.csv")
    assert folder_digest(folder) != before


def test_no_fingerprint_without_a_folder(tmp_path):
    with pytest.raises(StorageError, match="the folder cannot be read"):
        folder_digest(tmp_path / "nowhere")

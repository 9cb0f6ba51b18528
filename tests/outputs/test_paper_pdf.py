"""The checklist as PDF, made by the optional extra and read back by another program."""

from __future__ import annotations

import builtins
import subprocess

import pytest
from kit_trip import TODAY, hand_case, hostile_case, require_sketch_beside_last_site, wide_case

from tripplan.errors import StorageError
from tripplan.outputs import KIT_FILES, write_kit
from tripplan.outputs.paper_pdf import checklist_pdf, require_pdf_extra
from tripplan.outputs.plain_text import clean

PDF = "checklist.pdf"


def read(path, *options):
    return subprocess.run(
        ["pdftotext", *options, str(path), "-"], check=True, capture_output=True, text=True
    ).stdout


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("pdf")
    paths = write_kit(*hand_case().arguments(), made, today=TODAY, pdf=True)
    assert [path.name for path in paths] == [*KIT_FILES, PDF]
    return made


def test_every_site_is_in_the_text_and_the_pages_are_few(folder):
    case = hand_case()
    text = read(folder / PDF, "-layout")
    for visit in case.trip.visits:
        site = case.fleet.sites_by_id[visit.site_id]
        assert site.name in text
        assert site.site_id in text
    for words in (
        "Saturday 6 March 2027",
        "15:13",
        "When the day goes wrong",
        "Who knows the route",
        "Take care",
    ):
        assert words in text
    assert text.count("\f") == 3  # three stops, seven sites


def test_the_drawings_are_drawn(folder):
    """The numbers inside the marks and the scale are text of the drawings."""
    text = read(folder / PDF)
    for label in ("P1", "P2", "P3", "5 km", "500 m", "200 m"):
        assert label in text


def test_paper_follows_the_units_of_the_fleet(folder):
    def size(path):
        info = subprocess.run(["pdfinfo", str(path)], check=True, capture_output=True, text=True).stdout
        return next(line for line in info.splitlines() if line.startswith("Page size"))

    assert "(A4)" in size(folder / PDF)
    letter = folder / "letter.pdf"
    letter.write_bytes(checklist_pdf((folder / "checklist.html").read_text("utf-8"), letter=True))
    assert "(letter)" in size(letter)


def test_the_same_page_gives_the_same_file(folder):
    again = checklist_pdf((folder / "checklist.html").read_text("utf-8"), letter=False)
    assert again == (folder / PDF).read_bytes()


def test_hostile_text_loads_nothing_and_stands_as_written(tmp_path):
    case = hostile_case()
    write_kit(*case.arguments(), tmp_path, today=TODAY, pdf=True)
    raw = (tmp_path / PDF).read_bytes()
    for active in (b"/JavaScript", b"/JS", b"/Launch", b"/EmbeddedFile", b"/SubmitForm"):
        assert active not in raw
    text = "".join(read(tmp_path / PDF).split())
    for visit in case.trip.visits:
        name = "".join(clean(case.fleet.sites_by_id[visit.site_id].name).split())
        if name.isascii() and len(name) < 60:
            assert name in text


def test_an_older_pdf_is_made_anew_with_the_rest(tmp_path):
    (tmp_path / PDF).write_bytes(b"of an older plan")
    write_kit(*hand_case().arguments(), tmp_path, today=TODAY)
    assert (tmp_path / PDF).read_bytes().startswith(b"%PDF-")


@pytest.mark.parametrize(
    ("error", "message"),
    [
        (ImportError("no weasyprint"), "checklist.pdf needs the optional extra 'pdf'"),
        (OSError("cannot load library 'libpango'"), "checklist.pdf cannot be made: cannot load library 'libpango'"),
    ],
)  # fmt: skip
def test_a_missing_extra_is_said_and_nothing_is_written(tmp_path, monkeypatch, error, message):
    real = builtins.__import__

    def without(name, *arguments, **options):
        if name == "weasyprint":
            raise error
        return real(name, *arguments, **options)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(StorageError) as caught:
        write_kit(*hand_case().arguments(), tmp_path, today=TODAY, pdf=True)
    assert str(caught.value).startswith(message)
    assert "pip install 'tripplan[pdf]'" in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_an_extra_that_is_not_installed_is_said(monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None if name == "weasyprint" else name)
    with pytest.raises(StorageError, match="is not installed"):
        require_pdf_extra()


def test_a_pdf_is_not_locked(tmp_path):
    with pytest.raises(StorageError, match="cannot be locked under a passphrase"):
        write_kit(
            *hand_case().arguments(), tmp_path, today=TODAY, pdf=True, passphrase="seven wet gloves in a row"
        )
    assert list(tmp_path.iterdir()) == []


def test_a_page_that_asks_for_something_gets_nothing():
    page = '<img src="file:///etc/hostname"><link rel=stylesheet href="http://localhost/x.css"><p>text</p>'
    assert checklist_pdf(page, letter=False).startswith(b"%PDF-")


@pytest.mark.parametrize("n_sites", [5, 14, 30])
def test_the_sketch_of_a_stop_stands_on_the_page_of_its_last_site(tmp_path, n_sites):
    case = wide_case(n_sites)
    write_kit(*case.arguments(), tmp_path, today=TODAY, pdf=True)
    require_sketch_beside_last_site(case, read(tmp_path / PDF))

"""The page of what has been: complete, without scripts, escaped."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import html5lib
import jsonschema
from click.testing import CliRunner
from record_fleet import PACKS, SITES, TODAY, VISITS, write_fleet

from tripplan.cli import main
from tripplan.inputs import read_fleet
from tripplan.outputs.history_page import render_history_page
from tripplan.schemas import load_schema

DAY = date.fromisoformat(TODAY)
SVG = "{http://www.w3.org/2000/svg}"


def page_of(folder: Path) -> Any:
    text = render_history_page(read_fleet(folder, DAY), DAY)
    assert "<script" not in text
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)


def test_every_site_and_pack_has_its_card_and_every_stay_its_bar(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "fleet")
    (folder / "visits.csv").write_text(VISITS + "2026-11-01,C1,,dark,flat,swapped,A1,10.2,A4,12.9,,\n")
    (folder / "packs.csv").write_text(
        PACKS.replace("C1,2026-09-05,in use", "shelf,2026-11-01,suspect").replace(
            "A4,SLA12,2025-09-01,shelf,2026-10-01,charged", "A4,SLA12,2025-09-01,C1,2026-11-01,in use"
        )
    )
    page = page_of(folder)
    titles = [card.find("h3").text for card in page.iter("section")]
    assert titles == [
        "C1 Fold",
        "C2 Spur",
        "C3 Lek",
        "D1 Mill",
        "A1",
        "A2",
        "A3",
        "A4",
        "A5",
        "A6",
        "B1",
        "B2",
    ]
    first = next(page.iter("section"))
    bars = [bar for bar in first.iter(f"{SVG}rect") if "stay" in bar.get("class")] or [
        bar for bar in first.iter("rect") if "stay" in bar.get("class")
    ]
    assert [bar.get("class") for bar in bars] == ["stay flat", "stay"]
    words = [p.text for p in first.iter("p")]
    assert words == ["2 runs; pack A4 in place since 1 Nov 2026, 35 days."]
    text = render_history_page(read_fleet(folder, DAY), DAY)
    assert text.count("class='out'") == 2  # of the site and of the pack
    assert ">F</text>" in text


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    evil = "<script>alert(1)</script>"
    folder = write_fleet(tmp_path / "fleet", sites_csv=SITES.replace("Fold", f'"{evil}\u202e&amp;"'))
    page = page_of(folder)
    assert next(page.iter("section")).find("h3").text == f"C1 {evil}&amp;"


def test_a_fleet_without_records(tmp_path: Path) -> None:
    sites = "site_id,lat,lon,pack_type,swapped_on\nC1,54.41,-2.91,SLA12,2026-09-05\n"
    folder = write_fleet(tmp_path / "fleet", visits_csv=None, packs_csv=None, sites_csv=sites)
    page = page_of(folder)
    assert [p.text for p in next(page.iter("section")).iter("p")] == [
        "1 run; a pack in place since 5 Sep 2026, 92 days."
    ]


def test_the_command_writes_it_and_prints_a_table(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "fleet")
    done = CliRunner().invoke(main, ["history", str(folder), "--today", TODAY], catch_exceptions=False)
    assert done.exit_code == 0
    assert (
        done.stdout.splitlines()[-1]
        == f"4 visits and 0 readings on record. Written: {folder / 'history.html'}"
    )
    assert "C1 Fold" in done.stdout
    assert (folder / "history.html").read_text() == render_history_page(read_fleet(folder, DAY), DAY)
    done = CliRunner().invoke(main, ["history", str(folder), "--today", TODAY, "--json", "-"])
    data = json.loads(done.stdout)
    jsonschema.Draft202012Validator(load_schema("history")).validate(data)
    assert data["packs"][0]["stays"][0]["site_id"] == "C1"


def test_dates_stand_above_every_picture_however_short_or_long_the_time(tmp_path: Path) -> None:
    def labels(first: str) -> list[str | None]:
        folder = write_fleet(tmp_path / first)
        (folder / "visits.csv").write_text(f"date,site_id,done\n{first},C1,swapped\n")
        card = next(page_of(folder).iter("section"))
        return [text.text for text in [*card.iter(f"{SVG}text"), *card.iter("text")] if text.get("y") == "11"]

    assert labels("2026-09-01") == ["Sep 2026", "Oct", "Nov"]
    assert labels("2025-12-01") == ["Dec 2025", "Mar 2026", "May", "Jul", "Sep", "Nov"]
    assert labels("2020-03-01") == ["Mar 2020", "2022", "2023", "2024", "2025", "2026"]

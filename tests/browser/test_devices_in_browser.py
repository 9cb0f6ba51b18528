"""Devices that are set out and taken in: one tap says "as planned", and what comes home is taken in as it was meant."""

from __future__ import annotations

import csv
import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from looking import opened
from playwright.sync_api import expect

from tripplan.cli import main

pytestmark = [pytest.mark.browser, pytest.mark.usefixtures("short_search")]

EXAMPLE = Path(__file__).parents[2] / "examples" / "winter-rest"
PLANNED_ON = "2026-11-25"
TRIPS = {
    "take in": ("2026-12-19", datetime(2026, 12, 19, 11, 0, tzinfo=UTC)),
    "set out": ("2027-03-21", datetime(2027, 3, 21, 11, 0, tzinfo=UTC)),
}
DONE = {"swap": "swapped", "set out": "installed", "take in": "removed", "call": "left"}


def run(*words):
    done = CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


@pytest.fixture(scope="module")
def planned(once):
    def plan(folder):
        shutil.copytree(EXAMPLE, folder)
        run("plan", folder, "--today", PLANNED_ON)

    return once("browser-devices", plan)


@pytest.mark.parametrize("kind", TRIPS)
def test_as_planned_fills_in_what_the_visit_does_with_the_device(planned, phone, tmp_path, kind):
    fleet = tmp_path / "fleet"
    shutil.copytree(planned, fleet)
    day, noon = TRIPS[kind]
    run("trip", fleet, "--date", day, "--today", PLANNED_ON)
    (trip,) = (t for t in json.loads((fleet / "plan.json").read_text("utf-8"))["trips"] if t["date"] == day)
    visits = [visit for stop in trip["stops"] for loop in stop["loops"] for visit in loop["visits"]]
    assert kind in {visit["kind"] for visit in visits}

    context = phone(timezone_id="Europe/Berlin", accept_downloads=True, fixed_clock=False)
    context.clock.set_fixed_time(noon)
    page = context.new_page()
    page.goto((fleet / "maps" / trip["trip_id"] / "map.html").as_uri())
    for number, visit in enumerate(visits, 1):
        record = opened(page, number)
        record.locator("[data-as-planned]").click()
        expect(record.locator(f"[data-field=done][value={DONE[visit['kind']]}]")).to_be_checked()
        found = record.locator("[data-field=found][value=running]")
        if visit["kind"] == "set out":  # nothing stands there yet that could be found
            expect(found).not_to_be_checked()
            expect(record.locator("[data-field=pack_out]")).to_have_value("")
        else:
            expect(found).to_be_checked()
        if visit["kind"] == "take in":
            expect(record.locator("[data-field=pack_in]")).to_have_value("")
            expect(record.locator("[data-field=pack_out]")).not_to_have_value("")
    with page.expect_download() as caught:
        page.click("[data-save=json]")
    results = tmp_path / "results.json"
    caught.value.save_as(results)
    context.close()

    sent = {visit["site_id"]: visit for visit in json.loads(results.read_text("utf-8"))["visits"]}
    assert {site: visit["done"] for site, visit in sent.items()} == {
        visit["site_id"]: DONE[visit["kind"]] for visit in visits
    }
    for visit in visits:
        if visit["pack_in"]:
            assert sent[visit["site_id"]]["pack_in"] == visit["pack_in"]
    run("record", fleet, results, "--yes", "--today", day)
    with (fleet / "visits.csv").open(encoding="utf-8-sig") as file:
        told = {row["site_id"]: row for row in csv.DictReader(file) if row["date"] == day}
    assert {site: row["done"] for site, row in told.items()} == {
        visit["site_id"]: DONE[visit["kind"]] for visit in visits
    }

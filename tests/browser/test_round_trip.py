"""From the plan to the phone, through a day in the field and home again: history, forecast and plan follow."""

from __future__ import annotations

import csv
import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from kit_trip import HOSTILE
from looking import expect_alerts, opened, settled
from playwright.sync_api import expect

from tripplan.cli import main
from tripplan.outputs.plain_text import clean

pytestmark = [pytest.mark.browser, pytest.mark.usefixtures("short_search")]

EXAMPLE = Path(__file__).parents[2] / "examples" / "first-weekend"
BEFORE, AFTER = "2026-11-25", "2026-12-06"
TRIP = "2026-12-05-A"
NOON = datetime(2026, 12, 5, 11, 30, tzinfo=UTC)
SITES = ("owl-1", "owl-2", "quarry", "pond", "ridge", "mill")
PUT_IN = ("2026-08-30", "2026-08-30", "2026-09-12", "2026-09-12", "2026-10-04", "2026-10-24")


def run(*words, text=None):
    done = CliRunner().invoke(main, [str(word) for word in words], input=text, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


@pytest.fixture(scope="module")
def folder(once):
    """A small fleet with its packs by name, planned, and the kit of its next trip."""

    def make(made):
        shutil.copytree(EXAMPLE, made)
        rows = [
            f"P{k},standard,{site},{day},in use"
            for k, (site, day) in enumerate(zip(SITES, PUT_IN, strict=True), 1)
        ]
        rows += [f"N{k},standard,shelf,2026-11-20,charged" for k in range(1, 8)]
        head = "pack_id,pack_type,where,since,state\n"
        (made / "packs.csv").write_text(head + "\n".join(rows) + "\n", "utf-8")
        run("plan", made, "--today", BEFORE)
        run("trip", made, "--today", BEFORE)

    return once("browser-round-trip", make)


def swap(page, number, volts_out):
    """One swap as it is done: tap, meter, tick."""
    record = opened(page, number)
    record.locator("[data-field=found][value=running]").check(force=True)
    record.locator("[data-offers=pack_out] button").first.click()
    record.locator("[data-field=volts_out]").fill(volts_out)
    offer = record.locator("[data-offers=pack_in] button").first
    expect(offer).to_be_visible()
    label = offer.text_content().strip()
    if record.locator("[data-field=pack_in]").input_value() != label:
        offer.click()
    expect(record.locator("[data-field=pack_in]")).to_have_value(label)
    record.locator("[data-field=volts_in]").fill("12.8")
    record.locator("[data-field=plug_volts]").fill("12.8")
    record.locator("[data-field=polarity]").check()
    record.locator("[data-field=done][value=swapped]").check(force=True)
    expect_alerts(record)
    return label


@pytest.fixture(scope="module")
def sent(folder, phone, once):
    """What a day with the kit on a phone sends home: the file, the table, the text; and which pack went where."""

    def play(out):
        out.mkdir()
        context = phone(timezone_id="Europe/Berlin", accept_downloads=True, fixed_clock=False)
        context.clock.set_fixed_time(NOON)
        page = context.new_page()
        page.goto((folder / "maps" / TRIP / "map.html").as_uri())
        trip = json.loads((folder / "plan.json").read_text("utf-8"))["trips"][0]
        order = [
            visit["site_id"] for stop in trip["stops"] for loop in stop["loops"] for visit in loop["visits"]
        ]
        assert sorted(order) == sorted(SITES)
        page.fill("[data-by]", "Lene")
        put_in = {}
        for number, site in enumerate(order, 1):
            if site == "owl-1":
                record = opened(page, number)
                record.locator("[data-field=found][value=dark]").check(force=True)
                record.locator("[data-field=cause]").select_option("cord")
                record.locator("[data-field=done][value=repaired]").check(force=True)
                record.locator("[data-field=notes]").fill('chewed "again"; 1/2 m of cord')
            elif site == "ridge":
                opened(page, number).locator("[data-field=found][value='not reached']").check(force=True)
            else:
                put_in[site] = swap(page, number, "12,3")
            page.reload()  # the phone was put away in between
        expect(page.locator("[data-progress]")).to_have_text("6 of 6 sites recorded.")
        for kind in ("json", "csv"):
            with page.expect_download() as caught:
                page.click(f"[data-save={kind}]")
            caught.value.save_as(out / caught.value.suggested_filename)
        page.click("[data-copy]")
        expect(page.locator("[data-text]")).not_to_have_value("")
        (out / "text.txt").write_text(page.input_value("[data-text]"), "utf-8")
        context.close()
        (out / "put-in.json").write_text(json.dumps(put_in), "utf-8")

    out = once("browser-sent", play)
    return out, json.loads((out / "put-in.json").read_text("utf-8"))


def rows(path):
    return list(csv.DictReader(path.read_text("utf-8-sig").splitlines()))


def forecast(folder, out):
    run("forecast", folder, "--today", AFTER, "--json", out, "--quiet")
    return {site["site_id"]: site for site in json.loads(out.read_text("utf-8"))["sites"]}


@pytest.fixture(params=["json", "csv", "text"])
def recorded(request, folder, sent, tmp_path):
    """The fleet's folder with the results taken in, each way."""
    home = tmp_path / "fleet"
    shutil.copytree(folder, home)
    before = forecast(home, tmp_path / "before.json")
    if request.param == "text":
        message = "All done, see you!\n" + (sent[0] / "text.txt").read_text("utf-8").replace("; ", ";\n")
        take_in = (("record", home, "-", "--today", AFTER, "--yes"), message)
    else:
        take_in = (
            ("record", home, sent[0] / f"results-{TRIP}.{request.param}", "--today", AFTER, "--yes"),
            None,
        )
    run(*take_in[0], text=take_in[1])
    return home, before, take_in, sent[1]


def test_history_forecast_and_plan_follow_what_was_ticked(recorded, tmp_path):
    home, before, take_in, put_in = recorded
    visits = {row["site_id"]: row for row in rows(home / "visits.csv")}
    assert set(visits) == set(SITES)
    packs = {row["pack_id"]: row for row in rows(home / "packs.csv")}
    for site, label in put_in.items():
        row = visits[site]
        old = f"P{SITES.index(site) + 1}"
        assert (row["date"], row["found"], row["done"]) == ("2026-12-05", "running", "swapped")
        assert (row["pack_out"], float(row["volts_out"]), row["pack_in"], float(row["volts_in"])) == (
            old, 12.3, label, 12.8,
        )  # fmt: skip
        assert (packs[label]["where"], packs[label]["since"]) == (site, "2026-12-05")
        assert packs[old]["where"] != site
    assert (visits["owl-1"]["found"], visits["owl-1"]["cause"], visits["owl-1"]["done"]) == (
        "dark", "cord", "repaired",
    )  # fmt: skip
    assert 'chewed "again"; 1/2 m of cord' in visits["owl-1"]["notes"]
    assert visits["ridge"]["found"] == "not reached"
    assert packs["P1"]["where"] == "owl-1"  # repaired, not swapped

    after = forecast(home, tmp_path / "after.json")
    day = datetime.fromisoformat
    for site in put_in:
        gained = (day(after[site]["flat_likely"]) - day(before[site]["flat_likely"])).days
        assert gained > 30, site  # a fresh pack went in
    for site in ("ridge", "owl-1"):
        assert abs((day(after[site]["flat_likely"]) - day(before[site]["flat_likely"])).days) < 30, site

    kept = {name: (home / name).read_bytes() for name in ("visits.csv", "packs.csv")}
    run(*take_in[0], text=take_in[1])  # twice read changes nothing
    assert {name: (home / name).read_bytes() for name in kept} == kept

    run("plan", home, "--today", AFTER)
    first = json.loads((home / "plan.json").read_text("utf-8"))["trips"][0]
    visited = {v["site_id"] for stop in first["stops"] for loop in stop["loops"] for v in loop["visits"]}
    assert {"ridge", "owl-1"} & visited  # those left over come first
    assert first["date"] > "2026-12-05"


def test_the_three_ways_home_bring_the_same(folder, sent, tmp_path):
    got = []
    for way in ("json", "csv", "text"):
        home = tmp_path / way
        shutil.copytree(folder, home)
        if way == "text":
            run(
                "record", home, "-", "--today", AFTER, "--yes", text=(sent[0] / "text.txt").read_text("utf-8")
            )
        else:
            run("record", home, sent[0] / f"results-{TRIP}.{way}", "--today", AFTER, "--yes")
        got.append([(home / name).read_bytes() for name in ("visits.csv", "packs.csv")])
    assert got[0] == got[1] == got[2]


def test_hostile_text_that_comes_back_runs_nothing_in_what_is_made_from_it(folder, open_page, tmp_path):
    """Results with hostile text in every free field are taken in; the next kit and its pages stay quiet."""
    home = tmp_path / "fleet"
    shutil.copytree(folder, home)
    new_names = [f"X{k}{clean(text)}" for k, text in enumerate(HOSTILE[: len(SITES)])]
    visits = [
        {"site_id": site, "when": "2026-12-05T12:31:00+01:00", "found": "running", "cause": None, "done": "swapped",
         "pack_out": f"P{k}", "volts_out": 12.1, "pack_in": new_names[k - 1], "volts_in": 12.8, "minutes": None,
         "notes": HOSTILE[k]}
        for k, site in enumerate(SITES, 1)
    ]  # fmt: skip
    results = {"format": "tripplan-results/1", "trip_id": TRIP, "by": HOSTILE[0], "visits": visits}
    file = tmp_path / "results.json"
    file.write_text(json.dumps(results), "utf-8")
    answers = [word for k in range(1, len(SITES) + 1) for word in ("--answer", f"{k}.new=pack_in")]
    run("record", home, file, "--today", AFTER, "--yes", *answers)
    cells = [
        cell for name in ("visits.csv", "packs.csv") for row in rows(home / name) for cell in row.values()
    ]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "@"))]
    known = {row["pack_id"] for row in rows(home / "packs.csv")}
    assert {name.casefold() for name in new_names} <= {clean(name).casefold() for name in known}

    run("plan", home, "--today", AFTER)
    run("trip", home, "--today", AFTER)
    trip = json.loads((home / "plan.json").read_text("utf-8"))["trips"][0]["trip_id"]
    made = home / "maps" / trip
    for name in ("map.html", "checklist.html"):
        watched = open_page(made / name)
        settled(watched.page)
        shown = " ".join(watched.page.evaluate("document.body.textContent").split())
        assert any(label in shown for label in new_names)  # the packs now at its sites
        expect(watched.page.locator("img")).to_have_count(0)
        watched.require_quiet()
    opened(watched := open_page(made / "map.html").page, 1)
    watched.locator("[data-site='1'] [data-offers=pack_out] button").first.click()
    field = watched.locator("[data-site='1'] [data-field=pack_out]")
    expect(field).not_to_have_value("")
    tapped = field.input_value()
    assert tapped in new_names
    for page in (home / "calendar.html",):
        quiet = open_page(page)
        settled(quiet.page)
        quiet.require_quiet()

"""`init` without a sheet: a starter set that says itself what comes next."""

from __future__ import annotations

import re
import tomllib

import pytest

from tripplan.errors import InputError, StorageError
from tripplan.fleet import Crew, DriveSettings, PackType, PlanSettings, WalkSettings
from tripplan.inputs import read_fleet
from tripplan.inputs.starter import write_starter
from tripplan.inputs.starter_text import PackValues, StarterValues, starter_toml

ANSWERS = {
    "fleet_name": "Owls",
    "crew_name": "Lene",
    "base_lat": "50.2310",
    "base_lon": "8.5870",
    "days": "weekends",
    "volts": "12",
    "plug": "5.5x2.1 centre +",
}


def switch_on(text: str) -> dict:
    """Take the # away from every setting at its default, and read the file."""
    lines = [
        "" if re.fullmatch(r"#\w+ = ", line) else re.sub(r"^#(?! )", "", line) for line in text.splitlines()
    ]
    return tomllib.loads("\n".join(lines))


def test_every_default_that_the_file_shows_is_the_true_one():
    shown = switch_on(starter_toml(StarterValues("Owls")))
    plan, drive, walk = PlanSettings(), DriveSettings(), WalkSettings()
    for key in ("weeks", "risk", "daylight_margin_minutes", "reserve_minutes", "fallback_dates"):
        assert shown["plan"][key] == getattr(plan, key)
    for key in ("speed_kmh", "detour", "park_minutes"):
        assert shown["drive"][key] == getattr(drive, key)
    for key in ("detour", "speed_factor"):
        assert shown["walk"][key] == getattr(walk, key)
    crew = Crew("Me", 0.0, 0.0)
    assert shown["crew"][0]["days"] == ["sat", "sun"]
    assert crew.weekdays == {5, 6}
    assert shown["crew"][0]["day_start"] == "07:30"
    assert crew.day_start_minute == 7 * 60 + 30
    assert shown["crew"][0]["day_end"] == "17:30"
    assert crew.day_end_minute == 17 * 60 + 30
    assert shown["crew"][0]["carry_kg"] == crew.carry_kg
    assert shown["crew"][0]["packs_aboard"] == crew.packs_aboard
    pack = PackType("standard", 12.0, "x")
    for key in ("capacity_ah", "weight_kg"):
        assert shown["pack_types"]["standard"][key] == getattr(pack, key)
    assert shown["pack_types"]["standard"]["chemistry"] == pack.chemistry
    assert shown["pack_types"]["standard"]["usual_months"] == 5.0


def test_every_setting_of_the_contract_is_there():
    shown = switch_on(starter_toml(StarterValues("Owls")))
    assert set(shown) == {
        "fleet",
        "crew",
        "calendar",
        "plan",
        "drive",
        "walk",
        "climate",
        "charging",
        "pack_types",
        "money",
        "spares",
    }
    assert len(shown["climate"]["mean_c"]) == len(shown["climate"]["sd_c"]) == 12


def test_a_fresh_starter_says_what_to_fill_in(tmp_path):
    written = write_starter(tmp_path / "owls", {})
    assert [path.name for path in written] == ["tripplan.toml", "sites.csv", "FIRST-STEPS.md"]
    assert all(path.is_file() for path in written)
    with pytest.raises(InputError) as caught:
        read_fleet(tmp_path / "owls")
    assert str(caught.value).splitlines() == [
        "tripplan.toml, setting [[crew]] 1 base_lat: the setting is missing. Write base_lat = followed by degrees, for example 48.50333.",
        "tripplan.toml, setting [[crew]] 1 base_lon: the setting is missing. Write base_lon = followed by degrees, for example 48.50333.",
        "tripplan.toml, setting [pack_types.standard] volts: the setting is missing. Write the volts at the pack's plug.",
        'tripplan.toml, setting [pack_types.standard] plug: the setting is missing. Write plug = "...".',
        "sites.csv: there is a header but no site. Add a row for each site.",
    ]


def test_with_the_rows_of_the_first_steps_it_is_a_fleet(tmp_path):
    folder = tmp_path / "owls"
    write_starter(folder, ANSWERS)
    steps = (folder / "FIRST-STEPS.md").read_text("utf-8")
    rows = re.findall(r"^       (\S+,.*)$", steps, re.MULTILINE)
    assert len(rows) == 3
    (folder / "sites.csv").write_text("\n".join(rows) + "\n", "utf-8")
    fleet = read_fleet(folder)
    assert fleet.name == "Owls"
    assert [site.site_id for site in fleet.sites] == ["north-1", "north-2"]
    crew = fleet.crews[0]
    assert (crew.name, crew.base_lat, crew.base_lon, crew.weekdays) == ("Lene", 50.231, 8.587, {5, 6})
    kind = fleet.pack_types["standard"]
    assert (kind.volts, kind.plug, kind.capacity_ah) == (12.0, "5.5x2.1 centre +", 7.0)


def test_all_bad_answers_at_once_and_nothing_written(tmp_path):
    folder = tmp_path / "owls"
    with pytest.raises(InputError) as caught:
        write_starter(folder, {"base_lat": "147.2", "volts": "twelve", "days": "someday", "wind": "west"})
    assert str(caught.value).splitlines() == [
        "--answer base_lat: latitude must lie between -90 and 90 (found '147.2'). Are lat and lon swapped?",
        "--answer days: 'someday' is not a day of the week (found 'someday'). Did you mean 'sunday'?",
        (
            "--answer volts: volts must be one number (found 'twelve'). "
            "How many volts does the pack give at its plug, such as 12 or 6?"
        ),
        (
            "--answer wind: there is no such question (found 'west'). The questions are fleet_name, crew_name, "
            "base_lat, base_lon, days, pack_type, volts, plug, chemistry, capacity_ah, usual_months."
        ),
    ]
    assert not folder.exists()


@pytest.mark.parametrize("name", ["tripplan.toml", "sites.csv", "FIRST-STEPS.md", "sites.xlsx", "fleet.xlsx"])
def test_nothing_is_overwritten(tmp_path, name):
    (tmp_path / name).write_text("mine")
    with pytest.raises(StorageError) as caught:
        write_starter(tmp_path, {})
    assert str(caught.value) == (
        f"{tmp_path}: {name} stands there already, and nothing is overwritten. "
        "Take another folder, or move them away first."
    )
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "mine"


def test_a_file_in_place_of_the_folder(tmp_path):
    (tmp_path / "owls").write_text("")
    with pytest.raises(StorageError) as caught:
        write_starter(tmp_path / "owls", {})
    assert str(caught.value) == f"{tmp_path / 'owls'} is a file, not a folder. Give another name."


@pytest.mark.parametrize(
    "hostile",
    [
        'quote " and \\',
        "]\n[plan]\nrisk = 1",
        "</script>",
        "ünï ☃ \u202e",
        "a.b",
        "${alert(1)}",
        "x" * 500,
        "\x7f\x00",
    ],
)
def test_hostile_names_stay_names(hostile):
    text = starter_toml(
        StarterValues(hostile, crew_name=hostile, packs=(PackValues(hostile, 12.0, hostile, "", 7.0, 5.0),))
    )
    read = tomllib.loads(text)
    assert read["fleet"]["name"] == hostile
    assert read["crew"][0]["name"] == hostile
    assert list(read["pack_types"]) == [hostile]
    assert read["pack_types"][hostile]["plug"] == hostile
    assert read["plan"] == {}

"""The steps in order: what is called with what, what is locked, what is kept."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from tripplan.errors import InputError, NoPlanError, RefusedError, StorageError
from tripplan.forecast import forecast_fleet
from tripplan.inputs import folder_digest, read_fleet
from tripplan.pipeline import DEMO_TODAY, PLAN_NAME, run_forecast, run_plan, run_trip
from tripplan.plan.check import check_document
from tripplan.plan.document import Plan
from tripplan.storage import LOCK_NAME, lock_folder

pytestmark = pytest.mark.usefixtures("short_search")

EXAMPLES = Path(__file__).parents[1] / "examples"
TODAY = date(2026, 11, 25)


@dataclass
class Hearing:
    """Takes note of all that a run reports."""

    stages: list[str] = field(default_factory=list)
    seasons: list[Any] = field(default_factory=list)

    def stage(self, text: str) -> None:
        self.stages.append(text)

    def season(self, progress: Any) -> None:
        self.seasons.append(progress)


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Any, Hearing]:
    folder = tmp_path_factory.mktemp("pipeline") / "fleet"
    shutil.copytree(EXAMPLES / "first-weekend", folder)
    hearing = Hearing()
    return folder, run_plan(folder, today=TODAY, reports=hearing), hearing


@pytest.fixture
def folder(tmp_path: Path, planned: tuple[Path, Any, Hearing]) -> Path:
    copy = tmp_path / "fleet"
    shutil.copytree(planned[0], copy)
    return copy


def test_a_forecast_is_that_of_the_fleet_on_that_day() -> None:
    result = run_forecast(EXAMPLES / "first-weekend", today=TODAY, weeks=8)
    assert result.outlook.on == TODAY
    assert result.outlook.to == date(2027, 1, 20)
    assert result.outlook.sites == forecast_fleet(result.fleet, TODAY, 8).sites


def test_a_plan_is_checked_written_and_read_back_the_same(planned: tuple[Path, Any, Hearing]) -> None:
    folder, result, _ = planned
    document = json.loads((folder / PLAN_NAME).read_bytes())
    assert result.path == folder / PLAN_NAME
    assert result.anew
    assert document == result.plan.to_json()
    assert document["inputs_digest"] == folder_digest(folder)
    assert Plan.from_json(document).to_json() == document
    assert check_document(result.fleet, result.outlook, result.travel, document) == ()


def test_the_steps_are_told_in_order(planned: tuple[Path, Any, Hearing]) -> None:
    _, result, hearing = planned
    assert hearing.stages == [
        "Reading the files",
        "Forecasting flat dates",
        "Measuring the ways",
        "Planning the season",
        "Checking the plan",
        "Drawing the calendar",
    ]
    assert hearing.seasons[-1].trip_count == result.plan.trip_count
    assert all(one.lower_bound <= result.plan.trip_count for one in hearing.seasons)


def test_writing_the_plan_does_not_change_what_it_rests_on(folder: Path) -> None:
    before = folder_digest(folder)
    run_trip(folder, today=TODAY)
    (folder / PLAN_NAME).unlink()
    assert folder_digest(folder) == before


def test_the_folder_is_held_while_it_is_planned(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from tripplan.pipeline import season

    real = season.plan_season
    seen = []

    def planning(*args: Any, **kwargs: Any) -> Plan:
        seen.append((folder / LOCK_NAME).exists())
        with pytest.raises(StorageError, match="another run of tripplan is at work here"):
            run_plan(folder, today=TODAY)
        return real(*args, **kwargs)

    monkeypatch.setattr(season, "plan_season", planning)
    run_plan(folder, today=TODAY)
    assert seen == [True]
    assert not (folder / LOCK_NAME).exists()


def test_faults_come_before_the_lock(folder: Path) -> None:
    (folder / "sites.csv").write_text("site_id\n", encoding="utf-8")
    with lock_folder(folder), pytest.raises(InputError):
        run_plan(folder, today=TODAY)


def test_seed_and_time_limit_reach_the_planner(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from tripplan.pipeline import season

    real = season.plan_season
    given: list[dict[str, Any]] = []

    def planning(*args: Any, **kwargs: Any) -> Plan:
        given.append(kwargs)
        return real(*args, **kwargs)

    monkeypatch.setattr(season, "plan_season", planning)
    assert run_plan(folder, today=TODAY, seed=7, time_limit_s=20.0).plan.seed == 7
    assert given[0]["seed"] == 7
    assert given[0]["time_limit_s"] == 20.0
    assert given[0]["made_on"] == TODAY


def test_an_interrupt_before_there_is_a_plan_leaves_the_old_one(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*_: Any, **__: Any) -> Plan:
        raise KeyboardInterrupt

    before = (folder / PLAN_NAME).read_bytes()
    monkeypatch.setattr("tripplan.pipeline.season.plan_season", interrupt)
    with pytest.raises(KeyboardInterrupt):
        run_plan(folder, today=TODAY)
    assert (folder / PLAN_NAME).read_bytes() == before
    assert not (folder / LOCK_NAME).exists()


def test_a_refused_plan_names_the_rules(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from dataclasses import replace

    from tripplan.pipeline import season

    real = season.plan_season

    def loose(*args: Any, **kwargs: Any) -> Plan:
        plan = real(*args, **kwargs)
        return replace(plan, lower_bound=plan.trip_count + 1)

    monkeypatch.setattr(season, "plan_season", loose)
    before = (folder / PLAN_NAME).read_bytes()
    with pytest.raises(RefusedError, match=r"the bound \d+ does not fit a plan with \d+ trips \(rule: "):
        run_plan(folder, today=TODAY)
    assert (folder / PLAN_NAME).read_bytes() == before


def test_the_next_trip_is_the_first_on_or_after_today(folder: Path) -> None:
    plan = Plan.from_json(json.loads((folder / PLAN_NAME).read_bytes()))
    first = plan.trips[0]
    for today in (TODAY, first.date):
        result = run_trip(folder, today=today)
        assert result.trip is not None
        assert result.trip.trip_id == first.trip_id
        assert not result.planned.anew
        assert result.planned.because == ""
    assert [path.parent for path in result.files] == [folder / "maps" / first.trip_id] * 6
    assert all(path.stat().st_size > 0 for path in result.files)
    assert not (folder / "maps" / first.trip_id / LOCK_NAME).exists()


def test_a_kit_is_of_its_trip_only(tmp_path: Path) -> None:
    folder = tmp_path / "fleet"
    shutil.copytree(EXAMPLES / "two-crews", folder)
    plan = run_plan(folder, today=TODAY).plan
    trip = min(plan.trips, key=lambda one: len(one.visits))
    result = run_trip(folder, today=TODAY, on=trip.date, crew=trip.crew, out=folder / "kit")
    visited = {visit.site_id for visit in trip.visits}
    others = {site.site_id for site in read_fleet(folder, TODAY).sites} - visited
    assert others
    for file in result.files:
        text = file.read_text(encoding="utf-8")
        assert not {site_id for site_id in others if f">{site_id}<" in text or f'"{site_id}"' in text}


def test_no_plan_error_names_the_dates_there_are(folder: Path) -> None:
    with pytest.raises(
        NoPlanError, match=r"No trip is planned on Monday 2026-11-30\. Trips are planned on Sat 20"
    ):
        run_trip(folder, today=TODAY, on=date(2026, 11, 30))


def test_the_demos_day_lies_just_after_its_last_record() -> None:
    import tripplan

    fleet = read_fleet(Path(tripplan.__file__).parent / "demo", DEMO_TODAY)
    assert max(visit.day for visit in fleet.visits) <= DEMO_TODAY
    assert (DEMO_TODAY - max(visit.day for visit in fleet.visits)).days <= 21

"""
What all tests share: no network, a fleet small enough to solve by hand, the demo, random fleets.

Helpers that several tests import by name (``fleet_generator``, ``day_by_hand``, ``greedy_plan``,
``mutations``, ``brute_force``) lie in ``properties/`` and ``benchmarks/``; both folders are put on
the path here, because test folders are no packages.
"""

from __future__ import annotations

import contextlib
import functools
import json
import socket
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from types import ModuleType
from typing import Any

import hypothesis
import numpy as np
import pytest

from tripplan.fleet import (
    AccessRule,
    Charger,
    Chemistry,
    Crew,
    DriveSettings,
    Fleet,
    Leg,
    PackType,
    PlanSettings,
    Site,
    WalkSettings,
)
from tripplan.forecast.outlook import Basis, Outlook, Renewal, SiteForecast
from tripplan.plan import plan_season
from tripplan.plan.effort import Effort
from tripplan.travel import measure_travel

# The same examples in every run, so that a change is judged by what it did; exploring is a run of its own.
# How slow an example is depends on what else the machine does, and is no fault.
_SLOW = [hypothesis.HealthCheck.too_slow]
hypothesis.settings.register_profile(
    "repeatable", derandomize=True, deadline=None, suppress_health_check=_SLOW
)
hypothesis.settings.register_profile("explore", max_examples=2000, deadline=None, suppress_health_check=_SLOW)
hypothesis.settings.load_profile("repeatable")

Once = Callable[[str, Callable[[Path], None]], Path]

_HERE = Path(__file__).parent
for _folder in ("properties", "benchmarks", "published", "outputs"):
    if str(_HERE / _folder) not in sys.path:
        sys.path.append(str(_HERE / _folder))


class NetworkUsedError(AssertionError):
    """Something in this process tried to reach a network."""


def _shut(method: Any) -> Any:
    def refuse(self: socket.socket, *args: Any, **kwargs: Any) -> Any:
        if self.family == getattr(socket, "AF_UNIX", None):
            return method(self, *args, **kwargs)
        raise NetworkUsedError(f"tests never call the network, but {method.__name__} was called with {args}")

    return refuse


def pytest_configure(config: pytest.Config) -> None:
    """Shut the sockets before anything is collected, and open them again only at the end."""
    shut = pytest.MonkeyPatch()
    shut.delenv("COLUMNS", raising=False)  # printed tables are compared at the width of a pipe
    for name in ("connect", "connect_ex", "sendto"):
        shut.setattr(socket.socket, name, _shut(getattr(socket.socket, name)))

    def refuse_names(*args: Any, **_: Any) -> Any:
        raise NetworkUsedError(f"tests never ask for names, but getaddrinfo was called with {args}")

    shut.setattr(socket, "getaddrinfo", refuse_names)
    config.add_cleanup(shut.undo)


TINY_ON = date(2027, 3, 1)  # a Monday
TINY_TO = TINY_ON + timedelta(weeks=8)  # 2027-04-26
TINY_SWAP_BY = {
    "A1": date(2027, 3, 14),
    "A2": date(2027, 3, 20),
    "B1": date(2027, 4, 4),
    "B2": date(2027, 4, 11),
}


@pytest.fixture
def tiny_fleet() -> Fleet:
    """
    Return four invented sites on the equator, where distances and days can be worked out by hand.

    A1 and A2 share one parking, B1 and B2 another; B2 takes 6 V and lies behind a gate that opens
    at nine. Legs are given, walks follow Naismith on a path (5 km/h), so that no number needs a
    computer. The vehicle holds three packs, so two trips are needed, and two are enough.
    """
    plug = "5.5x2.1 centre +"
    here = {"park_lat": 0.0, "volts": 12.0, "plug": plug, "pack_type": "SLA12"}
    return Fleet(
        name="tiny",
        timezone="UTC",
        crews=(Crew("North", 0.0, 0.0, carry_kg=6.0, packs_aboard=3, people=("Ada",)),),
        sites=(
            Site("A1", 0.0, 0.100, park_lon=0.1, walk_m=500.0, row=2, **here),
            Site("A2", 0.0, 0.103, park_lon=0.1, walk_m=750.0, row=3, **here),
            Site("B1", 0.0, 0.200, park_lon=0.2, walk_m=250.0, row=4, **here),
            Site(
                "B2",
                0.0,
                0.206,
                park_lon=0.2,
                walk_m=1000.0,
                climb_m=60.0,
                access="gate",
                row=5,
                **(here | {"volts": 6.0, "pack_type": "SLA6"}),
            ),
        ),
        pack_types={
            "SLA12": PackType("SLA12", 12.0, plug, weight_kg=3.0, usual_months=3.0, shelf_charged=2),
            "SLA6": PackType("SLA6", 6.0, plug, weight_kg=1.5, usual_months=3.0, shelf_charged=1),
            "LFP12": PackType(
                "LFP12", 12.0, plug, Chemistry.LITHIUM_IRON_PHOSPHATE, weight_kg=1.6, usual_months=3.0
            ),
        },
        plan=PlanSettings(weeks=8),
        drive=DriveSettings(park_minutes=5.0),
        walk=WalkSettings(detour=1.0, speed_factor=1.0),
        chargers=(Charger(("SLA12", "SLA6"), hours_per_pack=12.0, changeovers_per_day=1),),
        access={"gate": (AccessRule("gate", from_minute=540, to_minute=1440, row=2),)},
        legs=(
            Leg("North", "A1", 20.0, 12.0, 2),
            Leg("A1", "B1", 15.0, 9.0, 3),
            Leg("North", "B1", 30.0, 20.0, 4),
        ),
    )


@pytest.fixture
def tiny_outlook() -> Outlook:
    """
    Return the outlook of `tiny_fleet`: fresh packs last 70 days; dark chances are 1 % and 1 permille.

    Flat dates lie 1, 15 and 29 days after the swap-by date.
    """
    days = (TINY_TO - TINY_ON).days + 1
    put_in = np.arange(TINY_ON.toordinal(), TINY_TO.toordinal() + 1, dtype=np.int64)
    sites = {
        site_id: SiteForecast(
            site_id,
            flat_early=swap_by + timedelta(days=1),
            flat_likely=swap_by + timedelta(days=15),
            flat_late=swap_by + timedelta(days=29),
            swap_by=swap_by,
            risk=0.05,
            chance_dark_today=0.01,
            charge_left=None,
            basis=Basis.USUAL_LIFE,
            because="3 usual months of its pack type",
        )
        for site_id, swap_by in TINY_SWAP_BY.items()
    }
    return Outlook(
        on=TINY_ON,
        to=TINY_TO,
        risk=0.05,
        sites=sites,
        renewals={
            site_id: Renewal(site_id, put_in + 70, put_in + 71, put_in + 85, put_in + 99, Basis.USUAL_LIFE)
            for site_id in sites
        },
        dark_chance_in_place={site_id: np.full(days, 0.01) for site_id in sites},
        dark_chance_by_age={site_id: np.full((days // 7 + 1, days), 0.001) for site_id in sites},
        dark_step=7,
    )


@pytest.fixture(scope="session")
def valley_fleet() -> Fleet:
    """Return the bundled demo fleet, read from its files."""
    import tripplan
    from tripplan.inputs import read_fleet

    return read_fleet(Path(tripplan.__file__).parent / "demo")


@contextlib.contextmanager
def unwatched() -> Iterator[None]:
    """Do in a block what is none of the package's own work without coverage looking on, which doubles it."""
    watching = sys.gettrace()
    sys.settrace(None)
    try:
        yield
    finally:
        sys.settrace(watching)


@pytest.fixture(scope="session")
def shared_root(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder of this run that all its test processes share."""
    here = tmp_path_factory.getbasetemp()
    root = (here.parent if hasattr(request.config, "workerinput") else here) / "once"
    root.mkdir(exist_ok=True)
    return root


@pytest.fixture(scope="session", autouse=True)
def _kernels_compiled_once(shared_root: Path) -> Iterator[None]:
    """
    Let one test process compile an inner loop while the others wait for what it keeps on the disk.

    Compiling takes up to 20 s a loop, and twice that while coverage watches the compiler, so it does not.
    """
    from numba.core.caching import NullCache
    from numba.core.dispatcher import Dispatcher

    compile_now = Dispatcher.compile

    def compile_once(self: Any, sig: Any) -> Any:
        if isinstance(self._cache, NullCache):  # a part of another
            return compile_now(self, sig)
        turn = shared_root / f"{self.py_func.__module__}.{self.py_func.__name__}.compiling"
        while True:
            try:
                turn.touch(exist_ok=False)
            except FileExistsError:
                time.sleep(0.05)
            else:
                break
        try:
            with unwatched():
                return compile_now(self, sig)
        finally:
            turn.unlink()

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Dispatcher, "compile", compile_once)
        yield


@pytest.fixture(scope="session")
def once(shared_root: Path) -> Once:
    """
    Make a folder once for all processes that share this run's tests, and return it.

    ``once(name, fill)`` calls ``fill(folder)`` in the process that asks first; the others wait until it is
    done. Nobody changes what stands there: take a copy.
    """
    root = shared_root

    def make(name: str, fill: Callable[[Path], None]) -> Path:
        folder, begun, done = root / name, root / f"{name}.begun", root / f"{name}.done"
        try:
            begun.touch(exist_ok=False)
        except FileExistsError:
            while not done.exists():
                time.sleep(0.05)
        else:
            said = root / f"{name}.said"
            try:
                fill(folder)
                said.write_text("", encoding="utf-8")
            except BaseException as error:
                said.write_text(f"{name} could not be made: {error!r}", encoding="utf-8")
                raise
            finally:
                said.rename(done)
        said = done.read_text(encoding="utf-8")
        assert not said, said
        return folder

    return make


@pytest.fixture(scope="session")
def whole_search() -> Callable[[], contextlib.AbstractContextManager[None]]:
    """Plan in a block as tripplan does, whatever the test that asks has patched: others share what is made."""

    @contextlib.contextmanager
    def search() -> Iterator[None]:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("tripplan.pipeline.season.plan_season", plan_season)
            yield

    return search


@pytest.fixture
def short_search(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """
    Let commands run in this process search as briefly as they do for side questions.

    For tests of what is done with a plan, not of how good it is; a test that also asks for
    ``searched_in_full`` is spared.
    """
    if "searched_in_full" not in request.fixturenames:
        briefly = functools.partial(plan_season, effort=Effort().short())
        monkeypatch.setattr("tripplan.pipeline.season.plan_season", briefly)


@pytest.fixture
def searched_in_full() -> None:
    """Leave the search of a test as it is where its file searches briefly."""


@dataclass(frozen=True)
class DemoRun:
    """The streams and the folder of one run of the demo."""

    output: str
    remarks: str
    folder: Path

    @property
    def fleet(self) -> Path:
        return self.folder / "fleet"


@pytest.fixture(scope="session")
def demo_run(once: Once, whole_search: Any) -> DemoRun:
    """
    Run the demo once for all tests; they only look at it.

    Its time limit is out of reach, so that its plan is the one that its counts give, on any machine.
    """

    def run(made: Path) -> None:
        from click.testing import CliRunner

        from tripplan.cli import main

        made.mkdir()
        command = ["demo", "--out", str(made / "tripplan-demo"), "--time-limit", "100000"]
        with whole_search():
            done = CliRunner().invoke(main, command, catch_exceptions=False)
        assert done.exit_code == 0, done.output
        (made / "output.txt").write_text(done.stdout, encoding="utf-8")
        (made / "remarks.txt").write_text(done.stderr, encoding="utf-8")

    made = once("demo", run)
    output, remarks = ((made / f"{name}.txt").read_text(encoding="utf-8") for name in ("output", "remarks"))
    return DemoRun(output, remarks, made / "tripplan-demo")


@pytest.fixture(scope="session")
def random_fleets() -> ModuleType:
    """Return the generator of random fleets: ``random_fleet(seed, n_sites=None) -> (Fleet, Outlook)``."""
    import fleet_generator

    return fleet_generator


@pytest.fixture(scope="session")
def best_of_tiny(once: Once, random_fleets: ModuleType) -> Callable[..., Any]:
    """
    Return what tries every plan of ``tiny_season(seed)``: ``best_of_tiny(seed, devices=False)``.

    Each season is enumerated once for all tests and processes of a run; the values are those of
    ``solve_by_force``, and so is the error where a season is too large.
    """
    from brute_force import StageValues, TooLargeError, solve_by_force

    def best(seed: int, *, devices: bool = False) -> StageValues:
        def enumerate_all(file: Path) -> None:
            fleet, outlook = random_fleets.tiny_season(seed)
            if devices:
                fleet, outlook = random_fleets.with_devices(fleet, outlook, seed)
            travel = measure_travel(fleet)
            try:
                with unwatched():
                    found: StageValues | None = solve_by_force(fleet, outlook, travel)
            except TooLargeError:
                found = None
            file.write_text(json.dumps(found), encoding="utf-8")

        file = once(f"tiny-{seed}{'-devices' if devices else ''}", enumerate_all)
        values = json.loads(file.read_text(encoding="utf-8"))
        if values is None:
            raise TooLargeError(f"tiny season {seed}")
        return StageValues(*values)

    return best

"""Small fleets made by hand for the tests of travel."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tripplan.fleet import Crew, Fleet, PackType, Site


@pytest.fixture
def make_site() -> Callable[..., Site]:
    def build(site_id: str, lat: float, lon: float, **more: Any) -> Site:
        more.setdefault("park_lat", lat)
        more.setdefault("park_lon", lon)
        return Site(site_id, lat, lon, "SLA", 12.0, "5.5x2.1 centre +", **more)

    return build


@pytest.fixture
def make_fleet() -> Callable[..., Fleet]:
    def build(*sites: Site, **more: Any) -> Fleet:
        more.setdefault("crews", (Crew("home", 52.0, -4.0),))
        more.setdefault("timezone", "Europe/London")
        kinds = {"SLA": PackType("SLA", 12.0, "5.5x2.1 centre +")}
        return Fleet("test", sites=sites, pack_types=kinds, **more)

    return build

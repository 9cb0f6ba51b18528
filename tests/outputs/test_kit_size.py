"""How large the kit is: it travels by message and opens on old phones."""

from __future__ import annotations

from kit_trip import TODAY, wide_case

from tripplan.outputs import write_kit


def test_page_for_thirty_sites_stays_under_600_kb(tmp_path):
    write_kit(*wide_case(30).arguments(), tmp_path, today=TODAY)
    assert (tmp_path / "map.html").stat().st_size <= 600_000
    assert (tmp_path / "checklist.html").stat().st_size <= 300_000

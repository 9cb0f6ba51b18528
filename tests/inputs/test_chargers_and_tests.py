"""Chargers with a current, cells that are never charged, and tests that no pack can have passed."""

from __future__ import annotations

from datetime import date

import pytest

from tripplan.errors import InputError
from tripplan.fleet import SparesSettings
from tripplan.inputs import read_fleet

SETTINGS = """
[fleet]
name = "Test"
timezone = "Europe/Paris"
[[crew]]
name = "One"
base_lat = 48.0
base_lon = 7.0
[pack_types.SLA]
volts = 12.0
plug = "5.5x2.1 centre +"
[pack_types.AA]
volts = 6.0
plug = "lead, red +"
chemistry = "alkaline"
[pack_types.LFP]
volts = 12.0
plug = "5.5x2.1 centre +"
chemistry = "lithium iron phosphate"
capacity_ah = 12.0
"""


def read(folder, settings, packs=None):
    (folder / "tripplan.toml").write_text(SETTINGS + settings, encoding="utf-8")
    (folder / "sites.csv").write_text(
        "site_id,lat,lon,pack_type,swapped_on\nA,48.1001,7.1001,SLA,2026-10-01\n", encoding="utf-8"
    )
    if packs is not None:
        (folder / "packs.csv").write_text(packs, encoding="utf-8")
    return read_fleet(folder, date(2026, 11, 25))


def faults(folder, settings, packs=None):
    with pytest.raises(InputError) as caught:
        read(folder, settings, packs)
    return str(caught.value)


def test_the_hours_follow_from_the_current_unless_they_are_given(tmp_path):
    """7 Ah at 0.7 A, 110 % back: 11 h; the contract's 12 h where nothing is said."""
    chargers = (
        "[[charging]]\ntypes = ['SLA']\namps = 0.7\n"
        "[[charging]]\ntypes = ['SLA']\namps = 0.7\nhours_per_pack = 16\n"
        "[[charging]]\ntypes = ['SLA']\n"
        "[[charging]]\ntypes = ['LFP']\namps = 2.0\n"
    )
    hours = [charger.hours_per_pack for charger in read(tmp_path, chargers).chargers]
    assert hours == pytest.approx([11.0, 16.0, 12.0, 12.0 * 1.02 / 2.0])


def test_a_current_that_packs_do_not_bear_is_remarked_on(tmp_path):
    fleet = read(tmp_path, "[[charging]]\ntypes = ['SLA']\namps = 5\n")
    assert any("5 A is more than the 2.1 A" in remark for remark in fleet.remarks)
    assert not any(
        "amps" in remark for remark in read(tmp_path, "[[charging]]\ntypes = ['SLA']\namps = 2.1\n").remarks
    )


def test_primary_cells_have_no_charger(tmp_path):
    assert faults(tmp_path, "[[charging]]\ntypes = ['AA']\n") == (
        "tripplan.toml, setting [[charging]] 1 types: alkaline cells are never charged: they leak or burst "
        "(found 'AA'). Take the type out; new cells are counted as charged packs."
    )


def test_a_tested_capacity_beyond_any_pack(tmp_path):
    packs = "pack_id,pack_type,tested_ah,tested_on,where,state\nP1,SLA,68,2026-02-01,shelf,charged\n"
    assert faults(tmp_path, "", packs) == (
        "packs.csv, row 2, column tested_ah: pack P1 cannot hold so much: its type SLA is rated 7 Ah (found '68'). "
        "Is the decimal point right, and the type?"
    )
    assert read(tmp_path, "", packs.replace("68,", "7.6,")).packs[0].tested_ah == 7.6


def test_the_spares_settings_have_their_defaults(tmp_path):
    assert read(tmp_path, "").spares == SparesSettings()
    given = "[spares]\nchance = 0.9\nretire_below = 0.7\nshelf_c = 8\ndetour_minutes = 0\nlead_days = 30\n"
    assert read(tmp_path, given).spares == SparesSettings(0.9, 0.7, 8.0, 0.0, 30)


def test_types_that_no_charger_takes_are_named_where_others_have_one(tmp_path):
    """Packs of such a type that come back stay empty; cells that are never charged are not asked after."""

    def said(settings):
        return [remark for remark in read(tmp_path, settings).remarks if "no charger" in remark]

    (one,) = said("[[charging]]\ntypes = ['SLA']\n")
    assert one.endswith(
        "[[charging]]: LFP has no charger: packs of that type that come back are not charged again this season."
    )
    assert said("[[charging]]\ntypes = ['SLA']\n[[charging]]\ntypes = ['LFP']\n") == []
    assert said("") == []  # without chargers whatever comes back is charged

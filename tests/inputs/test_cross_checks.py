"""What tables say of each other: set-aside sites, whereabouts of packs, lives, fit, zones."""

from __future__ import annotations

from datetime import date

import pytest

from tripplan.inputs import read_fleet


def replace(folder, name, *pairs):
    path = folder / name
    text = path.read_text("utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, "utf-8")


def test_a_site_set_aside_takes_its_records_along(folder, read):
    replace(folder, "sites.csv", ("name,", "in_use,"), ("Alder", "yes"), ("Birch", ""), ("Beech", "No"))
    fleet = read()
    assert fleet.set_aside == ("B1",)
    assert [site.site_id for site in fleet.sites] == ["A1", "A2"]
    assert {visit.site_id for visit in fleet.visits} == {"A2"}
    assert [pack.pack_id for pack in fleet.packs] == ["P1", "P2"]
    assert len(fleet.legs) == 1
    assert fleet.remarks == (
        "sites.csv: set aside by in_use = no: B1.",
        "packs.csv, row 4: left out, the site is set aside (in_use = no).",
        "visits.csv, row 3: left out, the site is set aside (in_use = no).",
        "readings.csv, row 3: left out, the site is set aside (in_use = no).",
        "legs.csv, row 3: left out, the site is set aside (in_use = no).",
    )


def test_a_row_set_aside_may_be_faulty(folder, read):
    replace(
        folder,
        "sites.csv",
        ("name,", "in_use,"),
        ("Alder", ""),
        ("Birch", ""),
        ("Beech,50.29844,8.53127", "no,somewhere,800"),
    )
    assert read().set_aside == ("B1",)


def test_records_after_today_are_judged_only_with_a_today(folder):
    replace(folder, "visits.csv", ("2026-10-03", "2027-10-03"))
    replace(folder, "packs.csv", ("2026-10-03", "2027-10-03"))
    assert len(read_fleet(folder).visits) == 2


def test_when_the_pack_went_in(read):
    fleet = read()
    assert {name: (place.since, place.source) for name, place in fleet.in_place.items()} == {
        "A1": (date(2026, 8, 30), "swapped_on"),
        "A2": (date(2026, 9, 5), "packs.csv"),
        "B1": (date(2026, 10, 3), "packs.csv"),
    }


def test_flat_on_needs_no_swap(folder, read):
    replace(folder, "sites.csv", ("swapped_on", "flat_on"))
    assert read().sites_by_id["A1"].flat_on == date(2026, 8, 30)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("capacity_ah = 7.0", "capacity_ah = 6.5", 5.0),
        ("capacity_ah = 7.0", "capacity_ah = 7.5", 5.0),
        ("capacity_ah = 7.0", "usual_months = 4.0", 4.0),
    ],
)
def test_the_usual_life_of_a_usual_pack(folder, read, old, new, expected):
    replace(folder, "tripplan.toml", (old, new))
    assert read().pack_types["SLA12"].usual_months == expected


@pytest.mark.parametrize("column", ["draw_mah_per_day", "usual_months"])
def test_a_life_may_come_from_the_site(folder, read, column):
    replace(folder, "tripplan.toml", ("capacity_ah = 7.0", "capacity_ah = 12.0"))
    replace(folder, "sites.csv", ("name,", f"{column},"), ("Alder", "5"), ("Birch", "5"), ("Beech", "5"))
    assert len(read().sites) == 3


def test_a_life_may_come_from_the_given_date_of_the_pack_in_place(folder, read):
    replace(folder, "tripplan.toml", ("capacity_ah = 7.0", "capacity_ah = 12.0"))
    replace(
        folder,
        "sites.csv",
        ("name,", "flat_on,"),
        ("Alder", "2027-01-10"),
        ("Birch", "2027-01-20"),
        ("Beech", "2027-02-10"),
    )
    assert len(read().sites) == 3


def test_a_given_date_alone_does_not_say_how_long_the_next_pack_lasts(folder, faults):
    replace(folder, "tripplan.toml", ("capacity_ah = 7.0", "capacity_ah = 12.0"))
    replace(
        folder,
        "sites.csv",
        ("name,", "flat_on,"),
        ("Alder", "2027-01-10"),
        ("Birch", "2027-01-20"),
        ("Beech", "2027-02-10"),
        ("2026-08-30", ""),
    )
    assert faults() == [
        (
            "sites.csv, row 2, column usual_months: nothing says how long a charged pack lasts here. Fill in "
            "usual_months, draw_mah_per_day or swapped_on, or set usual_months of pack type SLA12."
        )
    ]


def test_a_pack_that_went_in_without_a_swap_is_remarked(folder, read):
    replace(folder, "visits.csv", ("new cord\n", "new cord\n2026-10-20,A1,running,,left,,,P9,,,\n"))
    assert read().remarks == (
        (
            "visits.csv, row 4, column done: a pack went in, but done is neither swapped nor installed, "
            "so no swap is counted."
        ),
    )


def test_a_device_that_was_removed_is_remarked(folder, read):
    replace(folder, "visits.csv", ("new cord\n", "new cord\n2026-10-20,A1,running,,removed,,,,,,\n"))
    assert read().remarks == (
        (
            "visits.csv, row 4: the device was removed and not installed again (A1); "
            "give active_from in the sites, from which day it is to run again, or set in_use = no if it is "
            "gone."
        ),
    )


def test_notice_without_a_contact_is_remarked(folder, read):
    replace(folder, "access.csv", ("Ring the keeper (invented),2", ",2"))
    assert read().remarks == ("access.csv, row 2, column contact: notice_days, but nobody to ring.",)


def test_visits_keep_the_spelling_of_packs_csv(folder, read):
    replace(folder, "visits.csv", ("P2,12.1,P1", "p2,12.1,p1"))
    visit = read().visits[0]
    assert (visit.pack_out, visit.pack_in) == ("P2", "P1")


def test_plugs_compare_without_capitals_and_extra_spaces(folder, read):
    replace(
        folder,
        "sites.csv",
        ("name,", "plug,"),
        ("Alder", " 5.5X2.1   Centre +"),
        ("Birch", ""),
        ("Beech", ""),
    )
    assert len(read().sites) == 3


def test_a_converter_lets_a_12_volt_pack_feed_a_6_volt_device(folder, read):
    replace(
        folder,
        "sites.csv",
        ("name,", "volts,"),
        ("walk_m", "converter_volts"),
        ("Alder", "6"),
        ("Birch", ""),
        ("Beech", ""),
        ("420", "12"),
        ("780", ""),
    )
    site = read().sites[0]
    assert (site.volts, site.takes_volts) == (6.0, 12.0)


def test_a_six_volt_pack_behind_the_same_converter_does_not_fit(folder, faults):
    replace(
        folder,
        "sites.csv",
        ("name,", "volts,"),
        ("walk_m", "converter_volts"),
        ("Alder", "6"),
        ("Birch", ""),
        ("Beech", ""),
        ("420,SLA12", "12,SLA6"),
        ("780", ""),
    )
    assert faults() == [
        (
            "sites.csv, row 2, column pack_type: the pack gives 6 V, but the converter of the site takes in 12 V "
            "(found 'SLA6'). Name a pack type of the right voltage, or mend volts."
        )
    ]


def test_volts_are_judged_by_the_battery_behind_a_converter_in_the_box(folder, read, faults):
    settings = '\n[pack_types.BOX6]\nvolts = 6.0\nplug = "5.5x2.1 centre +"\nusual_months = 5\n'
    replace(folder, "tripplan.toml", ("[pack_types.SLA6]", settings + "\n[pack_types.SLA6]"))
    replace(folder, "sites.csv", ("420,SLA12", "420,BOX6"), ("Alder", "Alder"))
    assert faults() == [
        (
            "readings.csv, row 2, column volts: a 6 V pack shows 3 to 7.5 V (found '12.4'). Mend it, or leave it blank "
            "where nothing was measured at the battery's terminals. If the box of BOX6 holds a converter, set its "
            "battery_volts."
        )
    ]
    replace(folder, "tripplan.toml", ("[pack_types.BOX6]", "[pack_types.BOX6]\nbattery_volts = 12.0"))
    assert read().pack_types["BOX6"].nominal_volts == 12.0


def test_backup_cells_have_volts_of_their_own(folder, read, faults):
    replace(folder, "readings.csv", ("12.4,,pack", "8.9,,backup"))
    replace(
        folder,
        "sites.csv",
        ("name,", "backup_cells,"),
        ("walk_m", "backup_chemistry"),
        ("Alder", "6"),
        ("Birch", ""),
        ("Beech", ""),
        ("420", "alkaline"),
        ("780", ""),
    )
    assert read().readings[0].source == "backup"
    replace(folder, "readings.csv", ("8.9", "1.5"))
    assert faults() == [
        (
            "readings.csv, row 2, column volts: 6 backup cells show 3 to 27 V (found '1.5'). "
            "Mend it, or leave it blank."
        )
    ]


def test_a_swap_that_only_packs_csv_knows_is_remarked(folder, read):
    replace(
        folder,
        "packs.csv",
        ("shelf,,charged", "A2,2026-11-01,in use"),
        ("A2,2026-09-05,in use", "shelf,2026-11-01,flat"),
    )
    assert read().remarks == (
        "packs.csv, row 3: pack P2 is at A2 since 2026-11-01; visits.csv has no row for that swap.",
    )


def test_a_pack_that_came_out_but_still_stands_at_the_site(folder, faults):
    replace(folder, "visits.csv", ("new cord\n", "new cord\n2026-10-20,A2,running,,swapped,P1,12.0,,,,\n"))
    assert faults() == [
        (
            "packs.csv, row 2, column where: row 2 here and row 4 of visits.csv disagree about site A2: here pack P1 is "
            "there since 2026-09-05, there a pack went in on 2026-10-20. Mend the row that is wrong."
        )
    ]


def test_a_pack_that_went_in_elsewhere_later(folder, faults):
    replace(
        folder, "visits.csv", ("new cord\n", "new cord\n2026-10-20,A1,running,,swapped,,12.0,P1,12.7,,\n")
    )
    assert faults() == [
        (
            "packs.csv, row 2, column where: row 2 here and row 4 of visits.csv disagree: here pack P1 is at A2, there it "
            "went in at A1 on 2026-10-20. Mend the row that is wrong; since says from when a newer place holds."
        )
    ]


UNLISTED = "2026-10-20,A1,running,,swapped,,12.0,P9,12.7,,"


def test_a_pack_in_place_that_packs_csv_does_not_list_is_a_fault(folder, faults):
    replace(folder, "visits.csv", ("new cord\n", f"new cord\n{UNLISTED}\n"))
    (line,) = faults()
    assert line == (
        "visits.csv, row 4, column pack_in: pack P9 went in at A1 and stands there, but packs.csv does not list it. "
        "Mend the name; or give the pack a row in packs.csv; or write 'not in packs.csv' into the notes of this row "
        "if it is to have none."
    )


def test_each_way_out_of_that_fault_works(folder, read):
    visits, packs = (folder / "visits.csv").read_text("utf-8"), (folder / "packs.csv").read_text("utf-8")
    row = f"new cord\n{UNLISTED}"
    for with_row, more in (
        (f"{row}P9 is Not in packs.csv: lent\n", ""),
        (f"{row}\n", "P9,SLA12,,,,A1,2026-10-20,in use\n"),
    ):
        (folder / "visits.csv").write_text(visits.replace("new cord\n", with_row), "utf-8")
        (folder / "packs.csv").write_text(packs + more, "utf-8")
        fleet = read()
        assert fleet.remarks == ()
        assert fleet.in_place["A1"].since.isoformat() == "2026-10-20"


def test_packs_of_old_need_no_row_in_packs_csv(folder, read):
    replace(
        folder,
        "visits.csv",
        (
            "new cord\n",
            "new cord\n2026-10-20,A1,running,,swapped,,12.0,LENT,12.7,,\n2026-10-25,A1,,,swapped,,,P2,,,\n",
        ),
    )
    replace(folder, "packs.csv", ("shelf,,charged", "A1,2026-10-25,in use"))
    assert read().remarks == ()


def test_a_pack_that_comes_back_as_no_spare_of_the_site_s_type_is_remarked(folder, read):
    settings = (folder / "tripplan.toml").read_text("utf-8")
    lithium = '\n[pack_types.LFP12]\nchemistry = "lithium iron phosphate"\nvolts = 12.0\nplug = "5.5x2.1 centre +"\n'
    (folder / "tripplan.toml").write_text(settings + lithium, "utf-8")
    replace(
        folder,
        "packs.csv",
        ("A2,2026-09-05,in use", "A2,2026-09-05,suspect"),
        ("P3,SLA12,2025-03-01", "P3,LFP12,2025-03-01"),
    )
    suspect, other = read().remarks
    assert suspect == (
        "packs.csv, row 2: pack P1 at A2 is suspect. When it is swapped, the plan does not count it as coming back "
        "to the shelf: it is no spare until it has passed a test."
    )
    assert other == (
        "packs.csv, row 4: pack P3 at B1 is of type LFP12, the site's is SLA12. When it is swapped, the plan counts a "
        "LFP12 as coming back from there."
    )


def test_packs_without_a_state_are_counted_and_remarked(folder, read):
    replace(folder, "packs.csv", ("charged", ""))
    fleet = read()
    assert fleet.charged_on_shelf("SLA12") == 1
    assert fleet.remarks == ("packs.csv, row 3: no state given; counted as charged on the shelf.",)


def test_the_time_zone_is_found_from_the_coordinates(folder, read):
    replace(folder, "tripplan.toml", ('timezone = "Europe/Berlin"\n', ""))
    fleet = read()
    assert fleet.timezone == "Europe/Berlin"
    assert fleet.remarks == ("tripplan.toml: time zone Europe/Berlin, found from the coordinates.",)


def test_sites_in_two_time_zones_need_a_word(folder, faults):
    replace(
        folder,
        "tripplan.toml",
        ('timezone = "Europe/Berlin"\n', ""),
        ("50.23100", "54.90"),
        ("8.58700", "8.80"),
    )
    replace(
        folder,
        "sites.csv",
        ("A1,Alder,50.27412,8.49871,50.27260,8.50230,420", "A1,Alder,54.70000,8.80000,,,420"),
        ("A2,Birch,50.27618,8.49412,50.27260,8.50230,780", "A2,Birch,54.98000,8.85000,,,780"),
        ("50.29844,8.53127", "55.10000,8.80000"),
    )
    replace(folder, "legs.csv", ("A1,B1", "A2,B1"))
    assert faults() == [
        (
            "tripplan.toml, setting [fleet] timezone: the sites lie in several time zones (Europe/Berlin, "
            'Europe/Copenhagen). Write timezone = "..." for the one your clock shows.'
        )
    ]


def test_a_plug_without_polarity_is_remarked(folder, read):
    replace(folder, "tripplan.toml", ("5.5x2.1 centre +", "two-pin"))
    assert read().remarks[0] == (
        "tripplan.toml, setting [pack_types.SLA12] plug: 'two-pin' does not say which contact is plus; "
        "write for example '5.5x2.1 centre +'."
    )


def test_crews_and_settings_in_full(folder, read):
    replace(
        folder,
        "tripplan.toml",
        (
            'people = ["Lene"]',
            (
                'days = ["Saturday", "sun"]\nday_start = 06:15:00\nday_end = "24:00"\ncarry_kg = 15\npacks_aboard = 6\n'
                'people = ["Lene"]\naway = ["2027-02-06/2027-02-21", 2027-03-01]\n'
                '[calendar]\nblocked = ["2026-12-24"]\n[plan]\nweeks = 10\nrisk = 0.1\n[walk]\nrule = "Tobler"\n'
                '[[charging]]\ntypes = ["sla12"]\nhours_per_pack = 10\n[money]\nper_km = 0.3\n[money.prices]\nSLA12 = 40\n'
            ),
        ),
    )
    fleet = read()
    crew = fleet.crews[0]
    assert crew.weekdays == {5, 6}
    assert (crew.day_start_minute, crew.day_end_minute) == (375, 1440)
    assert (crew.carry_kg, crew.packs_aboard) == (15.0, 6)
    assert [(span.first, span.last) for span in crew.away] == [
        (date(2027, 2, 6), date(2027, 2, 21)),
        (date(2027, 3, 1), date(2027, 3, 1)),
    ]
    assert fleet.blocked[0].first == date(2026, 12, 24)
    assert (fleet.plan.weeks, fleet.plan.risk, fleet.walk.rule) == (10, 0.1, "tobler")
    assert fleet.chargers[0].types == ("SLA12",)
    assert fleet.money.prices == {"SLA12": 40.0}

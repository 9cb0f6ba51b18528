"""Labels for packs: read back by a code reader, safe with any text, the same on A4 and Letter."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date

import html5lib
import numpy as np
import pytest
import zxingcpp
from kit_trip import HOSTILE

from tripplan.errors import InputError
from tripplan.fleet import Pack, PackState
from tripplan.outputs.labels import labelled_packs, render_labels
from tripplan.outputs.pages import require_self_contained
from tripplan.outputs.plain_text import clean

_MOVES = re.compile(r"([Mmh])(-?[\d.]+)(?: (-?[\d.]+))?")


def _picture(path: str, size: int, scale: int = 8) -> np.ndarray:
    """Draw the path of a code: strokes one unit wide, from left to right."""
    picture = np.full((size * scale, size * scale), 255, dtype=np.uint8)
    x = y = 0.0
    for kind, first, second in _MOVES.findall(path):
        if kind == "M":
            x, y = float(first), float(second)
        elif kind == "m":
            x, y = x + float(first), y + float(second)
        else:
            top, left, right = round((y - 0.5) * scale), round(x * scale), round((x + float(first)) * scale)
            picture[top : top + scale, left:right] = 0
            x += float(first)
    return picture


def _codes(page: str) -> list[str]:
    read = []
    for size, path in re.findall(r'<svg viewBox="0 0 (\d+) \d+"><path stroke="#000" d="([^"]+)"', page):
        found = zxingcpp.read_barcodes(_picture(path, int(size)))
        assert len(found) == 1
        assert "qr" in str(found[0].format).lower()
        read.append(found[0].text)
    return read


def _fleet(valley_fleet, ids, **pack):
    packs = tuple(Pack(pack_id, "SLA12", **pack) for pack_id in ids)
    return replace(valley_fleet, packs=packs)


def test_another_library_reads_the_packs_id_from_each_code(valley_fleet):
    packs = labelled_packs(valley_fleet)
    assert _codes(render_labels(valley_fleet, packs)) == [pack.pack_id for pack in packs]


@pytest.mark.parametrize("pack_id", ["7", "Ümlaut-7", "電池 12", "a" * 200, "A01/b:c?d=e"])
def test_any_id_comes_back_as_it_was(valley_fleet, pack_id):
    fleet = _fleet(valley_fleet, [pack_id])
    assert _codes(render_labels(fleet, fleet.packs)) == [pack_id]


def test_a_label_says_what_must_not_be_mixed_up(valley_fleet):
    fleet = replace(
        valley_fleet,
        packs=(Pack("S1", "SLA6", bought=date(2025, 3, 1)), Pack("L1", "LFP12"), Pack("A1", "SLA12")),
    )
    page = render_labels(fleet, fleet.packs)
    assert re.findall(r'class="volts">([^<]+)<', page) == ["6 V", "12 V", "12 V"]
    assert "5.5x2.5 centre +" in page
    assert "lithium iron phosphate" in page
    assert page.count("bought 2025-03-01") == 1
    assert page.count("Measure volts and polarity") == 3


def test_hostile_ids_and_names_stay_text(valley_fleet):
    names = [text for text in HOSTILE if clean(text)]
    fleet = replace(_fleet(valley_fleet, names), name=HOSTILE[0])
    page = render_labels(fleet, fleet.packs)
    require_self_contained(page)
    document = html5lib.HTMLParser(namespaceHTMLElements=False, strict=False).parse(page)
    assert [node for node in document.iter() if node.tag in ("script", "img", "iframe", "a", "b")] == []
    shown = [
        "".join(node.itertext()) for node in document.iter("p") if node.get("class") in ("id", "id long")
    ]
    assert shown == [clean(name) for name in names]


def test_labels_in_the_fleets_language(valley_fleet):
    page = render_labels(replace(valley_fleet, language="de"), valley_fleet.packs[:1])
    assert '<html lang="de">' in page
    assert "Blei, verschlossen" in page
    assert "gekauft" in page


def test_retired_packs_get_no_label_unless_asked_for(valley_fleet):
    retired = [pack.pack_id for pack in valley_fleet.packs if pack.state is PackState.RETIRED]
    assert retired
    assert not set(retired) & {pack.pack_id for pack in labelled_packs(valley_fleet)}
    assert [pack.pack_id for pack in labelled_packs(valley_fleet, [retired[0], "A01", "A01"])] == [
        retired[0],
        "A01",
    ]


def test_without_packs_there_is_nothing_to_label(valley_fleet):
    with pytest.raises(InputError, match="there is none, so there is no pack to label"):
        labelled_packs(replace(valley_fleet, packs=None))


def test_three_columns_fit_on_both_papers(valley_fleet):
    page = render_labels(valley_fleet, valley_fleet.packs)
    width, height = (
        float(re.search(rf"\.label{{[^}}]*{name}:(\d+)mm", page)[1]) for name in ("width", "height")
    )
    margin = float(re.search(r"@page{margin:(\d+)mm}", page)[1])
    for paper_width, paper_height in ((210.0, 297.0), (215.9, 279.4)):
        assert 3 * width <= paper_width - 2 * margin
        assert 5 * height <= paper_height - 2 * margin

"""The load list as CSV, for those who keep their lists in a spreadsheet."""

from __future__ import annotations

from tripplan.outputs.kit_model import KitView
from tripplan.outputs.plain_text import csv_table

__all__ = ["load_csv"]

_HEADER = ("trip_id", "kind", "item", "count", "volts", "plug", "weight_kg", "sites", "packs")


def load_csv(kit: KitView) -> bytes:
    """
    Return ``load.csv``.

    Parameters
    ----------
    kit : KitView
        The trip.

    Returns
    -------
    bytes
        UTF-8 with a byte order mark; ``kind`` is ``pack``, ``spare``, ``device``, ``job`` or ``kit``;
        ``weight_kg`` is the whole row's; texts that a spreadsheet could run as a formula carry a leading
        apostrophe.
    """
    rows = [
        (
            kit.trip_id,
            row.kind,
            row.text,
            row.count,
            None if row.tag is None else row.tag.volts,
            None if row.tag is None else row.tag.plug,
            row.weight_kg,
            " ".join(row.site_ids),
            " ".join(row.pack_ids),
        )
        for row in kit.load
    ]
    return csv_table(_HEADER, rows)

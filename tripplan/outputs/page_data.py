"""The one block of data that the page's scripts read: texts and numbers, no markup."""

from __future__ import annotations

import hashlib
from dataclasses import asdict
from typing import Any

from tripplan.fleet import Chemistry
from tripplan.outputs.kit_model import KitView
from tripplan.outputs.pack_volts import plug_span, volt_limits
from tripplan.outputs.wording import Wording

__all__ = ["page_data"]

_MAP_WORDS = ("to_card", "north", "whole", "me", "me_at", "no_position", "zoom_in", "zoom_out")


def page_data(kit: KitView, wording: Wording, *, recording: bool) -> dict[str, Any]:
    """
    Return what the page's scripts read.

    Parameters
    ----------
    kit : KitView
        The trip.
    wording : Wording
        Language and units.
    recording : bool
        Whether the page records; then ``record`` holds what its checks need.

    Returns
    -------
    dict
        Ready for `tripplan.outputs.plain_text.json_block`. User text in it is shown as text only.
    """
    data: dict[str, Any] = {
        "trip_id": kit.trip_id,
        "metric": wording.metric,
        "marks": _marks(kit, wording),
        "stops": [
            {
                "mark": f"stop_{stop.number}",
                "label": stop.label,
                "numbers": stop.numbers_text,
                "sites": [f"site_{site.number}" for site in stop.sites],
            }
            for stop in kit.stops
        ],
        "words": {name: wording.texts[f"map.{name}"] for name in _MAP_WORDS}
        | {"stop": wording.say("page.stop"), "decimal": wording.say("format.decimal")},
    }
    if recording:
        data["record"] = _record_data(kit, wording)
    return data


def _marks(kit: KitView, wording: Wording) -> dict[str, dict[str, str]]:
    """Return title, words and link of every mark on the live map, by its name there."""
    marks = {"base": {"title": wording.say("overview.base"), "words": kit.leave_text, "link": ""}}
    for stop in kit.stops:
        marks[f"stop_{stop.number}"] = {
            "title": f"{stop.label} {wording.say('stop.park')}",
            "words": stop.coordinates,
            "link": f"#stop-{stop.number}",
        }
    for site in kit.sites:
        marks[f"site_{site.number}"] = {
            "title": f"{site.number} {site.name or site.site_id}",
            "words": f"{site.what} {site.tag.letter} {site.tag.volts_text}" if site.swap else site.what,
            "link": f"#site-{site.number}",
        }
    return marks


def _record_data(kit: KitView, wording: Wording) -> dict[str, Any]:
    """Return sites, packs, limits and words that the page's checks need."""
    slots = [row for row in kit.load if row.tag is not None for _ in range(row.count)]
    fleet = hashlib.sha256(kit.fleet.encode("utf-8")).hexdigest()[:12]
    return {
        "back": int(kit.call_by.timestamp() * 1000),
        "day": kit.date.isoformat(),
        "store": f"tripplan-kit/1:{fleet}:{kit.trip_id}",
        "knows_packs": kit.knows_packs,
        "sites": [
            {
                "number": site.number,
                "key": site.key,
                "name": site.name or site.site_id,
                "kind": site.kind,
                "swap": site.swap,
                "type": site.tag.name,
                "takes": site.takes_volts,
                "plug": site.tag.plug,
                "span": _span(site.takes_volts),
                "pack_out": site.pack_out,
                "pack_in": site.pack_in,
                "jobs": [job.text for job in site.jobs],
            }
            for site in kit.sites
        ],
        "packs": [{"id": pack.pack_id, "type": pack.pack_type, "shelf": pack.on_shelf} for pack in kit.packs],
        "first": {row.tag.name: list(row.pack_ids) for row in kit.load if row.tag and row.kind == "pack"},
        "types": {
            tag.name: {"name": tag.name, "letter": tag.letter, "volts": tag.volts, "span": _span(tag.volts)}
            | asdict(volt_limits(Chemistry(tag.chemistry), tag.battery_volts))
            for tag in kit.tags
        },
        "slots": {str(number): row.tag.name for number, row in enumerate(slots, 1) if row.tag},
        "spares": [number for number, row in enumerate(slots, 1) if row.kind == "spare"],
        "words": {
            key.removeprefix("js."): text for key, text in wording.texts.items() if key.startswith("js.")
        }
        | {"decimal": wording.say("format.decimal")},
    }


def _span(volts: float) -> list[float]:
    span = plug_span(volts)
    return [span.least, span.most]

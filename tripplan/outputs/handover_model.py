"""
What a handover shows: frozen dataclasses of display strings, clean and not escaped.

A site's ``notes`` have no place here either: they stay at home whoever takes over.
"""

from __future__ import annotations

from dataclasses import dataclass

from tripplan.outputs.kit_model import KitView

__all__ = ["CrewCard", "EveningRow", "Handover", "LineCard", "PackRow", "SiteCard", "TypeRow"]


@dataclass(frozen=True)
class EveningRow:
    """Packs that go on chargers at one moment."""

    on_text: str
    off_text: str
    text: str


@dataclass(frozen=True)
class SiteCard:
    """One site with all that whoever serves it must know; empty texts are not known."""

    site_id: str
    name: str
    coordinates: str
    geo_uri: str
    park_text: str
    park_uri: str
    way_text: str
    find: str
    pack_text: str
    converter_text: str
    in_place_text: str
    flat_text: str
    swap_by_text: str
    next_visit_text: str
    access: str
    jobs: tuple[str, ...]
    device_id: str


@dataclass(frozen=True)
class LineCard:
    """A name with lines of text below it."""

    name: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class CrewCard:
    """A crew, its base and what it can do."""

    name: str
    base_text: str
    base_uri: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class TypeRow:
    """A pack type."""

    name: str
    volts_text: str
    plug: str
    text: str


@dataclass(frozen=True)
class PackRow:
    """A pack by identity."""

    pack_id: str
    pack_type: str
    where: str
    state: str
    tested: str


@dataclass(frozen=True)
class Handover:
    """
    A whole fleet, or what happens between two dates.

    Attributes
    ----------
    whole : bool
        Whether sites, packs, chargers, crews and access stand in it beside trips and charging evenings.
    kits : tuple of KitView
        The trips, soonest first.
    """

    whole: bool
    language: str
    fleet: str
    title: str
    made_text: str
    span_text: str
    kits: tuple[KitView, ...]
    evenings: tuple[EveningRow, ...]
    sites: tuple[SiteCard, ...] = ()
    access: tuple[LineCard, ...] = ()
    crews: tuple[CrewCard, ...] = ()
    types: tuple[TypeRow, ...] = ()
    packs: tuple[PackRow, ...] = ()
    chargers: tuple[str, ...] = ()
    set_aside: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

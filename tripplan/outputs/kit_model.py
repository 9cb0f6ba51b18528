"""
What a field kit shows: frozen dataclasses of display strings.

`tripplan.outputs.kit_view` fills them, templates and interchange writers read them. Every string is
clean (no control characters, no direction overrides) and not escaped. ``notes`` of a site have no
place here, so that they cannot leave the house.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

__all__ = [
    "CautionsView",
    "ChargeView",
    "ContactView",
    "JobView",
    "KitView",
    "LoadRow",
    "LoopView",
    "OtherSite",
    "PackTag",
    "PackView",
    "SiteView",
    "StopView",
]


@dataclass(frozen=True)
class PackTag:
    """
    A pack type of this trip; `letter` marks it together with the voltage everywhere.

    Attributes
    ----------
    volts : float
        At the plug. [V]
    battery_volts : float
        Nominal, of the battery itself, where a converter in the box changes them; else `volts`. [V]
    """

    letter: str
    name: str
    volts: float
    battery_volts: float
    volts_text: str
    plug: str
    chemistry: str
    chemistry_text: str
    weight_text: str
    weight_kg: float


@dataclass(frozen=True)
class JobView:
    """Other work at a site and what it needs; `bring` may be empty."""

    text: str
    bring: str


@dataclass(frozen=True)
class ContactView:
    """
    Whom to have rung by when, for which stop and sites.

    Attributes
    ----------
    phones : tuple of (str, str)
        Telephone numbers found in the text, each as written and as a ``tel:`` link.
    """

    text: str
    phones: tuple[tuple[str, str], ...]
    ring_by: date
    ring_by_text: str
    stops: tuple[str, ...]
    site_ids: tuple[str, ...]


@dataclass(frozen=True)
class SiteView:
    """
    One site of the trip.

    Attributes
    ----------
    number : int
        Place in the visiting order of the whole trip, from 1.
    key : str
        The site's id exactly as in sites.csv, for what comes back; `site_id` is the same, cleaned for show.
    kind : str
        ``swap``, ``call``, ``set out`` or ``take in``; `swap` tells whether a charged pack goes in.
    what, how : str
        The same as a heading, and in words where more than a pack is moved; else `how` is empty.
    tag : PackTag
        What goes in, or what stays in or comes home.
    takes_volts : float
        What the pack's plug must deliver. [V]
    converter_text : str
        Words on a converter that stands at the site; empty without one.
    pack_out, pack_in : str
        Identities where known, else empty.
    wait_text : str
        "Can wait until ..." or why it cannot.
    can_wait : bool
        Whether it may be left out if the day runs late.
    dark_text : str
        Chance of finding it dark, where the forecast knows and it is worth saying; else empty.
    window_text : str
        Clock span of the access window; empty where always open.
    """

    number: int
    key: str
    site_id: str
    name: str
    lat: float
    lon: float
    coordinates: str
    geo_uri: str
    kind: str
    swap: bool
    what: str
    how: str
    tag: PackTag
    takes_volts: float
    converter_text: str
    pack_out: str
    pack_in: str
    find: str
    jobs: tuple[JobView, ...]
    arrive: str
    start: str
    finish: str
    waits: bool
    work_text: str
    swap_by: date
    swap_by_text: str
    wait_text: str
    can_wait: bool
    dark_text: str
    window_text: str
    walk_text: str
    device_id: str

    @property
    def mark(self) -> str:
        """The kind as a mark on the map is called."""
        return self.kind.replace(" ", "-")

    @property
    def stands(self) -> bool:
        """Whether a device stands there when the crew comes."""
        return self.kind != "set out"

    @property
    def brings_back(self) -> bool:
        """Whether a pack comes home."""
        return self.kind in ("swap", "take in")


@dataclass(frozen=True)
class LoopView:
    """
    One foot loop.

    Attributes
    ----------
    caution : str
        Words on lifting where the loop is heavy; else empty.
    """

    number: int
    leave: str
    back: str
    latest_leave: str
    latest_back: str
    walk_text: str
    climb_text: str
    weight_text: str
    carried_kg: float
    order_text: str
    caution: str
    sites: tuple[SiteView, ...]


@dataclass(frozen=True)
class StopView:
    """
    The vehicle parked once.

    Attributes
    ----------
    label : str
        ``P1``, ``P2`` ... in driving order.
    drive_text : str
        The drive to it from the place before.
    turn_back : str
        Latest time to drive off with all the rest still fitting.
    lose_text : str
        What can be lost anywhere at this stop, and what if the reserve before dusk is spent.
    straight_home : str
        Latest time to drive off if all the rest is left out.
    skip_first : tuple of SiteView
        Sites of this stop and of those after it that can be left out, the first to leave out first.
    """

    number: int
    label: str
    lat: float
    lon: float
    coordinates: str
    geo_uri: str
    arrive: str
    leave: str
    drive_text: str
    turn_back: str
    lose_text: str
    straight_home: str
    is_last: bool
    contacts: tuple[ContactView, ...]
    loops: tuple[LoopView, ...]
    skip_first: tuple[SiteView, ...] = ()

    @property
    def sites(self) -> tuple[SiteView, ...]:
        """All sites of the stop in visiting order."""
        return tuple(site for loop in self.loops for site in loop.sites)

    @property
    def numbers_text(self) -> str:
        """The numbers of its sites in brief, for example 3 to 5 with a dash."""
        first, last = self.sites[0].number, self.sites[-1].number
        return str(first) if first == last else f"{first}\N{EN DASH}{last}"


@dataclass(frozen=True)
class LoadRow:
    """
    One line of the load list.

    Attributes
    ----------
    kind : str
        ``pack``, ``spare``, ``device``, ``job`` or ``kit``.
    tag : PackTag or None
        For packs and spares.
    pack_ids : tuple of str
        Charged packs of that type that stand on the shelf today, where packs.csv knows them.
    """

    kind: str
    text: str
    count: int
    detail: str
    tag: PackTag | None = None
    pack_ids: tuple[str, ...] = ()
    site_ids: tuple[str, ...] = ()
    weight_kg: float | None = None


@dataclass(frozen=True)
class ChargeView:
    """One evening on which packs must go on chargers for this trip."""

    on: datetime
    off: datetime
    on_text: str
    off_text: str
    text: str


@dataclass(frozen=True)
class PackView:
    """A pack that the crew may meet: for checking what is typed."""

    pack_id: str
    pack_type: str
    on_shelf: bool


@dataclass(frozen=True)
class CautionsView:
    """The cautions that a trip calls for, by where they matter; each the most pressing first."""

    front: tuple[str, ...]
    load: tuple[str, ...]
    home: tuple[str, ...]

    @property
    def every(self) -> tuple[str, ...]:
        """All of them, for paper."""
        return self.front + self.load + self.home


@dataclass(frozen=True)
class OtherSite:
    """A site of the trip that somebody else serves: no place, no name, no way to find it."""

    number: int
    label: str
    site_id: str
    start: str
    swap: bool
    what: str
    tag: PackTag


@dataclass(frozen=True)
class KitView:
    """
    One trip, ready to show.

    Attributes
    ----------
    shared_with : str
        Whose kit it is, where it holds the places of their sites only; else empty.
    others : tuple of OtherSite
        Then the rest of the trip.
    """

    trip_id: str
    fleet: str
    knows_packs: bool
    language: str
    date: date
    date_text: str
    made_text: str
    crew: str
    people: str
    base_lat: float
    base_lon: float
    leave: datetime
    back: datetime
    call_by: datetime
    leave_text: str
    back_text: str
    call_by_text: str
    counts_text: str
    sums_text: str
    set_aside_text: str
    tags: tuple[PackTag, ...]
    stops: tuple[StopView, ...]
    contacts: tuple[ContactView, ...]
    load: tuple[LoadRow, ...]
    charging: tuple[ChargeView, ...]
    cautions: CautionsView
    skip_first: tuple[SiteView, ...]
    never_skip: tuple[SiteView, ...]
    packs: tuple[PackView, ...]
    slack_text: str
    drive_home_text: str
    road_note: str
    shared_with: str = ""
    others: tuple[OtherSite, ...] = ()

    @property
    def sites(self) -> tuple[SiteView, ...]:
        """All sites in visiting order."""
        return tuple(site for stop in self.stops for site in stop.sites)

"""Labels to print for packs: id, type, volts, plug, age and a square code, on one self-contained page."""

from __future__ import annotations

import io
from collections.abc import Sequence
from importlib import resources

import segno
from markupsafe import Markup, escape

from tripplan.errors import Fault, InputError
from tripplan.fleet import Fleet, Pack, PackState
from tripplan.outputs.pages import require_self_contained
from tripplan.outputs.plain_text import clean
from tripplan.outputs.wording import Wording, wording_for

__all__ = ["labelled_packs", "render_labels"]

_LONG_ID = 9  # characters that still fit beside the code in large type


def labelled_packs(fleet: Fleet, only: Sequence[str] = ()) -> tuple[Pack, ...]:
    """
    Return the packs to print labels for.

    Parameters
    ----------
    fleet : Fleet
        Its packs.
    only : sequence of str
        Ids; all packs but retired ones where empty.

    Returns
    -------
    tuple of Pack
        In the order of packs.csv, or of `only`.

    Raises
    ------
    InputError
        If there is no packs.csv, or an id is not in it; all unknown ids at once.
    """
    if fleet.packs is None:
        raise InputError(
            [
                Fault(
                    "packs.csv",
                    problem="there is none, so there is no pack to label",
                    mend="Write one row a pack.",
                )
            ]
        )
    by_id = {pack.pack_id: pack for pack in fleet.packs}
    unknown = tuple(pack_id for pack_id in only if pack_id not in by_id)
    if unknown:
        raise InputError(
            [
                Fault(
                    "packs.csv",
                    column="pack_id",
                    values=unknown,
                    problem="there is no such pack",
                    mend=f"Known are {', '.join(list(by_id)[:12])}{' ...' if len(by_id) > 12 else ''}.",
                )
            ]
        )
    if only:
        return tuple(by_id[pack_id] for pack_id in dict.fromkeys(only))
    return tuple(pack for pack in fleet.packs if pack.state is not PackState.RETIRED)


def render_labels(fleet: Fleet, packs: Sequence[Pack]) -> str:
    """
    Return a page of labels.

    Parameters
    ----------
    fleet : Fleet
        For types and language.
    packs : sequence of Pack
        As `labelled_packs` gives them.

    Returns
    -------
    str
        One self-contained HTML page without scripts, for A4 or Letter, 63 x 44 mm a label. The square code
        is a QR code (ISO/IEC 18004) that holds the pack's id and nothing else.

    Raises
    ------
    OutsideRequestError
        If the page would ask any host for anything.
    """
    wording = wording_for(fleet.language, metric=fleet.units == "metric")
    title = wording.say("label.title", fleet=clean(fleet.name))
    style = (resources.files("tripplan.outputs") / "assets" / "labels.css").read_text("utf-8")
    labels = Markup("\n").join(_label(fleet, pack, wording) for pack in packs)
    page = Markup(
        '<!DOCTYPE html>\n<html lang="{lang}"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta http-equiv="Content-Security-Policy" content="{policy}">'
        "<title>{title}</title><style>{style}</style></head>\n<body><h1>{title}</h1>"
        '<p class="words">{words}</p><main class="sheet">\n{labels}\n</main></body></html>\n'
    ).format(
        lang=wording.language,
        policy="default-src 'none'; style-src 'unsafe-inline'",
        title=title,
        style=Markup(style),  # noqa: S704 - our own file
        words=wording.say("label.words"),
        labels=labels,
    )
    require_self_contained(page)
    return str(page)


def _label(fleet: Fleet, pack: Pack, wording: Wording) -> Markup:
    kind = fleet.pack_types[pack.pack_type]
    shown = clean(pack.pack_id)
    facts = [
        f"{clean(kind.name)}, {wording.number(kind.capacity_ah, 1)} Ah",
        wording.say(f"chemistry.{kind.chemistry.name.lower()}"),
        clean(kind.plug),
    ]
    if pack.bought is not None:
        facts.append(wording.say("label.bought", day=pack.bought.isoformat()))
    return Markup(
        '<article class="label"><div class="facts"><p class="{size}">{shown}</p>'
        '<p class="volts">{volts}</p>{facts}</div>'
        '<div class="code" role="img" aria-label="{pack} {shown}">{code}</div>'
        '<p class="caution">{caution}</p></article>'
    ).format(
        size="id" if len(shown) <= _LONG_ID else "id long",
        shown=shown,
        volts=wording.volts(kind.volts),
        facts=Markup("").join(Markup("<p>{}</p>").format(fact) for fact in facts),
        pack=escape(wording.say("label.pack")),
        code=Markup(_code(pack.pack_id)),  # noqa: S704 - an SVG of squares, made here
        caution=wording.say("label.caution"),
    )


def _code(text: str) -> str:
    """Return a QR code as an SVG without a title, so that no text of the user is in it."""
    drawn = io.BytesIO()
    code = segno.make(text, micro=False, error="m")
    code.save(
        drawn, kind="svg", xmldecl=False, svgns=False, border=4, omitsize=True, svgclass=None, lineclass=None
    )
    return drawn.getvalue().decode("utf-8")

"""What a meter may show on a pack: limits that the kit checks as figures are typed."""

from __future__ import annotations

from dataclasses import dataclass

from tripplan.fleet import Chemistry

__all__ = ["PlugSpan", "VoltLimits", "plug_span", "volt_limits"]


@dataclass(frozen=True)
class VoltLimits:
    """
    Rested voltages of a pack at its battery's terminals.

    Attributes
    ----------
    most : float
        More than this is impossible for the pack: a wrong pack, a wrong meter range or a slip of the pen. [V]
    fresh : float or None
        A pack to leave at a site rests at this or above; None where voltage does not tell. [V]
    suspect : float or None
        Below this a pack that comes back is suspect. [V]
    """

    most: float
    fresh: float | None
    suspect: float | None


@dataclass(frozen=True)
class PlugSpan:
    """Voltages at the plug that a site may be given. [V]."""

    least: float
    most: float


# Volts per cell: nominal, the most that is possible, fresh, suspect.
# Lead-acid: most from the 2.45 V/cell of cycle charging, which no rested cell exceeds; fresh 12.6 V and
# suspect 10.5 V for six cells are common practice (1.75 V/cell is the usual end of discharge). Lithium
# iron phosphate: charged to 3.65 V/cell; its flat curve says nothing about charge; 2.5 V/cell is the
# usual cut-off. Others: open voltages of fresh cells with a little room; common practice, no source.
_PER_CELL: dict[Chemistry, tuple[float, float, float | None, float | None]] = {
    Chemistry.SEALED_LEAD_ACID: (2.0, 2.45, 2.1, 1.75),
    Chemistry.LITHIUM_IRON_PHOSPHATE: (3.2, 3.65, None, 2.5),
    Chemistry.LITHIUM_IRON_DISULFIDE: (1.5, 1.85, 1.6, None),
    Chemistry.ALKALINE: (1.5, 1.68, 1.5, None),
    Chemistry.NICKEL_METAL_HYDRIDE: (1.2, 1.5, 1.25, 0.9),
}


def volt_limits(chemistry: Chemistry, volts: float) -> VoltLimits:
    """
    Return what a rested pack can read.

    Parameters
    ----------
    chemistry : Chemistry
        Cells of the pack.
    volts : float
        Nominal, of the battery itself. [V]

    Returns
    -------
    VoltLimits
        For the number of cells in series that comes nearest.

    Examples
    --------
    >>> volt_limits(Chemistry.SEALED_LEAD_ACID, 12.0)
    VoltLimits(most=14.7, fresh=12.6, suspect=10.5)
    >>> volt_limits(Chemistry.SEALED_LEAD_ACID, 6.0).suspect
    5.25
    """
    nominal, most, fresh, suspect = _PER_CELL[chemistry]
    cells = max(1, round(volts / nominal))
    return VoltLimits(
        round(cells * most, 2),
        None if fresh is None else round(cells * fresh, 2),
        None if suspect is None else round(cells * suspect, 2),
    )


def plug_span(volts: float) -> PlugSpan:
    """
    Return what the plug of a charged pack may read for a site that takes a voltage.

    Parameters
    ----------
    volts : float
        What the site takes. [V]

    Returns
    -------
    PlugSpan
        From 5 % below to 25 % above (common practice, no source): a fresh 12 V pack reads 12.6 to 14.4 V,
        a 6 V pack half of that, so the two can never be taken for each other.

    Examples
    --------
    >>> plug_span(12.0), plug_span(6.0)
    (PlugSpan(least=11.4, most=15.0), PlugSpan(least=5.7, most=7.5))
    """
    return PlugSpan(round(0.95 * volts, 2), round(1.25 * volts, 2))

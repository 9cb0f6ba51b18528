"""
Hours on a charger: charge taken out, the factor that must go back in, and the charger's current.

The factors stand here, below the reading of files and the battery model, since both count with them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from tripplan.fleet import Chemistry

__all__ = ["RECHARGE", "Recharge", "recharge_hours"]


@dataclass(frozen=True)
class Recharge:
    """
    How a chemistry takes charge.

    Attributes
    ----------
    factor : float
        Charge put in over charge taken out. [-]
    most_c : float
        Highest current, as a multiple of the capacity in an hour. [1/h]
    tail_from_c, tail_hours : float
        Above this current a charger goes over to constant voltage before the pack is full, and the rest
        takes so much longer. [1/h], [h]
    source : str
        Where the numbers come from.
    """

    factor: float
    most_c: float
    tail_from_c: float
    tail_hours: float
    source: str


RECHARGE: Mapping[Chemistry, Recharge] = MappingProxyType(
    {
        Chemistry.SEALED_LEAD_ACID: Recharge(
            1.1,
            0.3,
            0.1,
            3.0,
            "maker's sheet, sealed cells: return about 110 % of what was taken, first current at most 0.3 C; "
            "tail of 2 to 4 h from memory",
        ),
        Chemistry.LITHIUM_IRON_PHOSPHATE: Recharge(1.02, 0.5, 0.2, 0.5, "from memory"),
        Chemistry.NICKEL_METAL_HYDRIDE: Recharge(
            1.6, 1.0, 1.0, 0.0, "standard charge of IEC 61951-2, 16 h at 0.1 C; from memory"
        ),
    }
)
"""By chemistry; primary cells are absent, since they are never charged."""


def recharge_hours(
    chemistry: Chemistry, capacity_ah: float, amps: float, depth: float = 1.0, *, factor: float | None = None
) -> float:
    """
    Return the hours that a pack needs on a charger.

    Parameters
    ----------
    chemistry : Chemistry
        Cells of the pack.
    capacity_ah : float
        Rated capacity. [Ah]
    amps : float
        Current of the charger. [A]
    depth : float, default 1.0
        Share of the capacity that was taken out. [-]
    factor : float, optional
        Charge put in over charge taken out, in place of the chemistry's. [-]

    Returns
    -------
    float
        Charge to put back over the current, plus the slower end where the current is high. [h]

    Raises
    ------
    ValueError
        If the current or capacity is not above zero, the depth not between 0 and 1, or the cells are
        primary ones.

    Examples
    --------
    >>> round(recharge_hours(Chemistry.SEALED_LEAD_ACID, 7.0, 0.7), 1)
    11.0
    >>> round(recharge_hours(Chemistry.SEALED_LEAD_ACID, 7.0, 1.75, 0.5), 1)
    5.2
    """
    if not (amps > 0.0 and capacity_ah > 0.0 and 0.0 <= depth <= 1.0):
        raise ValueError(f"amps {amps}, capacity_ah {capacity_ah} and depth {depth} do not make sense")
    numbers = RECHARGE.get(chemistry)
    if numbers is None:
        raise ValueError(f"{chemistry} cells are never charged")
    # a current of just the limit is not above it, whatever the division leaves
    tail = numbers.tail_hours if amps / capacity_ah > numbers.tail_from_c * (1.0 + 1e-9) else 0.0
    return capacity_ah * depth * (numbers.factor if factor is None else factor) / amps + tail

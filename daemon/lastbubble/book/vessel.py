"""How much resin submerges the pieces in this vessel, by displacement, and whether they fit.

Pieces lie in layers (or stand); not all of the floor can be used. The resin's volume is what fills the vessel up to
the stack and the cover over it, less what the pieces displace, plus what their pores will drink.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from lastbubble.book.measured import Measured, lognormal_band, quantity
from lastbubble.book.pieces import LIQUID_RESIN, Piece, bulk_volume_m3, porosity

__all__ = ["ResinNeed", "Vessel", "resin_need"]

#: Share of the floor that pieces lying beside each other take (our judgement), and how well a stack's height is known.
_FLOOR: Final = 0.6
_STACK_SD: Final = 0.12
#: Porosity where nothing tells it, and the share of it that fills.
_PORES: Final = Measured(0.4, 0.2)
_FILLS: Final = Measured(0.75, 0.15)
#: Of the vessel's height that stays free for the froth (common practice, no published source).
_FREE: Final = 1 / 3


@dataclass(frozen=True, slots=True)
class Vessel:
    """What the resin stands in: a round one by its diameter, else length and width; inside, in metres. 0 = not told."""

    diameter_m: float = 0.0
    length_m: float = 0.0
    width_m: float = 0.0
    height_m: float = 0.0
    cover_m: float = 0.02

    @property
    def floor_m2(self) -> float:
        """0 where it is not told."""
        return math.pi / 4 * self.diameter_m**2 if self.diameter_m else self.length_m * self.width_m


@dataclass(frozen=True, slots=True)
class ResinNeed:
    """volume_m3 : of resin to pour, None where sizes are missing;  low_m3, high_m3 : 80 % band
    drunk_m3 : of it, what the pores take;  level_m, layers : of the stack with its cover;  remarks : plain sentences
    """

    volume_m3: float | None
    low_m3: float = 0.0
    high_m3: float = 0.0
    drunk_m3: float = 0.0
    level_m: float = 0.0
    layers: int = 0
    remarks: tuple[str, ...] = ()


def _sizes(piece: Piece, standing: bool) -> tuple[float, float, float] | None:
    """(one side of its footprint, the other, height) in metres as it lies or stands."""
    thickness, length, width = (
        quantity(text, "length").value if text else 0.0 for text in (piece.thickness, piece.length, piece.width)
    )
    if not thickness:
        return None
    if piece.shape == "sphere":
        return thickness, thickness, thickness
    if not length:
        return None
    second = thickness if piece.shape == "cylinder" else width
    if not second:
        return None
    return (thickness, second, length) if standing else (length, second, thickness)


def resin_need(
    pieces: Sequence[Piece], vessel: Vessel, *, standing: bool = False, liquid: Measured = LIQUID_RESIN
) -> ResinNeed:
    """What to pour. Sizes that are missing are named in the remarks, and then there is no volume."""
    remarks: list[str] = []
    floor = vessel.floor_m2
    if not floor:
        remarks.append("Say how wide the vessel is inside (a diameter, or length and width), to know how much resin.")
    bulk, drunk = Measured(0.0), Measured(0.0)
    areas: list[tuple[float, float, int]] = []
    floats = False
    for piece in pieces:
        sizes, volume = _sizes(piece, standing), bulk_volume_m3(piece)
        if sizes is None or volume is None:
            remarks.append(
                f"Piece {piece.label}: sizes or shape are missing (thickness, length, width), so it is left out."
            )
            continue
        told = porosity(piece)
        pores = told[0] if told is not None else _PORES
        bulk = bulk.plus(volume)
        drunk = drunk.plus(volume.times(pores).times(_FILLS))
        areas.append((sizes[0] * sizes[1], sizes[2], piece.count))
        if vessel.diameter_m and math.hypot(sizes[0], sizes[1]) > vessel.diameter_m:
            remarks.append(f"Piece {piece.label} does not fit {'standing' if standing else 'lying'} in the vessel.")
        dry = piece.mass_kg("dry")
        floats = floats or (dry is not None and dry.value / volume.value < liquid.value)
    if floats:
        remarks.append("Dry, they float: hold them under with a grid or a weight that resin does not attack.")
    if not floor or not areas:
        return ResinNeed(None, remarks=tuple(remarks))
    layers, stack_m = _stack(areas, floor)
    level = stack_m + vessel.cover_m
    if vessel.height_m and level > (1 - _FREE) * vessel.height_m:
        remarks.append(
            f"The resin would stand {level * 1000:.0f} mm high in a vessel of {vessel.height_m * 1000:.0f} mm: leave a "
            "third of it free, resin froths under vacuum. Take fewer pieces, or a higher vessel."
        )
    space = Measured(floor * level, floor * stack_m * _STACK_SD)
    need = space.minus(bulk).plus(drunk)
    low, high = lognormal_band(need) if need.value > 0 else (0.0, 0.0)
    return ResinNeed(max(0.0, need.value), low, high, drunk.value, level, layers, tuple(remarks))


def _stack(areas: Sequence[tuple[float, float, int]], floor_m2: float) -> tuple[int, float]:
    """How many layers, and how high they are: the thickest pieces first, each layer as high as its thickest."""
    ones = sorted(((height, area) for area, height, count in areas for _ in range(count)), reverse=True)
    layers, stack_m, left = 0, 0.0, 0.0
    for height, area in ones:
        if left < area or layers == 0:
            layers += 1
            stack_m += height
            left = _FLOOR * floor_m2
        left -= area
    return layers, stack_m

"""Pieces as the batch book keeps them, and what they took up.

Everything is kept as it was written ("412.3 g"), so that no digit is lost and the digits tell how well it is known.
Sizes are those of one piece; masses and volumes of all pieces of the entry together (`count`).

Uptake is mass gained over dry mass. The share of the pores that is filled is the volume of what was gained over the
volume of the pores: porosity times bulk volume. Porosity is told, or follows from bulk and solid volume (measured by
displacement) or from bulk density and the solid's own (`shared/grain_density.csv`). A wet mass counts the film that
clings to the faces; a cured one has lost what ran or boiled out.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from functools import cache
from typing import Any, Final

from lastbubble.book.measured import Measured, density, quantity, share
from lastbubble.data import data_path
from lastbubble.errors import BadInput
from lastbubble.physics.materials import material
from lastbubble.units import Kind

__all__ = [
    "CURED_RESIN",
    "LIQUID_RESIN",
    "PIECE_FIELDS",
    "SHAPES",
    "Piece",
    "Uptake",
    "bulk_volume_m3",
    "piece_of",
    "pieces_of",
    "porosity",
    "uptake",
]

SHAPES: Final = ("slab", "cylinder", "sphere", "lump")
#: Liquid: between the methacrylate monomers' 940 and 1070 kg/m3 and what a bottle of mixed ones weighs (memory). Cured:
#: the acrylic row of EN 12524 in shared/materials.csv; the spread is ours.
LIQUID_RESIN: Final = Measured(1050.0, 30.0)
CURED_RESIN: Final = Measured(1150.0, 40.0)


@dataclass(frozen=True, slots=True)
class Piece:
    """One entry: a piece, or some that are weighed together. Texts as they were written, "" = not told.

    label : its name within the batch;  count : how many
    material : as a person says it;  shape : slab, cylinder, sphere or lump
    thickness, length, width : of one piece; thickness is the diameter of a cylinder or a sphere
    volume : bulk volume of all, by displacement;  solid : what all displace once their pores are full
    dry, wet, cured : masses of all: before, drained after the soak, after the cure
    porosity : a share;  grain : density of the solid;  note : free
    """

    label: str
    count: int = 1
    material: str = ""
    shape: str = ""
    thickness: str = ""
    length: str = ""
    width: str = ""
    volume: str = ""
    solid: str = ""
    dry: str = ""
    wet: str = ""
    cured: str = ""
    porosity: str = ""
    grain: str = ""
    note: str = ""

    def told(self) -> dict[str, Any]:
        """What is kept in the ledger: only what was told."""
        out: dict[str, Any] = {"label": self.label}
        for name in PIECE_FIELDS[1:]:
            value = getattr(self, name)
            if value and not (name == "count" and value == 1):
                out[name] = value
        return out

    def mass_kg(self, when: str) -> Measured | None:
        """dry, wet or cured [kg]."""
        text: str = getattr(self, when)
        return quantity(text, "mass") if text else None


PIECE_FIELDS: Final = tuple(field.name for field in fields(Piece))
_KINDS: Final[Mapping[str, Kind]] = {
    "thickness": "length",
    "length": "length",
    "width": "length",
    "volume": "volume",
    "solid": "volume",
    "dry": "mass",
    "wet": "mass",
    "cured": "mass",
}


def piece_of(told: Mapping[str, Any]) -> Piece:
    """The piece of what was told, checked. Unknown keys are refused.

    Raises BadInput naming each fault: key, finding, what is allowed.
    """
    faults: list[str] = []
    values: dict[str, Any] = {}
    for key, value in told.items():
        if key not in PIECE_FIELDS:
            faults.append(f"{key!r:.40} is no field of a piece; allowed: {', '.join(PIECE_FIELDS)}")
        elif key == "count":
            text = str(value).strip()
            if not (text.isascii() and text.isdigit() and 1 <= int(text) <= 10000):
                faults.append(f"count is {value!r:.40}; a whole number from 1 to 10000 is allowed")
            else:
                values[key] = int(text)
        else:
            values[key] = str(value).strip()
    if not values.get("label"):
        faults.append("label is missing; give the piece a name, as '1' or 'A3'")
    if values.get("shape") and values["shape"] not in SHAPES:
        faults.append(f"shape is {values['shape']!r:.40}; allowed: {', '.join(SHAPES)}")
    for key, kind in _KINDS.items():
        if values.get(key):
            try:
                quantity(values[key], kind)
            except ValueError as exc:
                faults.append(f"{key}: {exc}")
    for key, judge in (("porosity", share), ("grain", density)):
        if values.get(key):
            try:
                judge(values[key])
            except ValueError as exc:
                faults.append(f"{key}: {exc}")
    if faults:
        raise BadInput("\n".join(f"piece {str(told.get('label', '?'))[:40]}: {fault}" for fault in faults))
    return Piece(**values)


def pieces_of(told: Sequence[Mapping[str, Any]]) -> list[Piece]:
    """All pieces of a batch; one that an older program or another hand wrote and that cannot be read is left out."""
    out = []
    for item in told:
        try:
            out.append(piece_of(item))
        except BadInput:
            continue
    return out


def bulk_volume_m3(piece: Piece) -> Measured | None:
    """Bulk volume of all pieces of the entry [m3]: as displaced, else by shape and sizes; None when not known."""
    if piece.volume:
        return quantity(piece.volume, "volume")
    sizes = [quantity(text, "length") if text else None for text in (piece.thickness, piece.length, piece.width)]
    thickness, length, width = sizes
    if thickness is None:
        return None
    one: Measured | None = None
    if piece.shape == "sphere":
        one = thickness.to_power(3).scaled(math.pi / 6)
    elif piece.shape == "cylinder" and length is not None:
        one = thickness.to_power(2).scaled(math.pi / 4).times(length)
    elif piece.shape == "slab" and length is not None and width is not None:
        one = thickness.times(length).times(width)
    return None if one is None else one.scaled(piece.count)


@cache
def _grains() -> dict[str, Measured]:
    with open(data_path("shared", "grain_density.csv"), encoding="utf-8", newline="") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return {
            row["name"]: Measured(float(row["density_kg_m3"]), float(row["sd_kg_m3"]))
            for row in rows
            if row["density_kg_m3"]
        }


def porosity(piece: Piece) -> tuple[Measured, str] | None:
    """Share of the bulk volume that is pores, and what it rests on; None when nothing tells it.

    Raises nothing: what comes out below 1 % or above 97 % is no porosity, and counts as not known.
    """
    if piece.porosity:
        return share(piece.porosity), "told"
    bulk = bulk_volume_m3(piece)
    if bulk is None:
        return None
    found: tuple[Measured, str] | None = None
    if piece.solid:
        ratio = quantity(piece.solid, "volume").over(bulk)
        found = Measured(1 - ratio.value, ratio.sd), "bulk and solid volume, by displacement"
    elif piece.dry:
        grain = density(piece.grain) if piece.grain else _grains().get(material(piece.material).name)
        if grain is None:
            return None
        ratio = quantity(piece.dry, "mass").over(bulk).over(grain)
        whose = "told" if piece.grain else f"of {material(piece.material).name}, from a table"
        found = Measured(1 - ratio.value, ratio.sd), f"bulk density, and the solid's ({whose})"
    if found is None or not 0.01 <= found[0].value <= 0.97:
        return None
    return found


@dataclass(frozen=True, slots=True)
class Uptake:
    """What one entry took up. Shares as numbers (0.31 = 31 %); None where it is not known.

    wet, cured : mass gained over dry mass
    pores : porosity, basis : what it rests on;  filled_wet, filled_cured : share of the pores that is filled
    remarks : what does not fit, in plain sentences
    """

    label: str
    material: str
    wet: Measured | None = None
    cured: Measured | None = None
    pores: Measured | None = None
    basis: str = ""
    filled_wet: Measured | None = None
    filled_cured: Measured | None = None
    remarks: tuple[str, ...] = ()


def uptake(piece: Piece, liquid: Measured = LIQUID_RESIN, solid: Measured = CURED_RESIN) -> Uptake:
    """What this entry took up.

    liquid, solid : the resin's density before and after its cure                             [kg/m3]
    """
    dry = piece.mass_kg("dry")
    found = porosity(piece)
    bulk = bulk_volume_m3(piece)
    pores, basis = found if found is not None else (None, "")
    gains: dict[str, Measured | None] = {"wet": None, "cured": None}
    filled: dict[str, Measured | None] = {"wet": None, "cured": None}
    remarks: list[str] = []
    for when, resin in (("wet", liquid), ("cured", solid)):
        mass = piece.mass_kg(when)
        if mass is None or dry is None:
            continue
        gained = mass.minus(dry)
        gains[when] = _over_dry(mass, dry)
        if gained.value < -2 * gained.sd:
            remarks.append(f"{when} it weighs less than dry: look at the masses, or at how dry it was")
        if pores is not None and bulk is not None and pores.value > 0 and gained.value > 0:
            share_filled = gained.over(resin).over(_pore_volume(piece, pores, bulk))
            filled[when] = share_filled
            if share_filled.value - 2 * share_filled.sd > 1:
                remarks.append(f"{when}, more than its pores hold: porosity, sizes or the resin's density is off")
    wet, cured = piece.mass_kg("wet"), piece.mass_kg("cured")
    if wet is not None and cured is not None and cured.value > wet.value + 2 * math.hypot(wet.sd, cured.sd):
        remarks.append("cured it weighs more than wet: look at the masses")
    return Uptake(
        piece.label, piece.material, gains["wet"], gains["cured"], pores, basis, filled["wet"], filled["cured"],
        tuple(remarks),
    )  # fmt: skip


def _over_dry(mass: Measured, dry: Measured) -> Measured:
    """mass / dry - 1: the dry mass stands above and below the line, so it must not be counted twice."""
    ratio = mass.over(dry)
    return Measured(ratio.value - 1, ratio.sd)


def _pore_volume(piece: Piece, pores: Measured, bulk: Measured) -> Measured:
    """Porosity times bulk volume, with the spread they share taken once: where porosity is 1 - solid / bulk, the pores
    are bulk less solid."""
    if piece.porosity:
        return pores.times(bulk)
    solid = bulk.value * (1 - pores.value)
    ratio_sd = pores.sd / (1 - pores.value)
    solid_sd = solid * math.sqrt(max(0.0, ratio_sd**2 - (bulk.sd / bulk.value) ** 2))
    return bulk.minus(Measured(solid, solid_sd))

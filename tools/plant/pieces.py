"""One piece in the oven: conduction in shells (slab, cylinder, sphere) by finite volumes, explicit in time.

At its face convection to the air and radiation to the walls, which are cooler than the air; a share of the face may lie
on the tray. A slab on a tray has two unlike faces, of which its middle feels the mean (exact for equal coefficients:
the uneven part of the temperature is nought there). Optional: water that evaporates and holds the body back below
100 degC, and the heat of the resin's polymerisation.

Sources: Fourier's law, Stefan-Boltzmann. Water takes 2.3 MJ/kg (steam tables, near 90 degC). The pace of the resin's
setting doubles every 8 K: some 85 kJ/mol near 90 degC, between half an azo initiator's 129 kJ/mol plus propagation
(shared/reference/initiators.csv); its level is ours. Heat of polymerisation: shared/reference/exotherm.csv.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Piece", "PieceParts"]

_SIGMA = 5.670374419e-8  # CODATA 2018 [W/(m2 K4)]


@dataclass(frozen=True, slots=True)
class PieceParts:
    """thickness_m : whole thickness or diameter;  shape;  k_w_mk, heat_j_m3k : of the filled body
    h_w_m2k, emissivity : at its face;  water_kg_m3 : left in it;  resin_j_m3 : heat of polymerisation
    tray_share, tray_w_m2k : share of the face that lies on the tray, and the contact there
    """

    thickness_m: float = 0.012
    shape: str = "slab"
    k_w_mk: float = 1.0
    heat_j_m3k: float = 2.05e6
    h_w_m2k: float = 7.0
    emissivity: float = 0.9
    area_m2: float = 0.012
    water_kg_m3: float = 0.0
    resin_j_m3: float = 2.0e7
    tray_share: float = 0.0
    tray_w_m2k: float = 25.0


class Piece:
    """`step(dt_s, air_c, wall_c)` returns the heat taken from air and from walls [J]; `core_c` is the middle.

    With a tray, give its temperature too; `from_tray_j` then holds what the last step took from it.
    """

    def __init__(self, parts: PieceParts, start_c: float) -> None:
        self.parts = parts
        half = parts.thickness_m / 2
        n = max(3, min(16, int(half / 1e-3)))
        dx = half / n
        power = {"slab": 0, "cylinder": 1, "sphere": 2}[parts.shape]
        faces = [i * dx for i in range(n + 1)]
        # Per unit of outer face, so that all three shapes share the same lines.
        self._faces = [(r / half) ** power for r in faces]
        self._volumes = [
            (faces[i + 1] ** (power + 1) - faces[i] ** (power + 1)) / ((power + 1) * half**power) for i in range(n)
        ]
        self._flow = parts.k_w_mk / dx
        self._limit_s = 0.4 * dx * dx * parts.heat_j_m3k / parts.k_w_mk
        self._half_flow = 2 * self._flow
        self.cells_c = [start_c] * n
        self._water = [parts.water_kg_m3] * n
        self._unset = [1.0] * n
        self._alone = 1 - parts.tray_share
        self.from_tray_j = 0.0
        self.set_j = 0.0
        self.dried_j = 0.0

    @property
    def core_c(self) -> float:
        return self.cells_c[0]

    @property
    def face_c(self) -> float:
        return self.cells_c[-1]

    @property
    def volume_m3(self) -> float:
        return self.parts.area_m2 * sum(self._volumes)

    @property
    def stored_j(self) -> float:
        """Sensible heat over 0 degC [J]."""
        held = sum(v * t for v, t in zip(self._volumes, self.cells_c, strict=True))
        return held * self.parts.heat_j_m3k * self.parts.area_m2

    def step(self, dt_s: float, air_c: float, wall_c: float, tray_c: float | None = None) -> tuple[float, float]:
        """Go on by dt_s, in as many steps as stability asks for."""
        count = max(1, math.ceil(dt_s / self._limit_s))
        from_air = from_walls = from_tray = 0.0
        for _ in range(count):
            air_j, wall_j, tray_j = self._one(dt_s / count, air_c, wall_c, tray_c)
            from_air += air_j
            from_walls += wall_j
            from_tray += tray_j
        area = self.parts.area_m2
        self.from_tray_j = from_tray * area
        return from_air * area, from_walls * area

    def _one(self, dt: float, air_c: float, wall_c: float, tray_c: float | None) -> tuple[float, float, float]:
        parts, cells, faces = self.parts, self.cells_c, self._faces
        n = len(cells)
        skin_c = cells[-1]
        radiant = parts.emissivity * _SIGMA * ((wall_c + 273.15) ** 4 - (skin_c + 273.15) ** 4)
        convected = parts.h_w_m2k * (air_c - skin_c)
        # Half a cell lies between the outermost middle and the face.
        through = 1 / (1 + parts.h_w_m2k / self._half_flow)
        radiant *= through
        convected *= through
        touched = 0.0
        if tray_c is not None and parts.tray_share > 0:
            radiant *= self._alone
            convected *= self._alone
            contact = parts.tray_w_m2k / (1 + parts.tray_w_m2k / self._half_flow)
            touched = parts.tray_share * contact * (tray_c - skin_c)
        flows = [0.0] * (n + 1)
        for i in range(1, n):
            flows[i] = self._flow * faces[i] * (cells[i] - cells[i - 1])
        flows[n] = convected + radiant + touched
        for i in range(n):
            heat_j = (flows[i + 1] - flows[i]) * dt / self._volumes[i]
            heat_j += self._cure(i, dt)
            heat_j -= self._dry(i, heat_j)
            cells[i] += heat_j / parts.heat_j_m3k
        return convected * dt, radiant * dt, touched * dt

    def _cure(self, i: int, dt: float) -> float:
        """Heat of polymerisation in this step [J/m3]; rate doubles every 8 K about 88 degC (invented)."""
        left = self._unset[i]
        if left < 1e-3 or not self.parts.resin_j_m3:
            return 0.0
        set_now = left * -math.expm1(-dt / 1500.0 * 2.0 ** ((self.cells_c[i] - 88.0) / 8.0))
        self._unset[i] = left - set_now
        heat_j = set_now * self.parts.resin_j_m3
        self.set_j += heat_j * self._volumes[i] * self.parts.area_m2
        return heat_j

    def _dry(self, i: int, heat_j: float) -> float:
        """Heat that evaporating water takes [J/m3]: most of what comes, above 75 degC, while there is water."""
        if self._water[i] <= 0 or self.cells_c[i] < 75.0 or heat_j <= 0:
            return 0.0
        share = min(0.9, (self.cells_c[i] - 75.0) / 20.0)
        taken = min(share * heat_j, self._water[i] * 2.3e6)
        self._water[i] -= taken / 2.3e6
        self.dried_j += taken * self._volumes[i] * self.parts.area_m2
        return taken

"""Pieces against exact series and textbook examples, and their balance of energy."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.published.reference import rows
from tools.plant.pieces import Piece, PieceParts

PLAIN = PieceParts(emissivity=0.0, resin_j_m3=0.0)

SERIES = [
    row
    for row in rows("conduction_series")
    if row["Bi"] in ("0.3", "1.0", "3.0", "10.0") and row["Fo"] in ("0.1", "0.5", "1.0", "2.0")
]


def test_there_are_rows_to_compare_with() -> None:
    assert len(SERIES) >= 24


@pytest.mark.parametrize("row", SERIES, ids=lambda row: f"{row['shape']}-Bi{row['Bi']}-Fo{row['Fo']}")
def test_the_middle_follows_the_exact_series(row: dict[str, str]) -> None:
    half, k, heat = 0.016, 1.0, 2e6
    parts = replace(
        PLAIN, thickness_m=2 * half, shape=row["shape"], k_w_mk=k, heat_j_m3k=heat, h_w_m2k=float(row["Bi"]) * k / half
    )
    piece = Piece(parts, 0.0)
    seconds = float(row["Fo"]) * half * half * heat / k
    whole = int(seconds)
    for _ in range(whole):
        piece.step(1.0, 100.0, 100.0)
    piece.step(max(1e-6, seconds - whole), 100.0, 100.0)
    assert 1 - piece.core_c / 100.0 == pytest.approx(float(row["theta_centre"]), abs=0.008)


def test_textbook_insulated_slab() -> None:
    # Incropera & DeWitt, 6th ed., example 5.4 (shared/reference/conduction_textbook.csv): 43.017 degC after 480 s.
    parts = replace(PLAIN, thickness_m=0.08, k_w_mk=63.9, heat_j_m3k=7832 * 434, h_w_m2k=500.0)
    piece = Piece(parts, -20.0)
    for _ in range(480):
        piece.step(1.0, 60.0, 60.0)
    assert piece.core_c == pytest.approx(43.0, abs=0.4)


def test_textbook_sphere_in_boiling_water() -> None:
    # Cengel, example 4-3: 70 degC in the middle after 861.5 s by the full series (same file).
    piece = Piece(replace(PLAIN, thickness_m=0.05, shape="sphere", k_w_mk=0.627, heat_j_m3k=0.627 / 0.151e-6,
                          h_w_m2k=1200.0), 5.0)  # fmt: skip
    seconds = 0
    while piece.core_c < 70.0:
        piece.step(1.0, 95.0, 95.0)
        seconds += 1
    assert seconds == pytest.approx(861.5, rel=0.015)


def test_textbook_steel_cylinder() -> None:
    # Cengel, example 4-5: 364.3 degC in the middle after 45 min.
    piece = Piece(replace(PLAIN, thickness_m=0.2, shape="cylinder", k_w_mk=14.9, heat_j_m3k=14.9 / 3.95e-6,
                          h_w_m2k=80.0), 600.0)  # fmt: skip
    for _ in range(45 * 60):
        piece.step(1.0, 200.0, 200.0)
    assert piece.core_c == pytest.approx(364.3, abs=2.0)


@pytest.mark.parametrize("shape", ["slab", "cylinder", "sphere"])
def test_energy_is_conserved_with_everything_going_on(shape: str) -> None:
    parts = PieceParts(thickness_m=0.02, shape=shape, water_kg_m3=20.0, resin_j_m3=5e7, tray_share=0.3)
    piece = Piece(parts, 20.0)
    start = piece.stored_j
    taken = 0.0
    for _ in range(5000):
        taken += sum(piece.step(1.0, 112.0, 100.0, 104.0)) + piece.from_tray_j
    assert piece.dried_j > 0
    assert piece.set_j > 0.9 * parts.resin_j_m3 * piece.volume_m3
    assert piece.stored_j - start == pytest.approx(taken + piece.set_j - piece.dried_j, rel=1e-9)


def reached(parts: PieceParts, air_c: float = 112.0, wall_c: float = 112.0, tray_c: float | None = None) -> int:
    piece, seconds = Piece(parts, 20.0), 0
    while piece.core_c < 93.0 and seconds < 30_000:
        piece.step(1.0, air_c, wall_c, tray_c)
        seconds += 1
    return seconds


def test_what_makes_a_core_late_or_early() -> None:
    parts = replace(PLAIN, thickness_m=0.016, emissivity=0.9)
    plain = reached(parts)
    assert reached(parts, wall_c=95.0) > 1.2 * plain  # radiation goes to the walls, which are cooler than the air
    assert reached(replace(parts, thickness_m=0.02)) > 1.15 * plain
    assert reached(replace(parts, h_w_m2k=12.0)) < 0.9 * plain
    assert reached(replace(parts, resin_j_m3=6e7)) < plain
    assert reached(replace(parts, water_kg_m3=30.0)) > 1.5 * plain
    assert reached(replace(parts, tray_share=0.5, tray_w_m2k=60.0), tray_c=112.0) < plain


def test_a_damp_piece_stalls_below_a_hundred_degrees() -> None:
    piece = Piece(replace(PLAIN, emissivity=0.9, thickness_m=0.016, water_kg_m3=60.0), 20.0)
    cores = []
    for _ in range(9000):
        piece.step(1.0, 115.0, 110.0)
        cores.append(piece.core_c)
    stalled = max(cores[i + 1800] - cores[i] < 10 and 75 < cores[i] < 97 for i in range(0, 7000, 60))
    assert stalled
    assert cores[1799] < 97


def test_the_resins_own_heat_lifts_the_core_above_the_air_but_not_far_beyond_its_adiabatic_rise() -> None:
    parts = PieceParts(thickness_m=0.04, k_w_mk=0.17, heat_j_m3k=1.4e6, resin_j_m3=1.5e8)
    piece = Piece(parts, 20.0)
    hottest = 0.0
    for _ in range(20_000):
        piece.step(1.0, 100.0, 100.0)
        hottest = max(hottest, piece.core_c)
    # A front that runs inwards may heat its middle somewhat beyond that.
    assert 110 < hottest < 100 + 1.3 * parts.resin_j_m3 / parts.heat_j_m3k

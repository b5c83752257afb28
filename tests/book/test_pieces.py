"""What pieces took up: against values reckoned by hand and drawn at random."""

from __future__ import annotations

import random
import statistics

import pytest

from lastbubble.book.measured import Measured
from lastbubble.book.pieces import Piece, bulk_volume_m3, piece_of, pieces_of, porosity, uptake
from lastbubble.errors import BadInput


def slab(**more: str) -> Piece:
    told = {"label": "1", "material": "spalted maple", "shape": "slab", "thickness": "20 mm", "length": "100 mm",
            "width": "50 mm"}  # fmt: skip
    return piece_of({**told, **more})


def test_bulk_volume_of_each_shape() -> None:
    found = bulk_volume_m3(slab())
    assert found is not None
    assert found.value == pytest.approx(100e-6)
    rod = bulk_volume_m3(piece_of({"label": "1", "shape": "cylinder", "thickness": "20 mm", "length": "100 mm"}))
    ball = bulk_volume_m3(piece_of({"label": "1", "shape": "sphere", "thickness": "30 mm", "count": 2}))
    assert rod is not None
    assert ball is not None
    assert rod.value == pytest.approx(31.416e-6, rel=1e-4)
    assert ball.value == pytest.approx(2 * 14.137e-6, rel=1e-4)
    # As displaced counts before what the shape would give.
    sunk = bulk_volume_m3(slab(volume="96 ml"))
    assert sunk is not None
    assert sunk.value == pytest.approx(96e-6)
    assert bulk_volume_m3(piece_of({"label": "1", "shape": "lump"})) is None


def test_porosity_by_each_way() -> None:
    told = porosity(slab(porosity="68 %"))
    by_wall = porosity(slab(dry="45.9 g"))
    by_solid = porosity(slab(solid="30 ml"))
    assert told is not None
    assert by_wall is not None
    assert by_solid is not None
    assert told[0].value == pytest.approx(0.68)
    # 459 kg/m3 over the cell wall's 1530: 1 - 0.3
    assert by_wall[0].value == pytest.approx(0.70)
    assert by_solid[0].value == pytest.approx(0.70)
    assert "table" in by_wall[1]
    assert porosity(slab()) is None
    assert porosity(slab(material="something else", dry="45.9 g")) is None
    # Denser than its solid can be: no porosity, rather than a negative one.
    assert porosity(slab(dry="160 g")) is None


def test_uptake_and_share_of_the_pores() -> None:
    found = uptake(slab(dry="45.9 g", wet="108.9 g", cured="101.1 g"), Measured(1050), Measured(1150))
    assert found.wet is not None
    assert found.cured is not None
    assert found.filled_wet is not None
    assert found.filled_cured is not None
    assert found.wet.value == pytest.approx(63.0 / 45.9)
    assert found.cured.value == pytest.approx(55.2 / 45.9)
    # 63 g at 1.05 g/ml are 60 ml of the 70 ml of pores; 55.2 g at 1.15 are 48 ml.
    assert found.filled_wet.value == pytest.approx(60 / 70)
    assert found.filled_cured.value == pytest.approx(48 / 70)
    assert found.remarks == ()


def test_the_spread_is_that_of_a_thousand_draws() -> None:
    piece = slab(dry="45.9 +- 0.4 g", wet="108.9 +- 0.4 g", thickness="20 +- 0.5 mm")
    found = uptake(piece)
    assert found.filled_wet is not None
    rng = random.Random(3)
    drawn = []
    for _ in range(4000):
        dry, wet = rng.gauss(45.9, 0.4), rng.gauss(108.9, 0.4)
        bulk = rng.gauss(20, 0.5) * rng.gauss(100, 1 / 3**0.5) * rng.gauss(50, 1 / 3**0.5) / 1000
        pores = bulk - dry / rng.gauss(1.53, 0.035)
        drawn.append((wet - dry) / rng.gauss(1.05, 0.03) / pores)
    assert found.filled_wet.value == pytest.approx(statistics.median(drawn), rel=0.01)
    assert found.filled_wet.sd == pytest.approx(statistics.stdev(drawn), rel=0.12)


def test_what_does_not_fit_is_said() -> None:
    over = uptake(slab(dry="45.9 g", wet="145.0 g"))
    assert any("more than its pores hold" in text for text in over.remarks)
    lost = uptake(slab(dry="45.9 g", wet="40.0 g"))
    assert any("weighs less than dry" in text for text in lost.remarks)
    assert lost.filled_wet is None
    gained = uptake(slab(dry="45.9 g", wet="90.0 g", cured="99.0 g"))
    assert any("weighs more than wet" in text for text in gained.remarks)
    assert uptake(slab(wet="90.0 g")).wet is None


def test_a_piece_is_kept_as_it_was_written() -> None:
    told = {"label": "A3", "count": 4, "material": "chalk turquoise", "dry": "412.30 g", "note": "crack at one end"}
    assert piece_of(told).told() == told
    assert pieces_of([told, {"name": "from another hand"}]) == [piece_of(told)]


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"label": ""}, "label is missing"),
        ({"label": "1", "colour": "red"}, "no field of a piece; allowed: label"),
        ({"label": "1", "dry": "412"}, "dry: .*allowed units"),
        ({"label": "1", "count": "some"}, "whole number"),
        ({"label": "1", "shape": "cube"}, "allowed: slab, cylinder, sphere, lump"),
        ({"label": "1", "porosity": "130 %"}, "range"),
        ({"label": "1", "grain": "2.6"}, "unit of density"),
    ],
)
def test_each_fault_names_what_is_allowed(told: dict[str, object], said: str) -> None:
    with pytest.raises(BadInput, match=said):
        piece_of(told)

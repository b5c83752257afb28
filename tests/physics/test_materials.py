"""The material library: names as people write them, values that belong together, sources everywhere."""

from __future__ import annotations

import pytest

from lastbubble.physics.materials import filled, library, material, wood


@pytest.mark.parametrize(
    ("written", "group"),
    [
        ("chalk turquoise slabs", "chalk turquoise"),
        ("Spalted Maple", "punky wood"),
        ("maple", "maple"),
        ("spalted beech", "punky wood"),
        ("burl", "wood"),
        ("Sandstone (red)", "sandstone"),
        ("limestone", "limestone"),
        ("lime wood", "soft wood"),
        ("antler", "bone"),
        ("wooden handle blanks", "wood"),
        ("unobtainium", "unknown"),
        ("", "unknown"),
    ],
)
def test_the_longest_known_word_decides(written: str, group: str) -> None:
    assert material(written).name == group


def test_every_row_has_a_source_and_can_be_a_piece() -> None:
    for row in library().values():
        assert row.source
        assert 8e-8 < row.diffusivity_m2_s < 2e-6, row.name
        assert 300 < row.density_kg_m3 < 3000
        assert 0.05 <= row.rc_spread <= row.k_spread <= 1.0


def test_nobody_knows_what_it_is_means_a_wide_prior() -> None:
    unknown = material("something else")
    assert all(unknown.k_spread >= row.k_spread for row in library().values())


def test_mixing_has_its_ends() -> None:
    solid, resin = (2.5, 850.0, 2700.0), (0.19, 1500.0, 1070.0)
    assert filled(solid, resin, pores=0.0) == pytest.approx(solid)
    assert filled(solid, resin, pores=1.0) == pytest.approx(resin)
    half_full = filled(solid, resin, pores=0.3, full=0.5)
    assert half_full[0] < filled(solid, resin, pores=0.3)[0]


def test_out_of_range_is_refused() -> None:
    with pytest.raises(ValueError, match="shares"):
        filled((1, 1, 1), (1, 1, 1), pores=1.2)
    with pytest.raises(ValueError, match=r"gravity 1\.2 is out of range"):
        wood(1.2, 8)
    with pytest.raises(ValueError, match="moisture"):
        wood(0.5, 40)
    with pytest.raises(ValueError, match="temperature"):
        wood(0.5, 8, 200.0)

"""Plans: bands that mean what they say, starts that keep people awake, resin by displacement, and progress."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from lastbubble.book.keeper import Keeper
from lastbubble.book.pieces import piece_of
from lastbubble.book.plan import Awake, Seen, chain_of, lasting, starts, when
from lastbubble.book.planner import Planner, PlanSettings
from lastbubble.book.progress import off_words
from lastbubble.book.vessel import Vessel, resin_need
from lastbubble.cli import main
from lastbubble.commands.plan import plan_lines
from lastbubble.context import Context
from lastbubble.errors import BadInput
from lastbubble.ledger.store import Ledger
from lastbubble.physics.conduction import biot, series_theta
from lastbubble.physics.materials import material
from tests.book.conftest import UTC_0, Wall, fill

MAPLE = Context(material="spalted maple", piece_thickness_mm=22.0, piece_shape="slab", soak_min=60.0, hold_min=30.0)
DAY = Awake(7 * 3600.0, 22 * 3600.0)


def test_without_history_the_bands_are_wide_and_with_it_narrower() -> None:
    nothing = lasting("pump", ())
    some = lasting("pump", (9000.0, 10000.0, 9500.0))
    many = lasting("pump", (9500.0,) * 12)
    assert math.exp(2 * 1.2816 * nothing.ln_sd) > 5
    assert nothing.ln_sd > some.ln_sd > many.ln_sd
    assert 7200 < some.middle_s < 9500
    assert many.middle_s == pytest.approx(9500, rel=0.05)
    assert math.exp(2 * 1.2816 * many.ln_sd) > 2, "batches never repeat exactly"


def test_the_draws_have_the_quantiles_that_are_meant() -> None:
    chain = chain_of(MAPLE)
    nothing = lasting("pump", ())
    for share, z in ((0.1, -1.28155), (0.5, 0.0), (0.9, 1.28155)):
        assert np.quantile(chain.pump, share) == pytest.approx(nothing.middle_s * math.exp(z * nothing.ln_sd), rel=0.04)
    # Spread in all parts at once: no part goes with another.
    parts = np.log(np.array([chain.pump, chain.vent, chain.load, chain.cool, chain.heat]))
    correlation = np.corrcoef(parts) - np.eye(5)
    assert np.abs(correlation).max() < 0.12


def test_the_warming_is_that_of_conduction() -> None:
    """The middle, against the series with all medians (Incropera et al., as physics.conduction has it)."""
    group = material("spalted maple")
    target_c, air_c, room_c, face, half = 93.0, 101.0, 21.0, 13.0, 0.011
    number = biot(face, half, group.k_w_mk)
    low, high = 60.0, 4e4
    while high - low > 1:
        middle = (low + high) / 2
        fourier = group.diffusivity_m2_s * middle / half**2
        core_c = air_c - (air_c - room_c) * float(series_theta("slab", number, fourier))
        low, high = (middle, high) if core_c < target_c else (low, middle)
    lag = chain_of(MAPLE).heat
    assert np.median(lag) == pytest.approx(25 * 60 + high, rel=0.12)
    assert np.median(chain_of(Context(material="spalted maple", piece_thickness_mm=44.0)).heat) > 1.8 * np.median(lag)
    seen = chain_of(MAPLE, Seen(heat=(3000.0, 3100.0, 3050.0)))
    assert np.median(seen.heat) == pytest.approx(3050, rel=0.05)


def test_an_oven_with_a_fan_warms_sooner_and_surer() -> None:
    lag = {fan: np.log(chain_of(replace(MAPLE, oven_fan=fan)).heat) for fan in ("", "no", "yes")}
    assert np.median(lag["yes"]) < np.median(lag[""]) < np.median(lag["no"])
    assert all(np.std(lag[fan]) < np.std(lag[""]) for fan in ("no", "yes"))


def test_what_comes_at_night_waits_for_the_morning() -> None:
    late = when(chain_of(MAPLE), 21 * 3600.0, DAY)
    by_name = {moment.name: moment for moment in late}
    assert next(moment.name for moment in late) == "start"
    assert by_name["bubbles_stopped"].awake < 0.3
    # Vented no sooner than seven in the morning, in the middle of the band.
    assert (21 * 3600 + by_name["vented"].p50) / 3600 == pytest.approx(31.1, abs=0.2)
    assert {moment.name for moment in late if moment.person} == {"start", "bubbles_stopped", "soak_complete", "unload"}
    for moment in late:
        assert moment.p10 <= moment.p50 <= moment.p90
    never = when(chain_of(MAPLE), 21 * 3600.0, Awake(0.0, 0.0))
    assert all(moment.awake == 1.0 for moment in never)
    assert {m.name: m.p50 for m in never}["vented"] < 3 * 3600


def test_the_best_start_keeps_them_in_the_day() -> None:
    chain = chain_of(MAPLE)
    found = starts(chain, DAY, now_of_day_s=20 * 3600.0)
    ahead, inside, wait = found[0]
    hour = (20 + ahead / 3600) % 24
    assert 7 <= hour <= 15
    assert inside > 0.9
    assert wait < 1800
    for other in found[1:]:
        assert abs(other[0] - ahead) >= 7200
        assert other[1] <= inside + 0.01
    for ahead, _, _ in found:
        assert DAY.holds(np.array([(20 * 3600 + ahead) % 86400]))[0]
    # And it is what a chain of its own gives.
    direct = {m.name: m for m in when(chain, (20 * 3600.0 + found[0][0]) % 86400, DAY)}
    assert direct["bubbles_stopped"].awake >= inside


def test_awake_over_midnight() -> None:
    owl = Awake(10 * 3600.0, 3 * 3600.0)
    at = np.array([0.0, 2.0, 4.0, 9.5, 10.5, 23.0]) * 3600
    assert owl.holds(at).tolist() == [True, True, False, False, True, True]
    assert (owl.next(at) / 3600).tolist() == [0.0, 2.0, 10.0, 10.0, 10.5, 23.0]


def piece(**more: object) -> Any:
    told = {"label": "1", "shape": "slab", "thickness": "20 mm", "length": "100 mm", "width": "50 mm"}
    return piece_of({**told, **more})


def test_resin_by_displacement() -> None:
    """Reckoned by hand: 10 x 20 cm, one layer of two pieces 20 mm high, 20 mm of cover."""
    vessel = Vessel(length_m=0.2, width_m=0.1, height_m=0.2)
    need = resin_need([piece(count=2, porosity="0 %")], vessel)
    assert need.layers == 1
    assert need.level_m == pytest.approx(0.04)
    assert need.volume_m3 == pytest.approx(0.02 * 0.04 - 2 * 1e-4)
    assert need.low_m3 < need.volume_m3 < need.high_m3
    porous = resin_need([piece(count=2, porosity="60 %")], vessel)
    assert porous.drunk_m3 == pytest.approx(2e-4 * 0.6 * 0.75)
    assert porous.volume_m3 == pytest.approx(need.volume_m3 + porous.drunk_m3)
    stacked = resin_need([piece(count=6, porosity="0 %")], vessel)
    assert (stacked.layers, stacked.level_m) == (3, pytest.approx(0.08))


def test_what_does_not_fit_is_said() -> None:
    round_one = Vessel(diameter_m=0.1, height_m=0.055)
    found = resin_need([piece(dry="45 g", count=1)], round_one)
    text = " ".join(found.remarks)
    assert "does not fit lying" in text
    assert "they float" in text
    assert "leave a third of it free" in text
    assert "does not fit" not in " ".join(resin_need([piece()], round_one, standing=True).remarks)
    missing = resin_need([piece_of({"label": "9", "thickness": "20 mm", "shape": "slab"})], round_one)
    assert missing.volume_m3 is None
    assert "Piece 9: sizes" in missing.remarks[0]
    assert "how wide the vessel" in resin_need([piece()], Vessel()).remarks[0]


@pytest.fixture
def planner(ledger: Ledger, keeper: Keeper, wall: Wall) -> Callable[..., dict[str, Any]]:
    settings = PlanSettings(DAY, ZoneInfo("UTC"), Vessel(diameter_m=0.24, height_m=0.3))

    def open_batch() -> int:
        row = ledger.open_batch_row()
        if row is None:
            raise BadInput("no batch is open")
        return row.id

    made = Planner(ledger, wall.utc, MAPLE, settings, open_batch, lots=keeper.lot_states)

    def ask(**fields: object) -> dict[str, Any]:
        return json.loads(json.dumps(made(fields), allow_nan=False))  # type: ignore[no-any-return]

    return ask


SLAB = {"material": "spalted maple", "thickness": "22 mm", "length": "120 mm", "width": "80 mm", "count": "4"}


def test_a_whole_plan(planner: Callable[..., dict[str, Any]], keeper: Keeper) -> None:
    keeper.answer("resin_open", {"lot": "spring", "mass": "0.5 kg"})
    plan = planner(**SLAB, lot="spring")
    text = "\n".join(plan_lines(plan))
    for words in ("pump on", "let air in", "drain, into the oven", "ISO 13061-1", "spring is not enough", "never lean",
                  "fumes", "thermal fuse", "Weigh piece 1 dry", "07:00 to 22:00", "in punky wood"):  # fmt: skip
        assert words in text
    assert plan["resin"]["volume_m3"] == pytest.approx(math.pi / 4 * 0.24**2 * (2 * 0.022 + 0.02) - 4 * 2.112e-4 +
                                                       4 * 2.112e-4 * 0.4 * 0.75, rel=0.35)  # fmt: skip
    assert plan["progress"] == []
    assert plan["starts"][0]["start_utc"] == plan["start_utc"]


def test_history_of_the_station_draws_it_in(planner: Callable[..., dict[str, Any]], ledger: Ledger) -> None:
    before = {m["name"]: m for m in planner(**SLAB, start="08:30")["moments"]}
    for day in range(4):
        fill(ledger, opened=UTC_0 + timedelta(days=day - 9))
    fill(ledger, opened=UTC_0 - timedelta(days=20), pieces=[], scale=3.0)
    after_plan = planner(**SLAB, start="08:30")
    after = {m["name"]: m for m in after_plan["moments"]}
    for name in ("bubbles_stopped",):
        assert after[name]["p90"] - after[name]["p10"] < before[name]["p90"] - before[name]["p10"]
    assert "5 earlier batches" in " ".join(after_plan["basis"])
    other = planner(material="chalk turquoise", thickness="22 mm", start="08:30")
    assert "until the bubbles stop: common practice, wide" in other["basis"]


def test_a_kept_plan_is_followed(
    planner: Callable[..., dict[str, Any]], ledger: Ledger, keeper: Keeper, wall: Wall
) -> None:
    wall.now = UTC_0 - timedelta(minutes=20)
    assert planner(**SLAB, start="08:00", keep=True)["kept"] == "the next batch"
    wall.now = UTC_0
    book = keeper.new_book()
    assert book["plan"]["start_utc"] == "2026-03-01T08:00:00Z"
    assert "plan" not in keeper.new_book(), "it is taken once"
    number = fill(ledger, book=book, close=False)
    rows = {row["name"]: row for row in planner()["progress"]}
    assert rows["start"]["off"] == "as planned"
    assert rows["bubbles_stopped"]["state"] == "done"
    assert "within its band" in rows["bubbles_stopped"]["off"] or "planned" in rows["bubbles_stopped"]["off"]
    assert rows["unload"]["state"] == "ahead"
    from lastbubble.book.report import report_html
    from lastbubble.units import Display

    assert "Against the plan" in report_html(ledger, number, Display())
    # A plan for another day stays where it is.
    planner(**SLAB, start="2026-03-09 08:00", keep=True)
    assert "plan" not in keeper.new_book()


def test_forecasts_of_the_running_batch_stand_beside_the_plan() -> None:
    from lastbubble.book.progress import progress_rows

    moments = [{"name": "cure_complete", "p10": 3600.0, "p50": 7200.0, "p90": 9000.0}]
    plan = {"start_utc": "2026-03-01T08:00:00Z", "moments": moments}
    forecast = {"cure_complete": {"p10": 9500.0, "p50": 10800.0, "p90": 12000.0}}
    row = progress_rows(plan, {"pump_s": 0.0}, datetime(2026, 3, 1, 8, tzinfo=UTC), forecast)[0]
    assert row["state"] == "late"
    assert row["off"] == "60 min later"
    assert row["happened"].startswith("now about")
    assert (off_words(-6000), off_words(100)) == ("1 h 40 min earlier", "as planned")


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"thickness": "22"}, "thickness: .*no unit"),
        ({"pieces": "{"}, "not JSON"),
        ({"pieces": "[1]"}, "list of objects"),
        ({**SLAB, "start": "soon"}, "write such as '08:30'"),
        ({**SLAB, "soak": "8"}, "soak: "),
        ({**SLAB, "hold": "99 d"}, "hold is .*allowed 0 to 2880 min"),
        ({**SLAB, "vessel_diameter": "24"}, "vessel_diameter: .*no unit"),
        ({**SLAB, "lot": "none"}, "no resin lot 'none'"),
    ],
)
def test_refusals_name_what_is_allowed(
    planner: Callable[..., dict[str, Any]], fields: dict[str, object], said: str
) -> None:
    with pytest.raises(BadInput, match=said):
        planner(**fields)


def test_the_command_plans_on_a_ledger_alone(ledger: Ledger, capsys: pytest.CaptureFixture[str]) -> None:
    fill(ledger)
    path = str(ledger.path)
    ledger.close()
    argv = ["plan", "--material", "spalted maple", "--thickness", "22 mm", "--length", "120 mm", "--width", "80 mm",
            "--vessel-diameter", "24 cm", "--ledger", path]  # fmt: skip
    assert main(argv) == 0
    assert "when to start" in capsys.readouterr().out
    assert main([*argv, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["moments"][0]["name"] == "start"
    assert main(["resin", "open", "spring", "--mass", "2 kg", "--ledger", path]) == 0
    assert "good to use" in capsys.readouterr().out
    assert main(["batch", "piece", "1", "--batch", "1", "--wet", "216 g", "--ledger", path, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["pieces"][0]["wet"] == "216 g"
    assert main(["batch", "show", "1", "--ledger", path]) == 0
    assert "pores filled" in capsys.readouterr().out
    assert main(["resin", "put", "spring", "attic", "--ledger", path]) == 1
    assert "allowed: freezer" in capsys.readouterr().err

"""The leak test: kinds of rise, figures against the physics they were made from, what they mean, and the command."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from lastbubble.cli import main
from lastbubble.errors import BadInput
from lastbubble.ledger.logfile import write_log
from lastbubble.pipeline.leak_meaning import meaning_of
from lastbubble.pipeline.leak_test import judge_leak
from lastbubble.records import Sample


def hold(law: Callable[[float], float], noise_pa: float = 0.3, seconds: int = 600) -> tuple[list[float], list[float]]:
    rng = random.Random(7)
    times = [float(t) for t in range(0, seconds + 1, 2)]
    return times, [12.0 + law(t) + rng.gauss(0, noise_pa) for t in times]


@pytest.mark.parametrize(
    ("law", "kind"),
    [
        (lambda t: 0.0 * t, "tight"),
        (lambda t: 0.2 * t, "straight"),
        (lambda t: 40 * (1 - math.exp(-t / 90)), "bends over"),
        (lambda t: 0.2 * t + 40 * (1 - math.exp(-t / 60)), "bends over"),
        (lambda t: 2e-4 * t * t, "steepens"),
        (lambda t: 0.3 * max(0.0, t - 240), "comes late"),
        (lambda t: -0.02 * t, "falls"),
    ],
)
def test_the_kind_of_a_rise(law: Callable[[float], float], kind: str) -> None:
    assert judge_leak(*hold(law), 8.0).kind == kind


@pytest.mark.parametrize("rise", [0.02, 0.2, 2.0])
def test_the_rate_is_volume_times_rise(rise: float) -> None:
    verdict = judge_leak(*hold(lambda t: rise * t), 8.0)
    assert verdict.low_pa_s <= rise <= verdict.high_pa_s
    assert verdict.rate_pa_m3_s == pytest.approx(8e-3 * rise, rel=0.05)
    # 1 Pa m3/s is 10 mbar l/s.
    assert verdict.rate_mbar_l_s == pytest.approx(0.08 * rise, rel=0.05)


def test_too_short_a_hold_says_what_is_wanted() -> None:
    with pytest.raises(BadInput, match="120 s"):
        judge_leak([float(t) for t in range(60)], [10.0] * 60)


def test_what_a_leak_means() -> None:
    meaning = meaning_of(4e-4, 8e-3, 0.8e-3)
    # Q/S.
    assert meaning.base_lift_pa == pytest.approx(0.5)
    # Q t / V.
    assert meaning.in_isolation_pa == pytest.approx(9.0)
    # A sphere of 2 mm is 4.19 mm3.
    assert meaning.bubbles_per_s == pytest.approx(4e-4 / (500 * 4.18879e-9), rel=1e-4)
    assert "0.5 Pa" in meaning.text
    assert meaning_of(0.0, 8e-3).base_lift_pa is None
    with pytest.raises(ValueError, match="volume_m3"):
        meaning_of(1e-4, 0.0)


@pytest.mark.parametrize(("rise", "code"), [(0.2, 0), (2.0, 1)])
def test_the_command_on_a_log(tmp_path: Path, capsys: pytest.CaptureFixture[str], rise: float, code: int) -> None:
    times, pressures = hold(lambda t: rise * t)
    samples = [Sample(t, chamber_pa=p, isolated=True) for t, p in zip(times, pressures, strict=True)]
    path = tmp_path / "dry.csv"
    write_log(path, {"chamber_volume_l": "8.0", "pump_l_min": "48.0"}, samples)
    assert main(["commission", "leak", "--log", str(path)]) == code
    said = capsys.readouterr().out
    assert "straight" in said
    assert "mbar l/s" in said
    assert "lifts the base" in said
    assert ("too much" in said) == bool(code)
    assert main(["commission", "leak", "--log", str(path), "--json"]) == code
    told = json.loads(capsys.readouterr().out)
    assert told["rate_pa_m3_s"] == pytest.approx(8e-3 * rise, rel=0.05)


def test_a_log_without_an_isolation_is_told_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "none.csv"
    write_log(path, {}, [Sample(float(t), chamber_pa=12.0) for t in range(300)])
    assert main(["commission", "leak", "--log", str(path)]) != 0
    assert "rejoined" in capsys.readouterr().err

"""`lastbubble status`: the readings stand with how far they may be off, and with what the air does."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from lastbubble.cli import main
from lastbubble.desk import Desk, DeskSocket

STATE: dict[str, Any] = {
    "stage": "heating",
    "oven_c": 71.25,
    "air_k_min": 3.2,
    "witness_c": None,
    "core_c": 40.0,
    "core_low_c": 35.0,
    "core_high_c": 46.0,
    "grades": {
        "oven": {"grade": "checked", "limit_k": 1.04},
        "witness": {"grade": "class_2", "limit_k": 2.5},
    },
    "heat_state": "permitted",
}


def shown(state: dict[str, Any], folder: Path, capsys: pytest.CaptureFixture[str]) -> list[str]:
    desk = DeskSocket(folder / "service.sock", Desk(lambda _name, _fields: dict(state)))
    try:
        assert main(["status", "--socket", str(folder / "service.sock")]) == 0
    finally:
        desk.close()
    return [line.rstrip() for line in capsys.readouterr().out.splitlines()]


def test_a_reading_stands_with_its_doubt_and_the_air_with_its_rate(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = shown(STATE, tmp_path, capsys)
    at = next(place for place, line in enumerate(lines) if line.startswith("oven air"))
    assert lines[at].split() == ["oven", "air", "71.2", "°C"] or lines[at].split() == ["oven", "air", "71.3", "°C"]
    assert lines[at + 1].strip() == "± 1.0 K (checked at two points); warms by 3.2 K a minute"
    assert not any(line.startswith("witness") for line in lines), "a station without one is not told of it"


def test_a_witness_probe_stands_with_its_class(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = shown({**STATE, "witness_c": 39.0}, tmp_path, capsys)
    at = next(place for place, line in enumerate(lines) if line.startswith("witness"))
    assert lines[at].endswith("39.0 °C")
    assert lines[at + 1].strip() == "± 2.5 K (IEC 60584-1 class 2)"
    broken = shown({**STATE, "faults": {"witness": "open"}}, tmp_path, capsys)
    assert any(line.startswith("witness") and "open" in line for line in broken)

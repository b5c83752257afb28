"""`lastbubble dial`: the stable answer, words for a person, and a no with its reason."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from lastbubble.cli import main
from lastbubble.context import Context
from lastbubble.ledger.logfile import read_log, write_log
from lastbubble.ledger.store import Ledger
from tests.ledger.conftest import SMALL, UTC_0
from tests.test_dial import session


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    folder = tmp_path_factory.mktemp("dial")
    out = []
    for name, dial, true_c in (("one", "260F", 96.0), ("two", "280F", 106.0)):
        path = folder / f"{name}.csv"
        write_log(path, {"station": "bench"}, session(true_c, dial=dial))
        out.append(str(path))
    return out


def test_json_is_the_stable_answer(logs: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["dial", *logs, "--target-c", "101", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert list(answer) == ["dial", "low", "high", "unit"]
    assert answer["unit"] == "F"
    assert answer["low"] < answer["dial"] < answer["high"]
    assert 262 < answer["dial"] < 278


def test_words_name_sessions_setting_and_what_to_try(logs: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["dial", *logs, "--target-c", "101"]) == 0
    text = capsys.readouterr().out
    assert "steady, whole cycles" in text
    assert "two.csv" in text
    assert "set the dial to" in text
    assert "next would teach most" in text


def test_it_never_recommends_beyond_the_limit(logs: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["dial", *logs, "--target-c", "118", "--limit-c", "120", "--json"]) == 0
    held = capsys.readouterr()
    assert "guard's limit of 120" in held.err
    assert main(["dial", *logs, "--target-c", "118", "--json"]) == 0
    free = capsys.readouterr()
    assert json.loads(held.out)["dial"] < json.loads(free.out)["dial"]


def test_a_ledger_teaches_as_its_logs_do(logs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ledger = Ledger.open(tmp_path / "ledger.db", SMALL)
    for path in logs:
        batch = ledger.open_batch(Context(), opened_utc=UTC_0)
        for sample in read_log(path):
            ledger.append(batch, sample, [], None)
    ledger.close()
    assert main(["dial", "--ledger", str(tmp_path / "ledger.db"), "--target-c", "101", "--json"]) == 0
    by_ledger = json.loads(capsys.readouterr().out)
    assert main(["dial", *logs, "--target-c", "101", "--json"]) == 0
    assert by_ledger == json.loads(capsys.readouterr().out)


def test_it_can_be_drawn(logs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("matplotlib")
    assert main(["dial", *logs, "--target-c", "101", "--plot", str(tmp_path / "dial.png")]) == 0
    assert (tmp_path / "dial.png").stat().st_size > 5_000
    assert main(["dial", *logs, "--target-c", "101", "--plot", str(tmp_path / "dial.gif")]) == 1
    assert ".png, .svg or .pdf" in capsys.readouterr().err


def test_without_files_the_stations_own_ledger_teaches(
    logs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (Path(__file__).parents[2] / "config" / "oven-only.yaml").read_text(encoding="utf-8")
    settings = tmp_path / "station.yaml"
    assert "ledger:" not in text
    settings.write_text(f"{text}\nledger:\n  path: {tmp_path}/ledger.db\n", encoding="utf-8")
    ledger = Ledger.open(tmp_path / "ledger.db", SMALL)
    for path in logs:
        batch = ledger.open_batch(Context(), opened_utc=UTC_0)
        for sample in read_log(path):
            ledger.append(batch, sample, [], None)
    ledger.close()
    assert main(["dial", "--target-c", "101", "--settings", str(settings), "--json"]) == 0
    by_station = json.loads(capsys.readouterr().out)
    assert main(["dial", *logs, "--target-c", "101", "--json"]) == 0
    assert by_station == json.loads(capsys.readouterr().out)
    # The guard's own limit counts without being told.
    assert main(["dial", "--target-c", "240", "--settings", str(settings)]) == 0
    assert "guard's limit" in capsys.readouterr().err


def test_heat_from_cold_tells_the_guards_expected_rate(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    runs = []
    for name, dial in (("one", "260F"), ("two", "280F")):
        path = tmp_path / f"{name}.csv"
        samples = [replace(sample, heat=True) for sample in session(100.0, dial=dial)]
        write_log(path, {}, samples)
        runs.append(str(path))
    assert main(["dial", *runs, "--target-c", "101"]) == 0
    assert "expected_rate:" in capsys.readouterr().out


def test_nothing_to_learn_from_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["dial", "--target-c", "101"]) == 1
    assert "--ledger" in capsys.readouterr().err


def test_no_mark_is_a_no_with_the_mend(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bare.csv"
    write_log(path, {}, session(96.0, mark_s=1e9))
    assert main(["dial", str(path), "--target-c", "101"]) == 1
    assert "lastbubble mark dial=260F" in capsys.readouterr().err


def test_a_target_no_oven_has_is_refused(logs: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["dial", *logs, "--target-c", "900"]) == 1
    assert "30 to 250 degC" in capsys.readouterr().err

"""`lastbubble probe`: check and survey from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import yaml

from lastbubble.cli import main
from lastbubble.context import Context
from lastbubble.ledger.logfile import write_log
from lastbubble.ledger.store import Ledger
from lastbubble.survey import map_from_json
from tests.ledger.conftest import SMALL, UTC_0
from tests.test_survey import lying


def test_a_good_probe_gives_lines_for_the_settings(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["probe", "check", "--ice", "0.6 degC", "--steam", "210 degF", "--barometer", "985 mbar"]) == 0
    text = capsys.readouterr().out
    block = yaml.safe_load(text.split("settings:\n")[1].split("check it")[0])
    assert block["calibration"][0] == {"shown": "0.6 degC", "actual": "0 degC"}
    assert "180 days" in text


def test_altitude_will_do_and_says_how_well(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["probe", "check", "--ice", "0 degC", "--steam", "95 degC", "--altitude", "1500 m"]) == 0
    assert "+-0.6 K" in capsys.readouterr().out


def test_a_bad_probe_is_a_no(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["probe", "check", "--ice", "50 degC", "--steam", "-45 degC", "--barometer", "1013 mbar"]
    assert main(words) == 1
    assert "Mend it" in capsys.readouterr().out
    assert main([*words, "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["good"] is False


def test_wrong_quantities_are_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["probe", "check", "--ice", "0", "--steam", "99 degC", "--barometer", "1013 mbar"]) == 1
    assert "--ice" in capsys.readouterr().err
    assert main(["probe", "check", "--ice", "0 degC", "--steam", "99 degC", "--barometer", "29 Pa"]) == 1
    assert "barometer" in capsys.readouterr().err


def test_a_survey_maps_the_oven(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    runs = []
    for place, offset in (("front", 1.0), ("rear", -6.0)):
        path = tmp_path / f"{place}.csv"
        write_log(path, {}, lying(offset))
        runs.append(f"{place}={path}")
    assert main(["probe", "survey", *runs]) == 0
    assert "coolest: rear" in capsys.readouterr().out
    assert main(["probe", "survey", *runs, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["places"][0][0] == "rear"
    assert main(["probe", "survey", runs[0]]) == 1
    assert "at least two places" in capsys.readouterr().err
    assert main(["probe", "survey", "front"]) == 1
    assert "PLACE=LOG.csv" in capsys.readouterr().err


def _station(folder: Path) -> Path:
    text = (Path(__file__).parents[2] / "config" / "oven-only.yaml").read_text(encoding="utf-8")
    path = folder / "station.yaml"
    path.write_text(f"{text}\nruntime_dir: {folder}/run\nledger:\n  path: {folder}/ledger.db\n", encoding="utf-8")
    return path


def test_a_survey_is_kept_with_the_station(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = _station(tmp_path)
    runs = []
    for place, offset in (("front", 1.0), ("rear", -6.0)):
        path = tmp_path / f"{place}.csv"
        write_log(path, {}, lying(offset))
        runs.append(f"{place}={path}")
    assert main(["probe", "survey", *runs, "--keep", "--settings", str(settings)]) == 0
    assert "kept with the station" in capsys.readouterr().err
    assert main(["commission", "record", "--settings", str(settings), "--json"]) == 0
    (record,) = json.loads(capsys.readouterr().out)
    assert record["step"] == "survey"
    assert record["found"]["coolest"] == "rear"
    assert record["found"]["coolest_offset_k"] == pytest.approx(-6.0, abs=0.3)
    assert map_from_json(record["found"]["map"]).coolest.name == "rear"


def test_a_survey_out_of_the_stations_batches(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = _station(tmp_path)

    def lay(place: str, offset: float) -> None:
        ledger = Ledger.open(tmp_path / "ledger.db", SMALL)
        batch = ledger.open_batch(Context(), opened_utc=UTC_0, name=f"survey {place}")
        for sample in lying(offset):
            ledger.append(batch, sample, [], None)
        ledger.close()

    lay("front", 1.0)
    assert main(["commission", "survey", "--settings", str(settings)]) == 1
    told = capsys.readouterr()
    assert "at least two places" in told.out + told.err
    lay("rear", -2.0)
    lay("rear", -6.0)
    assert main(["commission", "survey", "--settings", str(settings), "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["outcome"] == "done"
    assert record["found"]["coolest"] == "rear"
    assert record["found"]["coolest_offset_k"] == pytest.approx(-6.0, abs=0.3)

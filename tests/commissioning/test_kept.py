"""The record is kept with the station: by its service, or in its ledger; the doctor and the next service read it."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from lastbubble.cli import main
from lastbubble.commissioning.book import informed, keep, kept_in, read, store
from lastbubble.commissioning.steps import STEPS, StepRecord
from lastbubble.context import Context
from lastbubble.desk import Desk, DeskSocket
from lastbubble.doctor import CHECKS, Patient
from lastbubble.errors import LastbubbleError
from lastbubble.ledger.store import Ledger
from lastbubble.machine import Machine
from lastbubble.settings import Settings
from lastbubble.station import Station
from tests.commissioning.standin import TEXT, Hands, settings


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[Settings, Station]]:
    """A station's desk without its sensors."""
    made = settings(tmp_path)
    station = Station(made, Hands())
    station.ledger = Ledger.open(tmp_path / "ledger.db")
    station.service = object()  # type: ignore[assignment]  # nothing here asks it
    (tmp_path / "run").mkdir()
    desk = DeskSocket(tmp_path / "run" / "service.sock", Desk(station.answer))
    yield made, station
    desk.close()
    station.ledger.close()


def test_without_a_service_the_ledger_keeps_it(tmp_path: Path) -> None:
    made = settings(tmp_path)
    kept = keep(made, Hands(), "base", "done", "base 2 mbar", {"base_pa": 200.0})
    assert kept.utc == "2026-03-01T12:00:00Z"
    keep(made, Hands(), "base", "begun", "again", {})
    assert [(one.outcome, one.text) for one in read(made)["base"]] == [("done", "base 2 mbar"), ("begun", "again")]


def test_a_running_service_keeps_and_tells_it(served: tuple[Settings, Station]) -> None:
    made, station = served
    kept = keep(made, Hands(), "lamp", "done", "dark, then lit", {"answers": {"open": True}})
    assert read(made)["lamp"] == [kept]
    assert kept_in(station.ledger)["lamp"] == [kept]


def test_the_desk_refuses_what_is_no_record_and_the_page_may_not_keep_one(served: tuple[Settings, Station]) -> None:
    made, station = served
    desk = Desk(station.answer)
    for record in ({"step": "tea"}, "done", {"step": "base", "outcome": "well", "text": "", "found": {}}):
        assert desk.ask({"ask": "commission_keep", "record": record})["ok"] is False
    good = {"step": "base", "outcome": "done", "text": "x", "found": {}}
    assert desk.ask({"ask": "commission_keep", "record": good}, page=True)["ok"] is False
    assert desk.ask({"ask": "commission_keep", "record": good})["ok"] is True
    assert made.station == "shed-bench"


def test_a_ledger_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "ledger.db").mkdir()
    with pytest.raises(LastbubbleError, match="ledger"):
        keep(settings(tmp_path), Hands(), "base", "done", "x", {})


def test_base_and_leak_reach_the_pipeline_where_the_settings_are_silent() -> None:
    done = StepRecord("base", "done", "", "", {"base_pa": 210.0})
    records = {
        "base": [done, replace(done, outcome="failed", found={"base_pa": 9.0})],
        "leak": [replace(done, step="leak", found={"leak_pa_s": 0.4})],
    }
    told = informed(Context(), records)
    assert (told.base_pa, told.leak_pa_s) == (210.0, 0.4)
    assert informed(Context(base_pa=50.0), records).base_pa == 50.0
    junk = {"base": [replace(done, found={"base_pa": value}) for value in (True, "210", -4.0, 1e9)]}
    assert informed(Context(), junk) == Context()


def test_the_doctor_tells_what_is_due_in_order(tmp_path: Path) -> None:
    made = settings(tmp_path)
    ledger = Ledger.open(tmp_path / "ledger.db")
    judge = next(row.judge for row in CHECKS if row.about == "commissioning")
    patient = Patient(Machine(), made, Hands())
    try:
        fresh = list(judge(patient))
        assert [one.mend for one in fresh] == [f"lastbubble commission {row.name}" for row in STEPS]
        assert [one.weight for one in fresh] == [row.weight for row in STEPS]
        for row in STEPS:
            store(ledger, StepRecord(row.name, "done", "", "well"), Hands().utc())
            ledger.flush()
        assert list(judge(patient)) == []
        late = Hands()
        late.utc = lambda: Hands().utc().replace(month=5)  # type: ignore[method-assign]  # two months on
        due = [(one.weight, one.mend.split()[-1]) for one in judge(Patient(Machine(), made, late))]
        assert due == [("poor", "lamp"), ("poor", "proof")]
    finally:
        ledger.close()
    simulated = settings(tmp_path, TEXT + "simulated: true\n")
    assert list(judge(Patient(Machine(), simulated, Hands()))) == []


def command(folder: Path, *words: str) -> list[str]:
    return ["commission", words[0], "--settings", str(folder / "s.yaml"), *words[1:]]


@pytest.fixture
def station_file(tmp_path: Path) -> Path:
    text = TEXT.replace("ledger:", "#ledger:")
    text += f"\nruntime_dir: {tmp_path}/run\nledger: {{path: {tmp_path}/ledger.db}}\n"
    (tmp_path / "s.yaml").write_text(text, encoding="utf-8")
    return tmp_path


def test_the_command_lists_takes_and_shows(
    station_file: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert main(command(station_file, "list", "--json")) == 1
    assert json.loads(capsys.readouterr().out)["due"] == [row.name for row in STEPS]
    monkeypatch.setattr("sys.stdin", io.StringIO("yes\nlater\n"))
    assert main(command(station_file, "wiring", "--json")) == 1
    said = capsys.readouterr()
    assert "CAUTION  Mains kills" in said.err, "before the work"
    assert json.loads(said.out)["step"] == "wiring", "and the answer alone on standard output"
    assert main(command(station_file, "record")) == 0
    assert "wiring" in capsys.readouterr().out
    assert main(command(station_file, "walk")) == 1, "stands at the step that is not done"
    assert "next" not in capsys.readouterr().out


def test_a_steps_way_in_is_checked(station_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(command(station_file, "points", "--barometer", "29.9")) == 1
    assert "no unit" in capsys.readouterr().err


def test_a_base_out_of_a_log(station_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = station_file / "dry.csv"
    rows = "\n".join(f"{5 * n},{200 + 101125 * 0.96**n:.2f}" for n in range(700))
    log.write_text(f"time_s,chamber_pa\n{rows}\n", encoding="utf-8")
    assert main(command(station_file, "base", "--log", str(log), "--json")) == 0
    assert json.loads(capsys.readouterr().out)["found"]["base_pa"] == pytest.approx(200, abs=0.5)
    log.write_text("time_s,chamber_pa\n0,100000\n5,99000\n", encoding="utf-8")
    assert main(command(station_file, "base", "--log", str(log))) == 1
    assert "15 min" in capsys.readouterr().err

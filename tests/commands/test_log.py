"""`lastbubble log` as a person calls it: answers on stdout, findings on stderr, exit codes."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from lastbubble import cli
from lastbubble.context import Context
from lastbubble.ledger.logfile import read_log, write_log
from lastbubble.ledger.store import Ledger
from lastbubble.records import Sample, record_line
from tests.ledger.conftest import SMALL, UTC_0, said, sample


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    path = tmp_path / "ledger.db"
    made = Ledger.open(path, SMALL)
    batch = made.open_batch(Context(material="maple"), opened_utc=UTC_0, name="blanks")
    for second in range(60):
        made.append(batch, sample(second), said(second))
    made.close()
    return path


def test_export_writes_log_stream_and_book(ledger: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log, stream, book = tmp_path / "a.csv", tmp_path / "a.jsonl", tmp_path / "a.json"
    words = ["log", "export", "1", "-o", str(log), "--ledger", str(ledger)]
    assert cli.main([*words, "--records", str(stream), "--book", str(book), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"batch": 1, "rows": 60, "log": str(log), "records": 3}
    assert list(read_log(log)) == [sample(second) for second in range(60)]
    assert stream.read_text().splitlines() == [record_line(r) for s in range(60) for r in said(s)]
    assert json.loads(book.read_text())["header"] == {"material": "maple"}


def test_export_to_standard_output_is_the_log_alone(
    ledger: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["log", "export", "1", "--ledger", str(ledger)]) == 0
    path = tmp_path / "b.csv"
    path.write_text(capfd.readouterr().out)
    assert len(list(read_log(path))) == 60


def test_import_makes_a_batch(ledger: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = tmp_path / "c.csv"
    write_log(log, {"material": "bone"}, [Sample(float(second), oven_c=20.0) for second in range(30)])
    words = ["log", "import", str(log), "--ledger", str(ledger), "--name", "old", "--without-records"]
    assert cli.main(words) == 0
    assert capsys.readouterr().out == "batch 2: 30 rows, 0 records\n"
    assert cli.main(["log", "export", "2", "-o", str(tmp_path / "d.csv"), "--ledger", str(ledger)]) == 0
    assert list(read_log(tmp_path / "d.csv")) == list(read_log(log))


def test_import_keeps_what_comes_before_a_broken_row(
    ledger: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "c.csv"
    log.write_text("time_s,oven_c\n0,20\n1,x\n")
    assert cli.main(["log", "import", str(log), "--ledger", str(ledger), "--without-records"]) == 1
    told = capsys.readouterr()
    assert told.out == "batch 2: 1 rows, 0 records\n"
    assert f"{log}:3: oven_c is 'x'" in told.err
    assert "rows before it are kept" in told.err


def test_a_foreign_log_becomes_one_of_ours(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    theirs, log_map, ours = tmp_path / "theirs.csv", tmp_path / "map.yaml", tmp_path / "ours.csv"
    theirs.write_text("min;F\n0;212\n0,5;213,8\n")
    log_map.write_text("decimal: ','\ntime: {column: min, form: min}\ncolumns: {oven_c: {column: F, unit: degF}}\n")
    assert cli.main(["log", "import", str(theirs), "--map", str(log_map), "-o", str(ours), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"log": str(ours), "rows": 2}
    assert list(read_log(ours)) == [Sample(0.0, oven_c=100.0), Sample(30.0, oven_c=101.0)]
    assert cli.main(["log", "check", str(ours), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["rows"], told["last_s"], told["filled"]) == (2, 30.0, {"time_s": 2, "oven_c": 2})


def test_a_map_that_makes_a_wrong_head_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    theirs, log_map = tmp_path / "theirs.csv", tmp_path / "map.yaml"
    theirs.write_text("t,c\n0,20\n")
    log_map.write_text("time: {column: t, form: s}\ncolumns: {oven_c: {column: c}}\nheader: {hold_min: long}\n")
    assert cli.main(["log", "import", str(theirs), "--map", str(log_map), "-o", str(tmp_path / "x.csv")]) == 1
    assert f"{log_map}: header: hold_min is 'long'" in capsys.readouterr().err


def test_a_draft_can_be_printed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    theirs = tmp_path / "theirs.csv"
    theirs.write_text("Time,Temp\n0,20\n")
    assert cli.main(["log", "map", str(theirs)]) == 0
    assert "'Temp'" in capsys.readouterr().out
    assert cli.main(["log", "map", "--example"]) == 0
    assert "barometer" in capsys.readouterr().out
    assert cli.main(["log", "map"]) == 1


def test_remove_takes_closed_batches_out_for_good(
    ledger: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    log = tmp_path / "c.csv"
    write_log(log, {}, [Sample(float(second), oven_c=second / 70) for second in range(20_000)])
    words = ["log", "import", str(log), "--ledger", str(ledger), "--name", "old", "--without-records"]
    assert cli.main(words) == 0
    capsys.readouterr()
    remove = ["log", "remove", "2", "--ledger", str(ledger)]
    monkeypatch.setattr("sys.stdin", io.StringIO("no\n"))
    assert cli.main(remove) == 1
    assert "Remove batch 2 (old) for good?" in capsys.readouterr().err
    before = ledger.stat().st_size
    assert cli.main([*remove, "--yes", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["removed"] == [2]
    assert told["gained_bytes"] > 200_000
    assert ledger.stat().st_size == before - told["gained_bytes"]
    assert cli.main(remove) == 1
    assert "batch 2 is not in the ledger" in capsys.readouterr().err
    assert cli.main(["log", "export", "1", "-o", str(tmp_path / "e.csv"), "--ledger", str(ledger)]) == 0
    assert len(list(read_log(tmp_path / "e.csv"))) == 60


@pytest.mark.parametrize(
    ("words", "finding"),
    [
        (["log", "export", "1"], "say which ledger"),
        (["log", "export", "9", "--ledger", "LEDGER"], "batch 9 is not in the ledger; the latest are: 1"),
        (["log", "export", "1", "--ledger", "none.db"], "there is no ledger"),
        (["log", "export", "1", "-o", "no/such/place.csv", "--ledger", "LEDGER"], "cannot be written"),
        (["log", "import", "none.csv", "--ledger", "LEDGER"], "cannot be read"),
        (["log", "remove", "1", "--yes", "--ledger", "LEDGER"], "batch 1 is open; close it first"),
        (["log", "remove", "1", "--yes", "--ledger", "none.db"], "there is no ledger"),
        (["log", "check", "none.csv"], "cannot be read"),
    ],
)
def test_what_goes_wrong_is_one_sentence(
    words: list[str], finding: str, ledger: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main([str(ledger) if word == "LEDGER" else word for word in words]) == 1
    told = capsys.readouterr()
    assert finding in told.err
    assert len(told.err.splitlines()) == 1
    assert told.out == ""


@pytest.mark.parametrize("words", [["log"], ["log", "export"], ["log", "melt", "1"], ["log", "export", "first"]])
def test_wrong_use_is_told_with_exit_code_2(words: list[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        cli.main(words)
    assert caught.value.code == 2

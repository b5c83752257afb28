"""Every measured record that travels with the project is a log that reads to its end, without loss.

The records are other people's, each with source and licence in its head (see the pages beside them).
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from lastbubble.data import data_path
from lastbubble.ledger.logfile import read_log, write_rows

LOGS = sorted(data_path("shared", "open").rglob("*.csv"))


def test_there_are_some() -> None:
    assert len(LOGS) >= 7


@pytest.mark.parametrize("path", LOGS, ids=lambda path: path.stem)
def test_it_reads_to_its_end_and_is_written_again_without_loss(path: Path, tmp_path: Path) -> None:
    log = read_log(path)
    rows = list(log.rows())
    with path.open(encoding="utf-8", newline="") as file:
        plain = list(csv.DictReader(line for line in file if not line.startswith("#")))
    assert len(rows) == len(plain) > 0
    for (sample, cells), told in zip(rows, plain, strict=True):
        assert sample.time_s == float(told["time_s"])
        for name in ("chamber_pa", "oven_c", "witness_c", "junction_c"):
            if name in told:
                value = getattr(sample, name)
                assert (told[name] == "") == (value is None)
                assert value is None or value == float(told[name])
        assert cells == tuple(told[name] for name in log.extra)
    again = tmp_path / "again.csv"
    write_rows(again, log.header, log.extra, rows)
    assert list(read_log(again).rows()) == rows

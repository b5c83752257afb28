"""Batches out and in without loss; long series kept short with every extreme."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from pathlib import Path

import pytest

from lastbubble.context import Context, context_from_header
from lastbubble.errors import LastbubbleError, LogError
from lastbubble.ledger.exchange import batch_json, batch_of_header, export_batch, export_records, import_rows
from lastbubble.ledger.logfile import read_log
from lastbubble.ledger.series import edges, marks, series
from lastbubble.ledger.store import Ledger
from lastbubble.records import Event, Outlook, Sample, record_line
from tests.ledger.conftest import UTC_0, Opener, said, sample

CONTEXT = Context(
    station="two-person workshop", started_utc="2026-03-01T08:00:00Z", hold_min=40.0, history='[{"n": 1}]'
)


def whole(ledger: Ledger, batch: int) -> object:
    row = ledger.batch(batch)
    fields = (row.name, row.notes, row.pieces, row.book, row.header, row.opened_utc, row.closed_utc, row.extra)
    return fields, list(ledger.rows(batch))


def test_export_and_import_lose_nothing(opener: Opener, tmp_path: Path) -> None:
    ledger = opener()
    batch = ledger.open_batch(
        CONTEXT,
        opened_utc=UTC_0,
        name="maple, second try",
        notes='resin from lot 3\n\nthe left one has a crack; "see" photo',
        pieces=[{"material": "spalted maple", "dry_g": 41.25}],
        book={"resin_lot": "L3", "wet_g": [61.0, 58.5]},
    )
    for second in range(3000):
        ledger.append(batch, sample(second, marks=("rocked",) if second == 7 else ()), said(second))
    ledger.close_batch(batch, datetime(2026, 3, 2, 1, 2, 3, 456789, tzinfo=UTC))
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    assert export_batch(ledger, batch, first) == 3000
    log = read_log(first)
    done = import_rows(ledger, log.context(), log.header, log.extra, log.rows(), now_utc=datetime.now(UTC))
    assert (done.rows, done.broken) == (3000, None)
    assert ledger.batch(done.batch).source == "import"
    assert whole(ledger, done.batch) == whole(ledger, batch)
    assert context_from_header(ledger.batch(done.batch).header) == CONTEXT
    export_batch(ledger, done.batch, second)
    assert second.read_bytes() == first.read_bytes()


def test_columns_and_head_lines_of_others_go_through(opener: Opener, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text('# log_form: 1\n# what: two\n# what: lines\ntime_s,oven_c,door,note\n0.0,20.5,shut,"a,b"\n1.0,,,\n')
    ledger = opener()
    log = read_log(path)
    done = import_rows(ledger, log.context(), log.header, log.extra, log.rows(), now_utc=UTC_0, name="theirs")
    again = tmp_path / "b.csv"
    export_batch(ledger, done.batch, again)
    copy = read_log(again)
    assert list(copy.rows()) == list(log.rows())
    assert (copy.extra, copy.header["what"]) == (("door", "note"), "two\nlines")
    assert ledger.batch(done.batch).name == "theirs"


def test_rows_before_a_broken_one_are_kept(opener: Opener, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("time_s,oven_c\n0,20\n1,21\n2,hot\n3,23\n")
    ledger = opener()
    log = read_log(path)
    said_at: list[float] = []

    def records_of(one: Sample) -> list[Event]:
        said_at.append(one.time_s)
        return [Event(one.time_s, "vented", one.time_s)]

    done = import_rows(ledger, Context(), log.header, log.extra, log.rows(), now_utc=UTC_0, records_of=records_of)
    assert done.rows == 2
    assert isinstance(done.broken, LogError)
    assert done.broken.line == 4
    assert said_at == [0.0, 1.0]
    assert [stored.record for stored in ledger.records(done.batch)] == [
        Event(0.0, "vented", 0.0),
        Event(1.0, "vented", 1.0),
    ]


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ({"batch_pieces": "one slab"}, "batch_pieces is not JSON"),
        ({"batch_pieces": "{}"}, "a JSON list is wanted"),
        ({"batch_book": "[]"}, "a JSON dict is wanted"),
        ({"opened_utc": "yesterday"}, "opened_utc is 'yesterday'"),
        ({"closed_utc": "2026-03-01T08:00:00"}, "a time with its zone"),
    ],
)
def test_a_head_that_cannot_be_used_is_named(header: dict[str, str], words: str) -> None:
    with pytest.raises(LogError, match=words):
        batch_of_header(header)


def test_the_record_stream_is_exported_line_for_line(opener: Opener, tmp_path: Path) -> None:
    ledger = opener()
    batch = ledger.open_batch(CONTEXT, opened_utc=UTC_0)
    for second in range(200):
        ledger.append(batch, sample(second), said(second))
    path = tmp_path / "stream.jsonl"
    assert export_records(ledger, batch, path) == 12
    assert path.read_text() == "".join(record_line(r) + "\n" for s in range(200) for r in said(s))
    told = batch_json(ledger, batch)
    assert json.loads(json.dumps(told)) == told
    assert len(told["records"]) == 12
    with pytest.raises(LastbubbleError, match="batch 9 is not in the ledger"):
        export_batch(ledger, 9, tmp_path / "none.csv")


@pytest.fixture
def day(opener: Opener) -> tuple[Ledger, int]:
    ledger = opener()
    batch = ledger.open_batch(CONTEXT, opened_utc=UTC_0)
    for second in range(5000):
        value = 20 + math.sin(second / 50) if second not in (1234, 4321) else {1234: 400.0, 4321: -30.0}[second]
        oven = None if 2000 <= second < 3000 else value
        heat = second >= 100
        ledger.append(
            batch,
            Sample(float(second), oven_c=oven, heat=heat, marks=("rocked",) if second == 9 else ()),
            outlook=Outlook(time_s=float(second), core_c=second / 100),
        )
    assert ledger.flush()
    return ledger, batch


def test_a_thinned_series_keeps_every_extreme_and_shows_gaps(day: tuple[Ledger, int]) -> None:
    ledger, batch = day
    points = series(ledger, batch, "oven_c", points=200)
    assert len(points) <= 205
    assert (1234.0, 400.0) in points
    assert (4321.0, -30.0) in points
    times = [time_s for time_s, _ in points]
    assert times == sorted(times)
    gap = [time_s for time_s, value in points if value is None]
    assert len(gap) == 1
    assert 2000 <= gap[0] < 3000
    exact = {one.time_s: one.oven_c for one in ledger.samples(batch)}
    assert all(value is None or exact[time_s] == value for time_s, value in points)


def test_a_short_series_is_given_whole(day: tuple[Ledger, int]) -> None:
    ledger, batch = day
    assert series(ledger, batch, "oven_c", after_s=9.0, until_s=12.0) == [
        (float(second), 20 + math.sin(second / 50)) for second in (10, 11, 12)
    ]
    assert series(ledger, batch, "core_c")[:2] == [(0.0, 0.0), (10.0, 0.1)]
    assert series(ledger, batch, "witness_c") == []


def test_edges_and_marks(day: tuple[Ledger, int]) -> None:
    ledger, batch = day
    assert edges(ledger, batch, "heat") == [(0.0, False), (100.0, True)]
    assert edges(ledger, batch, "isolated") == [(0.0, None)]
    assert marks(ledger, batch) == [(9.0, "rocked")]


@pytest.mark.parametrize("column", ["time_s", "heat", "oven_c; DROP TABLE samples", ""])
def test_other_columns_are_refused(column: str, day: tuple[Ledger, int]) -> None:
    with pytest.raises(ValueError, match="cannot be drawn"):
        series(day[0], day[1], column)
    if column != "heat":
        with pytest.raises(ValueError, match="has no edges"):
            edges(day[0], day[1], column)

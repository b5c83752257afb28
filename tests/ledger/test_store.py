"""The ledger as its users see it: what is handed in is there at once, in order, exactly, and after a restart."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from lastbubble.context import Context, context_from_header
from lastbubble.errors import LastbubbleError
from lastbubble.ledger.reader import PAGE, Reader
from lastbubble.ledger.store import Ledger, LedgerRefused, read_batches
from lastbubble.records import Outlook, Sample, record_line
from tests.ledger.conftest import SMALL, UTC_0, Opener, said, sample

CONTEXT = Context(station="two-person workshop", material="maple", piece_thickness_mm=22.0, hold_min=40.0)


def fill(ledger: Ledger, seconds: range, batch: int | None = None) -> int:
    batch = ledger.open_batch(CONTEXT, opened_utc=UTC_0, name="maple blanks") if batch is None else batch
    for second in seconds:
        ledger.append(batch, sample(second), said(second), Outlook(time_s=second + 0.125, core_c=50.5), utc=UTC_0)
    return batch


def test_samples_and_records_come_back_exactly(opener: Opener) -> None:
    ledger = opener()
    batch = fill(ledger, range(0))
    rich = [
        sample(0, marks=("pump_on", "dial=260F"), faults=("chamber:silent", "oven:open")),
        Sample(1.0),
        Sample(
            1.0 + 2**-30, 1e-3, -12.5, 25.0625, 93.00000000000001, 0.1 + 0.2, False, True, (), (), "over_temperature"
        ),
    ]
    for one in rich:
        ledger.append(batch, one)
    assert list(ledger.samples(batch)) == rich
    assert ledger.flush()
    assert list(ledger.samples(batch)) == rich
    assert [repr(one) for one in ledger.samples(batch)] == [repr(one) for one in rich]


def test_more_than_a_page_is_read_in_order(opener: Opener) -> None:
    ledger = opener()
    batch = fill(ledger, range(2 * PAGE + 7))
    wanted = [sample(second) for second in range(2 * PAGE + 7)]
    assert list(ledger.samples(batch)) == wanted
    assert list(ledger.samples(batch, after_s=100.125, until_s=200.125)) == wanted[101:201]
    assert ledger.flush()
    assert list(ledger.samples(batch, after_s=4000.0)) == wanted[4000:]


def test_records_bear_one_rising_sequence_over_batches_and_restarts(opener: Opener) -> None:
    ledger = opener()
    one = fill(ledger, range(40))
    two = fill(ledger, range(40))
    ledger.close()
    ledger = opener()
    fill(ledger, range(40, 100), two)
    told = ledger.records_after(0)
    assert [stored.seq for stored in told] == list(range(1, len(told) + 1))
    assert [stored.record for stored in told if stored.batch == two] == [r for s in range(100) for r in said(s)]
    assert ledger.record_count(one) == 3
    assert ledger.record_count(two) == 6
    assert [stored.line for stored in ledger.records(two)] == [record_line(r) for s in range(100) for r in said(s)]
    assert [stored.seq for stored in ledger.records_after(4, limit=3)] == [5, 6, 7]
    assert ledger.last_seq() == 9


def test_an_open_batch_is_found_again_with_its_zero_and_place(opener: Opener) -> None:
    ledger = opener()
    assert ledger.open_batch_row() is None
    batch = ledger.open_batch(
        CONTEXT,
        opened_utc=UTC_0,
        name="maple blanks",
        notes="two lines\nof notes",
        pieces=[{"material": "maple", "thickness_mm": 22.0}],
        zero_now_s=123.456,
        boot="boot-1",
    )
    fill(ledger, range(10), batch)
    ledger.set_zero(batch, -7.5, "boot-2")
    before = ledger.batch(batch)
    ledger.close()
    ledger = opener()
    row = ledger.open_batch_row()
    assert row == before
    assert row is not None
    assert context_from_header(row.header) == CONTEXT
    assert (row.zero_now_s, row.boot, row.last_time_s, row.last_utc) == (-7.5, "boot-2", 9.125, UTC_0)
    assert row.notes == "two lines\nof notes"
    ledger.close_batch(batch, UTC_0)
    assert ledger.open_batch_row() is None
    ledger.close()
    (listed,) = read_batches(ledger.path)
    assert (listed["id"], listed["name"], listed["closed_utc"]) == (batch, "maple blanks", "2026-03-01T08:00:00Z")


def test_a_batch_changes_only_where_it_may(opener: Opener) -> None:
    ledger = opener()
    batch = fill(ledger, range(3))
    ledger.change_batch(batch, notes="split", book={"resin_lot": "L3"})
    assert (ledger.batch(batch).notes, ledger.batch(batch).book) == ("split", {"resin_lot": "L3"})
    with pytest.raises(TypeError, match="boot cannot be changed"):
        ledger.change_batch(batch, boot="x")
    assert ledger.flush()
    with pytest.raises(LastbubbleError, match="batch 99 is not in the ledger; the latest are: 1"):
        ledger.change_batch(99, notes="x")


def test_what_waits_in_memory_is_read_like_the_rest(opener: Opener) -> None:
    ledger = opener(settings=replace(SMALL, commit_s=1e9))
    batch = fill(ledger, range(9))  # nothing urgent in them
    assert ledger.health.waiting > 0
    assert list(ledger.samples(batch)) == [sample(second) for second in range(9)]
    ledger.append(batch, sample(9), said(30))  # a forecast is not urgent
    assert len(ledger.records_after(0)) == 1
    assert ledger.latest is not None
    assert ledger.latest[:2] == (batch, sample(9))


def test_five_seconds_of_samples_are_committed_without_being_asked(opener: Opener) -> None:
    ledger = opener()
    batch = fill(ledger, range(7))
    other = Reader(ledger.path)
    try:
        wait_for(lambda: len(list(other.samples(batch))) >= 6)
    finally:
        other.close()


@pytest.mark.parametrize("what", ["record", "mark", "trip"])
def test_what_matters_is_committed_at_once(what: str, opener: Opener) -> None:
    ledger = opener(settings=replace(SMALL, commit_s=1e9))
    batch = fill(ledger, range(0))
    assert ledger.flush()
    more: dict[str, object] = {"mark": {"marks": ("rocked",)}, "trip": {"trip": "open"}}.get(what, {})  # type: ignore[assignment]
    ledger.append(batch, sample(0, **more), said(10) if what == "record" else [])
    other = Reader(ledger.path)
    try:
        wait_for(lambda: list(other.samples(batch)) == [sample(0, **more)])
        assert other.record_count(batch) == (what == "record")
    finally:
        other.close()


def wait_for(met: object, timeout_s: float = 20.0) -> None:
    gate = threading.Event()
    for _ in range(int(timeout_s / 0.01)):
        if met():  # type: ignore[operator]
            return
        gate.wait(0.01)
    raise AssertionError("not in time")


def test_an_outlets_place_is_kept(opener: Opener) -> None:
    ledger = opener()
    fill(ledger, range(40))
    assert ledger.cursor("mqtt") == 0
    ledger.set_cursor("mqtt", 2)
    ledger.set_cursor("phone", 3)
    ledger.set_cursor("mqtt", 3)
    assert ledger.cursor("mqtt") == 3
    ledger.close()
    ledger = opener()
    assert (ledger.cursor("mqtt"), ledger.cursor("phone"), ledger.cursor("page")) == (3, 3, 0)


def test_news_wakes_whoever_waits(opener: Opener) -> None:
    ledger = opener()
    batch = fill(ledger, range(1))
    seen = ledger.news
    woken: list[int] = []
    waiter = threading.Thread(target=lambda: woken.append(ledger.wait_for_news(seen, 20)))
    waiter.start()
    ledger.append(batch, sample(1))
    waiter.join(20)
    assert woken == [seen + 1]
    assert ledger.wait_for_news(seen + 1, 0.0) == seen + 1


def test_estimates_are_kept_every_ten_seconds(opener: Opener) -> None:
    ledger = opener()
    batch = fill(ledger, range(31))
    assert ledger.flush()
    assert [(row[0], row[4]) for row in ledger.estimates(batch)] == [
        (0.125, 50.5),
        (10.125, 50.5),
        (20.125, 50.5),
        (30.125, 50.5),
    ]


def test_imported_batches_are_no_news(opener: Opener) -> None:
    ledger = opener()
    old = ledger.open_batch(CONTEXT, opened_utc=UTC_0, source="import")
    fill(ledger, range(40), old)
    live = fill(ledger, range(40))
    for _ in range(2):
        assert {stored.batch for stored in ledger.records_after(0)} == {live}
        assert ledger.flush()
    assert ledger.open_batch_row() == ledger.batch(live)
    assert len(ledger.records_after(0, live_only=False)) == 6


def test_a_copy_taken_while_writing_is_whole(opener: Opener, tmp_path: Path) -> None:
    ledger = opener()
    batch = fill(ledger, range(3000))
    assert ledger.flush()
    ledger.backup(tmp_path / "copy.db")
    copy = Reader(tmp_path / "copy.db")
    try:
        assert list(copy.samples(batch)) == [sample(second) for second in range(3000)]
    finally:
        copy.close()


def test_only_one_process_writes(opener: Opener) -> None:
    ledger = opener()
    with pytest.raises(LedgerRefused, match=rf"in use by another process \({os.getpid()}\), most likely the service"):
        Ledger.open(ledger.path, SMALL)
    ledger.close()
    Ledger.open(ledger.path, SMALL).close()


def test_a_reader_says_that_there_is_no_ledger(tmp_path: Path) -> None:
    with pytest.raises(LastbubbleError, match="there is no ledger"):
        read_batches(tmp_path / "none.db")


_KILLED = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from lastbubble.context import Context
from lastbubble.ledger.store import Ledger, LedgerSettings
from tests.ledger.conftest import SMALL, UTC_0, said, sample
ledger = Ledger.open(Path(sys.argv[1]), SMALL)
batch = ledger.open_batch(Context(), opened_utc=UTC_0)
for second in range(100000):
    ledger.append(batch, sample(second), said(second))
    if second == 2000:
        assert ledger.flush()
        print("on", flush=True)
"""


def test_a_killed_service_loses_at_most_what_it_had_not_committed(opener: Opener, tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    root = Path(__file__).resolve().parents[2]
    with subprocess.Popen(
        [sys.executable, "-c", _KILLED, str(path)],
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": f"{root / 'daemon'}:{root}"},
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"on\n"
        process.send_signal(signal.SIGKILL)
    ledger = opener()
    assert ledger.health.well
    row = ledger.open_batch_row()
    assert row is not None
    kept = list(ledger.samples(row.id))
    assert len(kept) > 2000, "what was flushed is there"
    assert kept == [sample(second) for second in range(len(kept))], "what is kept has no hole"
    lines = [stored.line for stored in ledger.records(row.id)]
    assert lines == [record_line(r) for s in range(len(kept)) for r in said(s)], "records and samples end together"

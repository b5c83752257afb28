"""Out, in, and out again, of ledgers that chance has filled: odd characters, odd numbers, gaps; not a byte is lost."""

from __future__ import annotations

import itertools
import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from datetime import timedelta
from functools import partial
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lastbubble.book.transfer import export_everything, import_everything
from lastbubble.context import Context
from lastbubble.ledger.shelf import (
    Deed,
    LotEvent,
    LotRow,
    deeds,
    lot_events,
    lots,
    put_deed,
    put_event,
    put_lot,
    put_snapshot,
    snapshots,
)
from lastbubble.ledger.store import Ledger
from lastbubble.records import MARKS, Caution, Event, Forecast, Record, Sample, Stage, Trip
from tests.book.conftest import SMALL, UTC_0

#: What people, phones and other programs write: quotes, line ends of all kinds, separators, a byte order mark inside,
#: right-to-left and combining characters, beyond the first plane; everything that a text of JSON or SQLite can hold.
NASTY = (
    '"', "'", ",", ";", "\n", "\r\n", "\r", "\t", "\u2028", "\u2029", "\x85", "\x0b", "\x1c", "\ufeff", "\u202e",
    "e\u0301", "\U0001f9ea", "#", "# key: v", "=1+1", "\\", "\\n", "%s", "{}", "<b>", "&amp;", "NULL", "nan", "-",
    "\u00e4", "\u00a0", " ",
)  # fmt: skip
texts = st.lists(
    st.sampled_from(NASTY) | st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=6),
    max_size=5,
).map("".join)
floats = st.floats(-200, 1200, allow_nan=False) | st.sampled_from([0.1 + 0.2, 1e-300, -0.0, 5e-324, 1199.9999999999998])
maybe = st.none() | floats
words = st.text("abcdefghij_", min_size=1, max_size=8).filter(lambda text: text[0] != "_")


@st.composite
def samples(draw: st.DrawFn) -> list[tuple[Sample, tuple[str, ...]]]:
    """Rising times, each reading or none, marks, faults, a trip, and one column that is not ours."""
    steps = draw(st.lists(st.floats(1e-3, 1e4), min_size=0, max_size=6))
    out = []
    for time_s in itertools.accumulate(steps):
        marks = draw(st.lists(st.sampled_from([*MARKS, "dial=260F", "dial=92.5C"]), max_size=3, unique=True))
        faults = draw(st.lists(st.tuples(words, words).map(":".join), max_size=2, unique=True))
        sample = Sample(
            time_s=time_s,
            chamber_pa=draw(st.none() | st.floats(-4000, 9e5)),
            oven_c=draw(maybe),
            oven2_c=draw(maybe),
            junction_c=draw(maybe),
            witness_c=draw(maybe),
            heat=draw(st.none() | st.booleans()),
            isolated=draw(st.none() | st.booleans()),
            marks=tuple(marks),
            faults=tuple(sorted(faults)),
            trip=draw(st.just("") | words),
        )
        out.append((sample, (draw(texts),)))
    return out


def records(draw: st.DrawFn, time_s: float) -> list[Record]:
    said: list[Record] = [
        Stage(time_s, "degassing", since=draw(st.none() | floats)),
        Event(time_s, "bubbles_stopped", since=draw(floats), sure=draw(st.none() | st.floats(0, 1)), basis=draw(texts)),
        Forecast(time_s, "cure_complete", time_s, time_s + 0.1, time_s + 1 / 3),
        Caution(time_s, "vacuum_lost", draw(texts)),
        Trip(time_s, "over_limit"),
    ]
    return draw(st.lists(st.sampled_from(said), max_size=4))


json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats(allow_nan=False, allow_infinity=False) | texts,
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(texts, inner, max_size=2),
    max_leaves=4,
)


@st.composite
def fillings(draw: st.DrawFn) -> list[Callable[[Ledger], object]]:
    """What is done to an empty ledger, drawn before there is one."""
    does: list[Callable[[Ledger], object]] = []
    for name in draw(st.lists(texts.filter(str.strip), max_size=2, unique=True)):
        row = LotRow(name, {"keeps_s": draw(st.floats(3600, 1e7)), "note": draw(texts)})
        told = UTC_0 + timedelta(microseconds=draw(st.integers(0, 10**9)))
        event = LotEvent(name, UTC_0, told, "note", {"what": draw(texts)}, draw(st.booleans()), draw(texts))
        does += [partial(put_lot, row=row), partial(put_event, event=event)]
    for number in range(draw(st.integers(0, 2))):
        does.append(partial(put_snapshot, told=draw(st.dictionaries(texts, json_values, max_size=2))))
        does.append(
            partial(
                Ledger.open_batch,
                context=Context(station=draw(words), material=draw(st.sampled_from(["", "maple", "chalk turquoise"]))),
                opened_utc=UTC_0 + timedelta(days=number, microseconds=draw(st.integers(0, 999_999))),
                name=draw(texts),
                notes=draw(texts),
                pieces=[{"label": draw(texts), "note": draw(texts), "dry": "95.2 g"}],
                book={"notes": [{"utc": "", "text": draw(texts), "who": draw(texts)}], draw(words): draw(json_values)},
                extra=(draw(words),),
                zero_now_s=draw(floats),
                boot=draw(words),
            )
        )
        for sample, cells in draw(samples()):
            said = records(draw, sample.time_s)
            does.append(partial(Ledger.append, batch=number + 1, sample=sample, records=said, extra=cells))
        deed = Deed(number + 1, UTC_0, draw(maybe), draw(texts), draw(texts), "page")
        does.append(partial(put_deed, deed=deed))
        if draw(st.booleans()):
            does.append(
                partial(Ledger.close_batch, batch=number + 1, closed_utc=UTC_0 + timedelta(days=number, hours=3))
            )
    does.append(partial(Ledger.set_fact, name="oven_learnt", value=draw(texts)))
    return does


def files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def same_rows(one: Ledger, other: Ledger) -> None:
    """Not only the same files: the same rows, so nothing was lost on the way out either."""
    assert [row.name for row in other.batches()] == [row.name for row in one.batches()]
    for row in one.batches():
        there = other.batch(row.id)
        for name in ("notes", "pieces", "header", "extra", "book", "opened_utc", "zero_now_s", "boot"):
            assert getattr(there, name) == getattr(row, name), name
        assert list(other.rows(row.id)) == list(one.rows(row.id))
        assert [s.line for s in other.records(row.id)] == [s.line for s in one.records(row.id)]
        assert deeds(other, row.id) == deeds(one, row.id)
    assert lots(other) == lots(one)
    for lot in lots(one):
        assert lot_events(other, lot.name) == lot_events(one, lot.name)
    assert snapshots(other) == snapshots(one)
    assert other.fact("oven_learnt") == one.fact("oven_learnt")


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(fillings())
def test_whatever_a_ledger_holds_comes_through(does: list[Callable[[Ledger], object]]) -> None:
    with tempfile.TemporaryDirectory() as temporary, ExitStack() as ends:
        folder = Path(temporary)
        ledger, other = (Ledger.open(folder / name, SMALL) for name in ("ledger.db", "other.db"))
        for opened in (ledger, other):
            ends.callback(opened.close)
        for do in does:
            do(ledger)
        assert ledger.flush()
        export_everything(ledger, folder / "one")
        import_everything(other, folder / "one")
        assert other.flush()
        export_everything(other, folder / "two")
        assert files(folder / "one") == files(folder / "two")
        same_rows(ledger, other)

"""The ledger: everything the station keeps of its batches, in one SQLite file that one thread writes.

`Ledger.append` takes a sample with the records it gave and returns at once; both are visible to readers from then on
and on the card within `commit_s` of sample time, at once when a record or a mark is in it (forecasts may wait). Records
bear numbers of one rising sequence, by which every outlet keeps its own place.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from lastbubble.context import Context, context_header
from lastbubble.errors import LastbubbleError
from lastbubble.ledger.card import LedgerSettings
from lastbubble.ledger.health import Health
from lastbubble.ledger.reader import Reader
from lastbubble.ledger.rows import (
    BATCH_COLUMNS,
    ESTIMATE_COLUMNS,
    BatchRow,
    StoredRecord,
    batch_values,
    estimate_values,
    record_values,
    sample_values,
    utc_text,
)
from lastbubble.ledger.schema import SAMPLE_COLUMNS, LedgerRefused
from lastbubble.ledger.writer import Op, Writer
from lastbubble.records import Forecast, Outlook, Record, Sample, record_line

__all__ = ["BatchRow", "Health", "Ledger", "LedgerRefused", "LedgerSettings", "Reader", "StoredRecord", "read_batches"]

log = logging.getLogger("lastbubble.ledger")


def _insert(table: str, columns: Sequence[str], verb: str = "INSERT") -> str:
    return f"{verb} INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"


# What was once kept is never written over: a batch changes only as itself (same id *and* same begin).
_PUT_BATCH: Final = (
    f"{_insert('batches', BATCH_COLUMNS)} ON CONFLICT (id) DO UPDATE SET "
    f"{', '.join(f'{name} = excluded.{name}' for name in BATCH_COLUMNS[3:])}, name = excluded.name "
    "WHERE batches.opened_utc = excluded.opened_utc"
)
_PUT_SAMPLE: Final = _insert("samples", ("batch", *SAMPLE_COLUMNS))
_PUT_ESTIMATE: Final = _insert("estimates", ("batch", "time_s", *ESTIMATE_COLUMNS), "INSERT OR REPLACE")
_PUT_RECORD: Final = _insert("records", ("seq", "batch", "t", "kind", "line"))
_PUT_CURSOR: Final = _insert("cursors", ("outlet", "seq"), "INSERT OR REPLACE")
_PUT_FACT: Final = _insert("facts", ("name", "value"), "INSERT OR REPLACE")
_REMOVE: Final = (
    "DELETE FROM deliveries WHERE notice IN (SELECT id FROM notices WHERE batch = ?)",
    *(f"DELETE FROM {table} WHERE batch = ?" for table in ("notices", "samples", "estimates", "records", "deeds")),
    "DELETE FROM batches WHERE id = ?",
)
_AT: Final = "UPDATE batches SET last_time_s = ?, last_utc = ? WHERE id = ?"


class Ledger(Reader):
    """The one ledger of a running service; `Ledger.open(path)`, and `close()` at the end.

    All methods may be called from any thread. A card that fails is told through `on_health` (from the writer's thread)
    and `health`, never by an exception: see `writer`.
    """

    def __init__(self, path: Path, settings: LedgerSettings, on_health: Callable[[Health], None] | None = None) -> None:
        self._settings = settings
        self._state = threading.Condition()
        self._cursors: dict[str, int] = {}
        self._dirty: set[str] = set()
        self._places: dict[int, tuple[float, str]] = {}
        self._unplaced: set[int] = set()
        self._on_the_way: tuple[dict[str, int], dict[int, tuple[float, str]]] = ({}, {})
        self._estimate_due: dict[int, float] = {}
        self._rows: dict[int, BatchRow] = {}
        self._latest: tuple[int, Sample, Outlook | None] | None = None
        self._news = 0
        self._writer = Writer(path, settings, self, on_health)
        super().__init__(path, self._writer.waiting, must_exist=False)
        self._seq = super().last_seq()
        self._last_id = max(
            (row[0] for row in self.query("SELECT seq FROM sqlite_sequence WHERE name='batches'")), default=0
        )
        self._writer.start()

    @classmethod
    def open(
        cls,
        path: Path | str,
        settings: LedgerSettings | None = None,
        on_health: Callable[[Health], None] | None = None,
    ) -> Ledger:
        """Open for writing: create, check, bring to this version, or put a damaged one aside and begin anew.

        Raises LedgerRefused when the file is another program's, a newer version's, in use, or in no place to write.
        """
        return cls(Path(path), settings or LedgerSettings(), on_health)

    @property
    def health(self) -> Health:
        return self._writer.health

    # -- batches -----------------------------------------------------------------------------------------------

    def open_batch(
        self,
        context: Context,
        *,
        opened_utc: datetime,
        name: str = "",
        notes: str = "",
        pieces: Sequence[Mapping[str, Any]] = (),
        book: Mapping[str, Any] | None = None,
        header: Mapping[str, str] | None = None,
        extra: Sequence[str] = (),
        zero_now_s: float = 0.0,
        boot: str = "",
        source: str = "live",
    ) -> int:
        """Begin a batch; returns its id. Other batches that are open stay so: close them first.

        header : what the log's head holds beside the context;  extra : columns of an imported log that are not ours
        """
        with self._state:
            self._last_id += 1
            row = BatchRow(
                id=self._last_id,
                name=name,
                source=source,
                opened_utc=opened_utc,
                closed_utc=None,
                header={**(header or {}), **context_header(context)},
                pieces=[dict(piece) for piece in pieces],
                book=dict(book or {}),
                notes=notes,
                extra=tuple(extra),
                zero_now_s=zero_now_s,
                boot=boot,
            )
            self._put(row)
        return row.id

    def put_batch(self, row: BatchRow) -> int:
        """Take in a batch that another ledger kept; its number where that is free, else a new one. Returns it.

        Its `source` must not be "live": what happened elsewhere is no news for broker and phone. ValueError else.
        """
        if row.source == "live":
            raise ValueError("a batch that is taken in is not live")
        taken = {other.id for other in self.batches()}
        with self._state:
            taken |= set(self._rows)
            number = row.id if row.id > 0 and row.id not in taken else max(self._last_id, *taken, 0) + 1
            self._last_id = max(self._last_id, number)
            self._put(replace(row, id=number))
        return number

    def put_estimates(self, batch: int, rows: Iterable[Sequence[float | None]]) -> None:
        """Take in estimates, each (time_s, *ESTIMATE_COLUMNS)."""
        self._writer.add([Op(_PUT_ESTIMATE, (batch, *row)) for row in rows])

    def change_batch(self, batch: int, **changes: Any) -> BatchRow:
        """Set `name`, `notes`, `pieces`, `book` or `header` of a batch; returns it as it is now.

        Raises LastbubbleError when there is no such batch, TypeError for another field.
        """
        allowed = {"name", "notes", "pieces", "book", "header"}
        if not set(changes) <= allowed:
            raise TypeError(f"{', '.join(set(changes) - allowed)} cannot be changed; allowed: {', '.join(allowed)}")
        return self._change(batch, **changes)

    def close_batch(self, batch: int, closed_utc: datetime) -> None:
        """The batch is over. Raises LastbubbleError when there is no such batch."""
        self._change(batch, closed_utc=closed_utc)

    def remove_batch(self, batch: int) -> None:
        """Take a closed batch out of the ledger for good: samples, estimates, records, notices.

        Raises LastbubbleError when there is no such batch or it is still open.
        """
        row = self.batch(batch)
        if row.closed_utc is None:
            raise LastbubbleError(f"batch {batch} is open; close it first")
        with self._state:
            self._rows.pop(batch, None)
            self._places.pop(batch, None)
            self._unplaced.discard(batch)
            ops = [Op(sql, (batch,)) for sql in _REMOVE]
            self._writer.add(ops, urgent=True)

    def set_zero(self, batch: int, zero_now_s: float, boot: str) -> None:
        """Bench time at the batch's zero, found anew after a restart [s]."""
        self._change(batch, zero_now_s=zero_now_s, boot=boot)

    def batch(self, batch: int) -> BatchRow:
        with self._state:
            if batch in self._rows:
                return self._placed(self._rows[batch])
        return super().batch(batch)

    def batches(self) -> list[BatchRow]:
        stored = {row.id: row for row in super().batches()}
        with self._state:
            stored.update({row.id: self._placed(row) for row in self._rows.values()})
        return [stored[id_] for id_ in sorted(stored)]

    def open_batch_row(self) -> BatchRow | None:
        with self._state:
            known = {row.id: self._placed(row) for row in self._rows.values()}
        stored = super().open_batch_row()
        if stored is not None and stored.id not in known:
            known[stored.id] = stored
        found = [row for row in known.values() if row.closed_utc is None and row.source == "live"]
        return max(found, key=lambda row: row.id) if found else None

    def _imported(self) -> set[int]:
        with self._state:
            own = {row.id for row in self._rows.values() if row.source != "live"}
        return super()._imported() | own

    def _placed(self, row: BatchRow) -> BatchRow:
        place = self._places.get(row.id)
        if place is None:
            return row
        utc = datetime.fromisoformat(place[1]) if place[1] else row.last_utc
        return replace(row, last_time_s=place[0], last_utc=utc)

    def _change(self, batch: int, **changes: Any) -> BatchRow:
        row = self.batch(batch)
        with self._state:
            row = replace(self._placed(self._rows.get(batch, row)), **changes)
            self._put(row)
        return row

    def _put(self, row: BatchRow) -> None:
        self._rows[row.id] = row
        self._writer.add([Op(_PUT_BATCH, batch_values(row))], urgent=True)

    # -- the stream --------------------------------------------------------------------------------------------

    def append(
        self,
        batch: int,
        sample: Sample,
        records: Sequence[Record] = (),
        outlook: Outlook | None = None,
        *,
        utc: datetime | None = None,
        extra: Sequence[str] = (),
        wait_s: float = 2.0,
    ) -> None:
        """Keep one sample and what it gave.

        utc : wall time of the sample (a label);  extra : its cells of columns that are not ours
        wait_s : real time to wait at most when memory is full, and then only once until it has room again [s]
        """
        self._writer.wait_for_room(wait_s)
        values = sample_values(batch, sample, extra)
        ops = [Op(_PUT_SAMPLE, values, "sample", (batch, sample, tuple(extra)), sample.time_s)]
        with self._state:
            if outlook is not None and sample.time_s >= self._estimate_due.get(batch, float("-inf")):
                self._estimate_due[batch] = sample.time_s + self._settings.estimate_every_s
                ops.append(Op(_PUT_ESTIMATE, estimate_values(batch, outlook)))
            ops += self._record_ops(batch, records)
            self._places[batch] = (sample.time_s, utc_text(utc))
            self._unplaced.add(batch)
            self._latest = (batch, sample, outlook)
            self._news += 1
            urgent = bool(sample.marks or sample.trip) or any(not isinstance(record, Forecast) for record in records)
            self._writer.add(ops, urgent=urgent)
            self._state.notify_all()

    def append_records(self, batch: int, time_s: float, records: Sequence[Record]) -> None:
        """Records without a new sample (a restart's replay went further than the ledger), said at `time_s` [s]."""
        del time_s  # each record tells its own moment
        with self._state:
            self._writer.add(self._record_ops(batch, records), urgent=True)
            self._news += 1
            self._state.notify_all()

    def _record_ops(self, batch: int, records: Iterable[Record]) -> list[Op]:
        ops = []
        for record in records:
            self._seq += 1
            stored = StoredRecord(self._seq, batch, record_line(record))
            ops.append(Op(_PUT_RECORD, record_values(self._seq, batch, record), "record", stored))
        return ops

    def last_seq(self) -> int:
        return self._seq

    @property
    def latest(self) -> tuple[int, Sample, Outlook | None] | None:
        """Batch, sample and outlook handed in last (also when the card refuses), or None."""
        return self._latest

    @property
    def news(self) -> int:
        """A number that grows with everything handed in; for `wait_for_news`."""
        return self._news

    def wait_for_news(self, seen: int, timeout_s: float) -> int:
        """Wait until `news` is beyond `seen`, at most `timeout_s` of real time [s]; returns `news`."""
        with self._state:
            self._state.wait_for(lambda: self._news > seen, timeout_s)
            return self._news

    def nudge(self) -> None:
        """Wake whoever waits for news, without any."""
        with self._state:
            self._news += 1
            self._state.notify_all()

    # -- what outlets keep ---------------------------------------------------------------------------------------

    def cursor(self, outlet: str) -> int:
        with self._state:
            if outlet in self._cursors:
                return self._cursors[outlet]
        return super().cursor(outlet)

    def set_cursor(self, outlet: str, seq: int) -> None:
        """This outlet has told everything up to `seq`. On the card with the next group, never before its records."""
        with self._state:
            self._cursors[outlet] = seq
            self._dirty.add(outlet)

    def fact(self, name: str) -> str:
        """A small text that was kept under this name, "" if none."""
        rows = self.query("SELECT value FROM facts WHERE name = ?", (name,))
        return str(rows[0][0]) if rows else ""

    def set_fact(self, name: str, value: str) -> None:
        self.execute(_PUT_FACT, (name, value))

    def execute(self, sql: str, values: Sequence[Any] = (), *, urgent: bool = True) -> None:
        """Hand in a write to the outlets' own tables (`notices`, `deliveries`, `facts`)."""
        self._writer.add([Op(sql, tuple(values))], urgent=urgent)

    def flush(self, timeout_s: float = 20.0) -> bool:
        """Have everything handed in so far on the card; False when that did not happen in time [s]."""
        return self._writer.flush(timeout_s)

    def close(self) -> None:
        """Commit what can be committed and let the file go; what stays behind is logged."""
        # Readers first: the last connection to close must be one that may tidy up the write-ahead log.
        super().close()
        if not self._writer.close():
            log.error("event=ledger_closed_with_rest health=%s", self.health.cause or "slow")
        super().close()

    # -- called by the writer ------------------------------------------------------------------------------------

    def late_ops(self) -> list[Op]:
        """Small states that only their newest value matters of: written with each group, not queued."""
        with self._state:
            cursors = {outlet: self._cursors[outlet] for outlet in self._dirty}
            places = {batch: self._places[batch] for batch in self._unplaced}
        self._on_the_way = (cursors, places)
        ops = [Op(_PUT_CURSOR, (outlet, seq)) for outlet, seq in cursors.items()]
        return ops + [Op(_AT, (time_s, utc, batch)) for batch, (time_s, utc) in places.items()]

    def committed(self, *, with_late: bool) -> None:
        if not with_late:
            return
        with self._state:
            cursors, places = self._on_the_way
            self._dirty -= {outlet for outlet, seq in cursors.items() if self._cursors[outlet] == seq}
            self._unplaced -= {batch for batch, place in places.items() if self._places[batch] == place}

    def new_file_ops(self) -> list[Op]:
        """What a new file must hold of the old one: the batches of this run that are open, and the cursors."""
        with self._state:
            rows = [self._placed(row) for row in self._rows.values() if row.closed_utc is None]
            self._dirty |= set(self._cursors)
            return [Op(_PUT_BATCH, batch_values(row)) for row in rows]


def read_batches(path: Path | str) -> list[dict[str, Any]]:
    """All batches of a ledger file as plain rows, for a command; open ones have `closed_utc` "".

    Raises LastbubbleError when there is no ledger or it cannot be read.
    """
    reader = Reader(Path(path))
    try:
        return [
            {
                "id": row.id,
                "name": row.name,
                "source": row.source,
                "opened_utc": utc_text(row.opened_utc),
                "closed_utc": utc_text(row.closed_utc),
                "last_time_s": row.last_time_s,
                "material": row.header.get("material", ""),
                "pieces": row.pieces,
                "notes": row.notes,
            }
            for row in reader.batches()
        ]
    finally:
        reader.close()

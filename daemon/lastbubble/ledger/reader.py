"""Reading the ledger: short page-wise reads on connections of their own, so that no reader holds up the writer.

A generator gives its connection back between two pages. What the writer still has in memory comes after what the file
holds, so a reader misses nothing while a card refuses to be written.
"""

from __future__ import annotations

import json
import logging
import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from lastbubble.errors import LastbubbleError
from lastbubble.ledger import schema
from lastbubble.ledger.rows import (
    BATCH_COLUMNS,
    ESTIMATE_COLUMNS,
    BatchRow,
    StoredRecord,
    batch_from,
    sample_from,
)
from lastbubble.ledger.schema import SAMPLE_COLUMNS
from lastbubble.records import Sample

__all__ = ["Reader"]

log = logging.getLogger("lastbubble.ledger")

#: Rows read at once: a longer read would hold the interpreter and the write-ahead log.
PAGE: Final = 2000
_SPARE: Final = 4
_SAMPLE_SQL: Final = (
    f"SELECT {', '.join(SAMPLE_COLUMNS)} FROM samples WHERE batch = ? AND time_s > ? ORDER BY time_s LIMIT {PAGE}"
)
_BATCH_SQL: Final = f"SELECT {', '.join(BATCH_COLUMNS)} FROM batches"

#: What waits in memory: kind ("sample", "record") -> payloads (batch, sample, extra cells) or StoredRecord.
Waiting = Callable[[str], list[Any]]


def _none_waits(_: str) -> list[Any]:
    return []


class Reader:
    """Reads one ledger file; safe from any thread. `close` when done.

    Raises LastbubbleError when the file cannot be read (absent, no rights, damaged), saying so.
    """

    def __init__(self, path: Path, waiting: Waiting = _none_waits, *, must_exist: bool = True) -> None:
        self.path = path
        self._waiting = waiting
        self._spare: list[sqlite3.Connection] = []
        self._spare_lock = threading.Lock()
        self._may_lack = not must_exist
        self._told = ""
        self._identity: tuple[int, int] | None = None
        if must_exist:
            if not path.is_file():
                raise LastbubbleError(f"{path}: there is no ledger; check the settings' ledger path")
            link = self._connect()
            damage = schema.judge(link, path, thorough=False)
            self._give_back(link)
            if damage:
                raise LastbubbleError(
                    f"{path}: the ledger is damaged ({damage}); start the service, it begins a new one"
                )

    def close(self) -> None:
        with self._spare_lock:
            for link in self._spare:
                link.close()
            self._spare.clear()

    # -- connections -------------------------------------------------------------------------------------------

    def _connect(self) -> sqlite3.Connection:
        try:
            return schema.connect(self.path, write=False)
        except sqlite3.OperationalError as exc:
            try:
                return schema.connect_still(self.path)
            except sqlite3.Error:
                raise LastbubbleError(f"{self.path}: the ledger cannot be read ({exc}); check your rights") from exc
        except sqlite3.DatabaseError as exc:
            raise LastbubbleError(f"{self.path}: the ledger cannot be read ({exc})") from exc

    def _give_back(self, link: sqlite3.Connection) -> None:
        with self._spare_lock:
            if len(self._spare) < _SPARE:
                self._spare.append(link)
                return
        link.close()

    def _current(self) -> bool:
        """Whether the spare connections are of the file that bears the name now (a damaged one is put aside)."""
        try:
            told = self.path.stat()
        except OSError:
            return True
        identity = (told.st_dev, told.st_ino)
        same = self._identity in (None, identity)
        self._identity = identity
        return same

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        if not self._current():
            self.close()
        with self._spare_lock:
            link = self._spare.pop() if self._spare else None
        if link is None:
            link = self._connect()
        try:
            yield link
        except BaseException:
            link.close()
            raise
        self._give_back(link)

    def query(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """All rows of one short query; none where a writer runs without a file that can be read."""
        try:
            with self._reading() as link:
                return link.execute(sql, values).fetchall()
        except (sqlite3.Error, LastbubbleError) as exc:
            if self._may_lack:
                if str(exc) != self._told:
                    self._told = str(exc)
                    log.warning("event=ledger_read finding=%r", str(exc))
                return []
            raise LastbubbleError(f"{self.path}: the ledger cannot be read ({exc})") from exc

    # -- batches -----------------------------------------------------------------------------------------------

    def batches(self) -> list[BatchRow]:
        """All batches, oldest first."""
        return [batch_from(row) for row in self.query(f"{_BATCH_SQL} ORDER BY id")]

    def batch(self, batch: int) -> BatchRow:
        """One batch. Raises LastbubbleError, naming those that there are, when it is not in the ledger."""
        rows = self.query(f"{_BATCH_SQL} WHERE id = ?", (batch,))
        if not rows:
            known = ", ".join(str(row[0]) for row in self.query("SELECT id FROM batches ORDER BY id DESC LIMIT 10"))
            raise LastbubbleError(f"batch {batch} is not in the ledger; the latest are: {known or 'none yet'}")
        return batch_from(rows[0])

    def open_batch_row(self) -> BatchRow | None:
        """The batch that is open (the latest, should there be several), or None."""
        rows = self.query(f"{_BATCH_SQL} WHERE closed_utc = '' AND source = 'live' ORDER BY id DESC LIMIT 1")
        return batch_from(rows[0]) if rows else None

    # -- samples -----------------------------------------------------------------------------------------------

    def rows(
        self, batch: int, after_s: float = float("-inf"), until_s: float = float("inf")
    ) -> Iterator[tuple[Sample, tuple[str, ...]]]:
        """Samples after `after_s` up to `until_s` [s] by rising time, each with its cells of columns not ours."""
        at = after_s
        while True:
            waiting = [row for row in self._waiting("sample") if row[0] == batch]
            page = self.query(_SAMPLE_SQL, (batch, at))
            for values in page:
                if values[0] > until_s:
                    return
                yield sample_from(values), _cells(values[-1])
            if len(page) < PAGE:
                at = page[-1][0] if page else at
                for _, sample, extra in waiting:
                    if at < sample.time_s <= until_s:
                        yield sample, extra
                return
            at = page[-1][0]

    def samples(self, batch: int, after_s: float = float("-inf"), until_s: float = float("inf")) -> Iterator[Sample]:
        """As `rows`, samples only."""
        return (sample for sample, _ in self.rows(batch, after_s, until_s))

    def estimates(self, batch: int, after_s: float = float("-inf")) -> list[tuple[float, ...]]:
        """Rows (time_s, *ESTIMATE_COLUMNS) of what the models made of the batch, None where they said nothing."""
        columns = ", ".join(ESTIMATE_COLUMNS)
        return self.query(
            f"SELECT time_s, {columns} FROM estimates WHERE batch = ? AND time_s > ? ORDER BY time_s", (batch, after_s)
        )

    # -- records -----------------------------------------------------------------------------------------------

    def records_after(self, seq: int, limit: int = 500, *, live_only: bool = True) -> list[StoredRecord]:
        """The next records of the one rising sequence, at most `limit`; imported batches are not news."""
        waiting: list[StoredRecord] = self._waiting("record")
        where = "AND batch NOT IN (SELECT id FROM batches WHERE source != 'live')" if live_only else ""
        found = [
            StoredRecord(*row)
            for row in self.query(
                f"SELECT seq, batch, line FROM records WHERE seq > ? {where} ORDER BY seq LIMIT ?", (seq, limit)
            )
        ]
        if len(found) < limit:
            last = found[-1].seq if found else seq
            newer = [row for row in waiting if row.seq > last]
            hidden = self._imported() if newer and live_only else set()
            found += [row for row in newer if row.batch not in hidden][: limit - len(found)]
        return found

    def _imported(self) -> set[int]:
        return {row[0] for row in self.query("SELECT id FROM batches WHERE source != 'live'")}

    def records(self, batch: int, after_seq: int = 0) -> Iterator[StoredRecord]:
        """All records of one batch, in the order in which they were said."""
        at = after_seq
        while True:
            waiting = [row for row in self._waiting("record") if row.batch == batch]
            page = self.query(
                f"SELECT seq, batch, line FROM records WHERE batch = ? AND seq > ? ORDER BY seq LIMIT {PAGE}",
                (batch, at),
            )
            for row in page:
                yield StoredRecord(*row)
                at = row[0]
            if len(page) < PAGE:
                yield from (row for row in waiting if row.seq > at)
                return

    def record_count(self, batch: int) -> int:
        """How many records this batch has."""
        rows = self.query("SELECT count(*), coalesce(max(seq), 0) FROM records WHERE batch = ?", (batch,))
        stored, last = rows[0] if rows else (0, 0)
        waiting: list[StoredRecord] = self._waiting("record")
        return int(stored) + sum(1 for row in waiting if row.batch == batch and row.seq > last)

    def last_seq(self) -> int:
        """The greatest record number given so far (0 before the first)."""
        rows = self.query("SELECT seq FROM sqlite_sequence WHERE name = 'records'")
        return int(rows[0][0]) if rows else 0

    def cursor(self, outlet: str) -> int:
        """Up to which record this outlet has told everything (0: nothing yet)."""
        rows = self.query("SELECT seq FROM cursors WHERE outlet = ?", (outlet,))
        return int(rows[0][0]) if rows else 0

    def backup(self, target: Path) -> None:
        """A consistent copy of the file, also while it is being written. Raises LastbubbleError when that fails."""
        try:
            with self._reading() as link:
                copy = sqlite3.connect(target)
                try:
                    link.backup(copy, pages=1024)
                finally:
                    copy.close()
        except sqlite3.Error as exc:
            raise LastbubbleError(f"{target}: the copy failed ({exc}); check the folder and the room") from exc


def _cells(text: str | None) -> tuple[str, ...]:
    return tuple(json.loads(text)) if text else ()

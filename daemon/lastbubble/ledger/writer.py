"""The one thread that writes the ledger, and the memory that holds what is not on the card yet.

What is handed in is in memory at once, in order, and readers see it there; the thread commits it in groups: after at
most `commit_s` of sample time, and without delay when something in it is urgent. A commit that fails changes nothing:
the group stays in memory and is tried again, so a card that is full, read-only or slow costs no sample until the
memory's bound is reached, and then the oldest plain samples first. What is wrong is told through `on_health`, once a
change.
"""

from __future__ import annotations

import contextlib
import logging
import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Any, Final, Literal, Protocol

from lastbubble.clock import RealClock
from lastbubble.errors import LastbubbleError
from lastbubble.ledger import schema
from lastbubble.ledger.card import Card, LedgerSettings
from lastbubble.ledger.health import Health, cause_of, sentence

__all__ = ["Op", "Owner", "Writer"]

log = logging.getLogger("lastbubble.ledger")

#: Seconds between two tries while the card refuses; grows by doubling.
_RETRY_S: Final = (1.0, 30.0)
#: Rows in one transaction at most, so that no reader of the write-ahead log waits long.
_GROUP: Final = 5000
#: One commit that takes longer than this is told [s].
_SLOW_S: Final = 20.0
#: What no retry mends: one row that cannot be written at all must not hold up the others.
_POISON: Final = (
    sqlite3.IntegrityError,
    sqlite3.ProgrammingError,
    sqlite3.InterfaceError,
    sqlite3.DataError,
    OverflowError,
    ValueError,
    TypeError,
)


@dataclass(frozen=True, slots=True)
class Op:
    """One write. `payload` is what readers get while it is still in memory.

    kind : sample rows may be given up or held back when there is no room; other rows never
    time_s : sample time, for the group's age
    """

    sql: str
    values: tuple[Any, ...]
    kind: Literal["sample", "record", "other"] = "other"
    payload: Any = None
    time_s: float | None = None


class Owner(Protocol):
    """Whose thread this is; all three are called from it, without any lock held."""

    def late_ops(self) -> list[Op]:
        """Writes that belong to whatever group comes next."""
        ...

    def committed(self, *, with_late: bool) -> None:
        """A group is on the card, the late writes with it or not."""
        ...

    def new_file_ops(self) -> list[Op]:
        """What a new, empty file must hold, after a damaged one was put aside."""
        ...


class Writer:
    """See the module. `start` before use; every method may be called from any thread.

    Raises LedgerRefused for a file that is not ours to write (in use, a newer schema, something else).
    """

    def __init__(
        self, path: Path, settings: LedgerSettings, owner: Owner, on_health: Callable[[Health], None] | None = None
    ) -> None:
        self._settings = settings
        self._owner = owner
        self._on_health = on_health
        self._real = RealClock()
        self._cond = threading.Condition()
        self._ops: deque[Op] = deque()
        self._samples_waiting = 0
        self._urgent = False
        self._first_s: float | None = None
        self._last_s: float | None = None
        self._commit_began_s: float | None = None
        self._stop = False
        self._patient = True
        self._rounds = 0
        self._lost = 0
        self._health = Health()
        self._card = Card(path, settings)
        self._link: sqlite3.Connection | None = None
        try:
            self._link = self._card.open()
        except sqlite3.Error as exc:
            self._tell(cause_of(exc), str(exc))
        except BaseException:
            self._card.release()
            raise
        else:
            self._card.keep_ballast()
        self._thread = threading.Thread(target=self._run, name="ledger", daemon=True)

    def start(self) -> None:
        if self._card.aside and self._health.well:
            self._tell("damaged", f"put aside as {self._card.aside}")
        self._thread.start()

    # -- handing in --------------------------------------------------------------------------------------------

    @property
    def health(self) -> Health:
        with self._cond:
            return replace(self._health, waiting=len(self._ops), lost=self._lost)

    def wait_for_room(self, wait_s: float) -> None:
        """Wait up to `wait_s` of real time while memory is full; after a vain wait not again until it is empty [s]."""
        with self._cond:
            if self._samples_waiting >= self._settings.ram_samples and self._patient and wait_s > 0:
                self._urgent = True
                self._cond.notify_all()
                self._patient = self._cond.wait_for(
                    lambda: self._samples_waiting < self._settings.ram_samples or self._stop, wait_s
                )

    def add(self, ops: Iterable[Op], *, urgent: bool = False) -> None:
        """Hand in writes, kept in this order; never waits."""
        with self._cond:
            for op in ops:
                self._ops.append(op)
                if op.kind == "sample":
                    self._samples_waiting += 1
                if op.time_s is not None:
                    self._first_s = op.time_s if self._first_s is None else self._first_s
                    self._last_s = op.time_s
            while self._samples_waiting > self._settings.ram_samples:
                self._give_up_oldest()
            self._urgent = self._urgent or urgent
            if self._due():
                self._cond.notify_all()
            began_s = self._commit_began_s
        if began_s is not None and self._health.well and self._real.now() - began_s > _SLOW_S:
            self._tell("slow", f"{self._samples_waiting} samples wait")

    def _give_up_oldest(self) -> None:
        # A sample with a mark or a trip is the batch's story; a plain one among many is not missed as much.
        of_samples = [place for place, op in enumerate(islice(self._ops, 1000)) if op.kind == "sample"]
        if not of_samples:
            of_samples = [place for place, op in enumerate(self._ops) if op.kind == "sample"]
        plain = [place for place in of_samples if not _tells(self._ops[place])]
        del self._ops[(plain or of_samples)[0]]
        self._samples_waiting -= 1
        self._lost += 1

    def _due(self) -> bool:
        if self._stop or self._urgent:
            return True
        if self._first_s is None or self._last_s is None:
            return False
        return self._last_s - self._first_s >= self._settings.commit_s

    def waiting(self, kind: str) -> list[Any]:
        """The payloads of this kind that are in memory only, in order."""
        with self._cond:
            return [op.payload for op in self._ops if op.kind == kind]

    def flush(self, timeout_s: float) -> bool:
        """Have everything handed in so far committed; False when that did not happen in time [s]."""
        with self._cond:
            last = self._ops[-1] if self._ops else None
            # A round that is on its way began before this call: late writes need one more.
            rounds = self._rounds + (2 if self._commit_began_s is not None else 1)
            self._urgent = True
            self._cond.notify_all()
            return self._cond.wait_for(
                lambda: self._commits_reach(rounds) and (last is None or all(op is not last for op in self._ops)),
                timeout_s,
            )

    def _commits_reach(self, rounds: int) -> bool:
        if self._rounds < rounds:
            self._urgent = True
            self._cond.notify_all()
            return False
        return True

    def close(self, timeout_s: float = 20.0) -> bool:
        """Commit what can be committed and end; False when something stayed behind."""
        with self._cond:
            self._stop = True
            self._cond.notify_all()
        if self._thread.ident is None:
            self._shut()
        else:
            self._thread.join(timeout_s)
        self._card.release()
        return not self._ops

    # -- the thread --------------------------------------------------------------------------------------------

    def _run(self) -> None:
        wait_s = self._settings.commit_s
        retry_s = _RETRY_S[0]
        while True:
            with self._cond:
                # Real time: samples that stop coming are committed too.
                self._cond.wait_for(self._due, timeout=wait_s)
                stopping = self._stop
                self._urgent = False
                self._commit_began_s = self._real.now()
            done = self._try_commit(stopping)
            with self._cond:
                self._commit_began_s = None
            if stopping:
                if done and self._ops:
                    continue
                self._shut()
                return
            if done:
                wait_s, retry_s = self._settings.commit_s, _RETRY_S[0]
            else:
                with self._cond:
                    # While the card refuses, urgency does not help: wait, unless told to stop.
                    self._cond.wait_for(lambda: self._stop, timeout=retry_s)
                wait_s, retry_s = 0.0, min(_RETRY_S[1], retry_s * 2)

    def _try_commit(self, stopping: bool) -> bool:
        try:
            self._commit(stopping)
        except sqlite3.Error as exc:
            self._tell(cause_of(exc), str(exc))
            self._mend(exc)
        except (OSError, LastbubbleError) as exc:
            self._tell("io", str(exc))
        else:
            return True
        return False

    def _commit(self, stopping: bool) -> None:
        """One transaction of what waits. Raises sqlite3.Error when it did not get onto the card."""
        room_b = self._card.room_b()
        only_records = room_b < self._settings.least_room_b and not stopping
        late = self._owner.late_ops()
        with self._cond:
            source = (op for op in self._ops if op.kind != "sample") if only_records else self._ops
            chosen = list(islice(source, _GROUP + 1))
        with_late = len(chosen) <= _GROUP
        if not with_late:
            # An outlet's place may be that of a record in the rest.
            chosen, late = chosen[:_GROUP], []
        if self._link is None:
            self._link = self._card.open()
        if chosen or late:
            self._write(self._link, [*chosen, *late])
        with self._cond:
            self._take_out(chosen)
            held_back = only_records and self._samples_waiting > 0
            times = () if held_back else (op.time_s for op in self._ops if op.time_s is not None)
            self._first_s = next(iter(times), None)
            self._urgent = self._urgent or not with_late
            self._patient = self._patient or not self._ops
            self._rounds += 1
            self._cond.notify_all()
        self._owner.committed(with_late=with_late)
        if only_records:
            self._tell("no_room", f"{room_b // 1_000_000} MB free")
        elif room_b < self._settings.low_room_b:
            self._tell("low_room", f"{room_b // 1_000_000} MB free")
        elif not self._health.well:
            self._tell("", "")

    def _take_out(self, done: list[Op]) -> None:
        gone = set(map(id, done))
        # Written rows are the oldest, but for those held back and for samples given up while the commit ran.
        kept: list[Op] = []
        while self._ops and gone:
            op = self._ops.popleft()
            if id(op) in gone:
                gone.discard(id(op))
                self._samples_waiting -= op.kind == "sample"
            else:
                kept.append(op)
        self._ops.extendleft(reversed(kept))

    @staticmethod
    def _write(link: sqlite3.Connection, ops: list[Op]) -> None:
        link.execute("BEGIN IMMEDIATE")
        try:
            place = 0
            while place < len(ops):
                end = place + 1
                while end < len(ops) and ops[end].sql == ops[place].sql:
                    end += 1
                link.executemany(ops[place].sql, [op.values for op in ops[place:end]])
                place = end
            link.execute("COMMIT")
        except _POISON:
            link.execute("ROLLBACK")
            _write_singly(link, ops)
        except sqlite3.Error:
            with contextlib.suppress(sqlite3.Error):
                link.execute("ROLLBACK")
            raise

    def _mend(self, exc: sqlite3.Error) -> None:
        """What can be done about a failed commit before the next try."""
        code = getattr(exc, "sqlite_errorcode", 0) & 0xFF
        if code == sqlite3.SQLITE_FULL:
            self._card.drop_ballast()
            return
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return
        # A connection that has seen an I/O error or another file under its feet is not to be trusted.
        if self._link is not None:
            with contextlib.suppress(sqlite3.Error):
                self._link.close()
            self._link = None
        if schema.is_damage(exc):
            aside = self._card.aside
            try:
                self._link = self._card.open()
            except (sqlite3.Error, LastbubbleError) as again:
                log.error("event=ledger_not_mended finding=%r", str(again))
                return
            if self._card.aside != aside:
                again_ops = self._owner.new_file_ops()
                with self._cond:
                    self._ops.extendleft(reversed(again_ops))

    def _shut(self) -> None:
        if self._link is not None:
            self._card.close(self._link)
            self._link = None

    def _tell(self, cause: str, finding: str) -> None:
        before = self._health
        text = sentence(cause, finding, self._card.aside if hasattr(self, "_card") else "")
        self._health = Health(cause, text, len(self._ops), self._lost, self._card.aside)
        if before.cause == cause:
            return
        if cause:
            log.warning("event=ledger_unwell cause=%s finding=%r waiting=%d", cause, finding, len(self._ops))
        else:
            log.info("event=ledger_well lost=%d", self._lost)
        if self._on_health is not None:
            try:
                self._on_health(self._health)
            except Exception:  # whoever listens must not be able to stop the writing
                log.exception("event=ledger_health_listener")


def _write_singly(link: sqlite3.Connection, ops: list[Op]) -> None:
    """One transaction again, row by row, leaving out what the table refuses."""
    link.execute("BEGIN IMMEDIATE")
    try:
        for op in ops:
            try:
                link.execute(op.sql, op.values)
            except _POISON as exc:
                log.error("event=ledger_row_refused sql=%r values=%r finding=%r", op.sql, op.values, str(exc))
        link.execute("COMMIT")
    except sqlite3.Error:
        with contextlib.suppress(sqlite3.Error):
            link.execute("ROLLBACK")
        raise


def _tells(op: Op) -> bool:
    return bool(op.payload[1].marks or op.payload[1].trip)

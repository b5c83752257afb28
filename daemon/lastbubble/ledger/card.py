"""The ledger's file as the writer holds it: one owner, checked before use, put aside when damaged, with a ballast.

The ballast is a file of nothing beside the ledger. When the card is full it is given up, so that the records of the
hours that matter still find room.
"""

from __future__ import annotations

import contextlib
import fcntl
import logging
import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from lastbubble.ledger import schema
from lastbubble.ledger.schema import LedgerRefused

__all__ = ["Card", "LedgerSettings", "compact"]

log = logging.getLogger("lastbubble.ledger")


@dataclass(frozen=True, slots=True)
class LedgerSettings:
    """commit_s : sample time that a power cut may cost at most [s]
    estimate_every_s : one row of model estimates in this time [s];  ram_samples : waiting in memory at most
    low_room_b : free bytes below which the person is told;  least_room_b : below which only records are kept
    ballast_b : size of a file that is given up for the last records when the card is full
    check_always_b : ledgers up to this size are checked at every start, larger ones after an unclean end
    """

    commit_s: float = 5.0
    estimate_every_s: float = 10.0
    ram_samples: int = 6 * 3600
    low_room_b: int = 500_000_000
    least_room_b: int = 100_000_000
    ballast_b: int = 16 << 20
    check_always_b: int = 256 << 20


class Card:
    """Takes the file's lock at once; `open` gives a connection to a sound ledger of this version.

    Raises LedgerRefused when the file is not ours to write: in use, no place to write, another program's, newer.
    """

    def __init__(self, path: Path, settings: LedgerSettings) -> None:
        self.path = path
        self._settings = settings
        #: Where a damaged ledger was put; "" if none was.
        self.aside = ""
        self._lock_file = self._take()

    def _take(self) -> TextIO | None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            file = open(self.path.with_name(self.path.name + ".lock"), "a+", encoding="ascii")  # noqa: SIM115  # held
        except PermissionError as exc:
            raise LedgerRefused(
                f"{self.path}: the folder cannot be written ({exc.strerror}); run as the service's user, or give "
                "another place in the settings"
            ) from exc
        except (NotADirectoryError, FileExistsError) as exc:
            raise LedgerRefused(f"{self.path}: {exc.strerror}; give the ledger a place inside a folder") from exc
        except OSError as exc:
            # A full or read-only card: go on in memory; nobody else can write there either.
            log.warning("event=ledger_no_lock finding=%r", str(exc))
            return None
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as exc:
            file.seek(0)
            owner = file.read(20).strip()
            file.close()
            raise LedgerRefused(
                f"{self.path}: in use by another process{f' ({owner})' if owner else ''}, most likely the service; "
                "stop that first, or use another ledger"
            ) from exc
        with contextlib.suppress(OSError):  # the number is only for the message above
            file.truncate(0)
            file.write(str(os.getpid()))
            file.flush()
        return file

    def release(self) -> None:
        """Let others have the file."""
        if self._lock_file is not None:
            self._lock_file.close()
            self._lock_file = None

    def open(self) -> sqlite3.Connection:
        """A writing connection; a damaged file is put aside first.

        Raises sqlite3.Error when the card refuses, LedgerRefused when the file is not ours.
        """
        link, damage = self._judged()
        if damage:
            link = self._begin_anew(damage)
        assert link is not None
        try:
            schema.migrate(link)
            link.execute("INSERT OR REPLACE INTO facts VALUES ('ended', 'no')")
        except sqlite3.Error:
            link.close()
            raise
        return link

    def _judged(self) -> tuple[sqlite3.Connection | None, str]:
        link: sqlite3.Connection | None = None
        try:
            link = schema.connect(self.path, write=True)
            small = self.path.stat().st_size <= self._settings.check_always_b
            damage = schema.judge(link, self.path, thorough=small or not _ended_well(link))
        except (sqlite3.Error, LedgerRefused) as exc:
            if link is not None:
                link.close()
            if not (isinstance(exc, sqlite3.Error) and schema.is_damage(exc)):
                raise
            return None, str(exc)
        if damage:
            link.close()
        return link, damage

    def _begin_anew(self, damage: str) -> sqlite3.Connection:
        try:
            aside = schema.put_aside(self.path)
        except OSError as exc:
            raise sqlite3.OperationalError(f"the damaged ledger cannot be put aside: {exc.strerror}") from exc
        self.aside = str(aside)
        log.error("event=ledger_damaged aside=%s finding=%r", aside, damage)
        return schema.connect(self.path, write=True)

    def close(self, link: sqlite3.Connection) -> None:
        """Close a connection and note that the end was a clean one."""
        with contextlib.suppress(sqlite3.Error):
            link.execute("INSERT OR REPLACE INTO facts VALUES ('ended', 'well')")
        with contextlib.suppress(sqlite3.Error):
            link.close()

    # -- room --------------------------------------------------------------------------------------------------

    def room_b(self) -> int:
        """Free bytes for us; a great number where that cannot be known."""
        try:
            told = os.statvfs(self.path.parent)
        except OSError:
            return 1 << 62
        return told.f_bavail * told.f_frsize

    @property
    def _ballast(self) -> Path:
        return self.path.with_name(self.path.name + ".ballast")

    def keep_ballast(self) -> None:
        """Lay the ballast down where there is plenty of room and none lies yet."""
        size = self._settings.ballast_b
        if size == 0 or self._ballast.exists() or self.room_b() < self._settings.low_room_b + size:
            return
        try:
            with open(self._ballast, "wb") as file:
                os.posix_fallocate(file.fileno(), 0, size)
        except OSError as exc:
            with contextlib.suppress(OSError):
                self._ballast.unlink()
            log.warning("event=ledger_ballast finding=%r", str(exc))

    def drop_ballast(self) -> None:
        """Give the ballast's room to the ledger."""
        with contextlib.suppress(OSError):
            self._ballast.unlink()
            log.warning("event=ledger_ballast_given_up")


def compact(path: Path) -> int:
    """Give the room of removed rows back to the card; returns the bytes gained.

    Raises LedgerRefused when somebody writes the ledger, or there is not the room that compacting takes for a while.
    """
    card = Card(path, LedgerSettings())
    try:
        before = path.stat().st_size
        if card.room_b() < before:
            raise LedgerRefused(
                f"{path}: compacting needs {before // 1_000_000 + 1} MB for a while; the room of what was removed is "
                "used again all the same"
            )
        link = card.open()
        try:
            link.execute("VACUUM")
            link.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        finally:
            card.close(link)
        return before - path.stat().st_size
    except (sqlite3.Error, OSError) as exc:
        raise LedgerRefused(f"{path}: cannot be compacted ({exc})") from exc
    finally:
        card.release()


def _ended_well(link: sqlite3.Connection) -> bool:
    with contextlib.suppress(sqlite3.Error):
        row = link.execute("SELECT value FROM facts WHERE name = 'ended'").fetchone()
        return row is not None and row[0] == "well"
    return False

"""How the ledger is: the words for a card that is full, slow, read-only or damaged, and what to do about it."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Final

__all__ = ["Health", "cause_of", "sentence"]


@dataclass(frozen=True, slots=True)
class Health:
    """`cause` is "" when well, else one word; `text` is for the person, with the mend.

    cause : full | low_room | no_room | read_only | damaged | busy | io | slow
    waiting : rows in memory that are not on the card;  lost : samples given up since the start
    aside : where a damaged ledger was put, "" if none was
    """

    cause: str = ""
    text: str = ""
    waiting: int = 0
    lost: int = 0
    aside: str = ""

    @property
    def well(self) -> bool:
        return self.cause == ""


_SENTENCES: Final = {
    "full": "the card is full: everything is kept in memory; delete old files, or export and remove old batches "
    "('lastbubble log export', 'lastbubble log remove')",
    "low_room": "little room is left on the card; delete old files, or export and remove old batches "
    "('lastbubble log export', 'lastbubble log remove')",
    "no_room": "hardly any room is left on the card: samples are kept in memory only; delete old files",
    "read_only": "the card cannot be written (did it go read-only?): everything is kept in memory; check the card, "
    "save what you need and restart the machine",
    "damaged": "the ledger is damaged: it is put aside and a new one begun",
    "busy": "another program holds the ledger: everything is kept in memory until it lets go",
    "io": "the card answers with errors: everything is kept in memory; copy the ledger away and replace the card",
    "slow": "the card is slow: samples wait in memory",
}

_CAUSES: Final = {
    sqlite3.SQLITE_FULL: "full",
    sqlite3.SQLITE_READONLY: "read_only",
    sqlite3.SQLITE_CANTOPEN: "read_only",
    sqlite3.SQLITE_PERM: "read_only",
    sqlite3.SQLITE_CORRUPT: "damaged",
    sqlite3.SQLITE_NOTADB: "damaged",
    sqlite3.SQLITE_BUSY: "busy",
    sqlite3.SQLITE_LOCKED: "busy",
}


def sentence(cause: str, finding: str, aside: str) -> str:
    """The text of a `Health`."""
    if cause:
        return f"{_SENTENCES[cause]} ({finding})"
    return f"the ledger was damaged; it was put aside as {aside} and a new one begun" if aside else ""


def cause_of(exc: sqlite3.Error) -> str:
    """The word for a failed commit."""
    return _CAUSES.get(getattr(exc, "sqlite_errorcode", 0) & 0xFF, "io")

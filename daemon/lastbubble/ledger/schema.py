"""The ledger's tables, how they grew, and how a file is opened, judged and put aside.

A schema change is a new row of `MIGRATIONS`, never an edit of an old one: a ledger of any earlier version becomes one
of this version by the rows it has not had yet, each in a transaction of its own.
"""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path
from typing import Final
from urllib.parse import quote

from lastbubble.errors import LastbubbleError

__all__ = [
    "APPLICATION_ID",
    "MIGRATIONS",
    "SAMPLE_COLUMNS",
    "SCHEMA_VERSION",
    "LedgerRefused",
    "connect",
    "is_damage",
    "judge",
    "migrate",
    "put_aside",
]

#: "LBLG": tells our files from everybody else's.
APPLICATION_ID: Final = 0x4C424C47

#: Columns of `samples` after `batch`, in the order in which rows are written and read.
SAMPLE_COLUMNS: Final = (
    "time_s",
    "chamber_pa",
    "oven_c",
    "junction_c",
    "witness_c",
    "oven2_c",
    "heat",
    "isolated",
    "marks",
    "faults",
    "trip",
    "extra",
)

_FIRST: Final = """
CREATE TABLE batches (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    name TEXT NOT NULL,
    source TEXT NOT NULL,            -- live | import
    opened_utc TEXT NOT NULL,
    closed_utc TEXT NOT NULL,        -- '' = open
    header TEXT NOT NULL,            -- JSON object of the log's head
    pieces TEXT NOT NULL,            -- JSON list
    book TEXT NOT NULL,              -- JSON object, what else a person keeps of it
    notes TEXT NOT NULL,
    extra TEXT NOT NULL,             -- JSON list: names of columns that are not ours
    zero_now_s REAL NOT NULL,
    boot TEXT NOT NULL,
    last_time_s REAL,
    last_utc TEXT NOT NULL
);
CREATE TABLE samples (
    batch INTEGER NOT NULL,
    time_s REAL NOT NULL,
    chamber_pa REAL, oven_c REAL, junction_c REAL, witness_c REAL, oven2_c REAL,
    heat INTEGER, isolated INTEGER,
    marks TEXT, faults TEXT, trip TEXT,
    extra TEXT,                      -- JSON list of cells, or NULL
    PRIMARY KEY (batch, time_s)
) WITHOUT ROWID;
CREATE TABLE estimates (
    batch INTEGER NOT NULL,
    time_s REAL NOT NULL,
    flow_pa_s REAL, flow_low_pa_s REAL, flow_high_pa_s REAL,
    core_c REAL, core_low_c REAL, core_high_c REAL,
    held_s REAL, dose_s REAL,
    PRIMARY KEY (batch, time_s)
) WITHOUT ROWID;
CREATE TABLE records (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    batch INTEGER NOT NULL,
    t REAL NOT NULL,
    kind TEXT NOT NULL,
    line TEXT NOT NULL
);
CREATE INDEX records_of_batch ON records (batch, seq);
CREATE TABLE cursors (outlet TEXT PRIMARY KEY, seq INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE facts (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
"""

_OUTBOX: Final = """
CREATE TABLE notices (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    key TEXT NOT NULL UNIQUE,        -- what makes it one notice and not two
    batch INTEGER NOT NULL,
    urgency TEXT NOT NULL,           -- alarm | notice
    title TEXT NOT NULL,
    text TEXT NOT NULL,
    happened_utc TEXT NOT NULL,
    state TEXT NOT NULL,             -- open | done
    acknowledged_utc TEXT NOT NULL,
    detail TEXT NOT NULL             -- JSON: for the words of a repeat
);
CREATE INDEX notices_open ON notices (state) WHERE state = 'open';
CREATE TABLE deliveries (
    notice INTEGER NOT NULL,
    channel TEXT NOT NULL,
    state TEXT NOT NULL,             -- waiting | sending | sent | given_up
    tries INTEGER NOT NULL,
    sent INTEGER NOT NULL,           -- how often it left (an alarm leaves more than once)
    next_utc TEXT NOT NULL,
    last_utc TEXT NOT NULL,
    why TEXT NOT NULL,
    PRIMARY KEY (notice, channel)
) WITHOUT ROWID;
"""

_SHELF: Final = """
CREATE TABLE lots (name TEXT PRIMARY KEY, facts TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE lot_events (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    lot TEXT NOT NULL,
    utc TEXT NOT NULL,               -- when it happened
    told_utc TEXT NOT NULL,          -- when it was told
    kind TEXT NOT NULL,
    detail TEXT NOT NULL,            -- JSON object
    memory INTEGER NOT NULL,         -- 1 = told from memory
    who TEXT NOT NULL
);
CREATE INDEX events_of_lot ON lot_events (lot, utc);
CREATE TABLE deeds (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    batch INTEGER NOT NULL,
    utc TEXT NOT NULL,
    time_s REAL,
    what TEXT NOT NULL,
    who TEXT NOT NULL,
    way TEXT NOT NULL                -- page | desk | broker | bench
);
CREATE INDEX deeds_of_batch ON deeds (batch, id);
CREATE TABLE snapshots (digest TEXT PRIMARY KEY, text TEXT NOT NULL) WITHOUT ROWID;
"""

#: Row n takes a ledger from version n to n + 1.
MIGRATIONS: Final[tuple[str, ...]] = (_FIRST, _OUTBOX, _SHELF)
SCHEMA_VERSION: Final = len(MIGRATIONS)


class LedgerRefused(LastbubbleError):
    """The file is a sound database, and not one that this program may write into."""


def connect(path: Path, *, write: bool) -> sqlite3.Connection:
    """A connection with the ledger's settings; a reader's can never write.

    Raises sqlite3.Error when the file cannot be opened.
    """
    uri = f"file:{quote(str(path))}?mode={'rwc' if write else 'ro'}"
    link = sqlite3.connect(uri, uri=True, timeout=10.0, isolation_level=None, check_same_thread=False)
    try:
        if write:
            link.execute("PRAGMA journal_mode=WAL")
            # FULL: a commit is on the card when it returns. One commit each five seconds makes that cheap.
            link.execute("PRAGMA synchronous=FULL")
            link.execute(f"PRAGMA journal_size_limit={16 << 20}")
        else:
            link.execute("PRAGMA query_only=1")
            _touch(link)
    except sqlite3.Error:
        link.close()
        raise
    return link


def _touch(link: sqlite3.Connection) -> None:
    link.execute("SELECT count(*) FROM sqlite_master").fetchone()


def connect_still(path: Path) -> sqlite3.Connection:
    """A reader's connection to a file that nobody can be writing (a read-only card): ignores the write-ahead log."""
    link = sqlite3.connect(
        f"file:{quote(str(path))}?mode=ro&immutable=1", uri=True, isolation_level=None, check_same_thread=False
    )
    try:
        _touch(link)
    except sqlite3.Error:
        link.close()
        raise
    return link


def is_damage(exc: sqlite3.Error) -> bool:
    """Whether the error says that the file itself is damaged (and not that it is full, locked or read-only)."""
    code = getattr(exc, "sqlite_errorcode", 0) & 0xFF
    return code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def judge(link: sqlite3.Connection, path: Path, *, thorough: bool) -> str:
    """ "" for a ledger that can be used (an empty file too), else what is damaged.

    Raises LedgerRefused for a sound file of something else or of a newer version.
    """
    try:
        application = link.execute("PRAGMA application_id").fetchone()[0]
        version = link.execute("PRAGMA user_version").fetchone()[0]
        tables = link.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if tables and application != APPLICATION_ID:
            raise LedgerRefused(f"{path}: a database of something else; give the ledger another name in the settings")
        if version > SCHEMA_VERSION:
            raise LedgerRefused(
                f"{path}: written by a newer version of this program (schema {version}, this one knows up to "
                f"{SCHEMA_VERSION}); upgrade the program, or give the ledger another name"
            )
        if thorough:
            answer = str(link.execute("PRAGMA quick_check(1)").fetchone()[0])
            if answer != "ok":
                return answer
    except sqlite3.DatabaseError as exc:
        if is_damage(exc):
            return str(exc)
        raise
    return ""


def migrate(link: sqlite3.Connection) -> int:
    """Bring the ledger to this version; returns the version it had."""
    found = int(link.execute("PRAGMA user_version").fetchone()[0])
    for version in range(found, SCHEMA_VERSION):
        statements = [part for part in _statements(MIGRATIONS[version]) if part.strip()]
        link.execute("BEGIN IMMEDIATE")
        try:
            for statement in statements:
                link.execute(statement)
            link.execute(f"PRAGMA application_id={APPLICATION_ID}")
            link.execute(f"PRAGMA user_version={version + 1}")
            link.execute("COMMIT")
        except sqlite3.Error:
            with contextlib.suppress(sqlite3.Error):
                link.execute("ROLLBACK")
            raise
    return found


def _statements(script: str) -> list[str]:
    # executescript would commit by itself after each; no statement here holds a ';' of its own, comments neither.
    return script.split(";")


def put_aside(path: Path) -> Path:
    """Move a damaged ledger and its write-ahead log out of the way; returns the new name.

    Raises OSError when the folder cannot be written.
    """
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    path.rename(aside)
    for end in ("-wal", "-shm"):
        beside = path.with_name(path.name + end)
        if beside.exists():
            beside.rename(aside.with_name(aside.name + end))
    return aside

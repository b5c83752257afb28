"""What the ledger keeps beside the batches: resin lots and what befell them, who did what, and settings as they were.

A lot's key is its name. Times are UTC labels. Everything is written by the ledger's one thread and read back once it is
on the card: `Ledger.flush` after a write, where the answer must show it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from lastbubble.ledger.reader import Reader
from lastbubble.ledger.rows import dumps, utc_from, utc_text
from lastbubble.ledger.store import Ledger

__all__ = [
    "Deed",
    "LotEvent",
    "LotRow",
    "deeds",
    "lot_events",
    "lots",
    "put_deed",
    "put_event",
    "put_lot",
    "put_snapshot",
    "snapshot",
    "snapshots",
]

_PUT_LOT: Final = "INSERT INTO lots (name, facts) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET facts = excluded.facts"
_EVENT: Final = ("lot", "utc", "told_utc", "kind", "detail", "memory", "who")
_PUT_EVENT: Final = f"INSERT INTO lot_events ({', '.join(_EVENT)}) VALUES (?, ?, ?, ?, ?, ?, ?)"
_DEED: Final = ("batch", "utc", "time_s", "what", "who", "way")
_PUT_DEED: Final = f"INSERT INTO deeds ({', '.join(_DEED)}) VALUES (?, ?, ?, ?, ?, ?)"
_PUT_SNAPSHOT: Final = "INSERT OR IGNORE INTO snapshots (digest, text) VALUES (?, ?)"


@dataclass(frozen=True, slots=True)
class LotRow:
    """A lot of resin: its name, and what its label or its keeper tells (JSON values)."""

    name: str
    facts: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class LotEvent:
    """Something befell a lot at `utc`, told at `told_utc`; `memory`: told from memory, not when it happened."""

    lot: str
    utc: datetime
    told_utc: datetime
    kind: str
    detail: dict[str, Any] = field(default_factory=dict)
    memory: bool = False
    who: str = ""


@dataclass(frozen=True, slots=True)
class Deed:
    """Somebody did something in a batch. `time_s` : batch time [s];  way : page, desk, broker, bench"""

    batch: int
    utc: datetime
    time_s: float | None
    what: str
    who: str
    way: str


def _time(text: str) -> datetime:
    found = utc_from(text)
    assert found is not None  # written by utc_text of a time only
    return found


def lots(reader: Reader) -> list[LotRow]:
    """All lots, in the order of their names."""
    rows = reader.query("SELECT name, facts FROM lots ORDER BY name")
    return [LotRow(name, json.loads(facts)) for name, facts in rows]


def lot_events(reader: Reader, lot: str | None = None) -> list[LotEvent]:
    """What befell this lot (None: any), by the time at which it happened."""
    where, values = ("", ()) if lot is None else ("WHERE lot = ?", (lot,))
    rows = reader.query(f"SELECT {', '.join(_EVENT)} FROM lot_events {where} ORDER BY utc, id", values)
    return [
        LotEvent(name, _time(utc), _time(told), kind, json.loads(detail), bool(memory), who)
        for name, utc, told, kind, detail, memory, who in rows
    ]


def put_lot(ledger: Ledger, row: LotRow) -> None:
    ledger.execute(_PUT_LOT, (row.name, dumps(row.facts)))


def put_event(ledger: Ledger, event: LotEvent) -> None:
    ledger.execute(
        _PUT_EVENT,
        (
            event.lot,
            utc_text(event.utc),
            utc_text(event.told_utc),
            event.kind,
            dumps(event.detail),
            int(event.memory),
            event.who,
        ),
    )


def deeds(reader: Reader, batch: int) -> list[Deed]:
    """Who did what in this batch, in order."""
    rows = reader.query(f"SELECT {', '.join(_DEED)} FROM deeds WHERE batch = ? ORDER BY id", (batch,))
    return [Deed(number, _time(utc), time_s, what, who, way) for number, utc, time_s, what, who, way in rows]


def put_deed(ledger: Ledger, deed: Deed) -> None:
    values = (deed.batch, utc_text(deed.utc), deed.time_s, deed.what, deed.who, deed.way)
    ledger.execute(_PUT_DEED, values)


def put_snapshot(ledger: Ledger, told: Mapping[str, Any]) -> str:
    """Keep a settings snapshot once; returns the digest by which a batch's book names it."""
    text = dumps(told)
    digest = hashlib.sha256(text.encode()).hexdigest()[:16]
    ledger.execute(_PUT_SNAPSHOT, (digest, text))
    return digest


def snapshot(reader: Reader, digest: str) -> dict[str, Any]:
    """The settings of this digest; {} when there are none."""
    rows = reader.query("SELECT text FROM snapshots WHERE digest = ?", (digest,))
    return dict(json.loads(rows[0][0])) if rows else {}


def snapshots(reader: Reader) -> dict[str, dict[str, Any]]:
    return {digest: json.loads(text) for digest, text in reader.query("SELECT digest, text FROM snapshots ORDER BY 1")}

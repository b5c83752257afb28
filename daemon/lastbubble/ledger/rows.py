"""The ledger's rows as values, and how each is written into and read out of SQLite."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final

from lastbubble.records import Outlook, Record, Sample, record_from, record_line

__all__ = [
    "BATCH_COLUMNS",
    "ESTIMATE_COLUMNS",
    "BatchRow",
    "StoredRecord",
    "batch_from",
    "batch_values",
    "dumps",
    "estimate_values",
    "record_values",
    "sample_from",
    "sample_values",
    "utc_from",
    "utc_text",
]

BATCH_COLUMNS: Final = (
    "id",
    "name",
    "source",
    "opened_utc",
    "closed_utc",
    "header",
    "pieces",
    "book",
    "notes",
    "extra",
    "zero_now_s",
    "boot",
    "last_time_s",
    "last_utc",
)
ESTIMATE_COLUMNS: Final = (
    "flow_pa_s",
    "flow_low_pa_s",
    "flow_high_pa_s",
    "core_c",
    "core_low_c",
    "core_high_c",
    "held_s",
    "dose_s",
)


@dataclass(frozen=True, slots=True)
class BatchRow:
    """One batch. Times in UTC are labels; `closed_utc` is None while it is open.

    header : what the head of its log holds (`context_from_header` reads it)
    pieces, book, notes : what a person keeps of it;  extra : columns of an imported log that are not ours
    zero_now_s, boot : bench time at the batch's zero [s], and the boot that time belongs to
    last_time_s : batch time of its last sample, None before the first [s];  source : "live" or "import"
    """

    id: int
    name: str
    source: str
    opened_utc: datetime
    closed_utc: datetime | None
    header: dict[str, str]
    pieces: list[dict[str, Any]] = field(default_factory=list)
    book: dict[str, Any] = field(default_factory=dict)
    notes: str = ""
    extra: tuple[str, ...] = ()
    zero_now_s: float = 0.0
    boot: str = ""
    last_time_s: float | None = None
    last_utc: datetime | None = None


@dataclass(frozen=True, slots=True)
class StoredRecord:
    """A record with its place in the ledger's one rising sequence; `line` is its line of JSON, byte for byte."""

    seq: int
    batch: int
    line: str

    @property
    def record(self) -> Record:
        return record_from(self.line)


def utc_text(utc: datetime | None) -> str:
    """ISO 8601 with "Z", "" for None. ValueError for a time without a zone."""
    if utc is None:
        return ""
    if utc.tzinfo is None:
        raise ValueError(f"{utc} has no time zone")
    return utc.astimezone(UTC).isoformat().replace("+00:00", "Z")


def utc_from(text: str) -> datetime | None:
    return datetime.fromisoformat(text) if text else None


def batch_values(row: BatchRow) -> tuple[Any, ...]:
    return (
        row.id,
        row.name,
        row.source,
        utc_text(row.opened_utc),
        utc_text(row.closed_utc),
        dumps(row.header),
        dumps(row.pieces),
        dumps(row.book),
        row.notes,
        dumps(list(row.extra)),
        row.zero_now_s,
        row.boot,
        row.last_time_s,
        utc_text(row.last_utc),
    )


def batch_from(values: Sequence[Any]) -> BatchRow:
    """The batch of a row of BATCH_COLUMNS."""
    told = dict(zip(BATCH_COLUMNS, values, strict=True))
    opened = utc_from(told["opened_utc"])
    assert opened is not None  # written by batch_values only
    return BatchRow(
        id=told["id"],
        name=told["name"],
        source=told["source"],
        opened_utc=opened,
        closed_utc=utc_from(told["closed_utc"]),
        header=json.loads(told["header"]),
        pieces=json.loads(told["pieces"]),
        book=json.loads(told["book"]),
        notes=told["notes"],
        extra=tuple(json.loads(told["extra"])),
        zero_now_s=told["zero_now_s"],
        boot=told["boot"],
        last_time_s=told["last_time_s"],
        last_utc=utc_from(told["last_utc"]),
    )


def dumps(value: Mapping[str, Any] | Sequence[Any]) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def sample_values(batch: int, sample: Sample, extra: Sequence[str] = ()) -> tuple[Any, ...]:
    """The row of `samples`."""
    return (
        batch,
        sample.time_s,
        sample.chamber_pa,
        sample.oven_c,
        sample.junction_c,
        sample.witness_c,
        sample.oven2_c,
        sample.heat,
        sample.isolated,
        ";".join(sample.marks) or None,
        ";".join(sample.faults) or None,
        sample.trip or None,
        dumps(extra) if extra else None,
    )


def sample_from(values: Sequence[Any]) -> Sample:
    """The sample of a row of SAMPLE_COLUMNS."""
    time_s, chamber, oven, junction, witness, oven2, heat, isolated, marks, faults, trip, _ = values
    return Sample(
        time_s,
        chamber,
        oven,
        junction,
        witness,
        oven2,
        None if heat is None else bool(heat),
        None if isolated is None else bool(isolated),
        tuple(marks.split(";")) if marks else (),
        tuple(faults.split(";")) if faults else (),
        trip or "",
    )


def record_values(seq: int, batch: int, record: Record) -> tuple[Any, ...]:
    return (seq, batch, record.t, record.kind, record_line(record))


def estimate_values(batch: int, outlook: Outlook) -> tuple[Any, ...]:
    return (batch, outlook.time_s, *(getattr(outlook, name) for name in ESTIMATE_COLUMNS))

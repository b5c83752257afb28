"""Batches out of the ledger into files and back, without loss.

What a log's head cannot hold by its own keys travels in keys of ours: `batch_name`, `batch_notes`, `batch_pieces` and
`batch_book` (JSON), `opened_utc`, `closed_utc`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

from lastbubble.context import Context, context_header
from lastbubble.errors import LogError
from lastbubble.ledger.logfile import LOG_FORM, Row, write_rows
from lastbubble.ledger.reader import Reader
from lastbubble.ledger.rows import BatchRow, dumps, utc_from, utc_text
from lastbubble.ledger.store import Ledger
from lastbubble.records import Record, Sample

__all__ = ["Imported", "batch_json", "batch_of_header", "export_batch", "export_records", "import_rows", "log_header"]

_OURS: Final = ("batch_name", "batch_notes", "batch_pieces", "batch_book", "opened_utc", "closed_utc", "log_form")
#: Real time an import waits for a slow card before it gives up waiting [s].
_PATIENCE_S: Final = 120.0


def log_header(row: BatchRow) -> dict[str, str]:
    """The head of this batch's log."""
    told: dict[str, Any] = {
        "batch_name": row.name,
        "opened_utc": utc_text(row.opened_utc),
        "closed_utc": utc_text(row.closed_utc),
        "batch_notes": row.notes,
        "batch_pieces": dumps(row.pieces) if row.pieces else "",
        "batch_book": dumps(row.book) if row.book else "",
    }
    return {"log_form": LOG_FORM, **row.header, **{key: text for key, text in told.items() if text}}


def export_batch(reader: Reader, batch: int, path: Path | str) -> int:
    """Write the batch's log ("-" = stdout); returns its number of rows.

    Raises LastbubbleError when there is no such batch, LogError when the file cannot be written.
    """
    row = reader.batch(batch)
    return write_rows(path, log_header(row), row.extra, reader.rows(batch))


def export_records(reader: Reader, batch: int, path: Path) -> int:
    """Write the batch's record stream as JSON Lines, line for line as it was said; returns the number of records.

    Raises LastbubbleError when there is no such batch, LogError when the file cannot be written.
    """
    reader.batch(batch)
    count = 0
    try:
        with open(path, "w", encoding="utf-8", newline="\n") as file:
            for stored in reader.records(batch):
                file.write(stored.line + "\n")
                count += 1
    except OSError as exc:
        raise LogError(
            f"{path}: cannot be written ({exc.strerror}); check the folder, your rights and the room"
        ) from exc
    return count


def batch_json(reader: Reader, batch: int) -> dict[str, Any]:
    """Everything of a batch but its samples, as plain JSON values."""
    row = reader.batch(batch)
    return {
        "id": row.id,
        "name": row.name,
        "source": row.source,
        "opened_utc": utc_text(row.opened_utc),
        "closed_utc": utc_text(row.closed_utc),
        "last_time_s": row.last_time_s,
        "header": row.header,
        "pieces": row.pieces,
        "book": row.book,
        "notes": row.notes,
        "records": [json.loads(stored.line) for stored in reader.records(batch)],
    }


def batch_of_header(header: Mapping[str, str]) -> dict[str, Any]:
    """Those of name, notes, pieces, book, opened_utc and closed_utc that a log's head tells.

    Raises LogError naming the key, the finding and what is allowed.
    """
    out: dict[str, Any] = {}
    for key, field in (("batch_name", "name"), ("batch_notes", "notes")):
        if header.get(key):
            out[field] = header[key]
    for key, field, kind in (("batch_pieces", "pieces", list), ("batch_book", "book", dict)):
        if header.get(key):
            try:
                value = json.loads(header[key])
            except ValueError as exc:
                raise LogError(f"{key} is not JSON ({exc}); take the line out, or export the batch again") from exc
            if not isinstance(value, kind):
                raise LogError(f"{key} is {header[key][:60]!r}; a JSON {kind.__name__} is wanted")
            out[field] = value
    for key in ("opened_utc", "closed_utc"):
        if header.get(key):
            out[key] = _utc(key, header[key])
    return out


def _utc(key: str, text: str) -> datetime:
    try:
        found = utc_from(text)
    except ValueError:
        found = None
    if found is None or found.tzinfo is None:
        raise LogError(f"{key} is {text[:60]!r}; a time with its zone is wanted, as 2026-03-01T08:00:00Z")
    return found


@dataclass(frozen=True, slots=True)
class Imported:
    """batch : its id;  rows : how many were kept;  broken : what ended it before the end of the file, or None"""

    batch: int
    rows: int
    broken: LogError | None


def import_rows(
    ledger: Ledger,
    context: Context,
    header: Mapping[str, str],
    extra: Iterable[str],
    rows: Iterable[Row],
    *,
    now_utc: datetime,
    name: str = "",
    records_of: Callable[[Sample], Sequence[Record]] = lambda _: (),
) -> Imported:
    """Keep a log as a closed batch of source "import". Rows before a broken one are kept, and the finding is returned.

    header : the log's head, also what is in `context`;  now_utc : the label where the log tells no time of its own
    records_of : what the pipeline says at each sample
    Raises LogError for a head that cannot be used.
    """
    told = batch_of_header(header)
    opened = told.get("opened_utc") or (
        _utc("started_utc", context.started_utc) if context.started_utc.endswith("Z") else now_utc
    )
    rest = {key: text for key, text in header.items() if key not in _OURS and key not in context_header(context)}
    batch = ledger.open_batch(
        context,
        opened_utc=opened,
        name=name or told.get("name", ""),
        notes=told.get("notes", ""),
        pieces=told.get("pieces", ()),
        book=told.get("book"),
        header=rest,
        extra=tuple(extra),
        source="import",
    )
    count = 0
    last_s = 0.0
    broken: LogError | None = None
    try:
        for sample, cells in rows:
            ledger.append(batch, sample, records_of(sample), extra=cells, wait_s=_PATIENCE_S)
            count += 1
            last_s = sample.time_s
    except LogError as exc:
        broken = exc
    # A log on its own scale (an epoch, say) has no length that its last time would tell.
    length = timedelta(seconds=last_s if 0 <= last_s < 1e8 else 0)
    ledger.close_batch(batch, told.get("closed_utc") or opened + length)
    return Imported(batch, count, broken)

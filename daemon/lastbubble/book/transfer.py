"""Everything of a ledger as CSV and JSON in a folder, and back into a ledger without loss.

The folder: `ledger.json` (batches with pieces and book, resin lots, deeds, settings, what the station has learnt, and
the notices that were sent); for each batch `batch-N.csv` (its log), `batch-N.jsonl` (its records, line for line) and
`batch-N-estimates.csv`; and for reading in a table program `batches.csv`, `pieces.csv`, `resin.csv`.

Numbers are written with every digit they have. An imported batch keeps its number where that is free, else gets a new
one; notices come back as history and are never sent again.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from lastbubble.book.measured import Measured
from lastbubble.book.pieces import PIECE_FIELDS, bulk_volume_m3, pieces_of, porosity
from lastbubble.book.story import batch_uptakes
from lastbubble.errors import LogError
from lastbubble.ledger.exchange import export_batch, export_records
from lastbubble.ledger.logfile import read_log
from lastbubble.ledger.reader import Reader
from lastbubble.ledger.rows import ESTIMATE_COLUMNS, BatchRow, dumps, utc_from, utc_text
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
from lastbubble.records import record_from

__all__ = ["FORM", "export_everything", "import_everything"]

FORM: Final = "lastbubble-ledger-1"
#: An imported live batch is no news for broker and phone; what it was is told after the colon.
_IMPORTED: Final = "import:"
_NOTICE: Final = (
    "id",
    "key",
    "batch",
    "urgency",
    "title",
    "text",
    "happened_utc",
    "state",
    "acknowledged_utc",
    "detail",
)
_PATIENCE_S: Final = 120.0
_MANY: Final = 5000


def _origin(source: str) -> str:
    return source.removeprefix(_IMPORTED)


def _batch_json(row: BatchRow) -> dict[str, Any]:
    return {
        "id": row.id,
        "name": row.name,
        "source": _origin(row.source),
        "opened_utc": utc_text(row.opened_utc),
        "closed_utc": utc_text(row.closed_utc),
        "header": row.header,
        "pieces": row.pieces,
        "book": row.book,
        "notes": row.notes,
        "extra": list(row.extra),
        "zero_now_s": row.zero_now_s,
        "boot": row.boot,
        "last_time_s": row.last_time_s,
        "last_utc": utc_text(row.last_utc),
    }


def _write_csv(path: Path, heads: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    with open(path, "w", encoding="utf-8", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        # The first leaves a carriage return bare, which a table program takes for a line's end.
        quoting = csv.writer(file, lineterminator="\n", quoting=csv.QUOTE_ALL)
        out.writerow(heads)
        for row in rows:
            cells = ["" if cell is None else cell for cell in row]
            (quoting if any(isinstance(cell, str) and "\r" in cell for cell in cells) else out).writerow(cells)


def export_everything(reader: Reader, folder: Path, only: Sequence[int] | None = None) -> dict[str, Any]:
    """Write the ledger, or these batches with all lots, into a new or empty folder; returns how much there was.

    Raises LogError when the folder cannot be written or is not empty, LastbubbleError for a batch that is not there.
    """
    rows = [reader.batch(number) for number in only] if only is not None else reader.batches()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise LogError(f"{folder}: is not empty; name a new folder")
        told = _export(reader, folder, rows)
    except OSError as exc:
        raise LogError(f"{folder}: cannot be written ({exc.strerror}); check your rights and the room") from exc
    return told


def _export(reader: Reader, folder: Path, rows: Sequence[BatchRow]) -> dict[str, Any]:
    samples = records = 0
    for row in rows:
        samples += export_batch(reader, row.id, folder / f"batch-{row.id}.csv")
        records += export_records(reader, row.id, folder / f"batch-{row.id}.jsonl")
        estimates = [
            [repr(cell) if isinstance(cell, float) else cell for cell in one] for one in reader.estimates(row.id)
        ]
        _write_csv(folder / f"batch-{row.id}-estimates.csv", ("time_s", *ESTIMATE_COLUMNS), estimates)
    numbers = {row.id for row in rows}
    known = lots(reader)
    told = {
        "form": FORM,
        "batches": [_batch_json(row) for row in rows],
        "deeds": [_deed_json(deed) for row in rows for deed in deeds(reader, row.id)],
        "lots": [asdict(lot) for lot in known],
        "lot_events": [_event_json(event) for event in lot_events(reader)],
        "settings": snapshots(reader),
        "facts": dict(reader.query("SELECT name, value FROM facts ORDER BY name")),
        "notices": [
            dict(zip(_NOTICE, notice, strict=True))
            for notice in reader.query(f"SELECT {', '.join(_NOTICE)} FROM notices ORDER BY id")
            if notice[2] in numbers
        ],
    }
    text = json.dumps(told, ensure_ascii=False, indent=1, allow_nan=False)
    (folder / "ledger.json").write_text(text + "\n", encoding="utf-8")
    _tables(folder, rows, told)
    return {"folder": str(folder), "batches": len(rows), "samples": samples, "records": records, "lots": len(known)}


def _deed_json(deed: Deed) -> dict[str, Any]:
    return {**asdict(deed), "utc": utc_text(deed.utc)}


def _event_json(event: LotEvent) -> dict[str, Any]:
    return {**asdict(event), "utc": utc_text(event.utc), "told_utc": utc_text(event.told_utc)}


def _tables(folder: Path, rows: Sequence[BatchRow], told: Mapping[str, Any]) -> None:
    """Tables for people; nothing is read back from them."""
    heads = ("id", "name", "opened_utc", "closed_utc", "material", "resin_lot", "pieces", "notes")
    _write_csv(
        folder / "batches.csv",
        heads,
        [
            (row.id, row.name, utc_text(row.opened_utc), utc_text(row.closed_utc), row.header.get("material", ""),
             row.book.get("resin_lot", ""), len(row.pieces), row.notes)
            for row in rows
        ],
    )  # fmt: skip
    lines: list[list[Any]] = []
    for row in rows:
        for piece, found in zip(pieces_of(row.pieces), batch_uptakes(row), strict=True):
            pores = porosity(piece)
            numbers: list[Measured | None] = [
                *(piece.mass_kg(when) for when in ("dry", "wet", "cured")), bulk_volume_m3(piece),
                pores[0] if pores else None, found.wet, found.cured, found.filled_wet, found.filled_cured,
            ]  # fmt: skip
            cells = [cell for one in numbers for cell in ((None, None) if one is None else (one.value, one.sd))]
            lines.append([row.id, *(getattr(piece, name) for name in PIECE_FIELDS), *cells])
    names = ("dry_kg", "wet_kg", "cured_kg", "bulk_m3", "porosity_1", "uptake_wet_1", "uptake_cured_1", "filled_wet_1",
             "filled_cured_1")  # fmt: skip
    _write_csv(
        folder / "pieces.csv", ["batch", *PIECE_FIELDS, *(x for name in names for x in (name, f"{name}_sd"))], lines
    )
    _write_csv(
        folder / "resin.csv",
        ("lot", "utc", "told_utc", "kind", "detail", "from_memory", "who"),
        [
            (one["lot"], one["utc"], one["told_utc"], one["kind"], dumps(one["detail"]), int(one["memory"]), one["who"])
            for one in told["lot_events"]
        ],
    )


def _told(folder: Path) -> dict[str, Any]:
    path = folder / "ledger.json"
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
    except OSError as exc:
        raise LogError(f"{path}: cannot be read ({exc.strerror}); name a folder that 'batch export' wrote") from exc
    except ValueError as exc:
        raise LogError(f"{path}: not JSON ({exc}); export it again") from exc
    if not isinstance(told, dict) or told.get("form") != FORM:
        found = told.get("form") if isinstance(told, dict) else type(told).__name__
        raise LogError(f"{path}: form is {found!r}; {FORM} is wanted; export it again with this program")
    return told


def import_everything(ledger: Ledger, folder: Path) -> dict[str, Any]:
    """Take an exported folder into the ledger; returns {"batches": {old: new}, "samples", "records", "lots"}.

    A lot that is there already with the same events is left as it is; another of the same name is taken in as
    "NAME (imported)". Facts (what the station has learnt) are taken in where the ledger has none of that name.
    Raises LogError for a folder that cannot be read; what was taken in before stays.
    """
    told = _told(folder)
    try:
        renamed = _import_lots(ledger, told)
        for copy in told["settings"].values():
            put_snapshot(ledger, copy)
        for name, value in told["facts"].items():
            if not ledger.fact(name):
                ledger.set_fact(name, value)
        numbers: dict[int, int] = {}
        samples = records = 0
        for batch in told["batches"]:
            number, more_samples, more_records = _import_batch(ledger, folder, batch, renamed)
            numbers[batch["id"]] = number
            samples += more_samples
            records += more_records
        for deed in told["deeds"]:
            at = utc_from(deed["utc"])
            assert at is not None
            put_deed(ledger, Deed(**{**deed, "utc": at, "batch": numbers[deed["batch"]]}))
        _import_notices(ledger, told["notices"], numbers)
    except (KeyError, TypeError, AssertionError) as exc:
        raise LogError(
            f"{folder}/ledger.json: something is missing or of another kind ({exc!r}); export again"
        ) from exc
    return {"batches": numbers, "samples": samples, "records": records, "lots": len(told["lots"])}


def _import_lots(ledger: Ledger, told: Mapping[str, Any]) -> dict[str, str]:
    """Old name -> new name."""
    here = {lot.name: lot for lot in lots(ledger)}
    renamed = {}
    for item in told["lots"]:
        events = [{**event, "lot": ""} for event in told["lot_events"] if event["lot"] == item["name"]]
        name = item["name"]
        while name in here and not _same_lot(ledger, here[name], item["facts"], events):
            name += " (imported)"
        renamed[item["name"]] = name
        if name not in here:
            put_lot(ledger, LotRow(name, item["facts"]))
    for event in told["lot_events"]:
        name = renamed[event["lot"]]
        if name in here:
            continue
        at, told_at = utc_from(event["utc"]), utc_from(event["told_utc"])
        assert at is not None
        assert told_at is not None
        put_event(ledger, LotEvent(**{**event, "lot": name, "utc": at, "told_utc": told_at}))
    return renamed


def _same_lot(ledger: Ledger, lot: LotRow, facts: Mapping[str, Any], events: Sequence[Mapping[str, Any]]) -> bool:
    own = [{**_event_json(event), "lot": ""} for event in lot_events(ledger, lot.name)]
    return own == list(events) and lot.facts == facts


def _import_batch(
    ledger: Ledger, folder: Path, batch: Mapping[str, Any], renamed: Mapping[str, str]
) -> tuple[int, int, int]:
    opened = utc_from(batch["opened_utc"])
    assert opened is not None
    book = dict(batch["book"])
    if book.get("resin_lot") in renamed:
        book["resin_lot"] = renamed[book["resin_lot"]]
    row = BatchRow(
        id=batch["id"],
        name=batch["name"],
        source=_IMPORTED + batch["source"],
        opened_utc=opened,
        closed_utc=utc_from(batch["closed_utc"]),
        header=batch["header"],
        pieces=batch["pieces"],
        book=book,
        notes=batch["notes"],
        extra=tuple(batch["extra"]),
        zero_now_s=batch["zero_now_s"],
        boot=batch["boot"],
        last_time_s=batch["last_time_s"],
        last_utc=utc_from(batch["last_utc"]),
    )
    number = ledger.put_batch(row)
    count = 0
    for sample, cells in read_log(folder / f"batch-{batch['id']}.csv").rows():
        ledger.append(number, sample, extra=cells, utc=row.last_utc, wait_s=_PATIENCE_S)
        count += 1
    said = _read_records(folder / f"batch-{batch['id']}.jsonl")
    for place in range(0, len(said), _MANY):
        ledger.append_records(number, 0.0, said[place : place + _MANY])
    ledger.put_estimates(number, _read_estimates(folder / f"batch-{batch['id']}-estimates.csv"))
    return number, count, len(said)


def _read_records(path: Path) -> list[Any]:
    try:
        with open(path, encoding="utf-8") as file:
            return [record_from(line) for line in file if line.strip()]
    except OSError as exc:
        raise LogError(f"{path}: cannot be read ({exc.strerror}); is the folder whole?") from exc
    except ValueError as exc:
        raise LogError(f"{path}: {exc}") from exc


def _read_estimates(path: Path) -> list[tuple[float | None, ...]]:
    try:
        with open(path, encoding="utf-8", newline="") as file:
            lines = csv.reader(file)
            if tuple(next(lines)) != ("time_s", *ESTIMATE_COLUMNS):
                raise LogError(f"{path}: other columns than time_s, {', '.join(ESTIMATE_COLUMNS)}; export again")
            return [tuple(float(cell) if cell else None for cell in line) for line in lines]
    except OSError as exc:
        raise LogError(f"{path}: cannot be read ({exc.strerror}); is the folder whole?") from exc
    except (ValueError, StopIteration) as exc:
        raise LogError(f"{path}: broken ({exc}); export again") from exc


def _import_notices(ledger: Ledger, notices: Sequence[Mapping[str, Any]], numbers: Mapping[int, int]) -> None:
    """As history: done, under a key that no notice of this ledger can have."""
    if not notices:
        return
    known = {row[0] for row in ledger.query("SELECT key FROM notices")}
    names = [name for name in _NOTICE if name != "id"]
    sql = f"INSERT INTO notices ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"
    for notice in notices:
        values = {**notice, "batch": numbers[notice["batch"]], "state": "done"}
        if values["key"] in known or values["batch"] != notice["batch"]:
            values["key"] = f"imported {numbers[notice['batch']]} {notice['key']}"
        ledger.execute(sql, [values[name] for name in names])

"""Other people's logs, read by a map (`log_map`) into samples.

Time is made to begin at zero, and every column that the map does not name is kept. What cannot be read is one sentence
with the line, as in a log of ours.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final, TextIO

from lastbubble.errors import LogError
from lastbubble.ledger.log_map import FLAGS, NUMBERS, Column, LogMap
from lastbubble.ledger.logfile import LIMITS, Row
from lastbubble.records import MARKS, Sample

__all__ = ["ForeignLog", "draft_map", "read_foreign"]

_PLAIN: Final = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?", re.ASCII)
_CLOCK: Final = re.compile(r"(\d{1,4}):([0-5]\d)(?::([0-5]\d(?:[.,]\d+)?))?", re.ASCII)
_DAY_S: Final = 86400.0


@dataclass(frozen=True, slots=True)
class ForeignLog:
    """A foreign log opened with a map; iterate for rows, as often as wanted.

    header : the map's, with `started_utc` where the time column tells it;  extra : their columns that were not mapped
    Iterating raises LogError at the first row that cannot be read, after the rows before it.
    """

    path: Path
    map: LogMap
    names: tuple[str, ...]
    extra: tuple[str, ...]
    header: dict[str, str]
    delimiter: str

    def __iter__(self) -> Iterator[Row]:
        with _open(self.path, self.map.encoding) as file:
            yield from _rows(self, file)


def _open(path: Path, encoding: str) -> TextIO:
    try:
        return open(path, encoding=encoding, newline="")
    except OSError as exc:
        raise LogError(f"{path}: cannot be read ({exc.strerror}); check the name and your rights to it") from exc


def read_foreign(path: Path, log_map: LogMap) -> ForeignLog:
    """Open a foreign log and find the map's columns in it.

    Raises LogError naming what is missing and what there is.
    """
    names, delimiter = _names(path, log_map.encoding, log_map.names_in_line, log_map.delimiter)
    wanted = [*log_map.time_columns, *(column.theirs for column in log_map.columns.values())]
    missing = [name for name in wanted if name not in names]
    if missing:
        raise LogError(
            f"{path}:{log_map.names_in_line}: no column {', '.join(missing)}; there are: {', '.join(names)}; "
            "mend the map's column names, delimiter or names_in_line",
            log_map.names_in_line,
        )
    extra = tuple(name for name in names if name and name not in wanted and names.count(name) == 1)
    foreign = ForeignLog(path, log_map, names, extra, {"source": path.name, **log_map.header}, delimiter)
    began = _first_moment(foreign)
    if began is not None:
        foreign.header.setdefault("started_utc", began.strftime("%Y-%m-%dT%H:%M:%SZ"))
    return foreign


def _names(path: Path, encoding: str, line_number: int, delimiter: str) -> tuple[tuple[str, ...], str]:
    with _open(path, encoding) as file:
        line = ""
        try:
            for _ in range(line_number):
                line = file.readline(1 << 20)
        except UnicodeError as exc:
            raise _not_text(path, encoding, exc) from exc
    if not line.strip():
        raise LogError(f"{path}:{line_number}: no column names here; set names_in_line in the map", line_number)
    found = delimiter or max(",;\t|", key=line.count)
    return tuple(name.strip() for name in next(csv.reader([line], delimiter=found))), found


def _not_text(path: Path, encoding: str, exc: UnicodeError) -> LogError:
    return LogError(
        f"{path}: not text in {encoding} ({exc.reason if isinstance(exc, UnicodeDecodeError) else exc}); "
        "set encoding in the map: utf-8, utf-16, latin-1, cp1252"
    )


def _first_moment(foreign: ForeignLog) -> datetime | None:
    form = foreign.map.time_form
    if form in ("s", "min", "h", "clock"):
        return None
    for _, cells in _cells(foreign):
        moment = _moment(" ".join(cells[name] for name in foreign.map.time_columns), foreign.map)
        if moment is not None and moment > 1e8:
            return datetime.fromtimestamp(moment, UTC)
        return None
    return None


def _cells(foreign: ForeignLog, file: TextIO | None = None) -> Iterator[tuple[int, dict[str, str]]]:
    if file is None:
        with _open(foreign.path, foreign.map.encoding) as own:
            yield from _cells(foreign, own)
        return
    for _ in range(foreign.map.names_in_line):
        file.readline()
    reader = csv.reader(file, delimiter=foreign.delimiter, skipinitialspace=True)
    width = len(foreign.names)
    while True:
        line = foreign.map.names_in_line + reader.line_num + 1
        try:
            cells = next(reader, None)
        except csv.Error as exc:
            raise LogError(f"{foreign.path}:{line}: the row cannot be read ({exc})", line) from exc
        except UnicodeError as exc:
            raise _not_text(foreign.path, foreign.map.encoding, exc) from exc
        if cells is None:
            return
        if not any(cell.strip() for cell in cells):
            continue
        while len(cells) > width and not cells[-1].strip():
            cells.pop()
        if len(cells) > width or len(cells) < width:
            raise LogError(
                f"{foreign.path}:{line}: {len(cells)} cells where the column names are {width}; mend or cut the row",
                line,
            )
        yield line, {name: cell.strip() for name, cell in zip(foreign.names, cells, strict=True)}


def _rows(foreign: ForeignLog, file: TextIO) -> Iterator[Row]:
    log_map = foreign.map
    zero: float | None = None
    last = -math.inf
    days = 0
    for line, cells in _cells(foreign, file):
        text = " ".join(cells[name] for name in log_map.time_columns)
        moment = _moment(text, log_map)
        where = f"{foreign.path}:{line}: "
        if moment is None:
            raise LogError(
                f"{where}{' and '.join(log_map.time_columns)} is {text[:60]!r}, not a time of the form "
                f"{log_map.time_form}; mend the row or the map's time.form",
                line,
            )
        if log_map.time_form == "clock":
            # Twelve hours back and more is midnight; less is a row out of order.
            if moment + days * _DAY_S < last - _DAY_S / 2:
                days += 1
            moment += days * _DAY_S
        zero = moment if zero is None else zero
        if moment <= last:
            if log_map.drop_backwards:
                continue
            raise LogError(
                f"{where}the time {text[:60]!r} is not after the row before; 'backwards: drop' in the map's time "
                "leaves such rows out",
                line,
            )
        last = moment
        values: dict[str, Any] = {}
        for ours, column in log_map.columns.items():
            cell = cells[column.theirs]
            if cell in log_map.empty:
                continue
            values["marks" if ours == "mark" else ours] = _value(ours, column, cell, log_map, where, line)
        # Microseconds: what a wall clock's difference can mean, without the noise of its large numbers.
        yield Sample(round(moment - zero, 6), **values), tuple(cells[name] for name in foreign.extra)


def _number(text: str, decimal: str) -> float | None:
    if decimal == ",":
        text = text.replace(".", "").replace(",", ".")
    return float(text) if _PLAIN.fullmatch(text) else None


def _moment(text: str, log_map: LogMap) -> float | None:
    """Seconds on some scale of the file's own, or None."""
    form = log_map.time_form
    if form in ("s", "min", "h", "epoch", "epoch_ms"):
        number = _number(text, log_map.decimal)
        factor = {"s": 1.0, "min": 60.0, "h": 3600.0, "epoch": 1.0, "epoch_ms": 1e-3}[form]
        return None if number is None or not math.isfinite(number) else number * factor
    if form == "clock":
        found = _CLOCK.fullmatch(text)
        if found is None:
            return None
        return int(found[1]) * 3600 + int(found[2]) * 60 + float((found[3] or "0").replace(",", "."))
    try:
        moment = datetime.fromisoformat(text.replace(",", ".")) if form == "iso" else datetime.strptime(text, form)
    except ValueError:
        return None
    # Without a zone the label is taken as UTC: only differences count.
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(seconds=1)


def _value(ours: str, column: Column, cell: str, log_map: LogMap, where: str, line: int) -> Any:
    if ours in NUMBERS:
        number = _number(cell, log_map.decimal)
        if number is None:
            raise LogError(
                f"{where}{column.theirs} is {cell[:60]!r}, not a number with decimal mark {log_map.decimal!r}; "
                "mend it, or name the word in the map's empty list",
                line,
            )
        # Twelve digits: what the conversion's own rounding leaves intact.
        value = float(f"{column.convert(number):.12g}")
        low, high = LIMITS[ours]
        if not low <= value <= high:
            raise LogError(
                f"{where}{column.theirs} is {cell[:60]}, which is {value:g} in {ours}; {low:g} to {high:g} is allowed; "
                "check the unit in the map, or name the value in its empty list",
                line,
            )
        return value
    if ours in FLAGS:
        state = column.words.get(cell)
        if state is None:
            raise LogError(f"{where}{column.theirs} is {cell[:60]!r}; the map knows: {', '.join(column.words)}", line)
        return state
    if cell in column.words:
        return (column.words[cell],)
    # Notes may say anything; only the words that the map knows, and our own marks, are marks.
    return tuple(
        word for word in re.split(r"[;,|\s]+", cell) if word in MARKS or re.fullmatch(r"dial=\d{1,3}[FC]", word)
    )


def draft_map(path: Path, encoding: str = "utf-8-sig") -> str:
    """The beginning of a map for this file: its columns listed, to be filled in. Raises LogError when it is no text."""
    names, delimiter = _names(path, encoding, 1, "")
    shown = {"\t": "tab", " ": "space"}.get(delimiter, delimiter)
    time = next((name for name in names if re.search(r"time|date|elapsed|stamp|zeit|uhr", name, re.I)), names[0])
    lines = [
        f"# A map for {path.name}. Fill in what you know, delete the rest; columns that stay out are kept as they are.",
        f"delimiter: {shown!r}",
        "time:",
        f"  column: {time!r}",
        '  form: s    # iso, epoch, epoch_ms, s, min, h, clock, or a pattern as "%Y-%m-%d %H:%M:%S"',
        "columns:",
        "# chamber_pa: {column: ..., unit: inHg vacuum, barometer: 29.9 inHg}   # or Pa, mbar, Torr, kPa, micron ...",
        "# oven_c: {column: ..., unit: degF}",
        "# witness_c: {column: ..., unit: degC}",
        '# heat: {column: ..., one: ["ON"], zero: ["OFF"]}',
        "# their columns:",
        *(f"#   {name!r}" for name in names if name and name != time),
    ]
    return "\n".join(lines) + "\n"

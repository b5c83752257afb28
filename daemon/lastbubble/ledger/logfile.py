"""The log of a batch as a file: comma-separated values with a head, read in a stream and written without loss.

    # station: bench 1
    # started_utc: 2026-03-01T08:00:00Z
    time_s,chamber_pa,oven_c,...
    0.0,101325.0,21.5,...

Only `time_s` must be there. Floats are written with every digit, so a log read back gives equal samples. A column that
is not ours is kept and otherwise ignored; two columns beyond the interchange form are ours: `faults` ("source:cause",
joined by ";") and `trip`. They are read as ours wherever they look so, and held to it where the head says
`log_form`, which every log written here does.

Reading is forgiving where the meaning is plain (byte order mark, CRLF, quotes, blank lines, a `#` before a row, 1.0 for
1) and refuses everything else with one sentence: file and line, finding, what is allowed, the mend.
"""

from __future__ import annotations

import csv
import io
import math
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Final, TextIO

from lastbubble.context import Context, context_from_header
from lastbubble.errors import BadInput, LogError
from lastbubble.records import MARKS, Sample

__all__ = ["COLUMNS", "LIMITS", "LOG_FORM", "Log", "Row", "read_log", "sample_cells", "write_log", "write_rows"]

#: Written into every head; raised when a reader must know of a change.
LOG_FORM: Final = "1"
#: Our columns, in the order in which they are written.
COLUMNS: Final = (
    "time_s",
    "chamber_pa",
    "oven_c",
    "oven2_c",
    "junction_c",
    "witness_c",
    "heat",
    "isolated",
    "mark",
    "faults",
    "trip",
)

_TEMPERATURE: Final = (-273.15, 2000.0)
#: What a cell may hold at all; whether it is a *believable* reading is the pipeline's question (a failed couple may
#: well log 1241 degC, a gauge's zero error -300 Pa). Far outside, the column has another unit or another meaning.
LIMITS: Final[Mapping[str, tuple[float, float]]] = {
    "time_s": (-1e11, 1e11),
    "chamber_pa": (-5e3, 1e6),
    "oven_c": _TEMPERATURE,
    "oven2_c": _TEMPERATURE,
    "junction_c": _TEMPERATURE,
    "witness_c": _TEMPERATURE,
}
_SLOTS: Final = {item.name: place for place, item in enumerate(fields(Sample))}
_LONGEST_LINE: Final = 1 << 20
_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?", re.ASCII)
_KEY: Final = re.compile(r"#+\s*([A-Za-z][A-Za-z0-9_]*)\s*:(?:\s(.*))?", re.ASCII)
_DIAL: Final = re.compile(r"dial=([0-9]{1,3}(?:\.[0-9]+)?)([FC])", re.ASCII)
_FAULTS: Final = re.compile(r"[a-z][a-z0-9_]*:[a-z][a-z0-9_]*(?:;[a-z][a-z0-9_]*:[a-z][a-z0-9_]*)*", re.ASCII)
_TRIP: Final = re.compile(r"[a-z][a-z0-9_]*", re.ASCII)
_SPLIT: Final = re.compile(r"[;,|\s]+")
_CONTEXT_KEYS: Final = frozenset(item.name for item in fields(Context))

#: A sample and its cells of the columns that are not ours, in the order of `Log.extra`.
Row = tuple[Sample, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Log:
    """A log whose head has been read; iterate for its samples, as often as wanted (a pipe: once).

    header : the `# key: value` lines; a key that comes more than once has its values joined by line ends
    columns : all column names in the file's order;  extra : those that are not ours
    Iterating raises LogError at the first bad row, after the good rows before it.
    """

    path: Path
    header: dict[str, str]
    columns: tuple[str, ...]
    extra: tuple[str, ...]
    header_lines: dict[str, int] = field(default_factory=dict)
    _pipe: list[_Lines] = field(default_factory=list)

    def __iter__(self) -> Iterator[Sample]:
        return (sample for sample, _ in self._read(with_extra=False))

    def rows(self) -> Iterator[Row]:
        """Every sample with its cells of the columns that are not ours."""
        return self._read(with_extra=True)

    def context(self, base: Context | None = None) -> Context:
        """What the head tells, over `base` where it is silent.

        Raises LogError with one line for every wrong key: file and line, finding, allowed.
        """
        try:
            return context_from_header(self.header, base)
        except BadInput as exc:
            texts = str(exc).splitlines()
            places = [self.header_lines.get(text.split()[0], 0) for text in texts]
            told = [f"{self.path}:{place}: {text}" for place, text in zip(places, texts, strict=True)]
            raise LogError("\n".join(told), min(places)) from exc

    def _read(self, *, with_extra: bool) -> Iterator[Row]:
        if self._pipe:
            lines = self._pipe.pop()
            try:
                yield from _rows(self, lines, with_extra)
            finally:
                lines.close()
            return
        with _opened(self.path) as file:
            lines = _Lines(self.path, file)
            _skip_head(lines)
            yield from _rows(self, lines, with_extra)


class _Lines:
    """The lines that are rows; notes where a row began and whether it needs the slow, strict look."""

    __slots__ = ("_file", "first", "number", "odd", "path")

    def __init__(self, path: Path, file: TextIO) -> None:
        self.path = path
        self._file = file
        self.number = 0
        self.first = 0
        self.odd = False

    def fail(self, text: str, line: int | None = None) -> LogError:
        place = self.number if line is None else line
        return LogError(f"{self.path}:{place}: {text}", place)

    def raw(self) -> str:
        """The next line as it is, "" at the end."""
        line = self._file.readline(_LONGEST_LINE)
        if not line:
            return ""
        self.number += 1
        if len(line) == _LONGEST_LINE:
            raise self.fail(
                f"a line of more than {_LONGEST_LINE} characters; a row has a few hundred at most. "
                "Is this a log at all? Line ends may have been lost"
            )
        if "\0" in line:
            raise self.fail("zero bytes: this is no text file, or its end was never written (power cut?); cut it here")
        if not line.isascii():
            try:
                line.encode("utf-8")
            except UnicodeEncodeError as exc:
                raise self.fail(
                    f"bytes that are not UTF-8 text (column {exc.start + 1}); save the log as UTF-8, "
                    "or convert it with 'lastbubble log import --map'"
                ) from exc
        return line

    def __iter__(self) -> Iterator[str]:
        while line := self.raw():
            # Inside a cell that is quoted over several lines neither is a remark nor nothing.
            if not self.first and (line[0] == "#" or line.isspace()):
                continue
            # float() would take 1_000 and the digits of other scripts.
            self.odd = "_" in line or not line.isascii()
            if not self.first:
                self.first = self.number
            yield line

    def close(self) -> None:
        self._file.close()


@contextmanager
def _opened(path: Path) -> Iterator[TextIO]:
    file = _open(path)
    try:
        yield file
    finally:
        file.close()


def _open(path: Path) -> TextIO:
    try:
        # Line ends as they are: within quotes they belong to the cell.
        return open(path, encoding="utf-8-sig", errors="surrogateescape", newline="")
    except OSError as exc:
        raise LogError(f"{path}: cannot be read ({exc.strerror}); check the name and your rights to it") from exc


def _next_line(lines: _Lines) -> str:
    try:
        return lines.raw()
    except OSError as exc:
        raise LogError(f"{lines.path}: cannot be read ({exc.strerror}); give a log file") from exc


def _skip_head(lines: _Lines) -> tuple[dict[str, str], dict[str, int], str]:
    """Read up to the column names: the header, the line of each key, and the line of names ("" where there is none)."""
    header: dict[str, str] = {}
    places: dict[str, int] = {}
    while line := _next_line(lines):
        if line.isspace():
            continue
        if line[0] != "#":
            return header, places, line
        found = _KEY.fullmatch(line.rstrip())
        key, value = (found[1], (found[2] or "").strip()) if found else ("comment", line.lstrip("#").strip())
        if key in header and key in _CONTEXT_KEYS and header[key] != value:
            raise lines.fail(
                f"{key} is {value!r} here and {header[key]!r} in line {places[key]}; once is enough, take one out"
            )
        header[key] = f"{header[key]}\n{value}" if key in header and key not in _CONTEXT_KEYS else value
        places.setdefault(key, lines.number)
    return header, places, ""


def _names(lines: _Lines, line: str) -> tuple[str, ...]:
    if not line:
        size = "is empty" if lines.number == 0 else "has no column names"
        raise lines.fail(f"the log {size}; its first row must name the columns, as time_s,chamber_pa,oven_c", 0)
    try:
        names = tuple(name.strip() for name in next(csv.reader([line], strict=True)))
    except csv.Error as exc:
        raise lines.fail(f"the column names cannot be read ({exc}); as time_s,chamber_pa,oven_c") from exc
    if "time_s" not in names:
        if all(not name or _NUMBER.fullmatch(name) for name in names):
            raise lines.fail(
                "the first row holds numbers; a row of column names must stand above it, as time_s,chamber_pa,oven_c"
            )
        found = ", ".join(names)
        raise lines.fail(
            f"no column time_s among: {found:.200}; rename the column that holds the seconds, or use "
            "'lastbubble log import --map' for other names, units and separators"
        )
    for name in names:
        if name and names.count(name) > 1:
            raise lines.fail(f"column {name} comes {names.count(name)} times; each name once, rename or remove one")
    return tuple(name or f"unnamed_{place}" for place, name in enumerate(names, 1))


def read_log(path: Path | str) -> Log:
    """Read a log's head; the samples follow when the result is iterated.

    Raises LogError naming file and line: no such file, no column names, no `time_s`, a column twice, no text.
    """
    path = Path(path)
    file = _open(path)
    lines = _Lines(path, file)
    kept = False
    try:
        header, places, line = _skip_head(lines)
        columns = _names(lines, line)
        extra = tuple(name for name in columns if name not in COLUMNS)
        log = Log(path, header, columns, extra, places)
        if not file.seekable():
            log._pipe.append(lines)
            kept = True
        return log
    finally:
        if not kept:
            file.close()


def _rows(log: Log, lines: _Lines, with_extra: bool) -> Iterator[Row]:
    """The rows from here on. One loop without calls per cell: a day at 1 Hz has 86 400 rows."""
    place = {name: index for index, name in enumerate(log.columns)}
    time_at = place["time_s"]
    numbers = [(place[name], _SLOTS[name], *LIMITS[name]) for name in LIMITS if name in place]
    flags = [(place[name], _SLOTS[name], name) for name in ("heat", "isolated") if name in place]
    texts: list[tuple[int, str]] = [(place[name], name) for name in ("mark", "faults", "trip") if name in place]
    others = [place[name] for name in log.extra]
    width = len(log.columns)
    strict = "log_form" in log.header
    blank = [item.default for item in fields(Sample)]
    no_extra: tuple[str, ...] = ()
    last_s = -math.inf
    reader = csv.reader(lines, strict=True)
    while True:
        lines.first = 0
        try:
            cells = next(reader, None)
        except csv.Error as exc:
            text = f"the row cannot be read ({exc}); is a quotation mark left open?"
            raise lines.fail(text, lines.first or None) from exc
        if cells is None:
            return
        if len(cells) != width:
            raise lines.fail(f"{len(cells)} cells where the column names are {width}; mend or cut the row")
        out = blank.copy()
        for at, slot, low, high in numbers:
            text = cells[at]
            if text:
                try:
                    value = float(text)
                except ValueError:
                    value = math.nan
                if not low <= value <= high or (lines.odd and _NUMBER.fullmatch(text.strip()) is None):
                    if text.isspace():
                        continue
                    raise _bad_number(lines, log.columns[at], text)
                out[slot] = value
        time_s = out[0]
        if not isinstance(time_s, float):
            raise lines.fail("time_s is empty; every row needs its time in seconds, mend or cut the row")
        if time_s <= last_s:
            raise lines.fail(
                f"time_s is {cells[time_at].strip()} after {last_s!r} in the row before; times must rise, "
                "cut one of the rows or sort them"
            )
        last_s = time_s
        for at, slot, name in flags:
            text = cells[at]
            if text == "1":
                out[slot] = True
            elif text == "0":
                out[slot] = False
            elif text:
                out[slot] = _flag(lines, name, text)
        for at, kind in texts:
            if cells[at]:
                _text_cell(lines, kind, cells[at], strict, out)
        yield Sample(*out), (tuple(cells[at] for at in others) if with_extra else no_extra)  # type: ignore[arg-type]


def _bad_number(lines: _Lines, name: str, text: str) -> LogError:
    low, high = LIMITS[name]
    shown = text.strip()[:60]
    if _NUMBER.fullmatch(text.strip()) is None:
        mend = "an empty cell says 'no reading'"
        if re.fullmatch(r"[+-]?\d+,\d+", text.strip()):
            mend = "the decimal mark is a point; 'lastbubble log import --map' converts"
        return lines.fail(f"{name} is {shown!r}, not a number; {mend}")
    meant = {
        "time_s": "seconds are wanted",
        "chamber_pa": "absolute pressure in Pa is wanted (depth below atmosphere: subtract it from the barometer)",
    }.get(name, "degC are wanted")
    return lines.fail(f"{name} is {shown}; {low:g} to {high:g} is allowed, {meant}; an empty cell says 'no reading'")


def _flag(lines: _Lines, name: str, text: str) -> bool | None:
    match text.strip():
        case "":
            return None
        case "1" | "1.0":
            return True
        case "0" | "0.0":
            return False
    meaning = {"heat": "1 = relay closed, 0 = open", "isolated": "1 = chamber shut off, 0 = joined to the pump"}[name]
    raise lines.fail(f"{name} is {text.strip()[:60]!r}; 0, 1 or an empty cell is allowed ({meaning})")


def _text_cell(lines: _Lines, name: str, text: str, strict: bool, out: list[object]) -> None:
    text = text.strip()
    if name == "mark":
        marks = tuple(mark for mark in _SPLIT.split(text) if mark)
        for mark in marks:
            _check_mark(lines, mark)
        out[_SLOTS["marks"]] = marks
    elif name == "faults":
        if _FAULTS.fullmatch(text):
            out[_SLOTS["faults"]] = tuple(text.split(";"))
        elif strict:
            raise lines.fail(f"faults is {text[:60]!r}; source:cause joined by ';' is allowed, as oven:open")
    elif _TRIP.fullmatch(text):
        out[_SLOTS["trip"]] = text
    elif strict:
        raise lines.fail(f"trip is {text[:60]!r}; one word of small letters and _ is allowed, as over_temperature")


def _check_mark(lines: _Lines, mark: str) -> None:
    if mark in MARKS:
        return
    if mark.startswith("dial"):
        found = _DIAL.fullmatch(mark)
        if found and 0 < float(found[1]) <= (600 if found[2] == "F" else 320):
            return
        raise lines.fail(f"mark {mark[:60]!r}; a dial's setting is dial=<number>F (up to 600) or C (up to 320)")
    raise lines.fail(f"mark {mark[:60]!r} is unknown; allowed: {', '.join(MARKS)}, dial=<number>F or C (as dial=260F)")


def sample_cells(sample: Sample) -> list[str]:
    """The cells of our columns, in the order of COLUMNS."""
    cells = ["" if value is None else repr(value) for value in _numbers_of(sample)]
    cells += ["" if flag is None else "1" if flag else "0" for flag in (sample.heat, sample.isolated)]
    cells += [";".join(sample.marks), ";".join(sample.faults), sample.trip]
    return cells


def _numbers_of(sample: Sample) -> tuple[float | None, ...]:
    return (
        sample.time_s,
        sample.chamber_pa,
        sample.oven_c,
        sample.oven2_c,
        sample.junction_c,
        sample.witness_c,
    )


def write_log(path: Path | str, header: Mapping[str, str], samples: Iterable[Sample]) -> int:
    """Write a log of our columns; returns the number of rows. See `write_rows`."""
    return write_rows(path, header, (), ((sample, ()) for sample in samples))


def write_rows(path: Path | str, header: Mapping[str, str], extra: Sequence[str], rows: Iterable[Row]) -> int:
    """Write a log, whole or not at all (a file of that name is replaced only by a finished one); "-" is stdout.

    header : one line each; a value with line ends becomes several lines of the same key
    extra : names of the columns that are not ours;  rows : samples with those cells
    Returns the number of rows. Raises LogError when the file cannot be written.
    """
    path = Path(path)
    if str(path) == "-":
        with open(os.dup(1), "w", encoding="utf-8", newline="") as stdout:
            return _write(stdout, header, extra, rows)
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        try:
            with open(beside, "w", encoding="utf-8", newline="") as file:
                count = _write(file, header, extra, rows)
                file.flush()
                os.fsync(file.fileno())
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as exc:
        raise LogError(
            f"{path}: cannot be written ({exc.strerror}); check the folder, your rights and the room"
        ) from exc
    return count


def _write(file: io.TextIOBase | TextIO, header: Mapping[str, str], extra: Sequence[str], rows: Iterable[Row]) -> int:
    for key, value in {"log_form": LOG_FORM, **header}.items():
        for line in value.replace("\r", " ").split("\n"):
            file.write(f"# {key}: {line}\n")
    writer = csv.writer(file, lineterminator="\n")
    # The first leaves a carriage return bare, which any reader takes for a line's end.
    quoting = csv.writer(file, lineterminator="\n", quoting=csv.QUOTE_ALL)
    writer.writerow((*COLUMNS, *extra))
    count = 0
    for sample, cells in rows:
        row = (*sample_cells(sample), *cells)
        (quoting if any("\r" in cell for cell in cells) else writer).writerow(row)
        count += 1
    return count

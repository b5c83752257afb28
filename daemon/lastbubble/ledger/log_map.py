"""The map of a foreign log: which of their columns is which of ours, in which unit, and how they write time.

A map is a small YAML file; `EXAMPLE` is one, with every key. `foreign` reads a log by it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import yaml

from lastbubble.errors import LogError
from lastbubble.ledger.logfile import LIMITS
from lastbubble.records import MARKS
from lastbubble.units import UNITS, parse

__all__ = ["EXAMPLE", "FLAGS", "NUMBERS", "Column", "LogMap", "load_map"]

EXAMPLE: Final = """\
# How somebody else's columns become ours. Only `time` and one column are needed.
delimiter: ";"            # or tab, space; without it: found from the line of names
decimal: ","              # decimal mark, "." without it
encoding: utf-8           # as the file was saved: utf-8, utf-16, latin-1, cp1252
names_in_line: 1          # which line holds the column names
empty: ["", "NA", "---"]  # cells that mean "no reading"; numbers too, as -999
time:
  column: Date            # or a list of columns, joined by a space: [Date, Time]
  form: "%d.%m.%Y %H:%M:%S"   # or: iso, epoch, epoch_ms, s, min, h, clock (h:mm:ss, over midnight)
  backwards: refuse       # or drop: leave out rows whose time does not rise
columns:
  chamber_pa: {column: Vacuum, unit: inHg vacuum, barometer: 29.9 inHg}
  oven_c: {column: Oven, unit: degF}
  heat: {column: Relay, one: ["ON"], zero: ["OFF"]}   # 1 = closed
  mark: {column: Note, words: {"pump started": pump_on}}
header:                   # lines for the head of the log
  station: bench 1
"""

_TOP: Final = ("delimiter", "decimal", "encoding", "names_in_line", "empty", "time", "columns", "header")
_TIME_FORMS: Final = ("iso", "epoch", "epoch_ms", "s", "min", "h", "clock")
NUMBERS: Final = tuple(name for name in LIMITS if name != "time_s")
FLAGS: Final = ("heat", "isolated")


@dataclass(frozen=True, slots=True)
class Column:
    """One of our columns: theirs, and for numbers how a value becomes SI, for flags and marks what words mean."""

    theirs: str
    convert: Callable[[float], float] = float
    words: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class LogMap:
    """A checked map; see EXAMPLE."""

    time_columns: tuple[str, ...]
    time_form: str
    columns: Mapping[str, Column]
    drop_backwards: bool = False
    delimiter: str = ""
    decimal: str = "."
    encoding: str = "utf-8-sig"
    names_in_line: int = 1
    empty: frozenset[str] = frozenset({""})
    header: Mapping[str, str] = field(default_factory=dict)


class _Faults(list[str]):
    def __init__(self, path: Path) -> None:
        super().__init__()
        self._path = path

    def add(self, key: str, text: str) -> None:
        self.append(f"{self._path}: {key} {text}")


def load_map(path: Path) -> LogMap:
    """Read and check a map.

    Raises LogError with all its faults, one a line: key, finding, what is allowed.
    """
    try:
        told = yaml.safe_load(path.read_text(encoding="utf-8-sig"))
    except OSError as exc:
        raise LogError(f"{path}: cannot be read ({exc.strerror}); check the name and your rights to it") from exc
    except (yaml.YAMLError, UnicodeDecodeError) as exc:
        mark = getattr(exc, "problem_mark", None)
        line = mark.line + 1 if mark is not None else 0
        what = getattr(exc, "problem", None) or "not UTF-8 text"
        raise LogError(f"{path}:{line}: not a map ({what}); 'lastbubble log map' drafts one", line) from exc
    faults = _Faults(path)
    if not isinstance(told, dict):
        raise LogError(f"{path}: a map has keys; allowed: {', '.join(_TOP)}; 'lastbubble log map' drafts one")
    for key in told:
        if key not in _TOP:
            faults.add(str(key), f"is unknown; allowed: {', '.join(_TOP)}")
    delimiter, decimal, encoding, line = _form(told, faults)
    time_columns, time_form, drop = _time(told.get("time"), faults)
    columns = _columns(told.get("columns"), faults)
    header = told.get("header") or {}
    if not isinstance(header, dict):
        faults.add("header", f"is {header!r:.60}; keys with texts are wanted, as station: bench 1")
        header = {}
    empty = told.get("empty", [])
    if not isinstance(empty, list):
        faults.add("empty", f"is {empty!r:.60}; a list is wanted, as [NA, -999]")
        empty = []
    if faults:
        raise LogError("\n".join(faults))
    return LogMap(
        time_columns=time_columns,
        time_form=time_form,
        columns=columns,
        drop_backwards=drop,
        delimiter=delimiter,
        decimal=decimal,
        encoding=encoding,
        names_in_line=line,
        empty=frozenset({"", *(str(word) for word in _plain_words(empty))}),
        header={str(key): str(value) for key, value in header.items()},
    )


def _form(told: Mapping[str, Any], faults: _Faults) -> tuple[str, str, str, int]:
    delimiter = {"tab": "\t", "space": " "}.get(str(told.get("delimiter", "")), told.get("delimiter", ""))
    if not (isinstance(delimiter, str) and len(delimiter) <= 1):
        faults.add("delimiter", f"is {delimiter!r:.60}; one character, tab or space is allowed")
    decimal = told.get("decimal", ".")
    if decimal not in (".", ","):
        faults.add("decimal", f'is {decimal!r:.60}; "." or "," is allowed')
    encoding = told.get("encoding", "utf-8")
    try:
        "".encode(encoding)
    except (LookupError, TypeError):
        faults.add("encoding", f"is {encoding!r:.60}; utf-8, utf-16, latin-1 and cp1252 are usual")
    line = told.get("names_in_line", 1)
    if not (isinstance(line, int) and not isinstance(line, bool) and 1 <= line <= 1000):
        faults.add("names_in_line", f"is {line!r:.60}; 1 to 1000 is allowed")
    return delimiter, decimal, "utf-8-sig" if encoding == "utf-8" else encoding, line


def _time(told: Any, faults: _Faults) -> tuple[tuple[str, ...], str, bool]:
    if not isinstance(told, dict):
        faults.add("time", "is missing; as time: {column: Time, form: s}")
        return (), "s", False
    for key in told:
        if key not in ("column", "form", "backwards"):
            faults.add(f"time.{key}", "is unknown; allowed: column, form, backwards")
    column = told.get("column")
    columns = tuple(str(name) for name in column) if isinstance(column, list) else (str(column),) if column else ()
    if not columns:
        faults.add("time.column", "is missing; the name of their column of time, or a list of two")
    form = str(told.get("form", ""))
    if form not in _TIME_FORMS and "%" not in form:
        faults.add(
            "time.form", f'is {form!r:.60}; allowed: {", ".join(_TIME_FORMS)}, or a pattern as "%Y-%m-%d %H:%M:%S"'
        )
    backwards = told.get("backwards", "refuse")
    if backwards not in ("refuse", "drop"):
        faults.add("time.backwards", f"is {backwards!r:.60}; allowed: refuse, drop")
    return columns, form, backwards == "drop"


def _columns(told: Any, faults: _Faults) -> dict[str, Column]:
    allowed = (*NUMBERS, *FLAGS, "mark")
    if not isinstance(told, dict) or not told:
        faults.add("columns", "is missing; as columns: {oven_c: {column: Oven, unit: degF}}")
        return {}
    out: dict[str, Column] = {}
    for ours, row in told.items():
        key = f"columns.{ours}"
        if ours not in allowed:
            faults.add(key, f"is none of ours; allowed: {', '.join(allowed)}")
        elif not isinstance(row, dict) or not row.get("column"):
            faults.add(key, "needs column: the name of theirs, as {column: Oven, unit: degF}")
        elif ours in NUMBERS:
            out[ours] = Column(str(row["column"]), _convert(ours, row, key, faults))
        elif ours in FLAGS:
            states = {
                str(word): state for name, state in (("one", True), ("zero", False)) for word in _words(row, name)
            }
            _only(row, ("column", "one", "zero"), key, faults)
            out[ours] = Column(str(row["column"]), words=states or {"1": True, "0": False})
        else:
            _only(row, ("column", "words"), key, faults)
            words = row.get("words") or {}
            for mark in words.values() if isinstance(words, dict) else ():
                if mark not in MARKS and not re.fullmatch(r"dial=\d{1,3}(?:\.\d+)?[FC]", str(mark)):
                    faults.add(f"{key}.words", f"gives {mark!r:.60}; allowed: {', '.join(MARKS)}, dial=<number>F or C")
            out[ours] = Column(str(row["column"]), words={str(word): mark for word, mark in dict(words).items()})
    return out


def _only(row: Mapping[str, Any], allowed: tuple[str, ...], key: str, faults: _Faults) -> None:
    for name in row:
        if name not in allowed:
            faults.add(f"{key}.{name}", f"is unknown; allowed: {', '.join(allowed)}")


def _words(row: Mapping[str, Any], name: str) -> list[Any]:
    told = row.get(name, [])
    return _plain_words(told if isinstance(told, list) else [told])


def _plain_words(told: list[Any]) -> list[Any]:
    # YAML takes an unquoted ON or no for a truth value; the person meant the word.
    spelt = {True: ("on", "yes", "true"), False: ("off", "no", "false")}
    out: list[Any] = []
    for word in told:
        if isinstance(word, bool):
            out += [form for plain in spelt[word] for form in (plain, plain.capitalize(), plain.upper())]
        else:
            out.append(word)
    return out


def _convert(ours: str, row: Mapping[str, Any], key: str, faults: _Faults) -> Callable[[float], float]:
    _only(row, ("column", "unit", "barometer"), key, faults)
    unit = str(row.get("unit", "Pa" if ours == "chamber_pa" else "degC"))
    words = unit.split()
    way = words.pop() if ours == "chamber_pa" and words[-1:] in (["vacuum"], ["gauge"]) else ""
    units = UNITS["pressure" if ours == "chamber_pa" else "temperature"]
    factor = units.get(" ".join(words))
    if factor is None:
        more = "; followed by 'vacuum' (below atmosphere) or 'gauge' (above it) where it is not absolute"
        faults.add(f"{key}.unit", f"is {unit!r:.60}; allowed: {', '.join(units)}{more if ours == 'chamber_pa' else ''}")
        return float
    if not way:
        return factor
    try:
        barometer_pa = parse(str(row.get("barometer", "101325 Pa")), "pressure")
    except ValueError as exc:
        faults.add(f"{key}.barometer", f"cannot be used: {exc}")
        return float
    sign = -1 if way == "vacuum" else 1
    return lambda value: barometer_pa + sign * factor(value)

"""A settings file's text -> plain values, with the line of every key.

YAML as people expect it, which is less than YAML has: one document of mappings, lists and scalars. Words such as `on`,
`no` or `1:30` stay words (the older YAML made booleans and base-60 numbers of them), dates stay text, a key stands
once. Anchors, aliases, merge keys and tags are refused: a limit that is written elsewhere is a limit that nobody reads.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

import yaml

from lastbubble.settings.faults import Fault, Path, path_text

__all__ = ["Place", "Source", "read_text"]

MAX_CHARACTERS: Final = 200_000
MAX_DEPTH: Final = 12
MAX_VALUES: Final = 5_000

_INT: Final = re.compile(r"[-+]?[0-9]{1,18}|0x[0-9a-fA-F]{1,15}")
#: A number with a dot. Without one an exponent is none: 8E1 is a serial frame, not eighty.
_FLOAT: Final = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+\.[0-9]*)(?:[eE][-+]?[0-9]{1,4})?")
_NULLS: Final = frozenset(("", "~", "null", "Null", "NULL"))
_BOOLS: Final = {"true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}

Value = dict[str, Any] | list[Any] | str | int | float | bool | None


@dataclass(frozen=True, slots=True)
class Place:
    """Where a value stands: 1-based line of its key, and the scalar's own text ("" for a mapping or list)."""

    line: int
    text: str = ""


@dataclass(slots=True)
class Source:
    """One file, read: its plain `data`, the `places` of all its paths, and the faults of reading it."""

    name: str
    data: dict[str, Any] = field(default_factory=dict)
    places: dict[Path, Place] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    #: False when reading had to stop: then `data` says nothing about what is missing.
    whole: bool = True

    def line(self, path: Path) -> int:
        """The line of `path`, or of the nearest thing around it that is in the file (0: the file as a whole)."""
        for end in range(len(path), 0, -1):
            place = self.places.get(path[:end])
            if place is not None:
                return place.line
        return 0


class _Stop(Exception):
    """Reading cannot go on; the fault is already noted."""


def read_text(text: str, name: str) -> Source:
    """Read one file's `text`; every fault of the reading is in the result's `faults`, and nothing is raised.

    `data` holds what could be read, so that the values may be judged as well as the form.
    """
    source = Source(name)
    source.whole = False
    if len(text) > MAX_CHARACTERS:
        source.faults.append(
            Fault(0, f"the file has {len(text)} characters; allowed: up to {MAX_CHARACTERS}; is it the settings file?")
        )
        return source
    try:
        _Reader(source).document(yaml.parse(text, Loader=yaml.SafeLoader))
        source.whole = True
    except _Stop:
        pass
    except yaml.MarkedYAMLError as exc:
        mark = exc.problem_mark or exc.context_mark
        source.faults.append(Fault(mark.line + 1 if mark else 0, _syntax(str(exc.problem or exc.context))))
    except yaml.reader.ReaderError as exc:
        line = text.count("\n", 0, exc.position) + 1 if isinstance(exc.position, int) else 0
        source.faults.append(
            Fault(line, f"a character (code {exc.character!r}) that no text has; allowed: printable UTF-8; delete it")
        )
    except (yaml.YAMLError, ValueError, OverflowError, IndexError, RecursionError) as exc:
        # The scanner lets builtin errors out on some junk (a code point beyond Unicode in "\U..."): still one message.
        source.faults.append(Fault(0, _syntax(str(exc))))
    return source


def _syntax(problem: str) -> str:
    mend = "write `key: value`, indent by two spaces, put quotes round text with `: ` or `#` in it"
    if "\\t" in problem or "'\t'" in problem:
        mend = "indent with spaces, never with tabs"
    return f"this is not YAML: {problem}; allowed: `key: value` lines, lists and comments; {mend}"


class _Reader:
    """Walks the events of one document without recursing into what a stranger wrote."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._count = 0

    def document(self, events: Iterator[Any]) -> None:
        documents = 0
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self._stop(event, "a second document begins here; allowed: one; delete the `---` line")
            elif isinstance(event, yaml.MappingStartEvent):
                self._source.data = self._mapping(event, events, (), 1)
            elif isinstance(event, yaml.ScalarEvent) and event.style is None and event.value in _NULLS:
                continue
            elif isinstance(event, yaml.SequenceStartEvent | yaml.ScalarEvent | yaml.AliasEvent):
                self._stop(event, "this is no group of keys; allowed: `key: value` lines; begin with `station: NAME`")

    def _note(self, event: Any, text: str, path: Path | None = None) -> None:
        self._source.faults.append(Fault(event.start_mark.line + 1, text, () if path is None else (path,)))

    def _stop(self, event: Any, text: str) -> None:
        self._note(event, text)
        raise _Stop

    def _mapping(self, start: Any, events: Iterator[Any], path: Path, depth: int) -> dict[str, Any]:
        self._plain(start, path)
        out: dict[str, Any] = {}
        for event in events:
            if isinstance(event, yaml.MappingEndEvent):
                break
            if not isinstance(event, yaml.ScalarEvent):
                self._stop(
                    event, f"a key of {path_text(path)} is not a plain word; allowed: `key: value`; mend the line"
                )
            self._plain(event, path)
            key = str(event.value)
            line = event.start_mark.line + 1
            here = (*path, key)
            if key == "<<" and event.style is None:
                self._note(
                    event, f"{path_text(here)} is a merge key; allowed: every value written where it counts; copy it"
                )
            known = self._source.places.get(here)
            if known is None:
                self._source.places[here] = Place(line)
                value = self._value(next(events), events, here, depth)
                if self._given(event, value, here):
                    out[key] = value
            else:
                self._note(
                    event,
                    f"{path_text(here)} stands here again; allowed: once (it is on line {known.line} already); "
                    "delete one of the two",
                )
                # Read on past the second value without letting it, or its places, count.
                _Reader(Source(self._source.name))._value(next(events), events, here, depth)
        return out

    def _sequence(self, start: Any, events: Iterator[Any], path: Path, depth: int) -> list[Any]:
        self._plain(start, path)
        out: list[Any] = []
        for event in events:
            if isinstance(event, yaml.SequenceEndEvent):
                break
            here = (*path, len(out))
            self._source.places[here] = Place(event.start_mark.line + 1)
            value = self._value(event, events, here, depth)
            if self._given(event, value, here):
                out.append(value)
        return out

    def _given(self, event: Any, value: Value, path: Path) -> bool:
        """False, with the fault noted, for a key without a value: nobody can tell what it was meant to be."""
        if value is None and not self._noted(path):
            self._note(event, f"{path_text(path)} is empty; allowed: a value; write one, or delete the line", path)
        return value is not None

    def _noted(self, path: Path) -> bool:
        return any(path in fault.paths for fault in self._source.faults)

    def _value(self, event: Any, events: Iterator[Any], path: Path, depth: int) -> Value:
        self._count += 1
        if self._count > MAX_VALUES:
            self._stop(event, f"value {MAX_VALUES + 1} begins; allowed: {MAX_VALUES}; is this the settings file?")
        if depth > MAX_DEPTH:
            self._stop(event, f"this is nested too deep; allowed: up to {MAX_DEPTH} levels; is this the settings file?")
        if isinstance(event, yaml.MappingStartEvent):
            return self._mapping(event, events, path, depth + 1)
        if isinstance(event, yaml.SequenceStartEvent):
            return self._sequence(event, events, path, depth + 1)
        if isinstance(event, yaml.AliasEvent):
            self._note(event, f"{path_text(path)} is an alias (*); allowed: a value written out; copy it", path)
            return None
        self._plain(event, path)
        line = self._source.places[path].line if path in self._source.places else event.start_mark.line + 1
        self._source.places[path] = Place(line, str(event.value))
        if event.style is not None:
            return str(event.value)
        return scalar(str(event.value))

    def _plain(self, event: Any, path: Path) -> None:
        where = path_text(path)
        if event.anchor is not None:
            self._note(event, f"{where} has an anchor (&{event.anchor}); allowed: plain values; delete the anchor")
        if event.tag is not None and event.tag != "!":
            self._note(event, f"{where} has a tag ({event.tag}); allowed: plain values; delete the tag")


def scalar(text: str) -> str | int | float | bool | None:
    """What an unquoted scalar means: nothing, true or false, a number, or the word itself. Never NaN or infinite."""
    if text in _NULLS:
        return None
    if text in _BOOLS:
        return _BOOLS[text]
    if _INT.fullmatch(text):
        return int(text, 16) if text[:2] == "0x" else int(text)
    if _FLOAT.fullmatch(text) and math.isfinite(number := float(text)):
        return number
    return text

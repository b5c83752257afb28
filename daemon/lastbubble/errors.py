"""Errors that a person is meant to read: each says where, what was found, what is allowed, and the mend."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

__all__ = ["BadInput", "LastbubbleError", "LogError", "SettingsError", "faults_of"]

#: What a line of a refusal begins with: a name and a colon, a piece and a colon, or a name and what it is or needs.
_PLACE: Final = re.compile(r"(piece .{0,40}?|[\w-]+)(: | (?=is |needs |must ))")


class LastbubbleError(Exception):
    """Anything this package raises on purpose; its text is ready to show to a person."""


class BadInput(LastbubbleError, ValueError):
    """Input that cannot be used: place, finding, what is allowed, the mend."""


class SettingsError(BadInput):
    """All faults of one settings file, one line each in `faults`."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(faults))


class LogError(BadInput):
    """A log file that cannot be read on; `line` is the 1-based line of the finding (0: the file as a whole)."""

    def __init__(self, text: str, line: int = 0) -> None:
        self.line = line
        super().__init__(text)


def faults_of(why: str, names: Iterable[str]) -> dict[str, str]:
    """Which field each line of a refusal is about: the place that the line begins with, as "piece 1: dry: ..." says
    "dry"; lines about no field of these are left out, of several about one field the first is kept.
    """
    known = set(names)
    out: dict[str, str] = {}
    for line in why.split("\n"):
        rest = line
        # At most the request's name and the piece's stand before the field.
        for _ in range(3):
            found = _PLACE.match(rest)
            if found is None:
                break
            if found[1] in known and found[1] not in out:
                out[found[1]] = rest[found.end() :]
                break
            if found[2] != ": ":
                break
            rest = rest[found.end() :]
    return out

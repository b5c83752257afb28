"""Errors that a person is meant to read: each says where, what was found, what is allowed, and the mend."""

from __future__ import annotations

__all__ = ["BadInput", "LastbubbleError", "LogError", "SettingsError"]


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

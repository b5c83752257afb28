"""Asking the person at the bench, on a terminal or line by line from a script; what is measured goes on beside it.

Questions and cautions go to standard error, so that standard output stays the answer. The end of the input is "later":
what has been answered so far is kept, and the step is gone on with another time.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, TextIO

__all__ = ["Later", "Person"]

_YES: Final = frozenset({"y", "yes"})
_NO: Final = frozenset({"n", "no"})
_LATER: Final = frozenset({"l", "later", "q", "quit", ""})


class Later(Exception):
    """The person goes on another time."""


@dataclass(frozen=True, slots=True)
class Person:
    """hears : where questions go (standard error);  speaks : where answers come from (standard input)"""

    hears: TextIO
    speaks: TextIO

    @staticmethod
    def at_the_terminal() -> Person:
        return Person(sys.stderr, sys.stdin)

    def say(self, text: str) -> None:
        print(text, file=self.hears, flush=True)

    def caution(self, lines: Iterable[str]) -> None:
        """What can hurt, before the work begins."""
        for line in lines:
            self.say(f"  CAUTION  {line}")

    def yes(self, question: str) -> bool:
        """True for yes, False for no. Raises Later for later, an empty line or the end of the input."""
        while True:
            print(f"{question} [yes/no/later] ", end="", file=self.hears, flush=True)
            word = self._line()
            if word in _YES:
                return True
            if word in _NO:
                return False
            if word in _LATER:
                raise Later
            self.say("  answer yes, no or later")

    def ready(self, text: str) -> None:
        """Wait until the person says go (an empty line). Raises Later for later or the end of the input."""
        print(f"{text} [Enter, or later] ", end="", file=self.hears, flush=True)
        line = self.speaks.readline()
        if not line or line.strip().lower() in _LATER - {""}:
            raise Later

    def _line(self) -> str:
        line = self.speaks.readline()
        if not line:
            raise Later
        return line.strip().lower()

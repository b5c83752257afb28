"""What a judge says. Three verdicts; only `content` lets heat be on."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

__all__ = ["CONTENT", "Finding", "Verdict", "unknown", "violated"]


class Verdict(StrEnum):
    """content: nothing speaks against heat.  violated: the rule's reaction follows.  unknown: cannot be judged or not
    yet surely; heat stays off as long as it lasts, and it clears nothing."""

    CONTENT = "content"
    VIOLATED = "violated"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Finding:
    """A verdict with the reading that decided it (in the rule's unit), its source and a sentence for the person."""

    verdict: Verdict
    reading: float | None = None
    source: str = ""
    text: str = ""


CONTENT: Final = Finding(Verdict.CONTENT)


def violated(text: str, reading: float | None = None, source: str = "") -> Finding:
    return Finding(Verdict.VIOLATED, reading, source, text)


def unknown(text: str, reading: float | None = None, source: str = "") -> Finding:
    return Finding(Verdict.UNKNOWN, reading, source, text)

"""Looks at the resin lots by the hour, and says once when one comes near its end: to the phone, and on the page.

A lot that is topped up and fresh again may come near its end again, and is told again. What was told is kept in the
ledger, so that a restart says nothing twice.
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable, Sequence
from typing import Final, Protocol

from lastbubble.book.resin import LotState
from lastbubble.errors import LastbubbleError

__all__ = ["TOLD_FACT", "ResinWatch"]

log = logging.getLogger("lastbubble.resin")

#: The ledger's name for the level that was told of each lot, as JSON.
TOLD_FACT: Final = "resin_told"
#: Real time until the first look after the start, and between two [s].
_FIRST_S: Final = 30.0
_EVERY_S: Final = 3600.0
#: Levels that are told: title, what was found.
_TOLD: Final = {
    "soon": ("Resin may thicken before long", "Resin lot {} was reckoned to come near its end"),
    "likely": ("Resin is likely thickening", "Resin lot {} was reckoned to be thickening"),
}


class _Facts(Protocol):
    def fact(self, name: str) -> str: ...
    def set_fact(self, name: str, value: str) -> None: ...


class ResinWatch:
    """`look()` once, or `start()` for a thread that looks by the hour. `lines` is what the page says, a lot each.

    states : all lots as they are;  facts : the ledger
    tell : key, title, finding, advice; None where nobody is to be told
    """

    def __init__(
        self,
        states: Callable[[], Sequence[LotState]],
        facts: _Facts,
        tell: Callable[[str, str, str, str], object] | None = None,
    ) -> None:
        self._states = states
        self._facts = facts
        self._tell = tell
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="resin", daemon=True)
        self.lines: tuple[str, ...] = ()

    def start(self) -> None:
        """Look by the hour, from half a minute on."""
        self._thread.start()

    def close(self) -> None:
        """No more looks; closing twice is fine."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(10)

    def look(self) -> None:
        """Judge every lot now. Raises LastbubbleError where the ledger cannot be read."""
        try:
            before = json.loads(self._facts.fact(TOLD_FACT) or "{}")
        except ValueError:
            before = {}
        now: dict[str, str] = {}
        lines = []
        for state in self._states():
            if state.level not in _TOLD:
                continue
            now[state.name] = state.level
            title, finding = _TOLD[state.level]
            advice = state.remarks[0] if state.remarks else ""
            lines.append(f"resin lot {state.name}: {advice or title}")
            if before.get(state.name) != state.level and self._tell is not None:
                # Each time that it comes to this is a matter of its own.
                key = f"resin {state.name} {state.level} {state.age_s:.0f}"
                self._tell(key, title, finding.format(state.name), advice)
        self.lines = tuple(lines)
        if now != before:
            self._facts.set_fact(TOLD_FACT, json.dumps(now, sort_keys=True))

    def _run(self) -> None:
        wait_s = _FIRST_S
        while not self._stop.wait(wait_s):
            wait_s = _EVERY_S
            try:
                self.look()
            except LastbubbleError as exc:
                log.warning("event=resin_not_judged why=%r", str(exc))

"""Who may ask the guard for what, in which states: one row a request. What has no row is refused.

`direction` says where a granted request leads. `safer` can only take heat away, `none` changes nothing about heat,
`hotter` may bring it. No row that the service can reach is `hotter`, but for the renewal of a lease that a person at
the bench began; nothing at all is reachable from the network but `cut`, through the service.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from lastbubble.guard.protocol import StateName
from lastbubble.guard.states import STATES

__all__ = ["MAX_FIELD_CHARS", "REQUESTS", "Request", "Who", "check_request"]

#: service: guard.sock.  bench: bench.sock, a person's command.  button: a held button on the bench.
Who = Literal["service", "bench", "button"]
Direction = Literal["safer", "none", "hotter"]
Check = Callable[[Any], str]

MAX_FIELD_CHARS: Final = 200


def _text(value: Any) -> str:
    if not isinstance(value, str) or len(value) > MAX_FIELD_CHARS or any(ord(char) < 32 for char in value):
        return f"a text of at most {MAX_FIELD_CHARS} characters"
    return ""


def _number(low: float, high: float) -> Check:
    def check(value: Any) -> str:
        good = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        return "" if good and low <= value <= high else f"a number from {low:g} to {high:g}"

    return check


def _flag(value: Any) -> str:
    return "" if isinstance(value, bool) else "true or false"


def _probe(value: Any) -> str:
    return "" if value in ("oven", "oven2", "witness") else "oven, oven2 or witness"


@dataclass(frozen=True, slots=True)
class Request:
    """One row.

    name;  who : may ask it;  states : in which it is granted;  direction
    fields : name -> check (what is wanted, or "" when it is right);  needed : the fields that must be there
    says : one line for the person
    """

    name: str
    who: frozenset[Who]
    states: frozenset[StateName]
    direction: Direction
    says: str
    fields: Mapping[str, Check]
    needed: frozenset[str] = frozenset()


_ALL: Final = frozenset(STATES)


def _row(
    name: str, who: str, states: str, direction: Direction, says: str, needed: str = "", **fields: Check
) -> Request:
    return Request(
        name,
        frozenset(who.split()),  # type: ignore[arg-type]  # words of the row, held by the tests
        _ALL if states == "all" else frozenset(states.split()),  # type: ignore[arg-type]  # likewise
        direction,
        says,
        fields,
        frozenset(needed.split()),
    )


_ROWS: Final = (
    _row("listen", "service bench", "all", "none", "hear the status", every_s=_number(0.05, 3600)),
    _row("cut", "service bench button", "all", "safer", "take the heat away", reason=_text),
    _row("renew_lease", "service", "permitted", "hotter", "begin the lease of a standing permit anew"),
    _row("permit", "bench button", "withheld", "hotter", "let the oven have power", hours=_number(0.01, 72)),
    _row("reset", "bench button", "tripped", "hotter", "release a trip: cool, well and looked at", false_alarm=_flag),
    _row("prove", "bench", "permitted", "safer", "trip on a made-up reading and see the relay open"),
    _row(
        "check_probe", "bench", "withheld", "safer", "compare a probe with something known", "probe true_c",
        probe=_probe, true_c=_number(-5, 150),
    ),
    _row("lamp_seen", "bench", "withheld", "none", "say that the lamp test was seen", "both", both=_flag),
)  # fmt: skip

REQUESTS: Final[Mapping[str, Request]] = {row.name: row for row in _ROWS}


def check_request(data: Any, who: Who, state: StateName) -> str:
    """Why the request is refused, "" when its row grants it. Never raises."""
    if not isinstance(data, dict):
        return "a request is an object with a key `ask`"
    name = data.get("ask")
    row = REQUESTS.get(name) if isinstance(name, str) else None
    if row is None:
        return f"ask is {name!r:.60}; allowed: {', '.join(REQUESTS)}"
    if who not in row.who:
        return f"{row.name} may be asked by {' or '.join(sorted(row.who))}, not by {who}"
    for key, value in data.items():
        if key == "ask":
            continue
        check = row.fields.get(key)
        if check is None:
            return f"{row.name}.{key} is not known; allowed: {', '.join(row.fields) or 'nothing'}"
        wanted = check(value)
        if wanted:
            return f"{row.name}.{key} is {value!r:.60}; {wanted} is wanted"
    missing = sorted(row.needed - data.keys())
    if missing:
        return f"{row.name} needs {' and '.join(missing)}"
    if state not in row.states:
        return f"{row.name} is granted while {' or '.join(sorted(row.states))}; the guard is {state}"
    return ""

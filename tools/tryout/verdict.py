"""Whether the batch completed and nothing was lost: every check with its finding, from the files that were left."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from lastbubble.outlets.wording import MESSAGES

__all__ = ["EVENTS", "Check", "Evidence", "judge", "received_lines"]

#: Events of a whole batch; each has to be said once and to reach the phone.
EVENTS: Final = ("bubbles_stopped", "vented", "soak_complete", "cure_temperature_reached", "cure_complete")


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that has to be so."""

    name: str
    ok: bool
    finding: str


@dataclass(frozen=True, slots=True)
class Evidence:
    """stream : lines of the record stream as the service said it, live
    replayed : lines of `lastbubble replay` of the exported log;  received : lines that the subscriber got
    notices : what the phone got;  trouble : what the person or the try-out itself found wrong
    heat_at_end : level of the relay's line when everybody had gone;  relay : its edges (bench time, level)
    zero_s : bench time of the batch's zero                                                              [s]
    """

    stream: Sequence[str]
    replayed: Sequence[str]
    received: Sequence[str]
    notices: Sequence[Mapping[str, Any]]
    trouble: Sequence[str] = ()
    heat_at_end: bool = False
    relay: Sequence[tuple[float, bool]] = ()
    zero_s: float = 0.0


def received_lines(payloads: Sequence[str], batch: int) -> tuple[list[str], int, str]:
    """The stream's lines of one batch out of what the broker carried, in order of `seq`; doubles; a fault or "".

    A payload is `{"seq":..,"batch":..,"record":{...}}` with the record byte for byte.
    """
    lines: dict[int, str] = {}
    doubles = 0
    order: list[int] = []
    for payload in payloads:
        try:
            data = json.loads(payload)
            seq, of = int(data["seq"]), int(data["batch"])
            line = payload[payload.index('"record":') + len('"record":') : payload.rindex("}")]
        except (ValueError, KeyError, TypeError) as exc:
            return [], 0, f"not a record: {payload[:80]!r} ({exc})"
        if of != batch:
            continue
        if seq in lines:
            doubles += 1
            if lines[seq] != line:
                return [], 0, f"record {seq} came twice, and differently"
            continue
        lines[seq] = line
        order.append(seq)
    if order != sorted(order):
        return [], 0, "records came out of order"
    return [lines[seq] for seq in order], doubles, ""


def _first_difference(one: Sequence[str], other: Sequence[str]) -> str:
    for number, (a, b) in enumerate(zip(one, other, strict=False), 1):
        if a != b:
            return f"line {number}: {a[:100]} | {b[:100]}"
    return f"{len(one)} lines and {len(other)}"


def judge(evidence: Evidence) -> list[Check]:
    """Every check, also those that pass."""
    records = [json.loads(line) for line in evidence.stream]
    stages = [record["stage"] for record in records if record["kind"] == "stage"]
    events = [record["name"] for record in records if record["kind"] == "event"]
    trips = [record["cause"] for record in records if record["kind"] == "trip"]
    return [
        Check("nothing went wrong on the way", not evidence.trouble, "; ".join(evidence.trouble) or "no trouble"),
        Check(
            "the batch completed",
            bool(stages) and stages[-1] == "finished" and "cure_complete" in events,
            f"last stage {stages[-1] if stages else 'none'}; events: {', '.join(events) or 'none'}",
        ),
        Check("nothing tripped", not trips, ", ".join(trips) or "no trip"),
        Check(
            "every event was said",
            all(name in events for name in EVENTS),
            ", ".join(name for name in EVENTS if name not in events) or "all of them",
        ),
        Check(
            "replay of the log says the same, line for line",
            bool(evidence.stream) and list(evidence.stream) == list(evidence.replayed),
            f"{len(evidence.stream)} records"
            if evidence.stream == evidence.replayed
            else _first_difference(evidence.stream, evidence.replayed),
        ),
        Check(
            "the subscriber got every record, in order",
            bool(evidence.stream) and list(evidence.stream) == list(evidence.received),
            f"{len(evidence.received)} of {len(evidence.stream)}"
            if len(evidence.stream) != len(evidence.received)
            else (
                "all of them"
                if list(evidence.stream) == list(evidence.received)
                else _first_difference(evidence.stream, evidence.received)
            ),
        ),
        _notices(evidence, events),
        *_heat(evidence, records),
    ]


def _notices(evidence: Evidence, events: Sequence[str]) -> Check:
    wanted = [name for name in dict.fromkeys(events) if name in EVENTS]
    texts = [f"{notice.get('title', '')} {notice.get('message', '')}".lower() for notice in evidence.notices]
    # The fact stands in a notice of its own and in one that tells several at once.
    facts = {name: MESSAGES[f"event {name}"].fact.lower() for name in wanted}
    missing = [name for name in wanted if not any(facts[name] in text for text in texts)]
    return Check(
        "the phone was told of every event",
        bool(wanted) and not missing,
        f"{len(texts)} notices" + (f"; none of {', '.join(missing)}" if missing else ""),
    )


#: The person at the bench has so long to withhold the heat after the cure was said to be complete [s].
_WITHHELD_S: Final = 600.0


def _heat(evidence: Evidence, records: Sequence[Mapping[str, Any]]) -> list[Check]:
    heated = any(level for _, level in evidence.relay)
    after = [record["t"] for record in records if record.get("name") == "cure_complete"]
    last_s = evidence.relay[-1][0] if evidence.relay else None
    cut = last_s is not None and not evidence.relay[-1][1]
    withheld = cut and bool(after) and last_s is not None and last_s - evidence.zero_s <= after[0] + _WITHHELD_S
    return [
        Check("the oven was heated", heated, f"{len(evidence.relay)} edges of the relay"),
        Check(
            "heat was withheld once the cure was complete",
            heated and withheld,
            "open within minutes of it" if withheld else f"edges: {list(evidence.relay)[-4:]}, complete at {after}",
        ),
        Check("the relay is open at the end", not evidence.heat_at_end, "closed" if evidence.heat_at_end else "open"),
    ]


def read_lines(path: Path) -> list[str]:
    """The lines of a text file, without their ends; none where there is no file."""
    try:
        return path.read_text(encoding="utf-8").splitlines()
    except FileNotFoundError:
        return []

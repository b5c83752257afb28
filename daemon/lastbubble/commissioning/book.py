"""Where the records of commissioning are kept: small texts of the ledger, one a step.

While the service runs it owns the ledger, so the commands ask it (`keep`, `read`); without it they open the file. A
record is dated by whoever writes it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from lastbubble.commissioning.steps import STEPS, Outcome, StepRecord, record_from, records_json, records_of
from lastbubble.context import Context
from lastbubble.desk import DeskGone, ask_desk
from lastbubble.errors import BadInput, LastbubbleError

if TYPE_CHECKING:
    from lastbubble.clock import Clock
    from lastbubble.ledger.store import Ledger
    from lastbubble.settings import Settings

__all__ = ["FACT", "informed", "keep", "kept_in", "read", "store", "values"]

#: Name of a step's text among the ledger's facts.
FACT: Final = "commission:{}"
Records = Mapping[str, list[StepRecord]]


def kept_in(ledger: Ledger) -> dict[str, list[StepRecord]]:
    """Everything that is on record in an open ledger: step -> records, oldest first."""
    return {row.name: records_of(ledger.fact(FACT.format(row.name))) for row in STEPS}


def store(ledger: Ledger, record: StepRecord, now_utc: datetime) -> StepRecord:
    """Date a record, put it above the step's older ones and return it."""
    dated = replace(record, utc=now_utc.strftime("%Y-%m-%dT%H:%M:%SZ"))
    name = FACT.format(record.step)
    ledger.set_fact(name, records_json([*records_of(ledger.fact(name)), dated]))
    return dated


def _socket(settings: Settings) -> Path:
    return Path(settings.runtime_dir) / "service.sock"


def read(settings: Settings, socket: Path | None = None, ledger: Path | None = None) -> dict[str, list[StepRecord]]:
    """What is on record of this station, from its service, else from its ledger's file.

    socket, ledger : where they are, if not where the settings say
    Raises LastbubbleError when neither can be asked.
    """
    try:
        answer = ask_desk(socket or _socket(settings), {"ask": "commission"}, timeout_s=5.0)
        return {row.name: [record_from(one) for one in answer["records"].get(row.name, [])] for row in STEPS}
    except (BadInput, KeyError, AttributeError, ValueError):
        pass  # no service, or an older one: the file has it
    from lastbubble.ledger.reader import Reader

    reader = Reader(ledger or Path(settings.ledger.path))
    try:
        rows = dict(reader.query("SELECT name, value FROM facts WHERE name LIKE 'commission:%'"))
    finally:
        reader.close()
    return {row.name: records_of(str(rows.get(FACT.format(row.name), ""))) for row in STEPS}


def keep(
    settings: Settings, clock: Clock, step: str, outcome: Outcome, text: str, found: Mapping[str, Any]
) -> StepRecord:
    """Keep a record with the station, through its service or, when none runs, in the ledger's file itself.

    Raises LastbubbleError when it could be kept nowhere, saying why.
    """
    record = record_from({"step": step, "outcome": outcome, "utc": "", "text": text, "found": dict(found)})
    path = _socket(settings)
    if path.exists():
        try:
            return record_from(ask_desk(path, {"ask": "commission_keep", "record": values(record)})["record"])
        except DeskGone:
            pass  # a socket that a killed service left behind: the file has it
    from lastbubble.ledger.store import Ledger

    place = Path(settings.ledger.path)
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        ledger = Ledger.open(place, settings.to_ledger())
    except OSError as exc:
        raise LastbubbleError(
            f"{place}: the record cannot be kept ({exc.strerror or exc}); start the service, or run this as its user"
        ) from exc
    try:
        dated = store(ledger, record, clock.utc())
        if not ledger.flush(5):
            raise LastbubbleError(f"{place}: the record could not be written ({ledger.health.text})")
    finally:
        ledger.close()
    return dated


def values(record: StepRecord) -> dict[str, Any]:
    """A record as JSON values, as `record_from` takes them."""
    return {
        "step": record.step,
        "outcome": record.outcome,
        "utc": record.utc,
        "text": record.text,
        "found": dict(record.found),
    }


def informed(context: Context, records: Records) -> Context:
    """The context with base pressure and leak as commissioning found them, where the settings say nothing."""

    def last(step: str, name: str) -> float | None:
        for record in reversed(records.get(step, [])):
            value = record.found.get(name)
            if record.outcome == "done" and isinstance(value, int | float) and not isinstance(value, bool):
                return float(value)
        return None

    base, leak = last("base", "base_pa"), last("leak", "leak_pa_s")
    if context.base_pa is None and base is not None and 0 <= base <= 50e3:
        context = replace(context, base_pa=base)
    if context.leak_pa_s is None and leak is not None and 0 <= leak <= 1e4:
        context = replace(context, leak_pa_s=leak)
    return context

"""What is still to be told to a person: notices and their deliveries, in memory and in the ledger.

The ledger's rows survive a restart, so a notice leaves at least once; what has left is noted before anything else is
sent, so a restart in peace doubles nothing.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Final, Literal

from lastbubble.ledger.rows import utc_text
from lastbubble.ledger.store import Ledger
from lastbubble.outlets.wording import Message

__all__ = ["Delivery", "Notice", "Outbox"]

State = Literal["waiting", "sending", "sent", "given_up"]

_PUT_NOTICE: Final = (
    "INSERT INTO notices (id, key, batch, urgency, title, text, happened_utc, state, acknowledged_utc, detail) "
    "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO UPDATE SET state = excluded.state, "
    "acknowledged_utc = excluded.acknowledged_utc WHERE notices.key = excluded.key"
)
_PUT_DELIVERY: Final = (
    "INSERT OR REPLACE INTO deliveries (notice, channel, state, tries, sent, next_utc, last_utc, why) "
    "VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
)


@dataclass(slots=True)
class Delivery:
    """One notice on one channel. `due_s` is bench time and not kept: after a restart everything is due.

    tries : attempts since it last left;  unknown : of these, how many may have arrived;  sent : how often it left
    """

    channel: str
    state: State = "waiting"
    tries: int = 0
    unknown: int = 0
    sent: int = 0
    due_s: float = 0.0
    last_utc: str = ""
    why: str = ""


@dataclass(slots=True)
class Notice:
    """One matter for a person. `happened` is a label; ages are counted in batch time where the batch is known.

    key : unique: a matter is noted once, however often it is handed in
    """

    id: int
    key: str
    batch: int
    message: Message
    happened: datetime
    deliveries: dict[str, Delivery] = field(default_factory=dict)
    acknowledged_utc: str = ""

    @property
    def alarm(self) -> bool:
        return self.message.urgency == "alarm"

    @property
    def sounding(self) -> bool:
        """An alarm that nobody has acknowledged."""
        return self.alarm and not self.acknowledged_utc

    @property
    def done(self) -> bool:
        left = {delivery.state for delivery in self.deliveries.values()} - {"given_up"}
        return left <= {"sent"} and not (self.sounding and left)


class Outbox:
    """The open notices of a ledger, oldest first."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self.open: dict[int, Notice] = {}
        self._keys: set[str] = set()
        rows = ledger.query("SELECT coalesce(max(id), 0) FROM notices")
        self._last_id = int(rows[0][0]) if rows else 0
        self._load()

    def _load(self) -> None:
        rows = self._ledger.query(
            "SELECT id, key, batch, happened_utc, acknowledged_utc, detail FROM notices WHERE state = 'open' "
            "ORDER BY id"
        )
        for id_, key, batch, happened, acknowledged, detail in rows:
            message = Message(**json.loads(detail))
            self.open[id_] = Notice(id_, key, batch, message, datetime.fromisoformat(happened), {}, acknowledged)
        deliveries = self._ledger.query(
            "SELECT notice, channel, state, tries, sent, last_utc, why FROM deliveries WHERE notice IN "
            "(SELECT id FROM notices WHERE state = 'open')"
        )
        for id_, channel, state, tries, sent, last_utc, why in deliveries:
            # "sending" = the process ended in the middle: it may have left, and must have left at least once.
            unknown = int(state == "sending")
            now: State = "waiting" if state == "sending" else state
            self.open[id_].deliveries[channel] = Delivery(channel, now, tries, unknown, sent, 0.0, last_utc, why)
        self._keys = {key for (key,) in self._ledger.query("SELECT key FROM notices ORDER BY id DESC LIMIT 5000")}

    def add(self, key: str, batch: int, message: Message, happened: datetime, channels: Iterable[str]) -> Notice | None:
        """Note a matter for these channels; None where it is noted already."""
        if key in self._keys:
            return None
        self._keys.add(key)
        self._last_id += 1
        deliveries = {channel: Delivery(channel) for channel in channels}
        notice = Notice(self._last_id, key, batch, message, happened, deliveries)
        self.open[notice.id] = notice
        self.keep(notice)
        for delivery in deliveries.values():
            self.keep_delivery(notice, delivery)
        return notice

    def keep(self, notice: Notice) -> None:
        """Write the notice; one that is done leaves memory."""
        message = notice.message
        state = "done" if notice.done else "open"
        self._ledger.execute(
            _PUT_NOTICE,
            (
                notice.id,
                notice.key,
                notice.batch,
                message.urgency,
                message.title,
                message.fact,
                utc_text(notice.happened),
                state,
                notice.acknowledged_utc,
                json.dumps(asdict(message), ensure_ascii=False),
            ),
        )
        if state == "done":
            self.open.pop(notice.id, None)

    def keep_delivery(self, notice: Notice, delivery: Delivery) -> None:
        self._ledger.execute(
            _PUT_DELIVERY,
            (
                notice.id,
                delivery.channel,
                delivery.state,
                delivery.tries,
                delivery.sent,
                "",
                delivery.last_utc,
                delivery.why,
            ),
        )

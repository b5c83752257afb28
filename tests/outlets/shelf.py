"""A station whose book is a real ledger with its keeper and planner, asked through the desk as the page does."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import timedelta
from typing import Any

from lastbubble.book.begin import header_of
from lastbubble.book.keeper import Keeper
from lastbubble.book.photos import Incoming, PhotoShelf
from lastbubble.book.plan import Awake
from lastbubble.book.planner import Planner, PlanSettings
from lastbubble.book.report import report_html
from lastbubble.book.story import batch_book
from lastbubble.book.vessel import Vessel
from lastbubble.context import Context, context_from_header
from lastbubble.desk import Desk
from lastbubble.errors import BadInput, LastbubbleError
from lastbubble.ledger.rows import utc_text
from lastbubble.ledger.series import marks
from lastbubble.ledger.store import Ledger
from lastbubble.units import Display
from tests.book.conftest import UTC_0
from tests.outlets.moments import Told

__all__ = ["Shelf"]


class Shelf(Told):
    """The moment is told as `Told` does; all of the book comes from the ledger."""

    def __init__(self, ledger: Ledger) -> None:
        super().__init__()

        def utc() -> Any:
            return UTC_0 + timedelta(days=1)

        def open_batch() -> int:
            return max(row.id for row in ledger.batches())

        settings = PlanSettings(Awake(), None, Vessel(diameter_m=0.24, height_m=0.3))
        self.ledger = ledger
        self.keeper = Keeper(ledger, utc, open_batch, lambda fields: self.planner(fields))
        self.planner = Planner(ledger, utc, Context(soak_min=60.0), settings, open_batch, lots=self.keeper.lot_states)
        self._desk = Desk(self._answer)
        self.photos = PhotoShelf(ledger.path.with_name("photos"), lambda told: self._desk.ask(dict(told)), 0)

    def _answer(self, name: str, fields: dict[str, Any]) -> dict[str, Any]:
        if name == "batch_begin":
            context = context_from_header(header_of(fields))
            number = self.ledger.open_batch(context, name=fields.get("name", ""), opened_utc=UTC_0)
            self.ledger.flush(5)
            return {"batch": number}
        if name in ("mark", "cut", "acknowledge"):
            return {}
        return self.keeper.answer(name, fields, "page")

    def ask(self, request: Mapping[str, Any]) -> dict[str, Any]:
        self.asked.append(dict(request))
        return self._desk.ask(dict(request), page=True)

    def batches(self) -> list[dict[str, Any]]:
        return [
            {
                "id": row.id,
                "name": row.name,
                "opened_utc": utc_text(row.opened_utc),
                "closed_utc": utc_text(row.closed_utc),
                "material": row.header.get("material", ""),
            }
            for row in reversed(self.ledger.batches())
        ]

    def batch(self, number: int) -> dict[str, Any]:
        try:
            row = self.ledger.batch(number)
        except LastbubbleError as exc:
            raise BadInput(str(exc)) from exc
        return {
            "id": row.id,
            "name": row.name,
            "notes": row.notes,
            "opened_utc": utc_text(row.opened_utc),
            "closed_utc": utc_text(row.closed_utc),
            "header": dict(row.header),
            "pieces": list(row.pieces),
            "marks": marks(self.ledger, number),
            "book": batch_book(self.ledger, number),
            "story": [json.loads(stored.line) for stored in self.ledger.records(number)],
        }

    def photo(self, batch: int) -> Incoming:
        self.batch(batch)
        return self.photos.coming(batch)

    def report(self, number: int) -> str:
        try:
            return report_html(self.ledger, number, Display(), photos=True)
        except LastbubbleError as exc:
            raise BadInput(str(exc)) from exc

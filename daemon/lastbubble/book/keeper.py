"""Who keeps the book: answers what the desk is asked about pieces, notes, photos, resin lots and plans.

The same keeper serves the running service (through its desk) and a command that opens the ledger itself while the
service is stopped. What it writes is on the card before it answers.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any, Final

from lastbubble.book.history import recorded_room, uses_of
from lastbubble.book.lots_view import lot_json
from lastbubble.book.measured import density, quantity
from lastbubble.book.pieces import PIECE_FIELDS, piece_of
from lastbubble.book.planner import adopted
from lastbubble.book.resin import KINDS, PLACES, LotState, judge_lot, learnt_keeping
from lastbubble.book.story import batch_book
from lastbubble.book.when import length_s, moment
from lastbubble.errors import BadInput, LastbubbleError
from lastbubble.ledger.rows import utc_text
from lastbubble.ledger.shelf import Deed, LotEvent, LotRow, lot_events, lots, put_deed, put_event, put_lot, put_snapshot
from lastbubble.ledger.store import BatchRow, Ledger
from lastbubble.physics.kinetics import INITIATORS, initiator
from lastbubble.units import parse

__all__ = ["Keeper"]

#: Real time that a write may take to be on the card [s].
_CARD_S: Final = 20.0
_FIFTH_C: Final = 5.0


class Keeper:
    """All methods may be called from any thread; requests are answered one at a time.

    utc : the time now;  open_batch : the number of the open batch, raises BadInput when there is none
    planner : answers `plan`, given the checked fields;  settings : the station's settings without secrets
    """

    def __init__(
        self,
        ledger: Ledger,
        utc: Callable[[], datetime],
        open_batch: Callable[[], int],
        planner: Callable[[dict[str, Any]], dict[str, Any]] | None = None,
        settings: Mapping[str, Any] | None = None,
    ) -> None:
        self._ledger = ledger
        self._utc = utc
        self._open_batch = open_batch
        self._planner = planner
        self._settings = dict(settings or {})
        self._lock = threading.Lock()

    def answer(self, name: str, fields: dict[str, Any], way: str = "desk") -> dict[str, Any]:
        """Do one of `asks.BOOK_ASKS`, its fields checked. Raises BadInput to refuse."""
        with self._lock:
            try:
                return self._answer(name, fields, way)
            except BadInput:
                raise
            except LastbubbleError as exc:
                raise BadInput(str(exc)) from exc

    def _answer(self, name: str, fields: dict[str, Any], way: str) -> dict[str, Any]:
        match name:
            case "batch_piece":
                return self._piece(fields, way)
            case "batch_note":
                return self._note(fields, way)
            case "batch_photo":
                return self._photo(fields, way)
            case "batch_resin":
                return self._resin_of(fields, way)
            case "batch_show":
                return batch_book(self._ledger, self._batch(fields).id)
            case "resin_show":
                return self._show(fields)
            case "resin_open":
                return self._open_lot(fields)
            case "resin_event":
                return self._lot_event(fields)
            case "plan" if self._planner is not None:
                return self._planner(fields)
            case _:
                raise BadInput(f"{name} cannot be asked here")

    # -- new batches -------------------------------------------------------------------------------------------

    def new_book(self) -> dict[str, Any]:
        """The book of a batch that begins now: settings as they are, and the lot that the last batch had."""
        book: dict[str, Any] = {}
        if self._settings:
            book["settings"] = put_snapshot(self._ledger, self._settings)
        rows = [row for row in self._ledger.batches() if row.source == "live"]
        lot = str(rows[-1].book.get("resin_lot", "")) if rows else ""
        if lot and any(event.kind == "ended" for event in lot_events(self._ledger, lot)):
            lot = ""
        if lot:
            book["resin_lot"] = lot
            book["resin_lot_taken_over"] = True
        plan = adopted(self._ledger, self._utc())
        if plan:
            book["plan"] = plan
        return book

    # -- batches -----------------------------------------------------------------------------------------------

    def _batch(self, fields: Mapping[str, Any]) -> BatchRow:
        return self._ledger.batch(fields.get("batch") or self._open_batch())

    def _done(self) -> None:
        if not self._ledger.flush(_CARD_S):
            raise BadInput(f"noted, but not on the card yet: {self._ledger.health.text or 'the card is slow'}")

    def deed(self, batch: int, what: str, who: str, way: str) -> None:
        """Note who did what; `who` "" = not told."""
        row = self._ledger.batch(batch)
        now = self._utc()
        time_s = (now - row.opened_utc).total_seconds()
        put_deed(self._ledger, Deed(batch, now, round(time_s, 1) if row.closed_utc is None else None, what, who, way))

    def _piece(self, fields: dict[str, Any], way: str) -> dict[str, Any]:
        row = self._batch(fields)
        told = {key: value for key, value in fields.items() if key in PIECE_FIELDS and value != ""}
        label = str(told["label"]).strip() if told.get("label") else ""
        known = {str(item.get("label")): item for item in row.pieces}
        if fields.get("remove"):
            if label not in known:
                raise BadInput(f"batch {row.id} has no piece {label!r}; it has: {', '.join(known) or 'none'}")
            del known[label]
        else:
            if not label:
                raise BadInput("label is missing; give the piece a name, as '1' or 'A3'")
            known[label] = piece_of({**known.get(label, {}), **told}).told()
        self._ledger.change_batch(row.id, pieces=list(known.values()))
        self.deed(row.id, f"piece {label}: {', '.join(k for k in told if k != 'label') or 'taken out'}",
                  fields.get("who", ""), way)  # fmt: skip
        self._done()
        return batch_book(self._ledger, row.id)

    def _change_book(self, row: BatchRow, **changes: Any) -> None:
        self._ledger.change_batch(row.id, book={**row.book, **changes})

    def _note(self, fields: dict[str, Any], way: str) -> dict[str, Any]:
        row = self._batch(fields)
        text = fields["text"].strip()
        if not text:
            raise BadInput("text is empty; write the note")
        note = {"utc": utc_text(self._utc()), "text": text, "who": fields.get("who", "")}
        self._change_book(row, notes=[*row.book.get("notes", []), note])
        self.deed(row.id, "note", fields.get("who", ""), way)
        self._done()
        return {"batch": row.id, "notes": len(row.book.get("notes", [])) + 1}

    def _photo(self, fields: dict[str, Any], way: str) -> dict[str, Any]:
        row = self._batch(fields)
        if not fields["path"].startswith("/"):
            raise BadInput(f"path is {fields['path']!r:.80}; a whole path is wanted, beginning with /")
        photo = {"utc": utc_text(self._utc()), "path": fields["path"]}
        photo |= {key: fields[key] for key in ("note", "sha256") if fields.get(key)}
        others = [item for item in row.book.get("photos", []) if item.get("path") != fields["path"]]
        self._change_book(row, photos=[*others, photo])
        self.deed(row.id, "photo", fields.get("who", ""), way)
        self._done()
        return {"batch": row.id, "photos": len(others) + 1}

    def _resin_of(self, fields: dict[str, Any], way: str) -> dict[str, Any]:
        row = self._batch(fields)
        self._lot(fields["lot"])
        book = {key: value for key, value in row.book.items() if key != "resin_lot_taken_over"}
        self._ledger.change_batch(row.id, book={**book, "resin_lot": fields["lot"]})
        self.deed(row.id, f"resin lot {fields['lot']}", fields.get("who", ""), way)
        self._done()
        state = next(state for state in self.lot_states() if state.name == fields["lot"])
        return {"batch": row.id, "lot": lot_json(state)}

    # -- resin -------------------------------------------------------------------------------------------------

    def _lot(self, name: str) -> LotRow:
        found = lots(self._ledger)
        for row in found:
            if row.name == name:
                return row
        raise BadInput(
            f"lot: there is no resin lot {name!r}; there are: {', '.join(row.name for row in found) or 'none yet'}. "
            "Begin one with 'lastbubble resin open NAME'"
        )

    def lot_states(self) -> list[LotState]:
        """All lots as they are now; lots seen to thicken teach the keeping time of those that have no label."""
        now = self._utc()
        rows = self._ledger.batches()
        recorded = recorded_room(self._ledger, rows)
        known = lots(self._ledger)
        events = {row.name: lot_events(self._ledger, row.name) for row in known}
        uses = {row.name: uses_of(self._ledger, rows, row.name, now) for row in known}
        first = {row.name: judge_lot(row, events[row.name], uses[row.name], recorded, now) for row in known}
        seen = []
        for row in known:
            thick = next((event for event in events[row.name] if event.kind == "thickened"), None)
            if thick is not None:
                plain = LotRow(row.name, {"initiator": row.facts.get("initiator", "")})
                before = judge_lot(plain, events[row.name], uses[row.name], recorded, thick.utc)
                seen.append(before.age_s)
        learnt = learnt_keeping(seen)
        tainted = {name: "; ".join(state.contaminated) for name, state in first.items() if state.contaminated}
        out = []
        for row in known:
            others = {name: why for name, why in tainted.items() if name != row.name}
            out.append(judge_lot(row, events[row.name], uses[row.name], recorded, now, learnt, others))
        return out

    def _show(self, fields: dict[str, Any]) -> dict[str, Any]:
        if fields.get("lot"):
            self._lot(fields["lot"])
        states = [state for state in self.lot_states() if fields.get("lot") in (None, "", state.name)]
        return {"lots": [lot_json(state) for state in states]}

    def _open_lot(self, fields: dict[str, Any]) -> dict[str, Any]:
        name = fields["lot"].strip()
        if not name or name in {row.name for row in lots(self._ledger)}:
            raise BadInput(f"lot is {name!r}; another name is wanted: a lot keeps its name for good")
        facts: dict[str, Any] = {}
        detail: dict[str, Any] = {"place": _place(fields.get("place") or "fridge")}
        if fields.get("mass"):
            detail["mass_kg"] = _checked("mass", lambda: quantity(fields["mass"], "mass").value)
        if fields.get("density"):
            _checked("density", lambda: density(fields["density"]))
            facts["density"] = fields["density"]
        if fields.get("initiator"):
            facts["initiator"] = _checked("initiator", lambda: initiator(fields["initiator"]).name)
        if fields.get("keeps_at") and not fields.get("keeps"):
            raise BadInput("keeps is missing; say how long it keeps at that temperature, as '180 d'")
        if fields.get("keeps"):
            facts["keeps_s"] = length_s(fields["keeps"], "keeps")
            if not 3600 <= facts["keeps_s"] <= 20 * 365 * 86400:
                raise BadInput(f"keeps is {fields['keeps']!r}; 1 h to 7300 d is allowed")
            text = fields.get("keeps_at") or f"{_FIFTH_C} degC"
            facts["keeps_at_c"] = _temperature("keeps_at", text)
        if fields.get("memory"):
            facts["memory"] = True
        if fields.get("note"):
            detail["what"] = fields["note"]
        now = self._utc()
        put_lot(self._ledger, LotRow(name, facts))
        at = _when(fields, now)
        put_event(
            self._ledger,
            LotEvent(name, at, now, "opened", detail, bool(fields.get("memory")), fields.get("who", "")),
        )
        self._done()
        return self._show({"lot": name})

    def _lot_event(self, fields: dict[str, Any]) -> dict[str, Any]:
        row = self._lot(fields["lot"])
        kind = fields["kind"]
        if kind not in KINDS or kind == "opened":
            allowed = ", ".join(name for name in KINDS if name != "opened")
            raise BadInput(f"kind is {kind!r:.40}; allowed: {allowed}")
        detail: dict[str, Any] = {}
        if kind in ("moved", "measured") or fields.get("place"):
            detail["place"] = _place(fields.get("place", ""))
        if fields.get("temperature"):
            detail["temperature_c"] = _temperature("temperature", fields["temperature"])
        if kind == "measured" and "temperature_c" not in detail:
            raise BadInput("temperature is missing; write such as '6 degC'")
        if fields.get("minutes"):
            detail["minutes"] = round(length_s(fields["minutes"], "minutes") / 60, 3)
        if fields.get("mass"):
            detail["mass_kg"] = _checked("mass", lambda: quantity(fields["mass"], "mass").value)
        if fields.get("from"):
            detail["from"] = self._lot(fields["from"]).name
        if fields.get("what"):
            detail["what"] = fields["what"]
        if kind == "contaminated" and "what" not in detail:
            raise BadInput("what is missing; say with what it is contaminated, as 'red dye' or 'water'")
        now = self._utc()
        at = _when(fields, now)
        event = LotEvent(row.name, at, now, kind, detail, bool(fields.get("memory")), fields.get("who", ""))
        put_event(self._ledger, event)
        self._done()
        return self._show({"lot": row.name})


def _place(text: str) -> str:
    if text not in PLACES or text == "chamber":
        allowed = ", ".join(name for name in PLACES if name != "chamber")
        raise BadInput(f"place is {text!r:.40}; allowed: {allowed} (the chamber is known from the batches)")
    return text


def _checked(what: str, read: Callable[[], Any]) -> Any:
    try:
        return read()
    except ValueError as exc:
        known = f" ({', '.join(INITIATORS)})" if what == "initiator" else ""
        raise BadInput(f"{what}: {exc}{known if known and 'known' not in str(exc) else ''}") from exc


def _temperature(what: str, text: str) -> float:
    found: float = _checked(what, lambda: parse(text, "temperature"))
    if not -40 <= found <= 80:
        raise BadInput(f"{what} is {text!r}; -40 degC to 80 degC is allowed")
    return found


def _when(fields: Mapping[str, Any], now: datetime) -> datetime:
    at: datetime = _checked("when", lambda: moment(fields.get("when", ""), now))
    if at > now:
        raise BadInput(f"when is {at:%Y-%m-%d %H:%M} UTC, which is still to come; say what has happened")
    return at

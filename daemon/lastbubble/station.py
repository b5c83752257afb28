"""The running station: the service with its desk, its broker, its phone and its page, started and ended in order.

Also the one place where a request of the desk becomes a call (`Station.answer`), and where the page gets what it shows.
"""

from __future__ import annotations

import contextlib
import json
import logging
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lastbubble.book.asks import BOOK_ASKS
from lastbubble.book.begin import header_of
from lastbubble.book.keeper import Keeper
from lastbubble.book.photos import Incoming, PhotoShelf
from lastbubble.book.pieces import piece_of
from lastbubble.book.planner import Planner
from lastbubble.book.report import report_html
from lastbubble.book.settings_copy import settings_copy
from lastbubble.book.story import batch_book
from lastbubble.clock import Clock
from lastbubble.commissioning.book import informed, kept_in, store, values
from lastbubble.commissioning.steps import record_from
from lastbubble.desk import Desk, DeskSocket
from lastbubble.errors import BadInput, LastbubbleError, SettingsError
from lastbubble.guard.client import GuardClient
from lastbubble.guard.protocol import GUARD_SOCKET
from lastbubble.ledger.rows import BatchRow, utc_text
from lastbubble.ledger.series import marks, series
from lastbubble.ledger.store import Ledger
from lastbubble.outlets.homie import HeatView
from lastbubble.outlets.page.compare import pump_down_of
from lastbubble.physics.fixed_points import reading_limit_k
from lastbubble.resin_watch import ResinWatch
from lastbubble.service import Service, ServiceSettings

if TYPE_CHECKING:
    from lastbubble.outlets.metrics import MetricsServer
    from lastbubble.outlets.mqtt import MqttOutlet
    from lastbubble.outlets.page.server import PageServer
    from lastbubble.outlets.phone import Phone
    from lastbubble.settings import Settings
    from lastbubble.valve_keeper import ValveKeeper

__all__ = ["SERVICE_SOCKET", "Station"]

log = logging.getLogger("lastbubble.station")

SERVICE_SOCKET = "service.sock"

#: Requests that are noted as somebody's deed, and the word for each.
_DEEDS = {
    "mark": "mark",
    "mark_undo": "took back",
    "batch_open": "opened the batch",
    "batch_begin": "opened the batch",
    "batch_close": "closed the batch",
    "cut": "cut the heat:",
    "acknowledge": "has seen the alarm",
}

_CURVES = ("chamber_pa", "oven_c", "core_c", "core_low_c", "core_high_c")


class Station:
    """`open()` starts everything in order, `close()` ends it in the other; `service.run` is the caller's.

    Raises LastbubbleError (ledger refused, page's port in use) or SettingsError; what was started is ended again.
    """

    def __init__(self, settings: Settings, clock: Clock) -> None:
        self._settings = settings
        self._clock = clock
        self._ends = contextlib.ExitStack()
        self._desk = Desk(self.answer)
        self.phone: Phone | None = None
        self.mqtt: MqttOutlet | None = None
        self.page: PageServer | None = None
        self.metrics: MetricsServer | None = None
        self.ledger: Ledger
        self.service: Service
        self.keeper: Keeper
        self.photos: PhotoShelf
        self.planner: Planner
        self.resin: ResinWatch
        self._way = threading.local()

    def open(self) -> None:
        """Ledger first, then the service with its sensors, the outlets, and the desk last: who asks finds all of it."""
        settings, clock = self._settings, self._clock
        with contextlib.ExitStack() as undo:
            path = Path(settings.ledger.path)
            path.parent.mkdir(parents=True, exist_ok=True)
            self.ledger = Ledger.open(path, settings.to_ledger())
            undo.callback(self.ledger.close)
            self.keeper = Keeper(
                self.ledger,
                clock.utc,
                lambda: self.service.batch_id,
                planner=lambda fields: self.planner(fields),
                settings=settings_copy(settings),
            )
            self.photos = PhotoShelf(
                path.with_name("photos"),
                lambda told: self._from_page(told, page=False),
                settings.to_ledger().low_room_b,
            )
            self.planner = Planner(
                self.ledger,
                clock.utc,
                settings.to_context(),
                settings.to_plan(),
                lambda: self.service.batch_id,
                lambda: {str(one["target"]): one for one in self.service.snapshot()["forecasts"]},
                self.keeper.lot_states,
            )
            gauge = settings.to_gauge_source()
            if gauge is not None:
                undo.callback(gauge.close)
            guard = None
            if settings.guard is not None:
                guard = GuardClient(Path(settings.runtime_dir) / GUARD_SOCKET, clock, every_s=0.5)
                undo.callback(guard.close)
            context = informed(settings.to_context(), kept_in(self.ledger))
            valve = self._valve(undo)
            self.service = Service(
                ServiceSettings(), context, clock, self.ledger, gauge, guard, self.keeper.new_book, valve
            )
            self.service.start()
            self.resin = ResinWatch(self.keeper.lot_states, self.ledger, self._tell)
            self._open_outlets(undo)
            self.resin.start()
            undo.callback(self.resin.close)
            desk = DeskSocket(Path(settings.runtime_dir) / SERVICE_SOCKET, self._desk)
            undo.callback(desk.close)
            self._ends = undo.pop_all()

    def _valve(self, undo: contextlib.ExitStack) -> ValveKeeper | None:
        """The isolation valve, shut; None without one. Raises SettingsError when its pin cannot be had."""
        schedule, chamber = self._settings.to_valve(), self._settings.chamber
        if schedule is None or chamber is None or chamber.valve is None:
            return None
        from lastbubble.sensing.isolation_valve import IsolationValve
        from lastbubble.valve_keeper import ValveKeeper

        try:
            keeper = ValveKeeper(schedule, IsolationValve(chamber.valve.pin, None))
        except Exception as exc:  # noqa: BLE001  # the pin libraries' own errors derive from Exception alone
            raise SettingsError(
                [
                    f"chamber.valve.pin: pin {chamber.valve.pin} cannot be had ({exc}); allowed: a free pin; check the "
                    "wiring and what else uses it"
                ]
            ) from None
        undo.callback(keeper.close)
        return keeper

    def _open_outlets(self, undo: contextlib.ExitStack) -> None:
        settings, clock = self._settings, self._clock
        phone = settings.to_phone()
        if phone is not None and phone.urls:
            from lastbubble.outlets.phone import Phone

            self.phone = Phone(phone, self.ledger, clock, settings.to_display())
            self.phone.start()
            undo.callback(self.phone.close)
        broker = settings.to_mqtt()
        if broker is not None:
            from lastbubble.outlets.mqtt import MqttOutlet

            self.mqtt = MqttOutlet(broker, self.ledger, clock, cut=self._cut_from_broker, heat=self._heat)
            self.mqtt.start()
            undo.callback(self.mqtt.close)
        page = settings.to_page()
        if page is not None:
            from lastbubble.outlets.page.server import PageServer

            self.page = PageServer(page, settings.station, settings.to_display(), clock, self)
            try:
                self.page.start()
            except OSError as exc:
                raise LastbubbleError(
                    f"page: {page.host} port {page.port} cannot be opened ({exc.strerror or exc}); "
                    "set another page.port, or end the program that has it"
                ) from exc
            undo.callback(self.page.close)

        numbers = settings.to_metrics()
        if numbers is not None:
            from lastbubble.outlets.metrics import MetricsServer

            self.metrics = MetricsServer(numbers, self.snapshot)
            try:
                self.metrics.start()
            except OSError as exc:
                raise LastbubbleError(
                    f"metrics: {numbers.host} port {numbers.port} cannot be opened ({exc.strerror or exc}); "
                    "set another metrics.port, or end the program that has it"
                ) from exc
            undo.callback(self.metrics.close)

    def close(self) -> None:
        """End everything; closing twice is fine."""
        self._ends.close()

    def _tell(self, key: str, title: str, fact: str, action: str) -> None:
        """To the phone, where there is one."""
        if self.phone is not None:
            self.phone.tell(key, title, fact, action)

    def _cut_from_broker(self, reason: str) -> None:
        try:
            self.service.cut(reason or "from the broker")
        except BadInput as exc:
            log.warning("event=cut_refused finding=%r", str(exc))

    def _heat(self) -> HeatView | None:
        status = self.service.guard_status
        if status is None:
            return None
        return HeatView(status.state, status.trip.cause if status.trip is not None else "")

    # -- the desk's requests -----------------------------------------------------------------------------------

    def answer(self, name: str, fields: dict[str, Any]) -> dict[str, Any]:
        """Do one checked request, and note who did what. Raises BadInput to refuse."""
        way = getattr(self._way, "name", "desk")
        if name in BOOK_ASKS:
            return self.keeper.answer(name, fields, way)
        out = self._answer(name, fields)
        if name in _DEEDS:
            what = f"{_DEEDS[name]} {fields.get('mark') or out.get('mark') or fields.get('reason') or ''}".strip()
            with contextlib.suppress(LastbubbleError):  # it is done; that it cannot be noted must not say otherwise
                number = out.get("batch", self.service.batch_id)
                self.keeper.deed(number, what, fields.get("who", ""), way)
        return out

    def _answer(self, name: str, fields: dict[str, Any]) -> dict[str, Any]:
        service = self.service
        match name:
            case "status":
                return self.snapshot()
            case "mark":
                return service.mark(fields["mark"], held=bool(fields.get("held")))
            case "mark_undo":
                return service.undo_mark()
            case "batch_open":
                self._not_in_the_heat()
                return service.open_batch(
                    fields.get("name", ""),
                    fields.get("header", {}),
                    fields.get("notes", ""),
                    [piece_of(piece).told() for piece in fields.get("pieces", [])],
                )
            case "batch_begin":
                self._not_in_the_heat()
                return service.open_batch(fields.get("name", ""), header_of(fields), fields.get("notes", ""), [])
            case "batch_close":
                self._not_in_the_heat()
                return service.close_batch()
            case "cut":
                return service.cut(fields.get("reason") or "from the desk")
            case "acknowledge":
                if self.phone is None:
                    raise BadInput("this station tells no phone, so there is no alarm to acknowledge")
                told = fields.get("notices", None if "notice" not in fields else [fields["notice"]])
                return {"silenced": self.phone.acknowledge(told)}
            case "phone_test":
                if self.phone is None:
                    raise BadInput("this station tells no phone; give its addresses at phone.urls in the settings")
                return {"channels": self.phone.test()}
            case "commission":
                return {"records": {step: [values(one) for one in kept] for step, kept in kept_in(self.ledger).items()}}
            case "commission_keep":
                record = record_from({**fields["record"], "utc": ""})
                dated = store(self.ledger, record, self._clock.utc())
                self.ledger.flush(5)
                return {"record": values(dated)}
            case _:
                raise BadInput(f"{name} cannot be asked")

    def _not_in_the_heat(self) -> None:
        """From the page no batch is begun or closed under heat: who looks after its cure would lose sight of it."""
        status = self.service.guard_status
        if getattr(self._way, "name", "desk") == "page" and status is not None and status.state == "permitted":
            raise BadInput(
                "heat is permitted, and the open batch's cure is being watched; cut the heat first, or do it at the "
                "bench ('lastbubble batch open')"
            )

    # -- what the page shows -----------------------------------------------------------------------------------

    def snapshot(self) -> dict[str, Any]:
        """The service's, with the health of everything around it."""
        out = self.service.snapshot()
        health: list[str] = []
        for part, text in (
            ("ledger", self.ledger.health.text),
            ("broker", self.mqtt.health.text if self.mqtt is not None else ""),
            ("phone", self.phone.health.text if self.phone is not None else ""),
        ):
            if text:
                health.append(f"{part}: {text}")
        out["health"] = [*health, *self.resin.lines]
        out["grades"] = {
            name: {"grade": grade, "limit_k": round(reading_limit_k(out[f"{name}_c"] or 20.0, grade), 2)}
            for name, grade in self._settings.to_grades().items()
        }
        out["alarms"] = self.phone.sounding() if self.phone is not None else []
        if out.get("guard_alarm"):
            out["alarms"] = [{"notice": 0, "title": "guard", "text": out["guard_alarm"]}, *out["alarms"]]
        return out

    def ask(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """A request from the page: its marks are held for a few seconds."""
        wanted = dict(request)
        if wanted.get("ask") == "mark":
            wanted["held"] = True
        return self._from_page(wanted, page=True)

    def _from_page(self, wanted: Mapping[str, Any], *, page: bool) -> dict[str, Any]:
        """Asked on the page's way. page : the page itself tells what is asked, so it may ask only what is its own."""
        self._way.name = "page"
        try:
            return self._desk.ask(dict(wanted), page=page)
        finally:
            self._way.name = "desk"

    def photo(self, batch: int) -> Incoming:
        """A place for a photo of that batch. Raises BadInput for no such batch, and where there is no room."""
        self._row(batch)
        return self.photos.coming(batch)

    def series(self, batch: int | None, points: int) -> dict[str, list[tuple[float, float | None]]]:
        """Thinned curves, each at its own times, extremes kept. Raises BadInput when there is no such batch."""
        number = self.service.batch_id if batch is None else batch
        self._row(number)
        return {name: series(self.ledger, number, name, points=points) for name in _CURVES}

    def pump_down_s(self, batch: int) -> float:
        """When the batch's pump-down began, batch time; 0 where it never did. Raises BadInput as `series`."""
        self._row(batch)
        return pump_down_of([json.loads(stored.line) for stored in self.ledger.records(batch)]) or 0.0

    def _row(self, number: int) -> BatchRow:
        try:
            return self.ledger.batch(number)
        except LastbubbleError as exc:
            raise BadInput(str(exc)) from exc

    def report(self, number: int) -> str:
        """One batch's report as a page of its own. Raises BadInput when there is none of that number."""
        try:
            return report_html(self.ledger, number, self._settings.to_display(), photos=True)
        except LastbubbleError as exc:
            raise BadInput(str(exc)) from exc

    def batches(self) -> list[dict[str, Any]]:
        """The batch book's rows, newest first."""
        return [
            {
                "id": row.id,
                "name": row.name,
                "opened_utc": row.opened_utc.strftime("%Y-%m-%dT%H:%M:%SZ"),
                "closed_utc": "" if row.closed_utc is None else row.closed_utc.strftime("%Y-%m-%dT%H:%M:%SZ"),
                "material": row.header.get("material", ""),
            }
            for row in reversed(self.ledger.batches())
        ]

    def batch(self, number: int) -> dict[str, Any]:
        """One batch with its records. Raises BadInput when there is none of that number."""
        row = self._row(number)
        story = [json.loads(stored.line) for stored in self.ledger.records(number)]
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
            "story": story,
        }

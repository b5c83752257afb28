"""The broker's outlet: one thread that connects, tells, and begins again when anything at all goes wrong.

The client library runs inside our own loop, one client object per connection: nothing is left in a queue of an old
connection, an exception in a callback ends up here and not in a dead thread, and what the broker shall know is told
afresh on every connect, from a table of latest values and from the ledger by a stored cursor. Records go out with QoS 1
and count as told when the broker has acknowledged them, so each one arrives, in order, over outages and restarts.

The only thing that can be asked from here is a cut of the heat.
"""

from __future__ import annotations

import logging
import socket
import ssl
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from lastbubble.clock import Clock, RealClock
from lastbubble.ledger.store import BatchRow, Ledger, StoredRecord
from lastbubble.outlets import homie
from lastbubble.outlets.homie import CUT, CUT_WORD, Device, HeatView, View
from lastbubble.outlets.hub import announcements
from lastbubble.records import Event, Forecast, Sample, Stage

__all__ = ["MqttHealth", "MqttOutlet", "MqttSettings"]

log = logging.getLogger("lastbubble.mqtt")

#: The ledger's name for how far this outlet has told.
OUTLET: Final = "mqtt"
#: The ledger's name for the topics that a home hub was told of.
_ANNOUNCED: Final = "hub_topics"
_BACK_OFF_S: Final = (1.0, 60.0)
_LOOP_S: Final = 0.2
_CONNACK_S: Final = 10.0
#: Oldest message without an answer: told as offline, then given up [s].
_UNANSWERED_S: Final = (10.0, 30.0)
#: Records on their way at most, and all messages on their way at most.
_RECORDS: Final = 50
_WINDOW: Final = 150
_STEADY_S: Final = 30.0
_MACHINE_ID: Final = Path("/etc/machine-id")


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """host, port : the broker (port None: 1883, with TLS 8883);  username, password : "" = none
    tls : encrypt and check the certificate, against `ca_file` where given, else the system's authorities
    version : "5" or "3.1.1";  domain, device : Homie topic levels (device "": from the station's name)
    hub_prefix : where a home hub listens for announcements, "" = none are made
    client_id : "" = device and machine;  every_s : bench time between two rounds of values [s]
    keepalive_s : the broker takes us for lost after one and a half of it [s]
    """

    host: str = "localhost"
    port: int | None = None
    username: str = ""
    password: str = ""
    tls: bool = False
    ca_file: Path | None = None
    version: Literal["5", "3.1.1"] = "5"
    domain: str = "homie"
    device: str = ""
    station: str = "lastbubble"
    client_id: str = ""
    hub_prefix: str = ""
    every_s: float = 5.0
    keepalive_s: int = 15

    @property
    def port_number(self) -> int:
        return self.port if self.port is not None else 8883 if self.tls else 1883


@dataclass(frozen=True, slots=True)
class MqttHealth:
    """cause : "" = connected, else starting | offline | refused | tls | unanswered | taken_over | error
    text : for the person, with the mend
    """

    cause: str = "starting"
    text: str = ""

    @property
    def well(self) -> bool:
        return self.cause == ""


class _Lost(Exception):
    """This connection is over."""


def _client_id(device: str) -> str:
    try:
        machine = _MACHINE_ID.read_text(encoding="ascii").strip()[:8]
    except (OSError, UnicodeDecodeError):
        machine = ""
    return f"{device}-{machine or socket.gethostname()}"


class MqttOutlet:
    """`start()`, and `close()` at the end. Every callback given is called from this outlet's thread.

    cut : asked to open the relay, with the reason;  heat : what the guard last told, None = nothing
    on_health : told every change of `health`
    Raises ValueError when the settings' domain or device are no topic levels of the convention.
    """

    def __init__(
        self,
        settings: MqttSettings,
        ledger: Ledger,
        clock: Clock,
        *,
        cut: Callable[[str], None],
        heat: Callable[[], HeatView | None] = lambda: None,
        on_health: Callable[[MqttHealth], None] | None = None,
    ) -> None:
        device = settings.device or homie.slug(settings.station) or "lastbubble"
        self.device = Device(device, settings.station, settings.domain)
        self._settings = settings
        self._id = settings.client_id or _client_id(device)
        self._ledger = ledger
        self._clock = clock
        self._real = RealClock()
        self._cut = cut
        self._heat = heat
        self._on_health = on_health
        self._health = MqttHealth()
        self._stop = threading.Event()
        self._drain_s = 0.0
        self._losses: list[float] = []
        self._first_place = 0
        self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)

    @property
    def health(self) -> MqttHealth:
        return self._health

    def start(self) -> None:
        """Begin. A station that is new to the broker tells its open batch from the beginning, and nothing older."""
        row = self._ledger.open_batch_row()
        first = None if row is None else next(iter(self._ledger.records(row.id)), None)
        self._first_place = self._ledger.last_seq() if first is None else first.seq - 1
        self._thread.start()

    def close(self, drain_s: float = 5.0) -> None:
        """Tell what is left to tell, for at most `drain_s` of real time, then take leave [s]."""
        self._drain_s = drain_s
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join(drain_s + 15)

    # -- the thread --------------------------------------------------------------------------------------------

    def _run(self) -> None:
        delay_s = _BACK_OFF_S[0]
        while True:
            began_s = self._real.now()
            connection: _Connection | None = None
            try:
                connection = _Connection(self)
                connection.serve()
            except _Lost as exc:
                if str(exc):
                    log.info("event=mqtt_lost finding=%r", str(exc))
            except Exception as exc:  # the thread must outlive whatever a message, a library or a card brings
                log.exception("event=mqtt_error")
                self._tell("error", f"{self._where}: {exc}; connecting again")
            finally:
                if connection is not None:
                    connection.drop()
            if self._stop.is_set():
                return
            if self._real.now() - began_s > _STEADY_S:
                delay_s = _BACK_OFF_S[0]
            self._stop.wait(delay_s)
            delay_s = min(_BACK_OFF_S[1], delay_s * 2)

    @property
    def _where(self) -> str:
        return f"{self._settings.host}:{self._settings.port_number}"

    def _tell(self, cause: str, text: str = "") -> None:
        if cause == self._health.cause:
            return
        self._health = MqttHealth(cause, text)
        if cause:
            log.warning("event=mqtt_unwell cause=%s finding=%r", cause, text)
        else:
            log.info("event=mqtt_connected broker=%s", self._where)
        if self._on_health is not None:
            try:
                self._on_health(self._health)
            except Exception:  # a listener's fault is not the broker's
                log.exception("event=mqtt_health_listener")

    def _undisturbed(self) -> bool:
        return not self._losses or self._real.now() - self._losses[-1] > 60

    def _count_loss(self) -> None:
        now_s = self._real.now()
        self._losses = [at for at in self._losses if now_s - at < 60] + [now_s]
        if len(self._losses) > 3:
            self._tell(
                "taken_over",
                f"{self._where}: thrown out {len(self._losses)} times within a minute; most likely another program "
                f"uses the client id {self._id!r}: give one of them another client_id",
            )

    def _offline(self, finding: str) -> _Lost:
        if self._health.cause not in ("refused", "taken_over", "tls"):
            self._tell(
                "offline",
                f"{self._where}: the broker does not answer ({finding}); the batch goes on, everything is told when it "
                "is back",
            )
        return _Lost(finding)

    def _bad_certificate(self, exc: OSError) -> _Lost:
        told = (getattr(exc, name, None) for name in ("verify_message", "reason", "strerror"))
        finding = next((text for text in told if text), str(exc))
        year = self._clock.utc().year
        hint = (
            f"is this machine's clock right? It says {year}"
            if "not yet valid" in finding or "expired" in finding
            else "check ca_file, the host's name in the certificate, and that the port speaks TLS"
        )
        self._tell("tls", f"{self._where}: no trusted connection ({finding}); {hint}")
        return _Lost(finding)

    def _refused(self, reason: ReasonCode | str) -> _Lost:
        text = str(reason)
        mend = "check username and password"
        if "rotocol" in text:
            mend = 'set version "3.1.1", this broker does not speak MQTT 5'
        self._tell("refused", f"{self._where}: the broker refuses us ({text}); {mend}")
        return _Lost(text)


class _Tls(ssl.SSLContext):
    """Remembers its last socket: the client library leaves one whose handshake fails to the collector."""

    last: ssl.SSLSocket | None = None

    def wrap_socket(self, *args: Any, **more: Any) -> ssl.SSLSocket:
        self.last = super().wrap_socket(*args, **more)
        return self.last


class _Connection:
    """One connection from connect to loss; lives in the outlet's thread only."""

    def __init__(self, outlet: MqttOutlet) -> None:
        self.outlet = outlet
        self.device = outlet.device
        self.ledger = outlet._ledger
        self.real = RealClock()
        self.connack: ReasonCode | None = None
        self.subscribed = False
        self.lost = ""
        self.ready = False
        self.correct_state = False
        self.stray_alerts: set[str] = set()
        #: Message id -> (real time it left, record number or 0).
        self.on_the_way: OrderedDict[int, tuple[float, int]] = OrderedDict()
        self.told: dict[str, bytes] = {}
        self.alerts: dict[str, str] = {}
        self.sent_seq = 0
        self.batch: BatchRow | None = None
        self.events: dict[str, float] = {}
        self.values_at: tuple[int, float] | None = None
        self.heat: HeatView | None = None
        #: Announcements that stand, to be remembered alone once the broker has taken everything; None = nothing to do.
        self.forget_at: list[str] | None = None
        self.tls: _Tls | None = None
        self.client = self._client()

    def _client(self) -> paho.Client:
        settings = self.outlet._settings
        five = settings.version == "5"
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self.outlet._id,
            clean_session=None if five else True,
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        if settings.username:
            client.username_pw_set(settings.username, settings.password or None)
        if settings.tls:
            self.tls = _Tls(ssl.PROTOCOL_TLS_CLIENT)
            if settings.ca_file is None:
                self.tls.load_default_certs()
            else:
                self.tls.load_verify_locations(str(settings.ca_file))
            client.tls_set_context(self.tls)
        client.will_set(self.device.topic("$state"), b"lost", qos=1, retain=True)
        client.max_queued_messages_set(4 * _WINDOW)
        client.max_inflight_messages_set(2 * _WINDOW)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_subscribe = self._on_subscribe
        return client

    # -- callbacks, all inside client.loop() ---------------------------------------------------------------------

    def _on_connect(
        self, _client: paho.Client, _data: Any, _flags: paho.ConnectFlags, reason: ReasonCode, _: Properties | None
    ) -> None:
        self.connack = reason

    def _on_disconnect(
        self,
        _client: paho.Client,
        _data: Any,
        _flags: paho.DisconnectFlags,
        reason: ReasonCode,
        _: Properties | None,
    ) -> None:
        self.lost = str(reason) or "closed"

    def _on_subscribe(
        self, _client: paho.Client, _data: Any, _mid: int, reasons: list[ReasonCode], _: Properties | None
    ) -> None:
        self.subscribed = True
        refused = [str(reason) for reason in reasons if reason.is_failure]
        if refused:
            log.warning("event=mqtt_subscription_refused reasons=%s", ",".join(refused))

    def _on_publish(self, _client: paho.Client, _data: Any, mid: int, reason: ReasonCode, _: Properties | None) -> None:
        seq = self.on_the_way.pop(mid, (0.0, 0))[1]
        if reason.is_failure:
            self.outlet._tell(
                "refused",
                f"{self.outlet._where}: the broker refuses what is told ({reason}); allow this user to write below "
                + " and ".join(part for part in (self.device.root, self.outlet._settings.hub_prefix) if part),
            )
        if seq:
            waiting = [other for _, other in self.on_the_way.values() if other]
            self.ledger.set_cursor(OUTLET, min(waiting) - 1 if waiting else self.sent_seq)

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        below = message.topic.removeprefix(self.device.root + "/")
        if below == f"{CUT}/set":
            self._asked_to_cut(message)
        elif below == "$state":
            # The will of a connection that died before this one may come after our "ready".
            self.correct_state = self.ready and message.payload in (b"lost", b"disconnected")
        elif below.startswith("$alert/") and message.payload:
            self.stray_alerts.add(below.removeprefix("$alert/"))

    def _asked_to_cut(self, message: paho.MQTTMessage) -> None:
        if message.retain:
            log.warning("event=mqtt_cut_ignored why=retained")
            return
        if message.payload != CUT_WORD.encode():
            log.warning("event=mqtt_cut_ignored why=payload payload=%r", bytes(message.payload[:40]))
            return
        log.warning("event=mqtt_cut")
        try:
            self.outlet._cut("asked through the broker")
        except Exception:  # the connection must live on; the guard's own limits do
            log.exception("event=mqtt_cut_failed")
            return
        # A command is answered at once and never stored: retained = false, QoS 0.
        self.client.publish(self.device.topic(CUT), CUT_WORD.encode(), qos=0, retain=False)

    # -- serving -------------------------------------------------------------------------------------------------

    def serve(self) -> None:
        """Connect, introduce ourselves, and tell until stopped (returns) or lost (raises _Lost)."""
        self._connect()
        self._introduce()
        if self.outlet.health.cause != "taken_over":
            self.outlet._tell("")
        deadline_s: float | None = None
        while True:
            self._turn()
            self._tell_records()
            self._tell_values()
            if self.outlet._stop.is_set():
                now_s = self.real.now()
                if deadline_s is None:
                    deadline_s = now_s + self.outlet._drain_s
                    self._tell_values(all_of_them=True)
                drained = not self.on_the_way and self.sent_seq >= self.ledger.last_seq()
                if drained or now_s > deadline_s:
                    break
        self._leave()

    def _connect(self) -> None:
        settings = self.outlet._settings
        five = settings.version == "5"
        try:
            self.client.connect(
                settings.host,
                settings.port_number,
                settings.keepalive_s,
                clean_start=True if five else paho.MQTT_CLEAN_START_FIRST_ONLY,
            )
        except ssl.SSLError as exc:
            raise self.outlet._bad_certificate(exc) from exc
        except (OSError, ValueError) as exc:
            if settings.tls and isinstance(exc, ConnectionResetError):
                raise self.outlet._bad_certificate(exc) from exc
            raise self.outlet._offline(getattr(exc, "strerror", None) or str(exc)) from exc
        until_s = self.real.now() + _CONNACK_S
        while self.connack is None:
            if self.real.now() > until_s:
                raise self.outlet._offline(f"no answer to the greeting within {_CONNACK_S:g} s")
            self._turn()
        if self.connack.is_failure:
            raise self.outlet._refused(self.connack)

    def _turn(self) -> None:
        """Let the library work: read, write, keep alive. Raises _Lost when the connection is over."""
        code = self.client.loop(_LOOP_S)
        if self.connack is not None and self.connack.is_failure:
            raise self.outlet._refused(self.connack)
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS or self.lost:
            finding = self.lost or paho.error_string(code)
            if self.ready:
                self.outlet._count_loss()
            raise self.outlet._offline(finding)
        self._watch_answers()

    def _watch_answers(self) -> None:
        if self.forget_at is not None and not self.on_the_way:
            self.ledger.set_fact(_ANNOUNCED, "\n".join(self.forget_at))
            self.forget_at = None
        if self.outlet.health.cause == "taken_over" and self.outlet._undisturbed():
            self.outlet._tell("")
        if not self.on_the_way:
            if self.outlet.health.cause == "unanswered":
                self.outlet._tell("")
            return
        oldest_s = self.real.now() - next(iter(self.on_the_way.values()))[0]
        if oldest_s > _UNANSWERED_S[1]:
            raise self.outlet._offline(f"no answer for {oldest_s:.0f} s")
        if oldest_s > _UNANSWERED_S[0] and self.outlet.health.well:
            self.outlet._tell("unanswered", f"{self.outlet._where}: no answer for {oldest_s:.0f} s; check the network")

    def _introduce(self) -> None:
        """`$state` init, description, values, subscriptions, and only then ready."""
        self._publish("$state", b"init")
        self._publish("$description", self.device.description(self._version()).encode())
        self.sent_seq = self.ledger.cursor(OUTLET) or self.outlet._first_place
        self._tell_values(all_of_them=True)
        below = [f"{CUT}/set", "$state", "$alert/+"]
        self.client.subscribe([(self.device.topic(topic), 1) for topic in below])
        until_s = self.real.now() + _CONNACK_S
        while not self.subscribed:
            if self.real.now() > until_s:
                raise self.outlet._offline("no answer to the subscription")
            self._turn()
        self._announce()
        self._publish("$state", b"ready")
        self.ready = True

    def _announce(self) -> None:
        """Tell the home hub, if one is wished for; clear what was told under other settings, also when none is now."""
        prefix = self.outlet._settings.hub_prefix
        told = announcements(self.device, prefix) if prefix else {}
        known = [topic for topic in self.ledger.fact(_ANNOUNCED).splitlines() if topic]
        if known != list(told):
            # Remembered before it is told: a crash in between leaves nothing behind that nobody knows of.
            self.ledger.set_fact(_ANNOUNCED, "\n".join(dict.fromkeys([*known, *told])))
        for topic in known:
            if topic not in told:
                self._send(topic, b"")
        for topic, payload in told.items():
            self._send(topic, payload)
        if known != list(told):
            self.forget_at = list(told)

    def _version(self) -> int:
        """Version of the description: kept in the ledger, one higher whenever the description is another."""
        plain = self.device.description(0)
        number, _, known = self.ledger.fact("homie_description").partition(" ")
        version = int(number) if number.isdecimal() else 0
        if known != plain or version == 0:
            version += 1
            self.ledger.set_fact("homie_description", f"{version} {plain}")
        return version

    def _leave(self) -> None:
        self._publish("$state", b"disconnected")
        until_s = self.real.now() + 2
        while self.on_the_way and self.real.now() < until_s:
            self._turn()
        self.client.disconnect()
        self.client.loop(_LOOP_S)

    def drop(self) -> None:
        """Let go of the sockets, whatever state they are in."""
        for link in (self.client.socket(), None if self.tls is None else self.tls.last):
            if link is not None:
                link.close()

    # -- telling -------------------------------------------------------------------------------------------------

    def _publish(self, below: str, payload: bytes, seq: int = 0) -> None:
        self._send(self.device.topic(below), payload, seq)

    def _send(self, topic: str, payload: bytes, seq: int = 0) -> None:
        told = self.client.publish(topic, payload, qos=1, retain=True)
        if told.rc not in (MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_QUEUE_SIZE):
            raise self.outlet._offline(paho.error_string(told.rc))
        if told.rc == MQTTErrorCode.MQTT_ERR_QUEUE_SIZE:
            raise self.outlet._offline("its answers do not keep up")
        self.on_the_way[told.mid] = (self.real.now(), seq)

    def _tell_records(self) -> None:
        room = _RECORDS - sum(1 for _, seq in self.on_the_way.values() if seq)
        last = self.ledger.last_seq()
        if room <= 0 or self.sent_seq >= last:
            return
        found = self.ledger.records_after(self.sent_seq, limit=room)
        if not found:
            self.sent_seq = last  # what is left is of imported batches, and no news
        for stored in found:
            self.sent_seq = stored.seq
            self._note(stored)
            self._publish("batch/record", homie.record_payload(stored), stored.seq)

    def _note(self, stored: StoredRecord) -> None:
        """What a record changes in the table of values."""
        record = stored.record
        if not isinstance(record, Forecast):
            self.values_at = None  # worth a round at once
        if self.batch is not None and stored.batch == self.batch.id:
            self._keep_event(record)

    def _keep_event(self, record: object) -> None:
        if isinstance(record, Event):
            self.events[record.name] = record.since
        elif isinstance(record, Stage) and record.stage == "degassing":
            self.events.pop("bubbles_stopped", None)

    def _tell_values(self, *, all_of_them: bool = False) -> None:
        if len(self.on_the_way) > _WINDOW:
            return
        if self.correct_state:
            self.correct_state = False
            self._publish("$state", b"ready")
        for id_ in self.stray_alerts - set(self.alerts):
            self._publish(f"$alert/{id_}", b"")  # of an earlier life: nothing of ours stands for it
        self.stray_alerts.clear()
        latest = self.ledger.latest
        if latest is None:
            return
        batch, sample, _ = latest
        heat = self.outlet._heat()
        due = (
            all_of_them
            or self.values_at is None
            or heat != self.heat
            or batch != self.values_at[0]
            or not 0 <= sample.time_s - self.values_at[1] < self.outlet._settings.every_s
        )
        if due:
            self.values_at = (batch, sample.time_s)
            self.heat = heat
            view = self._view(*latest)
            for below, payload in homie.values(view).items():
                if self.told.get(below) != payload:
                    self.told[below] = payload
                    self._publish(below, payload)
            self._tell_alerts(homie.alerts(view))

    def _view(self, batch: int, sample: Sample, outlook: Any) -> View:
        if self.batch is None or self.batch.id != batch:
            self.events = {}
            self.batch = self.ledger.batch(batch)
            for stored in self.ledger.records(batch):
                self._keep_event(stored.record)
        return View(
            batch=batch,
            name=self.batch.name,
            began=self.batch.opened_utc,
            sample=sample,
            outlook=outlook,
            heat=self.heat,
            events=self.events,
            ledger=self.ledger.health.text,
            alerts=() if outlook is None else outlook.cautions,
        )

    def _tell_alerts(self, standing: dict[str, str]) -> None:
        for id_ in set(self.alerts) - set(standing):
            self._publish(f"$alert/{id_}", b"")
            del self.alerts[id_]
        for id_, text in standing.items():
            if self.alerts.get(id_) != text:
                self.alerts[id_] = text
                self._publish(f"$alert/{id_}", homie.string_bytes(text))

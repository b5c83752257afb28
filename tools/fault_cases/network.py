"""Broker, phone, page, gauge: what hangs on the station and is none of the guard's business."""

from __future__ import annotations

import json
import signal
import socket
import sys
import threading
from typing import Final

import paho.mqtt.client as mqtt

from lastbubble.desk import ask_desk
from lastbubble.errors import BadInput
from lastbubble.station import SERVICE_SOCKET
from tools.fault_cases.judge import goes, opens
from tools.fault_cases.plan import NOTHING, Case, Goes, Opens, Outcome, Setup
from tools.fault_cases.rig import Rig, free_port
from tools.plant.wire.bench import ROOT
from tools.plant.wire.children import Child

__all__ = ["CASES", "GOOD"]

_DEAD_BUS: Final = ("no_usable_reading", "faults_in_a_row")
_PAGE_PORT: Final = free_port()


def _publish(rig: Rig, payload: str, *, retain: bool = False, topic: str = "oven/cut/set") -> None:
    """As another program on the network would: once the station says that it is there and listens."""
    host, port = rig.world.broker
    ready = threading.Event()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    client.on_message = lambda _client, _data, message: ready.set() if message.payload == b"ready" else None
    client.connect(host, port)
    client.subscribe(f"homie/5/{rig.station}/$state", 1)
    client.loop_start()
    if not retain:
        ready.wait(20.0)
    client.publish(f"homie/5/{rig.station}/{topic}", payload, qos=1, retain=retain).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()


def _hotter(rig: Rig) -> None:
    """Everything that a bad guest might try, to topics that exist and topics that do not."""
    for topic in ("oven/cut/set", "oven/permit/set", "oven/heat-state/set", "oven/heat/set", "oven/trip/set"):
        for payload in ("permit", "true", "1", "reset", "permitted", "", '{"ask":"permit"}'):
            _publish(rig, payload, topic=topic)


def _stays_withheld(rig: Rig) -> Outcome:
    rig.later(10.0)
    status = rig.status()
    hot = rig.line() or status.state != "withheld"
    return Outcome(
        not hot, "requests' table", "no permit", finding="heat was permitted from the network" if hot else ""
    )


def _retained_then_restart(rig: Rig) -> Outcome:
    """A retained `cut` replays at every reconnect and must be ignored: it is no fresh wish of anybody."""
    return goes(rig, Goes(60.0))


def _kept_cut(rig: Rig) -> None:
    rig.children.end("service")
    _publish(rig, "cut", retain=True)
    rig.start_again("service")


def _stalled_pages(rig: Rig) -> None:
    """Twenty browsers that ask for the live stream and read nothing."""
    port = rig.setup.extra["page"]["port"]
    for _ in range(20):
        link = socket.create_connection(("127.0.0.1", port), timeout=5)
        rig.undo(link.close)
        link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        link.sendall(
            b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n" + b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n" * 20
        )


def _own_broker(rig: Rig) -> None:
    """A broker of this case's own on the port in its settings, so that it can be killed."""
    port = int(json.loads(json.dumps(rig.setup.extra["mqtt"]["port"])))
    broker = Child(
        "broker",
        [sys.executable, "-m", "tools.tryout.broker", str(port)],
        rig.folder / "broker.log",
        rig.bench.env(),
        folder=ROOT,
    )
    rig.children.add(broker)
    rig.later(90.0, lambda: not _connected(port))
    rig.later(10.0)


def _connected(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=0.2).close()
    except OSError:
        return False
    return True


def _faults(rig: Rig) -> dict[str, str]:
    try:
        return dict(ask_desk(rig.folder / "run" / SERVICE_SOCKET, {"ask": "status"}, timeout_s=5.0).get("faults", {}))
    except BadInput:
        return {}


def _status(rig: Rig) -> dict[str, object]:
    try:
        return ask_desk(rig.folder / "run" / SERVICE_SOCKET, {"ask": "status"}, timeout_s=5.0)
    except BadInput:
        return {}


def _gauge_away(rig: Rig) -> Outcome:
    """Heat goes on; the gauge's value goes, and comes back with the plug."""
    first = goes(rig, Goes(60.0))
    shown = _status(rig).get("chamber_pa")
    rig.bench.ask("plug")
    rig.later(60.0, lambda: _status(rig).get("chamber_pa") is None)
    back = _status(rig).get("chamber_pa")
    if shown is not None:
        first.safe, first.finding = False, f"a gauge that is gone still shows {shown} Pa"
    if back is None:
        first.safe, first.finding = False, "the gauge has not come back"
    first.reaction = "heat goes on; no reading, and it comes back"
    return first


def _false_vacuum(rig: Rig) -> Outcome:
    """A transducer's wire is broken: 0 V would be a deep vacuum. It has to be a fault, and no stage may follow it."""
    shown = _status(rig).get("chamber_pa")
    rig.strike(lambda rig: rig.pins.set_volts(0, 0.0))
    first = goes(rig, Goes(30.0))
    status = _status(rig)
    wrong = [] if first.safe else [first.finding]
    if not isinstance(shown, float) or abs(shown - 99_000.0) > 2000.0:
        wrong.append(f"before, the gauge read {shown} Pa and not 99000")
    if status.get("chamber_pa") is not None:
        wrong.append(f"a broken wire reads {status['chamber_pa']} Pa")
    if "chamber" not in _faults(rig):
        wrong.append("no fault is told")
    if status.get("stage") not in (None, "", "idle"):
        wrong.append(f"the stage has become {status.get('stage')}")
    cause = _faults(rig).get("chamber", "")
    return Outcome(
        not wrong,
        f"sensor_{cause}" if cause else "",
        "no reading, heat goes on",
        told=("bench",),
        finding="; ".join(wrong),
    )


def _transducer_on(rig: Rig) -> None:
    """99 kPa of 100 on 0.5 to 4.5 V, behind the divider."""
    rig.pins.set_volts(0, (0.5 + 4.0 * 0.99) / 1.6667)
    rig.later(20.0)


def _trip_unheard(rig: Rig) -> Outcome:
    """Nobody outside can be told; the guard does not care, the bench and the disk know."""
    first = goes(rig, Goes(60.0))
    rig.strike(lambda rig: rig.probe_fault("zeros"))
    second = opens(rig, Opens(1.6, _DEAD_BUS))
    second.safe = first.safe and second.safe
    second.reaction = f"heat goes on; a dead bus then: {second.reaction}"
    second.finding = "; ".join(text for text in (first.finding, second.finding) if text)
    return second


_ADC: Final = {
    "kind": "adc",
    "chip": "MCP3208",
    "channel": 0,
    "signal": "ratiometric",
    "reads": "absolute",
    "low": "0 kPa",
    "high": "100 kPa",
    "reference": "3.3 V",
    "divider": 1.6667,
    "supply": "5 V",
}

CASES = (
    Case(
        "broker_cut",
        ("F-108",),
        "`cut` comes from the broker",
        lambda rig: _publish(rig, "cut"),
        Opens(20.0, ("cut",), "withheld"),
    ),
    Case(
        "broker_asks_for_heat",
        ("F-108", "F-97"),
        "permit, reset and nonsense come from the broker",
        _hotter,
        _stays_withheld,
        Setup(permit=False),
    ),
    Case(
        "nobody_to_tell",
        ("F-101", "F-117", "F-99"),
        "neither broker nor phone answers, then a dead bus",
        NOTHING,
        _trip_unheard,
        Setup(broker="absent", phone="absent"),
    ),
)

GOOD = (
    Case(
        "good_broker_absent",
        ("F-101", "F-99"),
        "there is no broker",
        NOTHING,
        Goes(300.0),
        Setup(broker="absent"),
        kind="good",
    ),
    Case(
        "good_broker_killed",
        ("F-109", "F-106"),
        "the broker is killed",
        lambda rig: rig.signal("broker", signal.SIGKILL),
        Goes(120.0),
        Setup(broker="absent", extra={"mqtt": {"host": "127.0.0.1", "port": free_port(), "every": "5 s"}}),
        before=_own_broker,
        kind="good",
    ),
    Case(
        "good_broker_frozen",
        ("F-98",),
        "the broker is frozen: connections stand, nothing answers",
        lambda rig: rig.signal("broker", signal.SIGSTOP),
        Goes(120.0),
        Setup(broker="absent", extra={"mqtt": {"host": "127.0.0.1", "port": free_port(), "every": "5 s"}}),
        before=_own_broker,
        kind="good",
    ),
    Case(
        "good_retained_cut",
        ("F-108",),
        "a `cut` that the broker kept comes at every connection",
        NOTHING,
        _retained_then_restart,
        before=_kept_cut,
        kind="good",
    ),
    Case(
        "good_phone_absent",
        ("F-117", "F-112", "F-115"),
        "the phone's server is gone",
        NOTHING,
        Goes(300.0),
        Setup(phone="absent"),
        kind="good",
    ),
    Case(
        "good_pages_stalled",
        ("F-118", "F-119"),
        "twenty browsers that read nothing",
        _stalled_pages,
        Goes(60.0),
        Setup(extra={"page": {"host": "localhost", "port": _PAGE_PORT}}),
        kind="good",
    ),
    Case(
        "good_gauge_unplugged",
        ("F-64", "F-65"),
        "the gauge's serial adapter is pulled out",
        lambda rig: rig.bench.ask("unplug"),
        _gauge_away,
        Setup(gauge="serial"),
        kind="good",
        quick=True,
    ),
    Case(
        "good_gauge_garbage",
        ("F-68", "F-69", "F-71"),
        "garbage on the gauge's line",
        lambda rig: rig.bench.gauge_fault("garbage"),
        Goes(60.0),
        Setup(gauge="serial"),
        kind="good",
    ),
    Case(
        "good_gauge_modbus_silent",
        ("F-74", "F-75"),
        "the bus gauge answers no more",
        lambda rig: rig.bench.gauge_fault("silent"),
        Goes(60.0),
        Setup(gauge="modbus"),
        kind="good",
    ),
    Case(
        "good_wire_to_vacuum",
        ("F-58",),
        "the transducer's wire is broken: 0 V, a deep vacuum if it were believed",
        NOTHING,
        _false_vacuum,
        Setup(extra={"chamber": {"gauge": _ADC}}, service_pins=True),
        before=_transducer_on,
        kind="good",
    ),
)

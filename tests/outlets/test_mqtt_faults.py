"""What only a broker that keeps the rules can show (mosquitto): wills, keep-alive, take-over, kept values, TLS."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from lastbubble.outlets import mqtt
from lastbubble.outlets.mqtt import MqttOutlet
from tests.outlets.brokers import MOSQUITTO, Ear, Mosquitto, ear, wait_for
from tests.outlets.conftest import ROOT, Maker, Station
from tests.outlets.test_mqtt import heard_lines

pytestmark = [
    pytest.mark.usefixtures("quick"),
    pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed (apt install mosquitto)"),
]

Brokers = Callable[..., Mosquitto]


@pytest.fixture
def brokers(tmp_path: Path) -> Iterator[Brokers]:
    made: list[Mosquitto] = []

    def one(*extra: str, port: int | None = None) -> Mosquitto:
        made.append(Mosquitto(tmp_path / f"broker-{len(made)}", *extra, port=port))
        return made[-1]

    yield one
    for broker in made:
        broker.stop()


def outlet_of(station: Station) -> MqttOutlet:
    assert station.outlet is not None
    return station.outlet


def states(heard: Ear) -> list[bytes]:
    return heard.of(ROOT + "$state")


_SERVICE = """
import sys, threading
from pathlib import Path
from tests.outlets.conftest import Station
station = Station(Path(sys.argv[1]))
station.feed(3)
station.connect(int(sys.argv[2]), keepalive_s=2)
threading.Event().wait()
"""


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Callable[[int], subprocess.Popen[bytes]]]:
    """A service with an outlet in a process of its own, to be killed and frozen."""
    made: list[subprocess.Popen[bytes]] = []

    def start(port: int) -> subprocess.Popen[bytes]:
        root = Path(__file__).resolve().parents[2]
        env = {**os.environ, "PYTHONPATH": f"{root / 'daemon'}:{root}"}
        made.append(
            subprocess.Popen([sys.executable, "-c", _SERVICE, str(tmp_path / "service.db"), str(port)], env=env)
        )
        return made[-1]

    yield start
    for process in made:
        process.kill()
        process.wait(20)


def test_a_killed_service_is_lost_at_once(brokers: Brokers, service: Callable[[int], Any]) -> None:
    broker = brokers().start()
    with ear(broker.port) as heard:
        process = service(broker.port)
        wait_for(lambda: states(heard)[-1:] == [b"ready"], "ready")
        process.send_signal(signal.SIGKILL)
        wait_for(lambda: states(heard)[-1:] == [b"lost"], "will")
        assert states(heard) == [b"init", b"ready", b"lost"]


def test_a_frozen_service_is_lost_after_its_keep_alive_and_comes_back(
    brokers: Brokers, service: Callable[[int], Any]
) -> None:
    broker = brokers().start()
    with ear(broker.port) as heard:
        process = service(broker.port)
        wait_for(lambda: states(heard)[-1:] == [b"ready"], "ready")
        process.send_signal(signal.SIGSTOP)
        wait_for(lambda: states(heard)[-1:] == [b"lost"], "will")
        process.send_signal(signal.SIGCONT)
        wait_for(lambda: states(heard)[-2:] == [b"init", b"ready"], "back")


def test_a_late_will_is_set_right(brokers: Brokers, make: Maker) -> None:
    broker = brokers().start()
    station = make()
    station.feed(1)
    with ear(broker.port) as heard:
        station.connect(broker.port)
        wait_for(lambda: states(heard)[-1:] == [b"ready"], "ready")
        heard.say(ROOT + "$state", b"lost", retain=True)  # as the broker does for a connection that died before
        wait_for(lambda: states(heard)[-2:] == [b"lost", b"ready"], "set right")


def test_two_of_the_same_name_are_told(brokers: Brokers, make: Maker) -> None:
    broker = brokers().start()
    station = make()
    station.feed(1)
    station.connect(broker.port, client_id="the-same")
    for loss in range(5):
        wait_for(lambda: outlet_of(station).health.cause in ("", "taken_over"), "connected")
        wait_for(lambda loss=loss: len(outlet_of(station)._losses) >= loss, "counted")  # type: ignore[misc]
        other = paho.Client(CallbackAPIVersion.VERSION2, client_id="the-same")
        other.connect("127.0.0.1", broker.port)
        for _ in range(20):
            other.loop(0.02)
        other.disconnect()
        other.loop(0.02)
    wait_for(lambda: outlet_of(station).health.cause == "taken_over", "told")
    assert "'the-same'" in outlet_of(station).health.text
    assert station.causes().count("taken_over") == 1


def test_values_outlive_the_broker_and_tell_their_age(brokers: Brokers, make: Maker, tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    kept.mkdir(mode=0o777)
    kept.chmod(0o777)
    broker = brokers("persistence true", f"persistence_location {kept}/").start()
    station = make()
    station.feed(3)
    station.connect(broker.port)
    wait_for(lambda: outlet_of(station).health.well, "connected")
    station.close()
    broker.stop()
    if not (kept / "mosquitto.db").exists():
        pytest.fail("mosquitto kept nothing")
    broker.start()
    with ear(broker.port) as late:
        wait_for(lambda: ROOT + "station/last-sample" in late.latest, "kept values")
        assert late.latest[ROOT + "$state"] == b"disconnected", "nobody takes them for news"
        assert late.latest[ROOT + "station/last-sample"] == b"2026-03-01T08:00:02.125Z"


def test_a_broker_killed_and_started_empty_is_told_everything_again(brokers: Brokers, make: Maker) -> None:
    broker = brokers().start()
    station = make()
    station.feed(3)
    station.connect(broker.port)
    wait_for(lambda: outlet_of(station).health.well, "connected")
    broker.kill()
    wait_for(lambda: outlet_of(station).health.cause == "offline", "gone")
    broker.start()
    with ear(broker.port) as heard:
        wait_for(lambda: states(heard)[-1:] == [b"ready"], "ready")
        assert json.loads(heard.latest[ROOT + "$description"])["version"] == 1
        assert heard.latest[ROOT + "batch/name"] == b"maple blanks"


def test_a_frozen_broker_is_noticed_and_nothing_is_lost(
    brokers: Brokers, make: Maker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt, "_UNANSWERED_S", (0.3, 1.0))
    monkeypatch.setattr(mqtt, "_CONNACK_S", 0.5)
    broker = brokers().start()
    station = make()
    station.connect(broker.port)
    with ear(broker.port) as heard:
        wait_for(lambda: outlet_of(station).health.well, "connected")
        broker.freeze()
        station.feed(300)
        wait_for(lambda: "unanswered" in station.causes(), "told")
        wait_for(lambda: outlet_of(station).health.cause == "offline", "given up")
        assert station.ledger.cursor("mqtt") == 0, "nothing counts as told that was not acknowledged"
        broker.thaw()
        wait_for(lambda: outlet_of(station).health.well, "back")
        wait_for(lambda: station.ledger.cursor("mqtt") == station.ledger.last_seq(), "all told")
        wait_for(lambda: heard_lines(heard)[-1:] == station.lines()[-1:], "heard")
        mine = heard_lines(heard)
        # What went out before the freeze was noticed may come twice; `seq` tells.
        assert list(dict.fromkeys(mine)) == station.lines()
        numbers = [json.loads(payload)["seq"] for payload in heard.of(ROOT + "batch/record")]
        assert set(numbers) == set(range(1, station.ledger.last_seq() + 1))


def test_wrong_credentials_are_told_once(brokers: Brokers, make: Maker, tmp_path: Path) -> None:
    passwords = tmp_path / "passwords"
    passwords.touch(mode=0o600)
    subprocess.run(["mosquitto_passwd", "-b", str(passwords), "bench", "right"], check=True, capture_output=True)
    passwords.chmod(0o644)
    broker = brokers(f"password_file {passwords}").start()
    for version in ("5", "3.1.1"):
        station = make(f"ledger-{version}.db")
        station.feed(3)
        station.connect(broker.port, username="bench", password="wrong", version=version)
        wait_for(lambda station=station: outlet_of(station).health.cause == "refused", "refused")  # type: ignore[misc]
        wait_for(lambda station=station: len(station.causes()) >= 1, "told")  # type: ignore[misc]
        assert "check username and password" in outlet_of(station).health.text
        assert "wrong" not in outlet_of(station).health.text, "a password is never shown"
        station.close()
        assert station.causes() == ["refused"], "once, whatever the number of tries"
        again = make(f"again-{version}.db")
        again.connect(broker.port, username="bench", password="right", version=version)
        wait_for(lambda again=again: outlet_of(again).health.well, "in")  # type: ignore[misc]


def test_a_broker_that_lets_nobody_write_is_told(brokers: Brokers, make: Maker, tmp_path: Path) -> None:
    rights = tmp_path / "rights"
    rights.write_text("topic read #\n")
    rights.chmod(0o644)
    broker = brokers(f"acl_file {rights}").start()
    station = make()
    station.feed(3)
    station.connect(broker.port)
    wait_for(lambda: "refused" in station.causes(), "told")
    health = next(health for health in station.healths if health.cause == "refused")
    assert "allow this user to write below homie/5/bench-1" in health.text


# -- TLS ----------------------------------------------------------------------------------------------------------


def openssl(*words: str, cwd: Path) -> None:
    subprocess.run(["openssl", *words], check=True, capture_output=True, cwd=cwd)


def certificates(folder: Path, *, begin: str = "", name: str = "localhost") -> Path:
    """An authority `ca.pem`, and a certificate of `name` signed by it, valid from `begin` on ("" = now)."""
    folder.mkdir()
    openssl("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "30",
            "-subj", "/CN=test authority", "-keyout", "ca.key", "-out", "ca.pem", cwd=folder)  # fmt: skip
    openssl("req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-subj", f"/CN={name}",
            "-keyout", "server.key", "-out", "server.csr", cwd=folder)  # fmt: skip
    (folder / "index.txt").touch()
    (folder / "serial").write_text("01\n")
    (folder / "ca.conf").write_text(
        "[ca]\ndefault_ca=own\n[own]\ndatabase=index.txt\nserial=serial\nnew_certs_dir=.\ncertificate=ca.pem\n"
        "private_key=ca.key\ndefault_md=sha256\npolicy=any\nx509_extensions=names\n[any]\ncommonName=supplied\n"
        f"[names]\nsubjectAltName=DNS:{name}\n"
    )
    dates = ["-startdate", begin, "-enddate", "20990101000000Z"] if begin else ["-days", "30"]
    openssl("ca", "-config", "ca.conf", "-batch", *dates, "-in", "server.csr", "-out", "server.pem", cwd=folder)
    for path in folder.iterdir():
        path.chmod(0o644)
    return folder


def secured(folder: Path) -> list[str]:
    return [f"certfile {folder / 'server.pem'}", f"keyfile {folder / 'server.key'}"]


def test_tls_with_the_right_authority(brokers: Brokers, make: Maker, tmp_path: Path) -> None:
    folder = certificates(tmp_path / "tls")
    broker = brokers(*secured(folder)).start()
    station = make()
    station.feed(60)
    station.connect(broker.port, host="localhost", tls=True, ca_file=folder / "ca.pem")
    wait_for(lambda: outlet_of(station).health.well, "connected")
    wait_for(lambda: station.ledger.cursor("mqtt") == station.ledger.last_seq(), "told")


@pytest.mark.parametrize(
    ("begin", "name", "authority", "words"),
    [
        ("", "localhost", "", "check ca_file"),
        ("", "elsewhere", "ca.pem", "host's name"),
        ("20980101000000Z", "localhost", "ca.pem", "clock right"),
    ],
    ids=["unknown authority", "another host", "not yet valid"],
)
def test_tls_that_can_not_be_trusted_is_told(
    begin: str, name: str, authority: str, words: str, brokers: Brokers, make: Maker, tmp_path: Path
) -> None:
    folder = certificates(tmp_path / "tls", begin=begin, name=name)
    broker = brokers(*secured(folder)).start()
    station = make()
    station.feed(3)
    station.connect(broker.port, host="localhost", tls=True, ca_file=folder / authority if authority else None)
    wait_for(lambda: station.causes() == ["tls"], "told")
    assert words in outlet_of(station).health.text
    station.close()
    assert station.causes() == ["tls"], "once"


def test_tls_asked_of_a_plain_port_is_told(brokers: Brokers, make: Maker) -> None:
    broker = brokers().start()
    station = make()
    station.connect(broker.port, tls=True)
    wait_for(lambda: station.causes() == ["tls"], "told")
    assert "that the port speaks TLS" in outlet_of(station).health.text

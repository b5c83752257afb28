"""Real brokers for the tests, each a process of its own: mosquitto and amqtt; and a subscriber."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

__all__ = ["MOSQUITTO", "Amqtt", "Ear", "Mosquitto", "ear", "free_port", "wait_for"]

MOSQUITTO = shutil.which("mosquitto") or next(
    (place for place in ("/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto") if Path(place).exists()), None
)


def wait_for(met: Callable[[], object], what: str = "", timeout_s: float = 30.0) -> None:
    """Wait for a condition, with a bound; no test's outcome depends on how fast it comes."""
    gate = threading.Event()
    for _ in range(int(timeout_s / 0.02)):
        if met():
            return
        gate.wait(0.02)
    raise AssertionError(f"not in time: {what}")


def free_port() -> int:
    with socket.socket() as link:
        link.bind(("127.0.0.1", 0))
        return int(link.getsockname()[1])


def answers(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), 0.5).close()
    except OSError:
        return False
    return True


class Mosquitto:
    """A mosquitto on a port of its own; `start`, `stop`, `kill`, `freeze`, `thaw`, and start again."""

    def __init__(self, folder: Path, *extra: str, port: int | None = None) -> None:
        assert MOSQUITTO is not None
        folder.mkdir(parents=True, exist_ok=True)
        self.port = port or free_port()
        self._config = folder / "mosquitto.conf"
        lines = [f"listener {self.port} 127.0.0.1", "max_queued_messages 100000", *extra]
        if os.geteuid() == 0:
            lines.append("user root")  # else it becomes somebody who may not read the test's folder
        if not any(line.startswith("password_file") for line in extra):
            lines.append("allow_anonymous true")
        self._config.write_text("\n".join(lines) + "\n")
        self._log = folder / "mosquitto.log"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> Mosquitto:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen([str(MOSQUITTO), "-c", str(self._config)], stdout=log, stderr=log)
        process = self._process
        wait_for(lambda: process.poll() is not None or answers(self.port), "mosquitto")
        assert process.poll() is None, self._log.read_text()[-1000:]
        return self

    def _end(self, how: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self._process.send_signal(how)
            self._process.wait(20)
            self._process = None

    def stop(self) -> None:
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)


_AMQTT = """
import asyncio, signal, sys
from amqtt.broker import Broker

async def serve(port):
    over = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, over.set)
    broker = Broker({
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    })
    await broker.start()
    await over.wait()
    try:
        await asyncio.wait_for(broker.shutdown(), 3)
    except (TimeoutError, asyncio.CancelledError):
        pass

asyncio.run(serve(int(sys.argv[1])))
"""


class Amqtt:
    """The broker that the try-out brings along, in a process of its own (its end leaves sockets to the collector)."""

    def __init__(self, port: int | None = None) -> None:
        self.port = port or free_port()
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> Amqtt:
        self._process = subprocess.Popen(
            [sys.executable, "-c", _AMQTT, str(self.port)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        wait_for(lambda: answers(self.port), "amqtt")
        return self

    def stop(self) -> None:
        if self._process is None:
            return
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(10)
        self._process = None


class Ear:
    """An independent subscriber: every message in order, and the latest by topic. `say` publishes."""

    def __init__(self, port: int, topic: str = "#", **auth: Any) -> None:
        self.messages: list[tuple[str, bytes, bool]] = []
        self.latest: dict[str, bytes] = {}
        self._ready = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv311)
        if auth:
            self._client.username_pw_set(auth["username"], auth["password"])
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda client, *_: client.subscribe(topic, qos=1)
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = self._heard
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(20)

    def _heard(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        self.messages.append((message.topic, bytes(message.payload), message.retain))
        self.latest[message.topic] = bytes(message.payload)

    def of(self, topic: str) -> list[bytes]:
        return [payload for name, payload, _ in self.messages if name == topic]

    def say(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self._client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(20)

    def close(self) -> None:
        self._client.disconnect()
        # The library forgets its thread as that ends, and may do so while this waits for it.
        with contextlib.suppress(AttributeError):
            self._client.loop_stop()


@contextlib.contextmanager
def ear(port: int, topic: str = "#") -> Iterator[Ear]:
    heard = Ear(port, topic)
    try:
        yield heard
    finally:
        heard.close()

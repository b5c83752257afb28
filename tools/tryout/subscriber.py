"""An independent subscriber: hears everything the station publishes, counts it, keeps every record of the stream."""

from __future__ import annotations

import contextlib
import json
import threading
from collections import Counter
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt

__all__ = ["Subscriber"]


class Subscriber:
    """Connects to the broker and subscribes to everything.

    messages : how many came, by the last part of the topic;  latest : topic -> the latest payload
    records : the payloads of the topic on which the record stream is published, in order
    """

    def __init__(self, host: str, port: int, path: Path, record_topic: str = "/record") -> None:
        self.messages: Counter[str] = Counter()
        self.latest: dict[str, str] = {}
        self.records: list[str] = []
        self.doubles = 0
        self._record_topic = record_topic
        self._path = path
        self._lock = threading.Lock()
        self._ready = threading.Event()
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="try-out", protocol=mqtt.MQTTv311)
        self._client.on_connect = self._connected
        self._client.on_subscribe = self._subscribed
        self._client.on_message = self._message
        self._client.suppress_exceptions = False
        self._client.connect(host, port, keepalive=600)
        self._client.loop_start()

    @property
    def total(self) -> int:
        """All messages."""
        return sum(self.messages.values())

    @property
    def ready(self) -> bool:
        """Whether the broker has taken the subscription."""
        return self._ready.is_set()

    def last_seq(self) -> int:
        """The number of the latest record, 0 before the first."""
        with self._lock:
            latest = self.records[-1] if self.records else "{}"
        try:
            return int(json.loads(latest).get("seq", 0))
        except (ValueError, AttributeError):
            return 0

    def close(self) -> None:
        """Hang up."""
        self._client.disconnect()
        # The library forgets its thread as that ends, and may do so while this waits for it.
        with contextlib.suppress(AttributeError):
            self._client.loop_stop()

    def _connected(self, client: mqtt.Client, *_: Any) -> None:
        client.subscribe("#", qos=1)

    def _subscribed(self, *_: Any) -> None:
        self._ready.set()

    def _message(self, client: mqtt.Client, userdata: Any, message: mqtt.MQTTMessage) -> None:  # noqa: ARG002  # theirs
        text = message.payload.decode("utf-8", errors="replace")
        with self._lock:
            self.messages[message.topic.rpartition("/")[2]] += 1
            self.latest[message.topic] = text
            if message.topic.endswith(self._record_topic):
                if message.retain:
                    return
                self.records.append(text)
                with self._path.open("a", encoding="utf-8") as file:
                    file.write(text + "\n")

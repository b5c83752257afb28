"""The thermometer: the only process on the thermocouples' bus. It reads raw frames and hands them on, unjudged.

It exists because a bus transfer can hang where no signal reaches it: then this process hangs, the frames stop, and the
guard, which owns the relay's line and no bus, opens.

Each probe in turn, one transfer a reading, never faster than the converter converts: a MAX31855 needs up to 100 ms a
conversion (data sheet) and a chip select that comes too often may hold it back.
"""

from __future__ import annotations

import json
import logging
import os
import signal
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Final, Protocol

from lastbubble.clock import BENCH_CLOCK_VARIABLE, Clock
from lastbubble.errors import SettingsError
from lastbubble.frames import MAX_PROBES, FrameMessage
from lastbubble.guard.notify import Notifier
from lastbubble.guard.protocol import FRAMES_SOCKET

__all__ = [
    "FrameSource",
    "Thermometer",
    "ThermometerProbe",
    "ThermometerSettings",
    "open_sources",
    "settings_from_json",
]

log = logging.getLogger("lastbubble.thermometer")

_RATE_HZ: Final = (2.0, 5.0)
_RECONNECT_S: Final = 0.5


class FrameSource(Protocol):
    """One probe's converter (`sensing.max31855.Max31855Reader`)."""

    def read(self) -> tuple[bytes | None, str]:
        """(raw frame, "") or (None, what the transfer failed of); never raises an error of the bus."""
        ...


@dataclass(frozen=True, slots=True)
class ThermometerProbe:
    """name : oven, oven2 or witness;  select_pin : GPIO number of its converter's chip select"""

    name: str
    select_pin: int


@dataclass(frozen=True, slots=True)
class ThermometerSettings:
    """probes : in the guard's order
    rate_hz : readings a second of each probe, 2..5 (a converter needs 100 ms, the guard wants one a second at least)
    runtime_dir : where the guard listens
    bus : "" for the machine's own SPI bus, or "module:function" that makes a simulated bench's; only where `simulated`
        or under a bench clock
    spi_hz : the bus's clock
    """

    probes: tuple[ThermometerProbe, ...]
    rate_hz: float = 4.0
    runtime_dir: str = "/run/lastbubble"
    bus: str = ""
    spi_hz: int = 100_000
    simulated: bool = False

    def __post_init__(self) -> None:
        """Raises SettingsError with every fault."""
        faults: list[str] = []
        if not 1 <= len(self.probes) <= MAX_PROBES:
            faults.append(f"thermometer has {len(self.probes)} probes; allowed 1 to {MAX_PROBES}")
        pins = [probe.select_pin for probe in self.probes]
        if not 10_000 <= self.spi_hz <= 5_000_000:
            faults.append(f"thermometer.spi_hz is {self.spi_hz}; allowed 10000 to 5000000")
        for pin in sorted(set(pins)):
            if pins.count(pin) > 1:
                faults.append(f"select_pin {pin} is there {pins.count(pin)} times; each converter has its own")
            if pin in (7, 8) and not self.simulated:
                faults.append(f"select_pin is {pin}: the kernel toggles CE0 and CE1 (8, 7) in every read; use another")
        if not _RATE_HZ[0] <= self.rate_hz <= _RATE_HZ[1]:
            faults.append(f"thermometer.rate is {self.rate_hz:g} Hz; allowed {_RATE_HZ[0]:g} to {_RATE_HZ[1]:g}")
        if self.bus and not (self.simulated or os.environ.get(BENCH_CLOCK_VARIABLE)):
            faults.append(f"thermometer.bus is {self.bus!r} and simulated is false; delete the line where an oven is")
        if faults:
            raise SettingsError(faults)


def settings_from_json(text: str) -> ThermometerSettings:
    """The settings out of canonical JSON: an object with the fields of ThermometerSettings. Raises SettingsError."""
    try:
        data = json.loads(text)
        unknown = data.keys() - set(ThermometerSettings.__dataclass_fields__)
        if unknown:
            raise ValueError(f"{', '.join(sorted(unknown))} is not known")
        probes = tuple(ThermometerProbe(str(item["name"]), int(item["select_pin"])) for item in data.pop("probes"))
        return ThermometerSettings(probes, **data)
    except SettingsError:
        raise
    except (ValueError, KeyError, TypeError, AttributeError) as exc:
        raise SettingsError([f"the thermometer's settings cannot be used: {exc!r}"]) from exc


def open_sources(settings: ThermometerSettings) -> list[FrameSource]:
    """One source a probe, on the machine's bus or the bench's. LastbubbleError, with the mend, when there is no bus."""
    # Only here: the driver's library looks for a board.
    from lastbubble.sensing.max31855 import Max31855Reader, open_bus

    bus = open_bus(settings.bus)
    return [Max31855Reader(bus, probe.select_pin, settings.spi_hz) for probe in settings.probes]


class Thermometer:
    """Reads each source in turn and sends what it gave. `run` until told to stop."""

    def __init__(
        self,
        settings: ThermometerSettings,
        clock: Clock,
        sources: Sequence[FrameSource],
        notifier: Notifier | None = None,
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._sources = tuple(sources)
        self._notifier = notifier or Notifier({})
        self._path = Path(settings.runtime_dir) / FRAMES_SOCKET
        self._socket: socket.socket | None = None
        self._next_connect_s = float("-inf")
        self._seq = [0] * len(self._sources)
        self._stopped = False
        self._sleeping = False
        self._told_gone = False
        self.sent = 0
        self.unsent = 0

    def read_one(self, index: int) -> FrameMessage:
        """One transfer of one probe, as a message; time is that of its end."""
        raw, error = self._sources[index].read()
        seq = self._seq[index]
        self._seq[index] = (seq + 1) % 2**32
        if raw is None and not error:
            error = "no frame"
        return FrameMessage(index, seq, self._clock.now(), raw, "" if raw is not None else error)

    def send(self, message: FrameMessage) -> bool:
        """Hand it on without waiting; False when the guard does not take it (it is then gone: the next is fresher)."""
        if self._socket is None and not self._connect():
            self.unsent += 1
            return False
        try:
            if self._socket is not None:
                self._socket.send(message.pack())
        except BlockingIOError:
            self.unsent += 1
            return False
        except OSError as exc:
            self.unsent += 1
            self._lose(str(exc))
            return False
        self.sent += 1
        return True

    def run(self) -> int:
        """Until a signal or `stop`: every probe `rate_hz` times a second, evenly spaced."""
        step_s = 1.0 / (self._settings.rate_hz * len(self._sources))
        next_s = self._clock.now()
        index = 0
        first = True
        try:
            while not self._stopped:
                self.send(self.read_one(index))
                index = (index + 1) % len(self._sources)
                if first and index == 0:
                    first = False
                    self._notifier.ready("reading")
                self._notifier.pet()
                next_s = max(next_s + step_s, self._clock.now())
                self._sleeping = True
                try:
                    self._clock.sleep_until(next_s)
                finally:
                    self._sleeping = False
        except _Told:
            pass
        finally:
            self._notifier.stopping()
            self.close()
        return 0

    def stop(self, _signum: int = signal.SIGTERM, _frame: FrameType | None = None) -> None:
        """End the loop. A signal's handler."""
        self._stopped = True
        if self._sleeping:
            raise _Told

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _connect(self) -> bool:
        now_s = self._clock.now()
        if now_s < self._next_connect_s:
            return False
        self._next_connect_s = now_s + _RECONNECT_S
        link = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        link.setblocking(False)
        try:
            link.connect(os.fspath(self._path))
        except OSError as exc:
            link.close()
            self._lose(str(exc))
            return False
        self._socket = link
        if self._told_gone:
            log.info("event=guard_back socket=%s", self._path)
        self._told_gone = False
        return True

    def _lose(self, why: str) -> None:
        self.close()
        if not self._told_gone:
            log.warning("event=guard_gone socket=%s text=%r", self._path, why)
            self._told_gone = True


class _Told(Exception):  # no error: a signal that ends the sleep
    """A signal came while the loop slept."""

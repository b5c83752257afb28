"""A pressure gauge that tells its reading in lines of ASCII, by itself or when asked.

Reader only; what the bytes mean is `ascii_lines`.

A streaming gauge is never waited for: what has come is taken, the newest whole line counts. After a pause in the
reading, what waits in the kernel is minutes old and arrives as new, so it is thrown away, with the line it broke.

A gauge that is asked is waited for `answer_s` of real time. An answer that comes later than that must not be taken for
the next one's: after a time-out nothing is asked until the line has been quiet for a while.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import Final

import serial

from lastbubble.clock import RealClock
from lastbubble.records import Reading
from lastbubble.sensing.ascii_lines import DEFAULT_PATTERN, LineFormat, LineSplitter
from lastbubble.sensing.gauge import MANY, Fault, GaugeScale, Silence
from lastbubble.sensing.port import GONE, Port, PortSettings, take, wait_for_bytes

__all__ = ["SerialGauge", "SerialGaugeSettings"]

log = logging.getLogger("lastbubble.sensing")

#: A pause in the reading that makes what waits in the kernel too old [s].
_STALL_S: Final = 2.0
#: So many unusable lines in a row: the port is opened anew, and again every so many.
_REOPEN_AFTER: Final = 4 * MANY
_NO_END: Final = Fault("garbled", "the gauge sends, and no line comes to its end; check line_end, baud and the cable")


@dataclass(frozen=True, slots=True)
class SerialGaugeSettings:
    """The gauge and its port.

    port, baud, frame : see `port.PortSettings`
    unit, pattern, line_end : see `ascii_lines.LineFormat`
    query : what to send for one reading, without the line's end; "" for a gauge that talks by itself
    every_s : time between readings                                                          [s of bench time]
    answer_s : longest wait for an answer                                                     [s of real time]
    quiet_s : how quiet the line must be after a time-out before the next question            [s of real time]
    silence_s : without a usable line for so long is a fault; None: five readings, at least 5 s  [s of bench time]
    """

    port: str
    unit: str
    baud: int = 9600
    frame: str = "8N1"
    pattern: str = DEFAULT_PATTERN
    line_end: str = "CRLF"
    query: str = ""
    every_s: float = 1.0
    answer_s: float = 0.5
    quiet_s: float = 1.5
    silence_s: float | None = None

    def __post_init__(self) -> None:
        PortSettings(self.port, self.baud, self.frame)
        LineFormat(self.unit, self.pattern, self.line_end)
        if not self.query.isascii():
            raise ValueError(f"query is {self.query!r}; allowed: ASCII characters")
        if not 0.05 <= self.every_s <= 60:
            raise ValueError(f"every is {self.every_s} s; allowed 0.05 to 60 s")


class SerialGauge:
    """Polled source (`pressure.Polled`) of a gauge that talks ASCII; wrap it in `pressure.Unhurried`."""

    def __init__(self, settings: SerialGaugeSettings, scale: GaugeScale) -> None:
        self._settings = settings
        self._scale = scale
        self._format = LineFormat(settings.unit, settings.pattern, settings.line_end)
        self._splitter = LineSplitter(self._format.end)
        self._port = Port(PortSettings(settings.port, settings.baud, settings.frame))
        silence_s = max(5.0, 5 * settings.every_s) if settings.silence_s is None else settings.silence_s
        self._silence = Silence(silence_s, f"the gauge at {settings.port}")
        self._real = RealClock()
        self._polled_s: float | None = None
        self._asked_s = float("-inf")
        self._unsure = False
        self._opened = 0
        #: Lines that gave a reading, lines that could not be used, questions without an answer.
        self.used = self.dropped = self.timeouts = 0

    def poll(self, now_s: float) -> Reading | None:
        """See `pressure.Polled`. Waits only for an answer; raises nothing."""
        stalled = self._polled_s is not None and now_s - self._polled_s > max(_STALL_S, 3 * self._settings.every_s)
        self._polled_s = now_s
        self._silence.since_s(now_s)
        line = self._port.ready(now_s)
        if line is None:
            self._silence.fail(self._port.fault or Fault("port", f"{self._settings.port} is being opened again"))
            return self._silence.verdict(now_s)
        try:
            if self._opened != self._port.openings:
                self._opened = self._port.openings
                self._unsure = False
                self._splitter.resync()
                self._silence.good(now_s)
            lines = self._ask(line, now_s) if self._settings.query else self._listen(line, stalled)
        except GONE as exc:
            self._port.lost(now_s, exc)
            if self._port.fault is not None:
                self._silence.fail(self._port.fault)
            return self._silence.verdict(now_s)
        return self._newest(lines, now_s)

    def close(self) -> None:
        """Let the port go; may be called again."""
        self._port.shut()

    def _listen(self, line: serial.Serial, stalled: bool) -> list[bytes | None]:
        """What has come by itself."""
        if stalled:
            line.reset_input_buffer()
            self._splitter.resync()
        data = take(line)
        lines = self._splitter.feed(data)
        if data and self._format.end not in data:
            self._silence.note(_NO_END)
        return lines

    def _newest(self, lines: list[bytes | None], now_s: float) -> Reading | None:
        reading: Reading | None = None
        for line in lines:
            shown = self._format.shown_pa(line)
            if isinstance(shown, Fault):
                self.dropped += 1
                if shown.cause == "unit":
                    # A number in another unit is a plausible lie: what it broke is told at once.
                    self._silence.fail(shown)
                else:
                    self._silence.drop(shown)
                reading = None
                continue
            self.used += 1
            self._silence.good(now_s)
            self._port.well()
            reading = self._scale.reading(shown, now_s)
        if reading is not None:
            return reading
        if self._silence.in_row and self._silence.in_row % _REOPEN_AFTER == 0 and lines:
            log.warning("event=gauge_garbled lines=%d", self._silence.in_row)
            self._port.reopen(now_s)
        return self._silence.verdict(now_s)

    def _ask(self, line: serial.Serial, now_s: float) -> list[bytes | None]:
        """One question and its answer; nothing where it is not time yet, or nothing came."""
        settings = self._settings
        # A caller's period jitters by a little; without the margin every second question would be late by a whole one.
        if now_s - self._asked_s < 0.9 * settings.every_s:
            return []
        if self._unsure:
            self._wait_quiet(line)
        line.reset_input_buffer()
        self._splitter.clear()
        self._asked_s = now_s
        question = settings.query.encode("ascii") + self._format.end
        line.write(question)
        end_s = self._real.now() + settings.answer_s
        echoes = 0
        while (left_s := end_s - self._real.now()) > 0:
            data = wait_for_bytes(line, left_s)
            if data and self._format.end not in data:
                self._silence.note(_NO_END)
            for found in self._splitter.feed(data):
                if found is not None and found == settings.query.encode("ascii") and not echoes:
                    # An adapter that hears itself: the answer comes behind its echo.
                    echoes += 1
                    continue
                return [found]
        self.timeouts += 1
        self._unsure = True
        return []

    def _wait_quiet(self, line: serial.Serial) -> None:
        """Listen until the line has been quiet for `quiet_s`, so that no late answer is taken for the next one's."""
        limit_s = self._real.now() + 5 * self._settings.quiet_s
        while self._real.now() < limit_s and wait_for_bytes(line, self._settings.quiet_s):
            pass
        self._unsure = False

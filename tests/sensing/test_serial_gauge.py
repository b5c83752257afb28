"""The serial reader over a pty, in bench time of the test's own."""

from __future__ import annotations

import fcntl
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from lastbubble.records import Quality, Reading
from lastbubble.sensing.gauge import MANY, GaugeScale
from lastbubble.sensing.port import Port, PortSettings
from lastbubble.sensing.serial_gauge import SerialGauge, SerialGaugeSettings
from tests.sensing.wires import Asked, Plug

PATTERN = r"P=\s*(?P<value>[-+]?\d+\.\d+) (?P<unit>\w+)"


@pytest.fixture
def plug(tmp_path: Path) -> Iterator[Plug]:
    plug = Plug(tmp_path / "gauge")
    yield plug
    plug.unplug()


@pytest.fixture
def gauge(plug: Plug) -> Iterator[SerialGauge]:
    gauge = SerialGauge(SerialGaugeSettings(str(plug.link), "mbar", pattern=PATTERN), GaugeScale())
    yield gauge
    gauge.close()


def line(mbar: float) -> bytes:
    return f"P= {mbar:.2f} mbar\r\n".encode()


def started(gauge: SerialGauge, plug: Plug) -> None:
    """Open, and past the first line, whose beginning may be missing."""
    assert gauge.poll(0.0) is None
    plug.send(b"13.25 mbar\r\n")
    assert gauge.poll(1.0) is None


def value(reading: Reading | None) -> float:
    assert reading is not None
    assert reading.quality is Quality.GOOD, reading
    assert reading.value is not None
    return reading.value


def cause(reading: Reading | None) -> str:
    assert reading is not None
    assert reading.quality is Quality.BAD
    return reading.cause


def test_the_newest_whole_line_counts(gauge: SerialGauge, plug: Plug) -> None:
    started(gauge, plug)
    plug.send(line(900) + line(800) + line(700)[:6])
    reading = gauge.poll(2.0)
    assert value(reading) == 80000.0
    assert reading is not None
    assert reading.time_s == 2.0
    assert gauge.poll(3.0) is None
    plug.send(line(700)[6:])
    assert value(gauge.poll(4.0)) == 70000.0
    assert gauge.used == 3


def test_the_first_line_after_opening_is_not_believed(gauge: SerialGauge, plug: Plug) -> None:
    assert gauge.poll(0.0) is None
    plug.send(b"3.25 mbar\r\n" + line(900))
    assert value(gauge.poll(1.0)) == 90000.0
    assert gauge.dropped == 0


def test_one_bad_line_is_dropped_many_are_a_fault(gauge: SerialGauge, plug: Plug) -> None:
    started(gauge, plug)
    for at in range(1, MANY):
        plug.send(b"P= 10\xff3.25 mbar\r\n")
        assert gauge.poll(1 + at / 10) is None
    plug.send(b"P= 10\xff3.25 mbar\r\n")
    assert cause(gauge.poll(2.0)) == "garbled"
    plug.send(line(900))
    assert value(gauge.poll(3.0)) == 90000.0


def test_a_bad_line_after_a_good_one_leaves_no_reading_of_that_poll(gauge: SerialGauge, plug: Plug) -> None:
    started(gauge, plug)
    plug.send(line(900) + b"P= 9\r\n")
    assert gauge.poll(2.0) is None


def test_silence_is_a_fault_and_ends(gauge: SerialGauge, plug: Plug) -> None:
    started(gauge, plug)
    plug.send(line(900))
    gauge.poll(2.0)
    assert [gauge.poll(at) for at in (3.0, 4.0, 5.0, 6.0, 6.9)] == [None] * 5
    reading = gauge.poll(7.0)
    assert cause(reading) == "silent"
    assert reading is not None
    assert str(plug.link) in reading.detail
    assert "cable" in reading.detail
    plug.send(line(899))
    assert value(gauge.poll(8.0)) == pytest.approx(89900.0)


@pytest.mark.parametrize("said", [b"P= 101", b"x" * 3000], ids=["trickle", "no end"])
def test_bytes_without_a_lines_end_are_named(gauge: SerialGauge, plug: Plug, said: bytes) -> None:
    started(gauge, plug)
    gauge.poll(2.0)
    for at in range(8):
        plug.send(said[at : at + 1])
        gauge.poll(2.5 + at)
    plug.send(said)
    assert cause(gauge.poll(11.0)) == "garbled"


def test_another_unit_is_told_at_once_and_no_number_comes_through(gauge: SerialGauge, plug: Plug) -> None:
    started(gauge, plug)
    plug.send(b"P= 675.06 Torr\r\n")
    assert cause(gauge.poll(2.0)) == "unit"
    plug.send(line(900))
    assert value(gauge.poll(3.0)) == 90000.0


def test_what_waited_while_nobody_read_is_too_old(gauge: SerialGauge, plug: Plug) -> None:
    started(gauge, plug)
    plug.send(line(900))
    gauge.poll(2.0)
    for _ in range(20):
        plug.send(line(5.0))
    plug.send(line(5.0)[:4])
    assert cause(gauge.poll(60.0)) == "silent"  # minutes-old values, not one of them told
    plug.send(line(5.0)[4:])
    assert cause(gauge.poll(61.0)) == "silent"  # the line that the flush broke
    plug.send(line(700))
    assert value(gauge.poll(62.0)) == 70000.0


def test_unplugged_and_back_under_another_device(gauge: SerialGauge, plug: Plug) -> None:
    started(gauge, plug)
    plug.send(line(900))
    assert value(gauge.poll(2.0)) == 90000.0
    before = os.path.realpath(plug.link)
    plug.unplug()
    told = [gauge.poll(at * 1.0) for at in range(3, 40)]
    assert {cause(reading) for reading in told} == {"port"}
    assert "plug the gauge's adapter in" in told[-1].detail  # type: ignore[union-attr]
    keep = os.openpty()  # so that the name leads elsewhere
    plug.plug()
    assert os.path.realpath(plug.link) != before
    found = None
    for at in range(40, 75):
        plug.send(line(800)) if gauge._port.line else None
        reading = gauge.poll(float(at))
        if reading is not None and reading.value is not None:
            found = reading
            break
    assert value(found) == 80000.0
    for end in keep:
        os.close(end)


def test_pulled_out_in_the_middle_of_a_line(gauge: SerialGauge, plug: Plug) -> None:
    started(gauge, plug)
    plug.send(line(900)[:7])
    gauge.poll(2.0)
    plug.unplug()
    assert cause(gauge.poll(3.0)) == "port"
    plug.plug()
    assert gauge.poll(5.0) is None
    plug.send(line(123)[7:] + line(850))  # with what was left of the old line it would make a number
    assert value(gauge.poll(6.0)) == 85000.0


def test_openings_are_tried_with_growing_patience(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[float] = []
    now = 0.0

    def no(*_: object, **__: object) -> None:
        tried.append(now)
        raise serial.SerialException(2, "No such file or directory")

    monkeypatch.setattr("lastbubble.sensing.port.serial.Serial", no)
    port = Port(PortSettings(str(tmp_path / "x")))
    while now < 200:
        assert port.ready(now) is None
        now += 0.5
    assert tried == [0, 1, 3, 7, 15, 31, 61, 91, 121, 151, 181]


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (2, "is not there"),
        (13, "group dialout"),
        (16, "in use by another program"),
        (5, "check that it is a serial port"),
    ],
)
def test_why_a_port_does_not_open(monkeypatch: pytest.MonkeyPatch, number: int, said: str) -> None:
    def no(*_: object, **__: object) -> None:
        raise serial.SerialException(number, os.strerror(number))

    monkeypatch.setattr("lastbubble.sensing.port.serial.Serial", no)
    gauge = SerialGauge(SerialGaugeSettings("/dev/serial/by-id/x", "mbar"), GaugeScale())
    reading = gauge.poll(0.0)
    assert cause(reading) == "port"
    assert reading is not None
    assert said in reading.detail
    assert "/dev/serial/by-id/x" in reading.detail


def test_a_port_that_somebody_else_holds_is_not_shared(plug: Plug) -> None:
    other = os.open(plug.link, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(other, fcntl.LOCK_EX)
    gauge = SerialGauge(SerialGaugeSettings(str(plug.link), "mbar"), GaugeScale())
    reading = gauge.poll(0.0)
    assert cause(reading) == "port"
    assert reading is not None
    assert "another program" in reading.detail
    os.close(other)
    assert gauge.poll(1.0) is None
    gauge.close()


def test_a_file_that_is_no_port(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_text("P= 1013.25 mbar\r\n")
    gauge = SerialGauge(SerialGaugeSettings(str(path), "mbar"), GaugeScale())
    reading = gauge.poll(0.0)
    assert cause(reading) == "port"
    assert reading is not None
    assert "check that it is a serial port" in reading.detail


def test_many_bad_lines_open_the_port_anew(gauge: SerialGauge, plug: Plug) -> None:
    started(gauge, plug)
    for at in range(2, 2 + 4 * MANY):
        plug.send(b"???\r\n")
        gauge.poll(float(at))
    assert gauge._port.line is None
    gauge.poll(100.0)
    assert gauge._port.openings == 2


# -- asked ----------------------------------------------------------------------------------------------------------


class Answers:
    """A gauge that answers `PR1` with a counted value, as told."""

    def __init__(self, plug: Plug) -> None:
        self.count = 0
        self.mute = 0
        self.echo = False
        self.late_s = 0.0
        self.asked = threading.Event()
        self.heard: list[bytes] = []
        self.plug = plug
        self.side = Asked(plug, self.answer)

    def answer(self, pending: bytes) -> tuple[bytes | None, int]:
        end = pending.find(b"\r\n")
        if end < 0:
            return None, 0
        question = pending[: end + 2]
        self.heard.append(question)
        self.count += 1
        reply = line(float(self.count))
        if self.echo:
            reply = question + reply
        if self.mute:
            self.mute -= 1
            reply = b""
        if self.late_s:
            timer = threading.Timer(self.late_s, self.plug.send, [reply])
            timer.daemon = True
            timer.start()
            reply = b""
        return reply, len(question)


@pytest.fixture
def answers(plug: Plug) -> Iterator[Answers]:
    answers = Answers(plug)
    yield answers
    answers.side.close()


def asking(plug: Plug, **more: float) -> SerialGauge:
    settings = SerialGaugeSettings(str(plug.link), "mbar", pattern=PATTERN, query="PR1", **more)  # type: ignore[arg-type]
    return SerialGauge(settings, GaugeScale())


def test_question_and_answer(plug: Plug, answers: Answers) -> None:
    gauge = asking(plug, answer_s=5.0)
    assert [value(gauge.poll(float(at))) for at in range(5)] == [100.0, 200.0, 300.0, 400.0, 500.0]
    assert answers.heard == [b"PR1\r\n"] * 5
    gauge.close()


@pytest.mark.usefixtures("answers")
def test_it_is_asked_at_its_pace(plug: Plug) -> None:
    gauge = asking(plug, answer_s=5.0, every_s=2.0)
    got = [gauge.poll(at / 2) for at in range(9)]
    assert [reading is not None for reading in got] == [at % 4 == 0 for at in range(9)]
    gauge.close()


def test_an_echo_in_front_of_the_answer(plug: Plug, answers: Answers) -> None:
    answers.echo = True
    gauge = asking(plug, answer_s=5.0)
    assert value(gauge.poll(0.0)) == 100.0
    assert value(gauge.poll(1.0)) == 200.0
    gauge.close()


def test_no_answer_is_no_reading_and_then_silence(plug: Plug, answers: Answers) -> None:
    answers.mute = 8
    gauge = asking(plug, answer_s=0.05, quiet_s=0.01)
    assert [gauge.poll(float(at)) for at in range(5)] == [None] * 5
    assert cause(gauge.poll(5.0)) == "silent"
    assert gauge.timeouts == 6
    gauge.close()


def test_a_late_answer_is_never_taken_for_the_next_ones(plug: Plug, answers: Answers) -> None:
    """Every answer comes after its time-out: whoever asks again at once reads each one a question late, for ever."""
    answers.late_s = 0.2
    gauge = asking(plug, answer_s=0.1, quiet_s=0.6)
    for at in range(3):
        assert gauge.poll(float(at)) is None
    answers.late_s = 0.0
    reading = gauge.poll(3.0)
    assert value(reading) == 100.0 * answers.count
    gauge.close()


@pytest.mark.usefixtures("answers")
def test_pulled_out_between_question_and_answer(plug: Plug) -> None:
    gauge = asking(plug, answer_s=5.0)
    gauge.poll(0.0)
    plug.unplug()
    assert cause(gauge.poll(1.0)) == "port"
    plug.plug()
    assert gauge.poll(2.5) is not None
    assert value(gauge.poll(5.0)) > 0
    gauge.close()


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"unit": "cmHg"}, "no unit of pressure"),
        ({"query": "PR\u00e4"}, "ASCII"),
        ({"every_s": 0.0}, "allowed 0.05 to 60"),
        ({"frame": "8X1"}, "such as 8N1"),
        ({"baud": 10}, "allowed 50 to 4000000"),
    ],
)
def test_settings_that_cannot_be(wrong: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        SerialGaugeSettings(**{"port": "/dev/x", "unit": "Pa", **wrong})  # type: ignore[arg-type]

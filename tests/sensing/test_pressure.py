"""The thread between caller and port: it waits a little, never for ever, and no error gets lost in it."""

from __future__ import annotations

import threading

import pytest

from lastbubble.records import Quality, Reading
from lastbubble.sensing.gauge import GaugeScale
from lastbubble.sensing.pressure import Unhurried
from lastbubble.sensing.sources import pressure_source


class Slow:
    """Answers when let."""

    def __init__(self) -> None:
        self.let = threading.Semaphore(0)
        self.polled: list[float] = []
        self.closed = 0
        self.threads: set[str] = set()
        self.answers: list[Reading | Exception | None] = []

    def poll(self, now_s: float) -> Reading | None:
        self.polled.append(now_s)
        self.threads.add(threading.current_thread().name)
        assert self.let.acquire(timeout=20)
        answer = self.answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return answer

    def close(self) -> None:
        self.closed += 1


def good(time_s: float) -> Reading:
    return Reading(5000.0, time_s, Quality.GOOD, "chamber")


def bad(time_s: float) -> Reading:
    return Reading(None, time_s, Quality.BAD, "chamber", "port", "it is gone")


def test_an_answer_in_time_is_this_calls() -> None:
    inner = Slow()
    source = Unhurried(inner, patience_s=20.0)
    inner.answers = [good(1.0), None]
    inner.let.release(2)
    assert source.read(1.0) == good(1.0)
    assert source.read(2.0) is None
    assert inner.polled == [1.0, 2.0]
    source.close()


def test_a_late_answer_is_handed_over_later_with_its_own_time() -> None:
    inner = Slow()
    source = Unhurried(inner, patience_s=0.01)
    inner.answers = [good(1.0)]
    assert source.read(1.0) is None
    assert source.read(2.0) is None
    assert inner.polled == [1.0], "asked again while it was still busy"
    inner.let.release()
    source._patience_s = 20.0
    assert source.read(3.0) == good(1.0)
    source.close()


def test_a_fault_stands_while_the_port_is_busy() -> None:
    inner = Slow()
    source = Unhurried(inner, patience_s=20.0)
    inner.answers = [bad(1.0), good(2.0), None]
    inner.let.release()
    assert source.read(1.0) == bad(1.0)
    source._patience_s = 0.01
    assert source.read(2.0) == bad(2.0)
    source._patience_s = 20.0
    inner.let.release()
    assert source.read(3.0) == good(2.0)
    source._patience_s = 0.01
    assert source.read(4.0) is None
    inner.let.release()
    source.close()


def test_a_port_that_hangs_is_told() -> None:
    inner = Slow()
    inner.answers = [None]
    source = Unhurried(inner, patience_s=0.01, hangs_s=0.0)
    reading = source.read(1.0)
    assert reading is not None
    assert (reading.cause, reading.value) == ("hangs", None)
    inner.let.release()
    source.close()


def test_an_error_nobody_foresaw_is_a_bad_reading_and_the_thread_goes_on() -> None:
    inner = Slow()
    inner.answers = [ZeroDivisionError("x"), good(2.0)]
    inner.let.release(2)
    source = Unhurried(inner, patience_s=20.0)
    reading = source.read(1.0)
    assert reading is not None
    assert reading.cause == "io"
    assert "ZeroDivisionError: x" in reading.detail
    assert source.read(2.0) == good(2.0)
    assert inner.threads == {"gauge"}
    source.close()


def test_close_is_final_may_be_called_twice_and_ends_the_thread() -> None:
    inner = Slow()
    inner.answers = [good(1.0)]
    inner.let.release()
    source = Unhurried(inner, patience_s=20.0)
    source.read(1.0)
    thread = source._thread
    source.close()
    source.close()
    assert thread is not None
    thread.join(20)
    assert not thread.is_alive()
    assert inner.closed == 1
    reading = source.read(2.0)
    assert reading is not None
    assert reading.cause == "closed"


def test_closed_before_it_was_ever_read() -> None:
    inner = Slow()
    source = Unhurried(inner)
    source.close()
    assert inner.closed == 1
    assert source._thread is None


def test_no_source_of_something_else() -> None:
    with pytest.raises(TypeError, match="made of a str"):
        pressure_source("/dev/ttyUSB0", GaugeScale())  # type: ignore[arg-type]

"""The isolation valve's pin: shut at first, at the end, and when nobody renews its opening."""

from __future__ import annotations

from gpiozero.pins.mock import MockFactory

from lastbubble.sensing.isolation_valve import RENEW_S, IsolationValve


def test_shut_until_commanded_and_after_the_end() -> None:
    factory = MockFactory()
    valve = IsolationValve(23, factory)
    pin = factory.pin(23)
    assert not pin.state
    valve.command(True, 0.0)
    assert pin.state
    assert valve.open
    valve.command(False, 1.0)
    assert not pin.state
    valve.command(True, 2.0)
    valve.close()
    assert not pin.state


def test_an_opening_that_nobody_renews_ends() -> None:
    factory = MockFactory()
    valve = IsolationValve(23, factory)
    valve.command(True, 100.0)
    valve.tend(100.0 + RENEW_S)
    assert valve.open
    valve.command(True, 104.0)
    valve.tend(104.0 + RENEW_S)
    assert valve.open
    valve.tend(104.1 + RENEW_S)
    assert not valve.open
    valve.tend(200.0)
    assert not valve.open
    valve.close()

"""The isolation valve's pin: shut at first and at the end."""

from __future__ import annotations

from gpiozero.pins.mock import MockFactory

from lastbubble.sensing.isolation_valve import IsolationValve


def test_shut_until_commanded_and_after_the_end() -> None:
    factory = MockFactory()
    valve = IsolationValve(23, factory)
    pin = factory.pin(23)
    assert not pin.state
    valve.command(True)
    assert pin.state
    assert valve.open
    valve.command(False)
    assert not pin.state
    valve.command(True)
    valve.close()
    assert not pin.state

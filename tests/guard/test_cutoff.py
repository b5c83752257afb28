"""The second contactor: closed until something trips, open with every trip and at every end."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from lastbubble.errors import SettingsError
from lastbubble.guard.latch import store_latch
from lastbubble.guard.loop import GuardLoop
from lastbubble.guard.protocol import TripStatus
from lastbubble.guard.relay import RelayLine
from tests.guard.bench import MovedClock, settings

CUTOFF_PIN = 22


class Fitted:
    """A guard with a second contactor; what matters is whether both are closed."""

    def __init__(self, folder: Path) -> None:
        self.clock = MovedClock()
        self.factory = MockFactory()
        given = settings(cutoff_pin=CUTOFF_PIN)
        self.settings = replace(given, runtime_dir=str(folder / "run"), state_dir=str(folder / "state"))
        self.loop = GuardLoop(self.settings, self.clock, factory=self.factory)

    @property
    def armed(self) -> bool:
        return bool(self.factory.pin(CUTOFF_PIN).state)

    def cycles(self, count: int) -> None:
        for _ in range(count):
            self.clock.sleep(0.1)
            self.loop.one_cycle()


@pytest.fixture
def fitted(tmp_path: Path) -> Iterator[Fitted]:
    made = Fitted(tmp_path)
    yield made
    made.loop.close()


def test_it_is_open_before_the_first_cycle_and_closed_while_nothing_has_tripped(fitted: Fitted) -> None:
    assert not fitted.armed
    fitted.cycles(3)
    assert fitted.loop.guard.state == "withheld"
    assert fitted.armed, "a welded first contactor must be seen to heat"


def test_a_trip_opens_it(fitted: Fitted) -> None:
    fitted.cycles(3)
    fitted.loop.guard.evidence.readback_wrong_run = 2
    fitted.cycles(1)
    assert fitted.loop.guard.state == "tripped"
    assert not fitted.armed
    fitted.cycles(20)
    assert not fitted.armed


def test_a_latched_trip_never_closes_it(tmp_path: Path) -> None:
    (tmp_path / "state").mkdir()
    store_latch(tmp_path / "state", TripStatus("heat_after_cut", 1.0, text="welded"))
    made = Fitted(tmp_path)
    try:
        made.cycles(30)
        assert not made.armed
        assert made.factory.pin(CUTOFF_PIN).states[-1].state in (False, 0)
        assert not any(entry.state for entry in made.factory.pin(CUTOFF_PIN).states)
    finally:
        made.loop.close()


def test_every_end_opens_it(fitted: Fitted) -> None:
    fitted.cycles(3)
    fitted.loop.relay.lock()
    assert not fitted.armed
    fitted.cycles(2)
    assert not fitted.armed, "after the lock nothing closes it again"


def test_a_second_contactor_that_does_not_follow_its_pin_trips(fitted: Fitted, monkeypatch: pytest.MonkeyPatch) -> None:
    fitted.cycles(3)
    monkeypatch.setattr(RelayLine, "arm", lambda _self, _armed: False)
    fitted.cycles(3)
    trip = fitted.loop.guard.trip
    assert trip is not None
    assert trip.cause == "relay_pin"


def test_a_first_pin_that_fails_does_not_keep_the_second_from_opening(fitted: Fitted) -> None:
    fitted.cycles(3)

    class Broken:
        @property
        def value(self) -> bool:
            raise OSError(5, "gone")

        @value.setter
        def value(self, _: bool) -> None:
            raise OSError(5, "gone")

    relay = fitted.loop.relay
    whole, relay._device = relay._device, Broken()  # type: ignore[assignment]
    try:
        assert not relay.lock()
        assert not fitted.armed
    finally:
        relay._device = whole


@pytest.mark.parametrize("pin", [2, 8, 28])
def test_a_pin_that_is_pulled_up_before_software_runs_is_refused(pin: int) -> None:
    with pytest.raises(SettingsError, match="cutoff_pin is"):
        settings(cutoff_pin=pin)


def test_two_uses_of_one_pin_are_refused() -> None:
    with pytest.raises(SettingsError, match="which is relay_pin already"):
        settings(cutoff_pin=17)

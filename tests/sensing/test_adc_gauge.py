"""Counts to Pa, and the converter's reader over gpiozero's mock pins with a chip behind them."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from gpiozero import LED, Device
from hypothesis import given
from hypothesis import strategies as st

from lastbubble.records import Quality, Reading
from lastbubble.sensing.adc_gauge import HOLD_S, AdcDecoder, AdcGauge, AdcGaugeSettings, Chip
from lastbubble.sensing.gauge import Fault, GaugeScale
from tests.sensing.wires import Converter, converter

RATIO = AdcGaugeSettings(-100e3, 0.0, divider=5 / 3)
WITH_SUPPLY = AdcGaugeSettings(-100e3, 0.0, divider=5 / 3, supply_channel=1)
LOOP = AdcGaugeSettings(0.0, 100e3, signal="4-20 mA", shunt_ohm=150.0)
STEP_V = 3.3 / 4096


def counts(volts_at_chip: float) -> int:
    return round(volts_at_chip / STEP_V)


def decoded(settings: AdcGaugeSettings, volts_at_chip: float, supply_v: float | None = None) -> Any:
    """What a decoder says of a signal that has lasted."""
    decoder = AdcDecoder(settings)
    supply = () if supply_v is None else (counts(supply_v * 3 / 5),)
    decoder.decode([counts(volts_at_chip)], supply, 0.0)
    return decoder.decode([counts(volts_at_chip)], supply, HOLD_S)[0]


@pytest.mark.parametrize(("volts", "pascal"), [(0.5, -100e3), (2.5, -50e3), (4.5, 0.0), (0.41, -102250), (4.59, 2250)])
def test_a_ratiometric_transducer(volts: float, pascal: float) -> None:
    assert decoded(RATIO, volts * 3 / 5) == pytest.approx(pascal, abs=40)  # one step is 34 Pa


def test_a_sagging_supply_is_no_pressure() -> None:
    for supply_v in (4.8, 5.0, 5.2):
        half = 0.5 * supply_v * 3 / 5
        assert decoded(WITH_SUPPLY, half, supply_v) == pytest.approx(-50e3, abs=80)
    assert abs(decoded(RATIO, 0.5 * 4.8 * 3 / 5) + 50e3) > 2000, "without the second input it is one"


def test_a_supply_that_is_off_is_told() -> None:
    decoder = AdcDecoder(WITH_SUPPLY)
    shown, doubt = decoder.decode([counts(1.35)], [counts(4.5 * 3 / 5)], 0.0)
    assert isinstance(shown, float)
    assert "supply is 4.50 V" in doubt
    found = decoded(WITH_SUPPLY, 1.35, 0.0)
    assert isinstance(found, Fault)
    assert found.cause == "supply"


@pytest.mark.parametrize(
    ("milliampere", "pascal"), [(4.0, 0.0), (12.0, 50e3), (20.0, 100e3), (3.85, -937.5), (20.4, 102500)]
)
def test_a_current_loop(milliampere: float, pascal: float) -> None:
    assert decoded(LOOP, milliampere * 0.15) == pytest.approx(pascal, abs=40)


@pytest.mark.parametrize(
    ("settings", "volts"),
    [
        (RATIO, 0.0),
        (RATIO, 0.39 * 3 / 5),
        (RATIO, 4.61 * 3 / 5),
        (RATIO, 3.29),
        (LOOP, 0.0),
        (LOOP, 3.7 * 0.15),
        (LOOP, 3.2),
    ],
)
def test_a_broken_wire_is_never_a_deep_vacuum(settings: AdcGaugeSettings, volts: float) -> None:
    decoder = AdcDecoder(settings)
    for at in (0.0, 1.0, HOLD_S - 0.01):
        assert decoder.decode([counts(volts)], (), at) == (None, "")
    found, _ = decoder.decode([counts(volts)], (), HOLD_S)
    assert isinstance(found, Fault)
    assert found.cause == "wire"
    assert "broken or shorted" in found.detail


def test_a_short_excursion_is_no_fault_and_no_reading() -> None:
    decoder = AdcDecoder(LOOP)
    assert decoder.decode([0], (), 0.0)[0] is None
    assert isinstance(decoder.decode([counts(1.8)], (), 3.0)[0], float)
    assert decoder.decode([0], (), 3.5)[0] is None
    assert decoder.decode([0], (), 7.0)[0] is None
    assert isinstance(decoder.decode([0], (), 7.5)[0], Fault)


def test_the_median_counts_and_noise_is_told() -> None:
    quiet, doubt = AdcDecoder(LOOP).decode([counts(1.8)] * 5, (), 0.0)
    assert doubt == ""
    spiky, doubt = AdcDecoder(LOOP).decode([counts(1.8), 0, counts(1.8), 4095, counts(1.8)], (), 0.0)
    assert spiky == quiet
    assert "noisy" in doubt


@given(
    st.lists(st.integers(0, 4095), min_size=1, max_size=9),
    st.lists(st.integers(0, 4095), max_size=9),
    st.sampled_from([RATIO, WITH_SUPPLY, LOOP]),
    st.floats(0, 1e6),
)
def test_any_counts_give_a_finite_number_or_none(
    signal: list[int], supply: list[int], settings: AdcGaugeSettings, now_s: float
) -> None:
    shown, _ = AdcDecoder(settings).decode(signal, supply, now_s)
    assert shown is None or isinstance(shown, Fault) or math.isfinite(shown)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"chip": "MCP9999"}, "allowed: MCP3001"),
        ({"low_pa": 5.0, "high_pa": 5.0}, "two different pressures"),
        ({"low_pa": math.nan}, "two different pressures"),
        ({"channel": 8}, "allowed 0 to 7 of an MCP3208"),
        ({"chip": "MCP3002", "channel": 2}, "allowed 0 to 1 of an MCP3002"),
        ({"channel": 1, "supply_channel": 1}, "an input of its own"),
        ({"select_pin": 8}, "thermocouples' bus"),
        ({"clock_pin": 18}, "four different ones"),
        ({"divider": 1.0}, "use a larger divider"),
        ({"divider": 0.5}, "1 or more"),
        ({"signal": "0-10 V"}, "allowed: ratiometric, 4-20 mA"),
        ({"signal": "4-20 mA"}, "needs the resistor"),
        ({"signal": "4-20 mA", "shunt_ohm": 250.0, "divider": 1.0}, "use a smaller shunt"),
    ],
)
def test_settings_that_cannot_be(wrong: dict[str, object], said: str) -> None:
    right: dict[str, object] = {"low_pa": -100e3, "high_pa": 0.0, "divider": 5 / 3}
    with pytest.raises(ValueError, match=said):
        AdcGaugeSettings(**{**right, **wrong})  # type: ignore[arg-type]


# -- with the chip --------------------------------------------------------------------------------------------------


@pytest.fixture
def board(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Converter]:
    """Makes a mock board with a converter on it, the process's own until the test is over."""

    def make(bits: int = 12) -> Converter:
        factory, far = converter(bits)
        monkeypatch.setattr(Device, "pin_factory", factory)
        return far

    return make


def value(reading: Reading | None) -> float:
    assert reading is not None
    assert reading.value is not None, reading
    return reading.value


@pytest.mark.parametrize(("chip", "bits"), [("MCP3204", 12), ("MCP3208", 12), ("MCP3004", 10), ("MCP3008", 10)])
def test_the_chips_wire(chip: Chip, bits: int, board: Callable[..., Converter]) -> None:
    far = board(bits)
    settings = AdcGaugeSettings(0.0, 100e3, chip=chip, channel=3, signal="4-20 mA", shunt_ohm=150.0)
    gauge = AdcGauge(settings, GaugeScale())
    far.volts[3] = 12e-3 * 150
    assert value(gauge.poll(0.0)) == pytest.approx(50e3, abs=150 if bits == 10 else 40)
    assert far.conversions == 5
    far.volts[3] = 16e-3 * 150
    assert value(gauge.poll(1.0)) == pytest.approx(75e3, abs=150 if bits == 10 else 40)
    gauge.close()
    gauge.close()


def test_signal_and_supply_from_two_inputs(board: Callable[..., Converter]) -> None:
    far = board()
    gauge = AdcGauge(WITH_SUPPLY, GaugeScale("gauge", 95000.0))
    far.volts[0], far.volts[1] = 0.5 * 4.6 * 3 / 5, 4.6 * 3 / 5
    reading = gauge.poll(0.0)
    assert value(reading) == pytest.approx(45e3, abs=100)
    assert reading is not None
    assert (reading.quality, reading.cause) == (Quality.SUSPECT, "supply")
    far.volts[0], far.volts[1] = 0.5 * 5 * 3 / 5, 5 * 3 / 5
    reading = gauge.poll(1.0)
    assert reading is not None
    assert reading.quality is Quality.GOOD
    gauge.close()


@pytest.mark.parametrize("stuck", [0, 1])
def test_a_chip_that_is_dead_is_a_broken_wire(stuck: int, board: Callable[..., Converter]) -> None:
    far = board()
    far.stuck = stuck
    gauge = AdcGauge(RATIO, GaugeScale("gauge"))
    told = [gauge.poll(at / 2) for at in range(12)]
    assert told[:8] == [None] * 8
    assert all(reading is not None and reading.cause == "wire" for reading in told[8:])
    gauge.close()


def test_single_spikes_do_not_come_through(board: Callable[..., Converter]) -> None:
    far = board()
    far.volts[0] = 1.8
    gauge = AdcGauge(LOOP, GaugeScale())
    quiet = value(gauge.poll(0.0))
    far.spikes = iter([0.0, 1.8, 3.2, 1.8, 1.8])
    reading = gauge.poll(1.0)
    assert value(reading) == quiet
    assert reading is not None
    assert reading.cause == "noisy"
    gauge.close()


def test_it_is_read_at_its_pace(board: Callable[..., Converter]) -> None:
    far = board()
    far.volts[0] = 1.8
    gauge = AdcGauge(LOOP, GaugeScale())
    got = [gauge.poll(at / 10) for at in range(11)]
    assert [reading is not None for reading in got] == [at % 5 == 0 for at in range(11)]
    gauge.close()


def test_pins_that_somebody_has_are_told_and_tried_again(board: Callable[..., Converter]) -> None:
    far = board()
    far.volts[0] = 1.8
    other = LED(18)
    gauge = AdcGauge(LOOP, GaugeScale())
    reading = gauge.poll(0.0)
    assert reading is not None
    assert reading.cause == "io"
    assert "no other program" in reading.detail
    other.close()
    again = gauge.poll(1.0)
    assert again is not None
    assert again.cause == "io"
    assert value(gauge.poll(6.0)) == pytest.approx(50e3, abs=40)
    gauge.close()

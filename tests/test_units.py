"""Text with units in, SI out, and back into what a station shows."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastbubble.units import (
    INHG_PA,
    PRESSURE_DISPLAYS,
    UNITS,
    Display,
    Kind,
    PressureDisplay,
    pa_from,
    parse,
)


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("200 degF", "temperature", 93.33333333333333),
        ("  200degF ", "temperature", 93.33333333333333),
        ("200 °F", "temperature", 93.33333333333333),
        ("200 F", "temperature", 93.33333333333333),
        ("-40 C", "temperature", -40.0),
        ("29 inHg", "pressure", 29 * 3386.389),
        ("29 in Hg", "pressure", 29 * 3386.389),
        (".5 torr", "pressure", 0.5 * 101325 / 760),
        ("1e-3 bar", "pressure", 100.0),
        ("25 mm", "length", 0.025),
        ('1.5"', "length", 0.0381),
        ("1.5 inches", "length", 0.0381),
        ("90 min", "duration", 5400.0),
        ("12 hours", "duration", 43200.0),
        ("+2.5 gal", "volume", 2.5 * 3.785411784e-3),
        ("70 L/min", "volume_flow", 70e-3 / 60),
        ("18 degF", "temperature_difference", 10.0),
        ("9 °F/min", "temperature_rate", 9 / 1.8 / 60),
        ("4.7 kohm", "resistance", 4700.0),
    ],
)
def test_a_quantity_as_a_person_writes_it(text: str, kind: Kind, value: float) -> None:
    assert parse(text, kind) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("200", "temperature"),  # degF or degC: ovens have burnt for it
        ("", "temperature"),
        ("degF", "temperature"),
        ("200 deg", "temperature"),
        ("200 Fahrenheit", "temperature"),
        ("200 mbar", "temperature"),
        ("nan degC", "temperature"),
        ("inf Pa", "pressure"),
        ("1_000 Pa", "pressure"),
        ("1,5 bar", "pressure"),
        ("١٢ Pa", "pressure"),  # digits, but not ours
        ("1 2 Pa", "pressure"),
        ("--5 Pa", "pressure"),
        ("1e999 Pa", "pressure"),
        ("10 cmHg", "pressure"),
        ("1.5 fathoms", "length"),
    ],
)
def test_anything_else_is_refused_with_the_units_that_are_allowed(text: str, kind: Kind) -> None:
    with pytest.raises(ValueError) as info:
        parse(text, kind)
    said = str(info.value)
    assert repr(text) in said
    assert "finite" in said or all(unit in said for unit in UNITS[kind])


@given(st.text(max_size=40), st.sampled_from(list(UNITS)))
def test_any_text_gives_a_finite_number_or_one_clear_refusal(text: str, kind: Kind) -> None:
    said = ""
    value = 0.0
    try:
        value = parse(text, kind)
    except ValueError as exc:
        said = str(exc)
    assert math.isfinite(value)
    assert said == "" or repr(text) in said


@given(
    st.floats(-1e6, 1e6, allow_subnormal=False),
    st.sampled_from([(kind, unit) for kind, units in UNITS.items() for unit in units]),
)
def test_what_is_written_with_every_digit_is_read_with_every_digit(value: float, unit: tuple[Kind, str]) -> None:
    kind, name = unit
    assert parse(f"{value!r} {name}", kind) == UNITS[kind][name](value)


def test_pa_from() -> None:
    assert pa_from(1.0, "mbar") == 100.0
    assert pa_from(1.0, "torr") == pa_from(1.0, "Torr")
    with pytest.raises(ValueError, match="'degC' is no unit of pressure; allowed: Pa"):
        pa_from(1.0, "degC")


@pytest.mark.parametrize("unit", PRESSURE_DISPLAYS)
def test_a_pressure_shown_can_be_read_back(unit: PressureDisplay) -> None:
    display = Display(pressure=unit, barometer_pa=99000.0)
    for pascal in (2.0, 1200.0, 50000.0, 99000.0, 101325.0):
        shown = display.pressure_value(pascal)
        back = 99000.0 - shown * INHG_PA if unit == "inHg vacuum" else pa_from(shown, unit)
        assert back == pytest.approx(pascal, abs=1e-9)


def test_depth_of_vacuum_is_from_the_benchs_own_barometer() -> None:
    assert Display(pressure="inHg vacuum", barometer_pa=84560.0).pressure_value(0.0) == pytest.approx(24.97, abs=0.01)
    assert Display(pressure="inHg vacuum", barometer_pa=84560.0).pressure_value(84560.0) == 0.0


@pytest.mark.parametrize(
    ("display", "pascal", "text"),
    [
        (Display(pressure="mbar"), 101325.0, "1013 mbar"),
        (Display(pressure="mbar"), 2345.6, "23.5 mbar"),
        (Display(pressure="mbar"), 210.0, "2.10 mbar"),
        (Display(pressure="mbar"), 0.0, "0.00 mbar"),
        (Display(pressure="kPa"), -120.0, "-0.120 kPa"),
        (Display(pressure="Torr"), 133.322, "1.00 Torr"),
        (Display(pressure="Pa"), 3.0, "3.00 Pa"),
        (Display(pressure="Pa"), 0.9996, "1.00 Pa"),
        (Display(pressure="kPa"), -1e-9, "0.0000 kPa"),
        (Display(pressure="inHg vacuum"), 101325.1, "0.00 inHg vacuum"),
        (Display(pressure="inHg vacuum", barometer_pa=101325.0), 3000.0, "29.04 inHg vacuum"),
        (Display(), None, "no reading"),
    ],
)
def test_pressure_as_text(display: Display, pascal: float | None, text: str) -> None:
    assert display.pressure_text(pascal) == text


def test_temperature_as_text() -> None:
    assert Display().temperature_text(93.333) == "93.3 °C"
    assert Display(temperature="degF").temperature_text(93.3333) == "200.0 °F"
    assert Display().temperature_text(-0.01) == "0.0 °C"
    assert Display(temperature="degF").temperature_text(None) == "no reading"
    assert Display(temperature="degF").difference_value(10.0) == 18.0
    assert Display().difference_value(10.0) == 10.0


@pytest.mark.parametrize("text", ["29.9", "200", "1e5", " -3. ", ".5"])
def test_a_number_alone_is_told_to_lack_a_unit(text: str) -> None:
    with pytest.raises(ValueError, match="has no unit; allowed units: Pa"):
        parse(text, "pressure")

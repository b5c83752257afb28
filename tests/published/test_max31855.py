"""Frames, number formats and linearity of the MAX31855 (datasheet 19-5793), and the driver that everybody uses."""

from __future__ import annotations

import importlib
from typing import Any

import pytest

from lastbubble.physics.thermocouple import MAX31855_MV_PER_K, emf_mv, straight_line_to_true_c, true_to_straight_line_c
from lastbubble.records import Quality
from lastbubble.sensing.thermocouple import FrameJudge, decode
from tests.published.reference import rows

FORMATS = rows("max31855_formats")
FRAMES = rows("max31855_frames")
LINEARITY = rows("max31855_linearity")
TOLERANCE = rows("type_k_tolerance")


@pytest.mark.parametrize("row", FORMATS, ids=[f"{row['field'][:5]} {row['temperature_c']}" for row in FORMATS])
def test_number_formats_of_the_datasheet(row: dict[str, str]) -> None:
    bits = int(row["bits_d_hi_first"], 2)
    if row["field"].startswith("thermocouple"):
        frame = decode((bits << 18 | 0x190 << 4).to_bytes(4, "big"))
        assert frame.shown_c == float(row["temperature_c"])
        assert frame.junction_c == 25.0
    else:
        frame = decode((100 << 18 | bits << 4).to_bytes(4, "big"))
        assert frame.junction_c == float(row["temperature_c"])
        assert frame.shown_c == 25.0
    assert frame.cause == ""


@pytest.mark.parametrize("row", FRAMES, ids=[row["case"] for row in FRAMES])
def test_whole_frames(row: dict[str, str]) -> None:
    raw = bytes.fromhex(row["frame_hex"])
    frame = decode(raw)
    if row["tc_c"]:
        assert frame.shown_c == float(row["tc_c"])
        assert frame.junction_c == float(row["internal_c"])
    bits = (row["oc_d0"], row["scg_d1"], row["scv_d2"], row["fault_d16"])
    expected = {
        ("0", "0", "0", "0"): "bus" if frame.word == 0 else "",
        ("1", "0", "0", "1"): "open",
        ("0", "1", "0", "1"): "short_ground",
        ("0", "0", "1", "1"): "short_supply",
        ("1", "1", "1", "1"): "bus" if frame.word == 0xFFFFFFFF else "several",
    }[bits]
    assert frame.cause == expected
    hot, junction = FrameJudge("oven").judge(raw, 0.0)
    if expected:
        assert hot.quality is Quality.BAD
        assert hot.cause == expected
        assert hot.value is None
    if expected == "bus":
        assert junction.value is None


@pytest.mark.parametrize("row", LINEARITY, ids=[f"{row['true_hot_c']} at {row['cold_c']}" for row in LINEARITY])
def test_linearity(row: dict[str, str]) -> None:
    """The table: chip_c = T_amb + (E(hot) - E(cold)) / 41.276 uV/K (datasheet equation), E from NIST."""
    hot_c, cold_c = float(row["true_hot_c"]), float(row["cold_c"])
    # The table took E(1000 degC)/1000 = 41.2756 for the slope where we take the datasheet's 41.276: 1e-5 of the span.
    allowed_k = 6e-4 + 1.2e-5 * abs(hot_c - cold_c)
    assert true_to_straight_line_c(hot_c, cold_c) == pytest.approx(float(row["chip_c"]), abs=allowed_k)
    quantised = float(row["chip_quantised_c"])
    recovered = straight_line_to_true_c(quantised, cold_c)
    assert recovered == pytest.approx(float(row["recovered_from_quantised_c"]), abs=allowed_k)
    assert abs(recovered - hot_c) < 0.14  # half a step of 0.25 K, over the slope's change


def test_the_slope_is_the_datasheets() -> None:
    """41.276 uV/degC, which is also the mean slope of type K up to 1000 degC (E(1000 degC) = 41.276 mV, NIST table)."""
    assert MAX31855_MV_PER_K == 0.041276
    assert round(emf_mv(1000.0) / 1000, 6) == MAX31855_MV_PER_K


def test_what_linearising_leaves_is_small_beside_the_wires_own_tolerance() -> None:
    """IEC 60584-1 and ASTM E230: 1.1 to 2.5 K at 95 degC. The chip's straight line alone is 2.1 K off at 200 degC."""
    tightest = min(float(row["tolerance_at_95c"]) for row in TOLERANCE if row["tolerance_at_95c"])
    worst = max(
        abs(straight_line_to_true_c(round(true_to_straight_line_c(t, 25.0) * 4) / 4, 25.0) - t) for t in range(0, 300)
    )
    assert worst < tightest / 5


class _OneFrame:
    """A bus with one chip that always says the same, under the real driver."""

    def __init__(self, raw: bytes) -> None:
        self.raw = raw
        self.value = True

    def switch_to_output(self, value: bool = False) -> None:
        self.value = value

    def try_lock(self) -> bool:
        return True

    def unlock(self) -> None:
        pass

    def configure(self, **_: int) -> None:
        pass

    def readinto(self, buf: bytearray) -> None:
        buf[:] = self.raw


@pytest.mark.parametrize(("hot_c", "cold_c"), [(0, 25), (50, 25), (95, 31), (130, 40), (260, 25), (400, 60)])
def test_the_drivers_own_linearisation_agrees(hot_c: int, cold_c: int) -> None:
    """adafruit-circuitpython-max31855 `temperature_NIST`: the same way back, ended with the NIST inverse polynomial."""
    driver: Any = importlib.import_module("adafruit_max31855")
    counts = round(true_to_straight_line_c(hot_c, cold_c) * 4)
    raw = ((counts & 0x3FFF) << 18 | cold_c * 16 << 4).to_bytes(4, "big")
    bus = _OneFrame(raw)
    frame = decode(raw)
    theirs = driver.MAX31855(bus, bus).temperature_NIST
    assert straight_line_to_true_c(frame.shown_c, frame.junction_c) == pytest.approx(theirs, abs=0.06)  # NIST's band

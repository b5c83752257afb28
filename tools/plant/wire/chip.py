"""The thermocouple and its converter chip: from true temperatures to the 32 bits that the chip would send.

The wire follows the ITS-90 curve of type K, the chip a straight line of 41.276 uV/degC (MAX31855 datasheet), so what it
sends is off by what the curve and the line differ: that is for the daemon to mend.
"""

from __future__ import annotations

import csv
import math
from functools import lru_cache
from pathlib import Path
from typing import Final

__all__ = ["FAULT_BITS", "emf_mv", "encode", "frame_of"]

#: Seen at both ends by the chip's own arithmetic [mV/degC].
CHIP_MV_C: Final = 0.041276
#: The low bits of a frame, by what they say.
FAULT_BITS: Final = {"open": 0x01, "short_ground": 0x02, "short_supply": 0x04}

_COEFFICIENTS: Final = Path(__file__).resolve().parents[3] / "shared" / "reference" / "type_k_coefficients.csv"


@lru_cache(maxsize=1)
def _curve() -> tuple[list[float], list[float], tuple[float, float, float]]:
    """Coefficients below 0 degC, above it, and of the exponential term above it."""
    below: list[float] = []
    above: list[float] = []
    bump: dict[str, float] = {}
    lines = [line for line in _COEFFICIENTS.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    for row in csv.DictReader(lines):
        if row["direction"] == "forward":
            (below if float(row["t_hi_c"]) <= 0 else above).append(float(row["value"]))
        elif row["direction"] == "forward_exponential":
            bump[row["term"]] = float(row["value"])
    return below, above, (bump["a0"], bump["a1"], bump["a2"])


def emf_mv(t_c: float) -> float:
    """Voltage of a type K junction against 0 degC [mV]; -270 to 1372 degC (NIST SRD 60, ITS-90).

    Raises ValueError outside that range.
    """
    if not -270 <= t_c <= 1372:
        raise ValueError(f"type K is defined from -270 to 1372 degC, not at {t_c:g}")
    below, above, (a0, a1, a2) = _curve()
    total = 0.0
    for coefficient in reversed(below if t_c < 0 else above):
        total = total * t_c + coefficient
    return total + (a0 * math.exp(a1 * (t_c - a2) ** 2) if t_c >= 0 else 0.0)


def encode(shown_c: float, junction_c: float, bits: int = 0) -> bytes:
    """The frame that says these two temperatures, most significant byte first.

    shown_c : D31..D18, 0.25 degC a step, held at the ends of its range;  junction_c : D15..D4, 0.0625 degC a step
    bits : D2..D0; D16 is set with any of them
    """
    shown = max(-8192, min(8191, round(shown_c * 4))) & 0x3FFF
    junction = max(-2048, min(2047, round(junction_c * 16))) & 0xFFF
    return (shown << 18 | (1 << 16 if bits else 0) | junction << 4 | bits & 7).to_bytes(4, "big")


def frame_of(hot_c: float, junction_c: float, bits: int = 0) -> bytes:
    """The frame of a sound thermocouple at `hot_c`, its converter at `junction_c` [degC]."""
    return encode(junction_c + (emf_mv(hot_c) - emf_mv(junction_c)) / CHIP_MV_C, junction_c, bits)

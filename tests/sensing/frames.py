"""Thermocouple frames as a chip would send them."""

from __future__ import annotations

from lastbubble.physics.thermocouple import true_to_straight_line_c

__all__ = ["frame", "true_frame"]


def frame(shown_c: float, junction_c: float = 25.0, low_bits: int = 0, high_bits: int = 0) -> bytes:
    """The chip's two words (0.25 K and 0.0625 K steps), with D3..D0 and D17..D16 as given."""
    shown, junction = round(shown_c * 4) & 0x3FFF, round(junction_c * 16) & 0xFFF
    return (shown << 18 | high_bits << 16 | junction << 4 | low_bits).to_bytes(4, "big")


def true_frame(hot_c: float, junction_c: float = 25.0) -> bytes:
    """What the chip sends for a couple at `hot_c`."""
    return frame(true_to_straight_line_c(hot_c, junction_c), junction_c)

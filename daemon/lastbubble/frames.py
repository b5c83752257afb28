"""One thermocouple frame on its way from the thermometer to the guard: a datagram of fixed size, unjudged.

The thermometer says what came off the bus, bit for bit, or that nothing did and why; all judging is the guard's. The
datagram is packed, not text, so that a flood of them costs the guard little and junk is told apart at once.

Layout, little-endian, 56 bytes: magic `LBF1`, probe u8, has_raw u8, 2 zero bytes, seq u32, time float64, raw 4 bytes
(zeros when has_raw is 0), error 32 bytes (UTF-8, cut, zero padded).
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import Final

__all__ = ["FRAME_BYTES", "MAX_PROBES", "FrameMessage", "unpack"]

_MAGIC: Final = b"LBF1"
_LAYOUT: Final = struct.Struct("<4sBBHId4s32s")
#: Size of every datagram [bytes].
FRAME_BYTES: Final = _LAYOUT.size
MAX_PROBES: Final = 8
_ERROR_BYTES: Final = 32


@dataclass(frozen=True, slots=True)
class FrameMessage:
    """What one read of one converter gave.

    probe : int 0..7        index into the settings' list of probes
    seq : int 0..2**32-1    counts the reads of this probe since the thermometer began; wraps
    time_s : float          bench time of the transfer                                                     [s]
    raw : 4 bytes or None   as they came, most significant first; None: the transfer itself failed
    error : str             "" with a frame, else the error's class and text in up to 32 bytes of UTF-8

    Raises ValueError, naming the field, for anything else.
    """

    probe: int
    seq: int
    time_s: float
    raw: bytes | None
    error: str = ""

    def __post_init__(self) -> None:
        if not 0 <= self.probe < MAX_PROBES:
            raise ValueError(f"probe is {self.probe}; allowed 0 to {MAX_PROBES - 1}")
        if not 0 <= self.seq < 2**32:
            raise ValueError(f"seq is {self.seq}; allowed 0 to 2**32 - 1")
        if not math.isfinite(self.time_s):
            raise ValueError(f"time_s is {self.time_s}; a finite number of seconds is wanted")
        if self.raw is not None and len(self.raw) != 4:
            raise ValueError(f"raw has {len(self.raw)} bytes; a frame has 4")
        if (self.raw is None) != bool(self.error):
            raise ValueError("either a frame or an error, not both and not neither")

    def pack(self) -> bytes:
        """The datagram, FRAME_BYTES long. An error text that is too long is cut at a character."""
        error = self.error.replace("\0", " ").encode(errors="replace")[:_ERROR_BYTES]
        error = error.decode(errors="ignore").encode()
        return _LAYOUT.pack(
            _MAGIC, self.probe, self.raw is not None, 0, self.seq, self.time_s, self.raw or b"\0\0\0\0", error
        )


def unpack(datagram: bytes) -> FrameMessage:
    """The message that `pack` wrote.

    Raises ValueError, naming the finding, for any other bytes; nothing else is ever raised.
    """
    if len(datagram) != FRAME_BYTES:
        raise ValueError(f"a frame datagram has {FRAME_BYTES} bytes, this one {len(datagram)}")
    magic, probe, has_raw, zero, seq, time_s, raw, error = _LAYOUT.unpack(datagram)
    if magic != _MAGIC or has_raw > 1 or zero != 0:
        raise ValueError(f"not a frame datagram: begins with {datagram[:8]!r}")
    # A text that is not UTF-8 is a ValueError of its own kind, so junk cannot raise anything else here.
    text = error.rstrip(b"\0").decode()
    return FrameMessage(probe, seq, time_s, raw if has_raw else None, text)

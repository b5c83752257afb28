"""One 32-bit frame of a MAX31855 thermocouple converter: what it says, and whether to believe it.

Pure: no port, no clock, standard library only. The guard and the service judge with the same code.

Frame, most significant bit first (MAX31855 datasheet, memory map): D31..18 thermocouple, signed, 0.25 K; D17 always 0;
D16 fault; D15..4 cold junction, signed, 0.0625 K; D3 always 0; D2 short to supply; D1 short to ground; D0 open.

Order of the checks: transfer, bus, reported fault, junction, range, step. The first that fails names the cause.
A chip that is dead or not there reads as a healthy 0.0 degC for everybody who does not look at the whole frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Final

from lastbubble.physics.thermocouple import straight_line_to_true_c
from lastbubble.records import Quality, Reading

__all__ = [
    "CAUSES",
    "HOLD_FRAMES",
    "JUNCTION_RANGE_C",
    "JUNCTION_STEP_K",
    "RANGE_C",
    "STEP_K",
    "UNCALIBRATED",
    "Calibration",
    "Frame",
    "FrameJudge",
    "ProbeSettings",
    "decode",
]

#: Every cause a judged reading can have, in the order of the checks.
CAUSES: Final = ("io", "bus", "open", "short_ground", "short_supply", "several", "junction", "range", "step")

RANGE_C: Final = (-20.0, 300.0)
JUNCTION_RANGE_C: Final = (5.0, 60.0)
#: More than this from one frame to the next is no oven air, and no chip's own temperature [K].
STEP_K: Final = 15.0
JUNCTION_STEP_K: Final = 2.0
#: A step that stays for that many frames in a row was true.
HOLD_FRAMES: Final = 5

_RESERVED: Final = 0x00020008
_FAULT: Final = 0x00010000
_ALL_ONES: Final = 0xFFFFFFFF
_NAMED: Final = {0b001: "open", 0b010: "short_ground", 0b100: "short_supply"}

_GOOD: Final = Quality.GOOD
_BAD: Final = Quality.BAD


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame, taken apart, not judged.

    word : int 0..2**32-1       the whole frame
    shown_c : float             thermocouple word, by the chip's straight line                           [degC]
    junction_c : float          cold-junction word                                                       [degC]
    cause : str                 "", "bus", "open", "short_ground", "short_supply" or "several"
    """

    word: int
    shown_c: float
    junction_c: float
    cause: str


def decode(raw: bytes) -> Frame:
    """Take a frame of 4 bytes apart, most significant first. ValueError for any other length; nothing else."""
    if len(raw) != 4:
        raise ValueError(f"a thermocouple frame has 4 bytes, this one {len(raw)}")
    word = int.from_bytes(raw, "big")
    shown = word >> 18
    junction = word >> 4 & 0xFFF
    if word in (0, _ALL_ONES) or word & _RESERVED:
        cause = "bus"
    elif word & (_FAULT | 0b111):
        # The summary bit alone, or more than one of the three, is several: no single mend can be named.
        cause = _NAMED.get(word & 0b111, "several")
    else:
        cause = ""
    return Frame(
        word,
        (shown - 0x4000 if shown & 0x2000 else shown) * 0.25,
        (junction - 0x1000 if junction & 0x800 else junction) * 0.0625,
        cause,
    )


@dataclass(frozen=True, slots=True)
class Calibration:
    """What a probe's readings are corrected by: nothing, an offset (one point), a straight line (two points).

    points : up to two pairs (shown_c, actual_c)                                                         [degC]

    Raises ValueError for more points, numbers that are not finite, two points less than 20 K apart, a slope outside
    0.9..1.1, or an offset beyond 15 K: a probe that far off is the wrong type or wired the wrong way round.
    """

    points: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        points = self.points
        if len(points) > 2:
            raise ValueError(f"calibration has {len(points)} points; allowed: none, one or two. Delete the others")
        if not all(isfinite(shown) and isfinite(actual) for shown, actual in points):
            raise ValueError(f"calibration points are {points}; each needs two finite temperatures in degC")
        for shown, actual in points:
            if abs(actual - shown) > 15:
                raise ValueError(
                    f"calibration corrects {shown:g} to {actual:g} degC; allowed up to 15 K. A probe that far off is "
                    "the wrong type or wired the wrong way round: mend it"
                )
        if len(points) == 2:
            (shown_1, actual_1), (shown_2, actual_2) = points
            if abs(shown_2 - shown_1) < 20:
                raise ValueError(
                    f"calibration points at {shown_1:g} and {shown_2:g} degC are too near; allowed: 20 K or more "
                    "apart. Take an ice bath and boiling water, or delete one point"
                )
            slope = (actual_2 - actual_1) / (shown_2 - shown_1)
            if not 0.9 <= slope <= 1.1:
                raise ValueError(
                    f"calibration makes a slope of {slope:.3g}; allowed 0.9 to 1.1. A probe that far off is the wrong "
                    "type or wired the wrong way round: mend it"
                )

    def apply(self, shown_c: float) -> float:
        """The corrected temperature [degC]."""
        points = self.points
        if not points:
            return shown_c
        shown_1, actual_1 = points[0]
        if len(points) == 1:
            return shown_c + (actual_1 - shown_1)
        shown_2, actual_2 = points[1]
        return actual_1 + (shown_c - shown_1) * ((actual_2 - actual_1) / (shown_2 - shown_1))


UNCALIBRATED: Final = Calibration()


@dataclass(frozen=True, slots=True)
class ProbeSettings:
    """One type K probe on its own MAX31855.

    name : source name of its readings ("oven", "oven2", "witness")
    select_pin : GPIO number of the converter's chip select; 7 and 8 are refused: the kernel toggles them itself
    calibration : applied after linearisation
    range_c : outside of it a reading is no reading                                                      [degC]
    """

    name: str
    select_pin: int
    calibration: Calibration = UNCALIBRATED
    range_c: tuple[float, float] = RANGE_C

    def __post_init__(self) -> None:
        if not 0 <= self.select_pin <= 27 or self.select_pin in (7, 8, 9, 10, 11):
            raise ValueError(
                f"{self.name}.select_pin is {self.select_pin}; allowed 0 to 27 without 7 to 11, which belong to the "
                "SPI bus itself. Wire the converter's chip select to another free pin, such as 5, 6, 12, 13, 16, 25"
            )
        low, high = self.range_c
        if not -200 <= low < high <= 1372:
            raise ValueError(f"{self.name}.range_c is {self.range_c}; allowed: low < high within -200 to 1372 degC")


_DETAIL: Final = {
    "io": "the transfer failed ({error}); check that SPI is switched on and that no other program uses the bus",
    "bus": "the converter does not answer (frame {word:08X}); check its supply, data and chip-select wires",
    "open": "the thermocouple is open; check its screw terminals and the wire",
    "short_ground": "the thermocouple touches ground; check its insulation, or take a probe with an insulated junction",
    "short_supply": "the thermocouple touches the converter's supply; check its wiring",
    "several": "the converter reports several faults at once (frame {word:08X}); check thermocouple and board",
    "junction": "the converter says it is at {junction:.2f} degC {why}; check its wires, keep it away from the heat",
    "range": "the thermocouple reads {value:.1f} degC; allowed {low:g} to {high:g}. Check its type and its polarity",
    "range_none": "the converter shows {shown:.2f} degC at {junction:.2f} degC, which is no type K temperature; "
    "check the thermocouple's type and its wires",
    "step": "the thermocouple went from {last:.1f} to {value:.1f} degC in one frame; check for loose or noisy wires",
}


class _StepWatch:
    """Refuses a step unless it holds: HOLD_FRAMES frames in a row, each within the step of the one before."""

    __slots__ = ("_count", "_pending", "_step", "last")

    def __init__(self, step: float) -> None:
        self._step = step
        self._pending = 0.0
        self._count = 0
        #: The last value that was believed, None before the first.
        self.last: float | None = None

    def believes(self, value: float) -> bool:
        if self.last is None or abs(value - self.last) <= self._step:
            self.last = value
            self._count = 0
            return True
        if self._count and abs(value - self._pending) <= self._step:
            self._count += 1
        else:
            self._count = 1
        self._pending = value
        if self._count >= HOLD_FRAMES:
            self.last = value
            self._count = 0
            return True
        return False

    def interrupt(self) -> None:
        """A frame without a value: a step that waits to be believed begins anew, what was believed stays."""
        self._count = 0


class FrameJudge:
    """Makes readings out of one probe's frames, one after the other.

    source : name of the hot junction's readings; the cold junction's are named "junction" for "oven", otherwise
        "<source>_junction"
    calibration : applied to the linearised temperature
    range_c, junction_range_c : outside of them a reading is BAD                                         [degC]

    Keeps what it needs of earlier frames, takes time only from its arguments, never raises on any frame.
    """

    __slots__ = (
        "_calibration",
        "_hot",
        "_junction",
        "_junction_range",
        "_range",
        "frames",
        "junction_source",
        "source",
    )

    def __init__(
        self,
        source: str,
        calibration: Calibration = UNCALIBRATED,
        range_c: tuple[float, float] = RANGE_C,
        junction_range_c: tuple[float, float] = JUNCTION_RANGE_C,
    ) -> None:
        self.source = source
        self.junction_source = "junction" if source == "oven" else f"{source}_junction"
        self._calibration = calibration
        self._range = range_c
        self._junction_range = junction_range_c
        self._hot = _StepWatch(STEP_K)
        self._junction = _StepWatch(JUNCTION_STEP_K)
        #: Frames judged so far, by cause ("" = good).
        self.frames: dict[str, int] = dict.fromkeys(("", *CAUSES), 0)

    def judge(self, raw: bytes | None, time_s: float, error: str = "") -> tuple[Reading, Reading]:
        """(hot junction, cold junction) of one read.

        raw : 4 bytes, or None where the transfer failed;  time_s : bench time of the transfer               [s]
        error : what the transfer failed of, for the person

        The hot junction is linearised and calibrated. A fault of the thermocouple alone leaves the cold junction's
        reading good; a fault of the frame takes both.
        """
        if raw is None or len(raw) != 4:
            text = error or ("no frame" if raw is None else f"{len(raw)} bytes instead of 4")
            return self._no_frame("io", time_s, _DETAIL["io"].format(error=text))
        frame = decode(raw)
        cause = frame.cause
        if cause == "bus":
            return self._no_frame("bus", time_s, _DETAIL["bus"].format(word=frame.word))
        junction_c = frame.junction_c
        junction = self._judge_junction(junction_c, time_s)
        if cause:
            return self._bad(cause, time_s, _DETAIL[cause].format(word=frame.word)), junction
        if junction.value is None:
            return self._bad("junction", time_s, junction.detail), junction
        try:
            value = self._calibration.apply(straight_line_to_true_c(frame.shown_c, junction_c))
        except ValueError:
            detail = _DETAIL["range_none"].format(shown=frame.shown_c, junction=junction_c)
            return self._bad("range", time_s, detail), junction
        low, high = self._range
        if not low <= value <= high:
            return self._bad("range", time_s, _DETAIL["range"].format(value=value, low=low, high=high)), junction
        last = self._hot.last
        if not self._hot.believes(value):
            self.frames["step"] += 1
            detail = _DETAIL["step"].format(last=last, value=value)
            return Reading(None, time_s, _BAD, self.source, "step", detail), junction
        self.frames[""] += 1
        return Reading(value, time_s, _GOOD, self.source), junction

    def _no_frame(self, cause: str, time_s: float, detail: str) -> tuple[Reading, Reading]:
        self._junction.interrupt()
        return self._bad(cause, time_s, detail), Reading(None, time_s, _BAD, self.junction_source, cause, detail)

    def _bad(self, cause: str, time_s: float, detail: str) -> Reading:
        self.frames[cause] += 1
        self._hot.interrupt()
        return Reading(None, time_s, _BAD, self.source, cause, detail)

    def _judge_junction(self, junction_c: float, time_s: float) -> Reading:
        low, high = self._junction_range
        last = self._junction.last
        if not low <= junction_c <= high:
            self._junction.interrupt()
            why = f"(allowed {low:g} to {high:g})"
        elif not self._junction.believes(junction_c):
            why = f"one frame after {last:.2f} (allowed: {JUNCTION_STEP_K:g} K a frame)"
        else:
            return Reading(junction_c, time_s, _GOOD, self.junction_source)
        detail = _DETAIL["junction"].format(junction=junction_c, why=why)
        return Reading(None, time_s, _BAD, self.junction_source, "junction", detail)

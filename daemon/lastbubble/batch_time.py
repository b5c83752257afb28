"""The batch's own time: seconds since it began, rising strictly, over restarts of the service and of the machine.

Within one boot the monotonic clock goes on counting, so the zero found at the start still holds after a restart of the
service. After a reboot only the wall clock knows how long the machine was away, and a board without a battery clock may
wake up in the past: then the gap is taken as the shortest that keeps time rising, and said so.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

__all__ = ["LONGEST_GAP_S", "BatchZero", "boot_id", "zero_after_restart"]

#: A longer absence than this is not believed of a wall clock: nobody goes on with a batch after ten days.
LONGEST_GAP_S: Final = 10 * 86400.0
_BOOT_ID: Final = Path("/proc/sys/kernel/random/boot_id")


@dataclass(frozen=True, slots=True)
class BatchZero:
    """`now_s` : bench time at the batch's zero [s];  `boot` : the boot it belongs to."""

    now_s: float
    boot: str


def boot_id() -> str:
    """The kernel's name of this boot ("" where it has none)."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return ""


def zero_after_restart(
    stored: BatchZero, last_time_s: float, last_utc: datetime, now_s: float, utc: datetime, boot: str
) -> tuple[BatchZero, str]:
    """The zero to go on with, and "" or a sentence on what could not be known.

    stored : the zero the batch was begun (or last gone on) with
    last_time_s, last_utc : batch time and wall time of its last sample
    now_s, utc, boot : bench time, wall time and boot of this start
    """
    if boot and boot == stored.boot and now_s - stored.now_s > last_time_s:
        return stored, ""
    gap_s = (utc - last_utc).total_seconds()
    if 0 < gap_s <= LONGEST_GAP_S:
        return BatchZero(now_s - (last_time_s + gap_s), boot), ""
    return (
        BatchZero(now_s - (last_time_s + 1.0), boot),
        "the machine was off for an unknown time (its wall clock is not to be believed); going on as after 1 s",
    )

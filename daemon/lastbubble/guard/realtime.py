"""What the machine may give a guard besides CPU time: a place before everybody else, and memory that stays."""

from __future__ import annotations

import gc
import os
from typing import Final

__all__ = ["FIFO_PRIORITY", "take_precedence"]

#: Above every ordinary process, below the kernel's own threads.
FIFO_PRIORITY: Final = 20

_MCL_CURRENT: Final = 1
_MCL_FUTURE: Final = 2
#: Lock pages as they come into use: without it every thread's whole stack would be made resident.
_MCL_ONFAULT: Final = 4


def take_precedence() -> list[str]:
    """SCHED_FIFO for the calling thread, memory locked, garbage of the start set aside; what was refused, in words."""
    refused: list[str] = []
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(FIFO_PRIORITY))
    except OSError as exc:
        refused.append(f"no real-time place ({exc.strerror}): a busy machine may delay the guard")
    try:
        import ctypes

        library = ctypes.CDLL(None, use_errno=True)
        if library.mlockall(_MCL_CURRENT | _MCL_FUTURE | _MCL_ONFAULT) != 0:
            refused.append(f"memory not locked ({os.strerror(ctypes.get_errno())}): the guard may be swapped out")
    except (ImportError, OSError, AttributeError) as exc:
        refused.append(f"memory not locked ({exc})")
    gc.collect()
    gc.freeze()
    return refused

"""The stage tracker: one stage of the batch out of what the chamber's side and the oven's side each see.

Both sides run all the time and each knows only its own vessel. The pieces are in one place at a time: they are in the
chamber until it has been vented (or there never was a chamber in this log), then in the oven. So the oven's word
counts once the chamber is done, and a chamber that is pumped again after the cure has finished is the next batch.

Reads no clock. The transitions that can be reached are `FOLLOWS`; the drawing in the developers' page is made from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

from lastbubble.records import StageName

__all__ = ["FOLLOWS", "NEXT_ACTION", "ChamberPhase", "OvenPhase", "StageTracker"]

ChamberPhase = Literal["idle", "pump_down", "degassing", "still", "venting", "soaking"]
OvenPhase = Literal["cold", "heating", "curing", "cooling", "finished"]

_IN_CHAMBER: Final[tuple[StageName, ...]] = ("idle", "pump_down", "degassing", "still", "venting", "soaking")
_OVEN: Final[tuple[StageName, ...]] = ("heating", "curing", "cooling", "finished")

#: From each stage, the stages that may come next: the chamber's phases among themselves (air may come in at any moment,
#: bubbling may resume, the pump may be started again), into the oven from any of them (a log may begin anywhere), and
#: along the cure, where a piece that cooled below target before its hold was complete may be heated again. `heating`
#: can be taken back: an oven that was only warmed up, empty.
FOLLOWS: Final[Mapping[StageName, tuple[StageName, ...]]] = {
    **{stage: tuple(other for other in _IN_CHAMBER if other != stage) + _OVEN for stage in _IN_CHAMBER},
    "heating": (*_IN_CHAMBER, "curing", "cooling", "finished"),
    "curing": ("heating", "cooling", "finished"),
    "cooling": ("heating", "curing", "finished"),
    "finished": ("pump_down", "heating"),
}

#: What the person does next when the models have nothing more exact to say.
NEXT_ACTION: Final[Mapping[StageName, str]] = {
    "idle": "",
    "pump_down": "Watch the lid seal; the chamber is being pumped down.",
    "degassing": "Nothing to do: air is still leaving the pieces.",
    "still": "Rock the chamber; if no bubbles come, let air in slowly with the pump still running, then stop the pump.",
    "venting": "Let air in slowly until the chamber is at atmosphere, then stop the pump.",
    "soaking": "Leave the pieces under the resin; drain, wrap and load the oven when the soak is over.",
    "heating": "Nothing to do: the pieces are warming.",
    "curing": "Nothing to do: the resin is setting.",
    "cooling": "The cure is complete. Leave the oven shut until the pieces can be handled.",
    "finished": "The batch is finished: unload, and weigh the pieces.",
}


class StageTracker:
    """Feed it both sides' phases at every sample; it answers the stage and since when.

    `update` returns the new stage when it has changed (and at the very first call), else None.
    """

    def __init__(self) -> None:
        self.stage: StageName = "idle"
        self.since_s = 0.0
        self._begun = False
        self._finished_chamber: ChamberPhase | None = None

    def update(
        self,
        time_s: float,
        chamber: ChamberPhase,
        chamber_since_s: float,
        oven: OvenPhase,
        oven_since_s: float,
    ) -> StageName | None:
        """Take both sides' phases at `time_s`; the changed stage, or None."""
        wanted: StageName = chamber
        since = chamber_since_s
        if oven != "cold":
            wanted, since = oven, oven_since_s
            if self.stage == "finished" and wanted == "finished":
                if chamber != "pump_down":
                    self._finished_chamber = chamber
                elif self._finished_chamber is not None:
                    wanted, since = chamber, chamber_since_s
        if self._begun and (wanted == self.stage or wanted not in FOLLOWS[self.stage]):
            return None
        self._begun = True
        self.stage = wanted
        self.since_s = min(since, time_s)
        if wanted != "finished":
            self._finished_chamber = None
        return wanted

"""The oven's probes at the two temperatures that anybody can make, through the guard's own check.

The guard compares and keeps its dates (it permits no heat without them); here the raw readings are kept too, so that
the correction for the settings comes out of the same quarter of an hour.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import fmean
from typing import Any, Final

from lastbubble.commissioning.bench import Bench, Found
from lastbubble.commissioning.person import Later
from lastbubble.errors import BadInput
from lastbubble.physics.fixed_points import ICE_POINT_C, steam_point_c, two_points
from lastbubble.progress import progress
from lastbubble.sensing.thermocouple import FrameJudge

__all__ = ["Shown", "check_points", "settled"]

#: A reading stands when half a minute of it stays within that (the chip's step is 0.25 K) [K].
STANDS_K: Final = 0.6
STANDS_S: Final = 30
WAIT_S: Final = 600


@dataclass(frozen=True, slots=True)
class Shown:
    """plain_c : without the settings' correction;  corrected_c : with it"""

    plain_c: float
    corrected_c: float


def settled(values_c: list[float]) -> bool:
    """Whether the last STANDS_S readings, one a second, stand."""
    tail = values_c[-STANDS_S:]
    return len(tail) == STANDS_S and max(tail) - min(tail) <= STANDS_K


def _watch(bench: Bench, name: str, what: str) -> Shown:
    """Wait until the probe stands. Raises BadInput when it does not within ten minutes, or does not read."""
    judge = FrameJudge(name)
    plain: list[float] = []
    corrected: list[float] = []
    silent = 0
    with progress(WAIT_S, what) as show:
        for second in range(WAIT_S):
            probe = bench.guard().probe(name)
            if probe is None:
                raise BadInput(f"the guard has no probe {name}; its settings are others than these")
            if probe.value_c is None or len(probe.raw) != 8:
                silent += 1
                if silent > 60:
                    raise BadInput(f"{name} does not read ({probe.cause}); {probe.detail or 'see its wires'}")
            else:
                hot, _ = judge.judge(bytes.fromhex(probe.raw), float(second))
                if hot.value is not None:
                    plain.append(hot.value)
                    corrected.append(probe.value_c)
                    show(second, bench.display.temperature_text(hot.value))
            if settled(plain):
                return Shown(round(fmean(plain[-STANDS_S:]), 2), round(fmean(corrected[-STANDS_S:]), 2))
            bench.clock.sleep(1.0)
    raise BadInput(f"{name} has not stood still for {STANDS_S} s within {WAIT_S // 60} min; stir, and try again")


def check_points(bench: Bench, pressure_pa: float) -> Found:
    """Ice, then steam, for every probe in the oven's air. pressure_pa : at the bench, not reduced to sea level.

    Raises GuardGone when the guard does not answer, BadInput when a probe does not stand.
    """
    steam_c = round(steam_point_c(pressure_pa), 2)
    names = [probe.name for probe in bench.guard().probes if probe.name != "witness"]
    kept: dict[str, Any] = (
        dict(bench.records[-1].found) if bench.records and bench.records[-1].outcome == "begun" else {}
    )
    kept |= {"barometer_pa": round(pressure_pa, 1), "steam_point_c": steam_c}
    texts: list[str] = []
    wrong: list[str] = []
    try:
        for name in names:
            for point, true_c, how in (
                ("ice", ICE_POINT_C, "into the middle of stirred crushed ice with a little water"),
                ("steam", steam_c, "into the steam just over boiling water"),
            ):
                if f"{name}_{point}_shown_c" in kept and f"{name}_{point}_corrected_c" in kept:
                    continue
                bench.person.ready(f"{name}: hold its tip {how} ({bench.display.temperature_text(true_c)} is true).")
                shown = _watch(bench, name, f"{name} at the {point} point")
                answer = bench.ask_guard({"ask": "check_probe", "probe": name, "true_c": true_c})
                kept[f"{name}_{point}_corrected_c"] = shown.corrected_c
                kept[f"{name}_{point}_shown_c"] = shown.plain_c
                if not answer.ok:
                    bench.person.say(f"  the guard says no: {answer.why}")
                    wrong.append(f"{name} at the {point} point: {answer.why}")
            judged = two_points(kept[f"{name}_ice_shown_c"], kept[f"{name}_steam_shown_c"], pressure_pa)
            kept[f"{name}_calibration"] = [list(pair) for pair in judged.points]
            texts.append(f"{name}: {judged.text}")
            if not judged.good:
                wrong.append(f"{name}: {judged.text}")
    except Later:
        return Found("begun", "; ".join(texts) or "no probe is through yet", kept)
    if wrong:
        return Found("failed", "; ".join(wrong), kept)
    return Found("done", "; ".join(texts), kept)

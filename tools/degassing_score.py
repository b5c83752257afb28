"""One log through the whole pipeline, and what was said held against the truth.

A call is early if more than 30 bubbles in 15 minutes were still to come or more than 1 % of the pores' gas was left
(`safe_s` of the truth). A batch counts for detection where the bubbles truly stopped before it was vented. Forecasts
count until the true stop: pinball loss is the mean of that of the 10, 50 and 90 % quantiles.
"""

from __future__ import annotations

import time
from bisect import bisect_right
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Final

from lastbubble.pipeline.pipeline import Pipeline
from lastbubble.records import Caution, Event, Forecast, Stage
from tools.degassing_cases import Case, Log

__all__ = ["CAUTIONS", "LIMIT_S", "Outcome", "score"]

#: Cautions that have a truth, and how soon they are due [s].
LIMIT_S: Final = {
    "vacuum_lost": 60.0,
    "pump_stopped": 180.0,
    "base_pressure_high": 2100.0,
    "vent_before_pump_off": 180.0,
}
CAUTIONS: Final = tuple(LIMIT_S)
#: A caution said so little before its cause by the truth's clock is not wrong: rows and blocks have a width.
_SLACK_S: Final = 15.0
#: So long after the mend it may still be said: a block, and the look back that names it.
_AFTER_S: Final = 120.0


@dataclass(frozen=True, slots=True)
class _Told:
    """A forecast against the stop: time left when it was said, pinball loss, inside the band, its width [s]."""

    left_s: float
    loss_s: float
    inside: bool
    width_s: float


@dataclass(slots=True)
class Outcome:
    """What was said of one log. Times in the log's seconds.

    calls : (said at, dated to, sure, basis);  early : of them those said too early, as (said at)
    detected_s : of the first call that was not early and before the venting;  dated_s : its date
    right, wrong : cautions by cause, as (said at);  due : causes that the truth has, and since when
    stage_live, stage_dated : share of the time with the right stage, as it stood and as it was dated afterwards
    isolations_after : rises told between the true stop and the call;  flips : calls taken back
    """

    case: Case
    law: str
    fault: str
    pump_s: float
    stop_s: float | None
    safe_s: float | None
    vent_s: float
    told: str = ""
    step_pa: float = 0.0
    lift_pa: float | None = None
    calls: list[tuple[float, float, float | None, str]] = field(default_factory=list)
    early: list[float] = field(default_factory=list)
    detected_s: float | None = None
    dated_s: float | None = None
    forecasts: list[_Told] = field(default_factory=list)
    first_forecast_s: float | None = None
    due: dict[str, float] = field(default_factory=dict)
    right: dict[str, list[float]] = field(default_factory=dict)
    wrong: dict[str, list[float]] = field(default_factory=dict)
    coarse_s: float | None = None
    stage_live: float = 0.0
    stage_dated: float = 0.0
    stage_errors: dict[str, float] = field(default_factory=dict)
    isolations_after: int | None = None
    flips: int = 0
    samples: int = 0
    seconds: float = 0.0

    @property
    def judgeable(self) -> bool:
        return self.stop_s is not None and self.stop_s < self.vent_s


def score(log: Log) -> Outcome:
    """Play the log and hold what is said against the truth."""
    truth = log.truth
    stages: list[tuple[float, str]] = [(float(since), name) for since, name in truth["stages"]]
    pump_s = truth.get("pump_on_s", 0.0)
    vent_s = max((since for since, name in stages if name == "venting"), default=log.samples[-1].time_s)
    out = Outcome(
        log.case, truth["law"], truth["fault"], pump_s, truth.get("bubbles_stopped_s"), truth["safe_s"], vent_s,
        told=truth["told"], step_pa=truth["step_pa"], lift_pa=truth["lift_last_hour_pa"], due=dict(truth["warnings"]),
        samples=len(log.samples),
    )  # fmt: skip
    pipeline = Pipeline(log.context)
    said_stages: list[Stage] = []
    rejoined: list[float] = []
    shut = False
    spent = time.perf_counter()
    for sample in log.samples:
        if sample.isolated is not None and sample.isolated != shut:
            shut = sample.isolated
            if not shut:
                rejoined.append(sample.time_s)
        for record in pipeline.feed(sample):
            if isinstance(record, Stage):
                said_stages.append(record)
            elif isinstance(record, Event):
                if record.name == "bubbles_stopped":
                    out.calls.append((record.t, record.since, record.sure, record.basis))
            elif isinstance(record, Forecast):
                _take_forecast(out, record)
            elif isinstance(record, Caution):
                _take_caution(out, record, truth)
    out.seconds = time.perf_counter() - spent
    _judge_calls(out, rejoined)
    _judge_stages(out, stages, said_stages, log.samples[0].time_s, log.samples[-1].time_s)
    return out


def _take_forecast(out: Outcome, said: Forecast) -> None:
    if out.first_forecast_s is None:
        out.first_forecast_s = said.t
    if said.target != "bubbles_stopped" or out.stop_s is None or said.t >= out.stop_s or said.t >= out.vent_s:
        return
    stop, loss = out.stop_s, 0.0
    for share, value in ((0.1, said.p10), (0.5, said.p50), (0.9, said.p90)):
        loss += (share if stop >= value else share - 1) * (stop - value) / 3
    out.forecasts.append(_Told(stop - said.t, loss, said.p10 <= stop <= said.p90, said.p90 - said.p10))


def _take_caution(out: Outcome, said: Caution, truth: dict[str, Any]) -> None:
    if said.cause == "gauge_too_coarse" and out.coarse_s is None:
        out.coarse_s = said.t
    if said.cause not in LIMIT_S:
        return
    since = out.due.get(said.cause)
    if said.cause == "pump_stopped" and since is None:
        # Switched off under vacuum, the pump stands as well: not wrong, and not what is due.
        since = truth.get("pump_off_under_vacuum_s")
    if said.cause == "vent_before_pump_off" and since is None:
        # A pump that fails leaves the same chamber behind.
        since = truth.get("pump_stopped_s")
    until = truth["ends"].get(said.cause, out.vent_s if said.cause != "vent_before_pump_off" else float("inf"))
    right = since is not None and since - _SLACK_S <= said.t <= until + _AFTER_S
    (out.right if right else out.wrong).setdefault(said.cause, []).append(said.t)


def _judge_calls(out: Outcome, rejoined: list[float]) -> None:
    for said_s, dated_s, _, _ in out.calls:
        if out.safe_s is None or said_s < out.safe_s:
            out.early.append(said_s)
        elif out.detected_s is None and said_s <= out.vent_s and out.judgeable:
            out.detected_s, out.dated_s = said_s, dated_s
    out.flips = max(0, len(out.calls) - 1)
    if out.detected_s is not None and out.stop_s is not None:
        out.isolations_after = sum(out.stop_s < at_s <= out.detected_s for at_s in rejoined)


def _judge_stages(out: Outcome, true: list[tuple[float, str]], said: list[Stage], begin_s: float, end_s: float) -> None:
    live = [(record.t, record.stage) for record in said]
    dated: list[tuple[float, str]] = []
    for record in said:
        since = record.t if record.since is None else record.since
        if record.stage == "still":
            # The stage begins when it is said; what it means began when the bubbles stopped.
            since = next((dated_s for said_s, dated_s, _, _ in out.calls if said_s == record.t), since)
        while dated and dated[-1][0] >= since:
            dated.pop()
        dated.append((since, str(record.stage)))
    out.stage_live, out.stage_errors = _agreement(true, live, begin_s, end_s)
    out.stage_dated, _ = _agreement(true, dated, begin_s, end_s)


def _agreement(
    true: list[tuple[float, str]], said: list[tuple[float, str]], begin_s: float, end_s: float
) -> tuple[float, dict[str, float]]:
    """Share of begin..end where both name the same, and what the rest was taken for ("true>said": share)."""
    cuts = sorted({begin_s, end_s, *(at for at, _ in (*true, *said) if begin_s < at < end_s)})
    whole = max(end_s - begin_s, 1e-9)
    true_at, said_at = [at for at, _ in true], [at for at, _ in said]
    right, errors = 0.0, {}
    for one, other in pairwise(cuts):
        middle = 0.5 * (one + other)
        is_true, is_said = bisect_right(true_at, middle) - 1, bisect_right(said_at, middle) - 1
        name = true[is_true][1] if is_true >= 0 else "idle"
        told = str(said[is_said][1]) if is_said >= 0 else "idle"
        if name == told:
            right += other - one
        else:
            errors[f"{name}>{told}"] = errors.get(f"{name}>{told}", 0.0) + (other - one) / whole
    return right / whole, errors

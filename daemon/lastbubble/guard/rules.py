"""The guard's rules: one row each, in the order in which a cause is named when several are violated at once.

A rule never sees the machine, only `Evidence`; it gives a verdict and the reading that decided. What follows from a
verdict is in the row: `reaction` while heat is permitted, `idle` while it is withheld or tripped.

    trip    relay open, latched, reset only at the bench
    hold    relay open, permission gone; a person permits again
    refuse  no permit as long as it lasts
    warn    said, nothing else
    none    not judged in that state

An unusable reading never clears a count and never counts as content. `covers` names the failures of the fault table
(docs/safety.md) that a row answers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from lastbubble.guard import heat_judges, probe_judges
from lastbubble.guard.evidence import Evidence
from lastbubble.guard.judging import Finding

__all__ = ["RULES", "SETTINGS", "Idle", "Judge", "Reaction", "Rule", "Setting", "check_rules"]

Judge = Callable[[Evidence, float], Finding]
Reaction = Literal["trip", "hold", "warn"]
Idle = Literal["trip", "refuse", "warn", "none"]


@dataclass(frozen=True, slots=True)
class Setting:
    """name, default, allowed range and unit of a rule's number. SI."""

    name: str
    default: float
    allowed: tuple[float, float]
    unit: str


@dataclass(frozen=True, slots=True)
class Rule:
    """One row.

    name : the cause it is told by;  judge : pure;  setting : its number
    reaction, idle : what a violation does while permitted, and otherwise
    needs : how many, how long;  reason : why it exists;  source : on what it rests;  covers : rows of the fault table
    loud : its text is the alarm of the whole bench
    """

    name: str
    judge: Judge
    setting: Setting
    reaction: Reaction
    idle: Idle
    needs: str
    reason: str
    source: str
    covers: tuple[str, ...]
    loud: bool = False


_BENCH: Final = "proposal, tuned on the simulated bench"
_CATALOGUE: Final = "field reports of other heated machines, see docs/safety.md"

#: Rules without a number of their own share this one, which nobody can set.
_NO_SETTING: Final = Setting("", 0.0, (0.0, 0.0), "")

_STALE: Final = Setting("stale_s", 1.0, (0.5, 1.0), "s")
_FROZEN: Final = Setting("frozen_s", 120.0, (30.0, 300.0), "s")

RULES: Final[tuple[Rule, ...]] = (
    Rule(
        "over_temperature", probe_judges.above_limit, Setting("limit_c", 120.0, (40.0, 150.0), "degC"), "trip", "trip",
        needs="two usable readings above; unusable ones between them neither count nor clear; the first already opens",
        reason="a dial can run away; resin chars and fumes above (common practice, no published source)",
        source="EN 14597: what a temperature limiter does", covers=("F-30", "F-31", "F-128", "F-130"),
    ),
    Rule(
        "relay_pin", heat_judges.pin_disagrees, Setting("pin_cycles", 2, (1, 5), "cycles"), "trip", "trip",
        needs="read-back differs from what was written, two cycles in a row",
        reason="another program may write the registers past the kernel", source=_CATALOGUE, covers=("F-51",),
    ),
    Rule(
        "contact", heat_judges.contact_disagrees, Setting("contact_s", 1.0, (0.2, 3.0), "s"), "trip", "trip",
        needs="auxiliary contact differs from the command for longer",
        reason="a welded contactor is seen at once where a mirror contact is wired",
        source="EN 60947-4-1: mirror contacts", covers=("F-31", "F-35", "F-37"), loud=True,
    ),
    Rule(
        "frames_missing", probe_judges.frames_missing, _STALE, "trip", "refuse",
        needs="no frame of an oven probe for longer",
        reason="the thermometer may have died, hang on its bus or be starved; old numbers look like good ones",
        source=_CATALOGUE, covers=("F-24", "F-25", "F-124"),
    ),
    Rule(
        "no_usable_reading", probe_judges.no_usable_reading, _STALE, "trip", "refuse",
        needs="no usable reading of an oven probe for longer, whatever frames came",
        reason="no fault may be answered with the last good value for longer than a second", source=_CATALOGUE,
        covers=("F-01", "F-02", "F-03", "F-04", "F-05", "F-07", "F-18", "F-21", "F-27"),
    ),
    Rule(
        "faults_in_a_row", probe_judges.faults_in_a_row, Setting("fault_run", 10, (2, 20), "frames"), "trip", "refuse",
        needs="that many unusable frames of an oven probe in a row",
        reason="single bad frames are daily life near a switched load, a run of them is a fault",
        source=_CATALOGUE, covers=("F-03", "F-04", "F-07", "F-27"),
    ),
    Rule(
        "faults_too_often", probe_judges.faults_too_often, Setting("fault_share", 0.1, (0.02, 0.3), "1"), "trip",
        "refuse", needs="more than that share of the frames of 10 s, of 50 at least",
        reason="a loose screw fails often before it fails for good", source=_CATALOGUE,
        covers=("F-03", "F-16", "F-18", "F-29"),
    ),
    Rule(
        "frozen", probe_judges.frozen, _FROZEN, "trip", "refuse",
        needs="the same 32 bits for longer with heat on, or across an edge of the relay",
        reason="a stuck chip select or an old buffer repeats a good value for ever", source=_CATALOGUE,
        covers=("F-25",),
    ),
    Rule(
        "bit_does_not_follow", probe_judges.bit_does_not_follow, Setting("bit_steps", 6, (3, 20), "steps"), "trip",
        "refuse", needs="that many steps by the same power of two within 10 min, junction steady",
        reason="a dead data line reads well below a power of two and low above it", source=_CATALOGUE, covers=("F-19",),
    ),
    Rule(
        "junction_hot", probe_judges.junction_hot, Setting("junction_c", 58.0, (40.0, 60.0), "degC"), "trip", "refuse",
        needs="one usable cold-junction reading above",
        reason="the electronics sit in the oven's heat; readings and the relay's driver drift",
        source="converter data sheet: junction accuracy", covers=("F-15",),
    ),
    Rule(
        "junction_rising", probe_judges.junction_rising, Setting("junction_k_min", 2.0, (0.5, 10.0), "K/min"), "trip",
        "refuse", needs="mean slope over two minutes above",
        reason="the oven's door or a fire heats the electronics; a gradient on the board falsifies the reading",
        source=_BENCH, covers=("F-15",),
    ),
    Rule(
        "rising_fast", probe_judges.rising_fast, Setting("rise_k_min", 45.0, (5.0, 90.0), "K/min"), "trip", "trip",
        needs="that far above everything read until a minute ago",
        reason="a pot of resin that runs away, or a fire. Small ovens warm by up to 40 K/min: tighten for a slow one",
        source=_BENCH,
        covers=("F-14",), loud=True,
    ),
    Rule(
        "heat_after_cut", heat_judges.heat_after_cut, Setting("overshoot_s", 300.0, (60.0, 900.0), "s"), "trip", "trip",
        needs="above 40 degC and relay open: for longer, and 3 K above everything read until three minutes ago; "
        "at once, 30 K above all read before it opened",
        reason="a solid-state relay fails closed, a contactor welds, an oven gets plugged into the wall",
        source=_CATALOGUE, covers=("F-30", "F-31", "F-32", "F-35", "F-129"), loud=True,
    ),
    Rule(
        "stays_hot", heat_judges.stays_hot, Setting("cool_s", 1800.0, (600.0, 7200.0), "s"), "trip", "trip",
        needs="relay open for longer, above 60 degC and not 5 K below its peak",
        reason="a welded contact at the dial's plateau shows no rise, only that nothing cools", source=_BENCH,
        covers=("F-30", "F-31", "F-129"), loud=True,
    ),
    Rule(
        "heat_without_effect", heat_judges.heat_without_effect, Setting("effect_s", 300.0, (60.0, 1800.0), "s"), "trip",
        "none", needs="that much heat from cold without a rise of 3 K, or twice that within 5 K of the converter",
        reason="probe not in the oven, leads touching each other, or no power: cannot be told apart, so all stop",
        source=_CATALOGUE, covers=("F-08", "F-12", "F-33"),
    ),
    Rule(
        "reading_fell", heat_judges.reading_fell, Setting("fell_s", 240.0, (60.0, 900.0), "s"), "trip", "none",
        needs="8 K below the level reached for that much heat at the room's temperature, or ten times that anywhere",
        reason="the probe fell out after the target was reached; a door open for minutes is none", source=_CATALOGUE,
        covers=("F-08", "F-12", "F-33"),
    ),
    Rule(
        "reversed_polarity", heat_judges.reversed_polarity, Setting("reversed_s", 60.0, (20.0, 300.0), "s"), "trip",
        "none", needs="after that much heat below the junction and 3 K below the start",
        reason="swapped wires read down as the oven goes up, so no limit is ever reached", source=_CATALOGUE,
        covers=("F-09", "F-11"),
    ),
    Rule(
        "probes_disagree", probe_judges.probes_disagree, Setting("apart_k", 10.0, (2.0, 40.0), "K"), "hold", "refuse",
        needs="two oven probes further apart for a minute",
        reason="one is half out, behind the load, of another type or mis-wired; which one, a person has to see",
        source=_CATALOGUE, covers=("F-10", "F-11", "F-13", "F-131"),
    ),
    Rule(
        "converters_answer_together", probe_judges.converters_answer_together,
        Setting("identical_frames", 8, (5, 40), "frames"), "hold", "refuse",
        needs="two probes bit-identical that many times in a row while both change",
        reason="a kernel-driven chip select lets a second converter talk into every read", source=_CATALOGUE,
        covers=("F-20",),
    ),
    Rule(
        "probes_swapped", heat_judges.probes_swapped, Setting("swap_k", 3.0, (1.0, 20.0), "K"), "hold", "none",
        needs="in the first five minutes of heat the piece rises that much more than the air",
        reason="the limit would act on the inside of a piece, an hour late", source=_CATALOGUE, covers=("F-131",),
    ),
    Rule(
        "permitted_too_long", heat_judges.permitted_too_long,
        Setting("permitted_s", 86400.0, (1800.0, 259200.0), "s"), "trip", "none",
        needs="total time of one permit above", reason="an oven left on for days", source=_CATALOGUE, covers=("F-127",),
    ),
    Rule(
        "lease_expired", heat_judges.lease_ran_out, _NO_SETTING, "hold", "none",
        needs="the service has not renewed the lease in time",
        reason="nobody follows the batch any more", source="design rule", covers=("F-119", "F-120", "F-124"),
    ),
    Rule(
        "guard_stood_still", heat_judges.guard_stood_still, Setting("stall_s", 1.0, (0.5, 2.0), "s"), "hold", "none",
        needs="one cycle that came later after the one before",
        reason="stopped, starved or swapped out: nobody watched the heat in that time", source="design rule",
        covers=("F-79", "F-84", "F-122"),
    ),
    Rule(
        "stop_open", heat_judges.stop_is_open, Setting("stop_cycles", 2, (1, 5), "cycles"), "hold", "refuse",
        needs="two cycles open; the first already opens the relay",
        reason="the button on the bench, normally closed: a broken wire stops too",
        source="ISO 13850: emergency stop function, category 0", covers=("F-40",),
    ),
    Rule(
        "cut", heat_judges.cut_was_asked, _NO_SETTING, "hold", "none", needs="one request",
        reason="anybody may ask for less heat", source="design rule", covers=("F-108",),
    ),
    Rule(
        "not_ready", heat_judges.unmet_at_start, _NO_SETTING, "hold", "refuse", needs="a finding at the start",
        reason="a station that is not commissioned, or whose machine keeps a dead owner's level, must not heat",
        source=_CATALOGUE, covers=("F-10", "F-34", "F-35", "F-41", "F-80"),
    ),
    Rule(
        "frozen_warning", probe_judges.frozen_long, Setting("frozen_warn_s", 30.0, (10.0, 120.0), "s"), "warn", "none",
        needs="the same 32 bits for longer with heat on", reason="said before it trips", source=_CATALOGUE,
        covers=("F-25",),
    ),
    Rule(
        "spikes", probe_judges.spikes, Setting("spikes_min", 6, (1, 60), "1/min"), "warn", "warn",
        needs="more single impossible steps dropped in a minute", reason="no filter capacitor, or a noisy wire",
        source=_CATALOGUE, covers=("F-16", "F-17"),
    ),
    Rule(
        "junction_warm", probe_judges.junction_warm, Setting("junction_warn_c", 50.0, (35.0, 60.0), "degC"), "warn",
        "warn", needs="one usable cold-junction reading above", reason="said before it trips", source=_CATALOGUE,
        covers=("F-15",),
    ),
    Rule(
        "warms_unlike_before", heat_judges.warms_unlike_before, Setting("expected_k_min", 0.0, (0.0, 60.0), "K/min"),
        "warn", "none",
        needs="five minutes of heat from cold; below 1/1.5 or above 1/0.7 of the setting; 0 = not known",
        reason="a probe half out follows plausibly but low, and this is the only clue", source=_CATALOGUE,
        covers=("F-13", "F-128"),
    ),
    Rule(
        "contact_worn", heat_judges.contact_worn, Setting("rated_closings", 1e5, (1e3, 1e8), "closings"), "warn",
        "warn", needs="80 % of the rated closings", reason="contacts weld at the end of their life", source=_CATALOGUE,
        covers=("F-38",),
    ),
    Rule(
        "noted", heat_judges.noted_at_start, _NO_SETTING, "warn", "warn", needs="a finding at the start",
        reason="something about the machine deserves a word", source=_CATALOGUE, covers=("F-85", "F-88"),
    ),
)  # fmt: skip


def check_rules(rules: tuple[Rule, ...]) -> dict[str, Setting]:
    """The settings of a table, by name.

    Raises ValueError, naming the row, for a table that cannot be used: a name twice, a number that is not finite, a
    default outside its range, a setting that two rows understand differently, a row without reason, source or cover.
    """
    settings: dict[str, Setting] = {}
    names: set[str] = set()
    for rule in rules:
        if rule.name in names:
            raise ValueError(f"rule {rule.name} is there twice")
        names.add(rule.name)
        low, high = rule.setting.allowed
        if not (math.isfinite(low) and math.isfinite(high) and low <= rule.setting.default <= high):
            raise ValueError(f"rule {rule.name}: default {rule.setting.default} is not within {low} to {high}")
        if not (rule.reason and rule.source and rule.needs and rule.covers):
            raise ValueError(f"rule {rule.name}: a reason, a source, what it needs and what it covers are all wanted")
        if rule.setting is _NO_SETTING:
            continue
        if settings.setdefault(rule.setting.name, rule.setting) != rule.setting:
            raise ValueError(f"rule {rule.name}: setting {rule.setting.name} is understood differently elsewhere")
    return settings


#: Every number that the guard's settings may change, by name.
SETTINGS: Final[Mapping[str, Setting]] = check_rules(RULES)

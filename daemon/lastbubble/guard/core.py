"""The guard itself: evidence in, one command out, no clock, no port, no file. The loop around it does what it says.

Once a cycle: `take_frame` for every frame, `ask` for every request, then `cycle` gives the command, the loop drives the
pin and tells `read_back` what the pin says. The command is "closed" only when all of this is true in this very cycle:
the state is `permitted`, the lease has time left, every rule that can take heat away is content, and the contact has
rested. Anything else is "open".
"""

from __future__ import annotations

import logging
from collections import Counter, deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final, Protocol

from lastbubble.frames import FrameMessage
from lastbubble.guard.buttons import HeldButton
from lastbubble.guard.config import OVEN_PROBES, GuardSettings
from lastbubble.guard.evidence import Evidence
from lastbubble.guard.judging import CONTENT, Finding, Verdict
from lastbubble.guard.memory import CheckPoint, Memory
from lastbubble.guard.probe_evidence import ProbeEvidence
from lastbubble.guard.protocol import Answer, GuardEvent, GuardStatus, StateName, TripStatus
from lastbubble.guard.requests import Who, check_request
from lastbubble.guard.rules import RULES, Rule
from lastbubble.guard.startup import days_since
from lastbubble.guard.states import HEAT_IN, Signal, next_state
from lastbubble.records import Quality, Reading

__all__ = ["COOL_C", "PROOF_DAYS", "WELL_S", "FrameJudging", "Guard", "Inputs"]

log = logging.getLogger("lastbubble.guard")

#: A trip is released only below this, and only when every oven probe has read well for that long.
COOL_C: Final = 50.0
WELL_S: Final = 60.0
#: A frame stamped later than now by more than this is not from this bench's clock [s].
_FUTURE_S: Final = 0.25
#: A probe within this of something known is the right one, rightly wired [K].
_CHECK_K: Final = 3.0
#: Two check points this far apart tell type and wiring from luck [K].
_CHECK_SPAN_K: Final = 40.0
#: How long the rules that would take a probe in boiling water for a fire look away while no permit can be given [s].
_CHECKING_S: Final = 900.0
#: A proof test older than this is asked for again.
PROOF_DAYS: Final = 30
_EVENTS: Final = 16
#: Stands for the hindrances of a state that no cycle has judged yet: nothing is permitted on old findings.
_NOT_JUDGED: Final = ("no cycle has been judged yet; ask again",)


class FrameJudging(Protocol):
    """One probe's frame judge (`sensing.thermocouple.FrameJudge`)."""

    def judge(self, raw: bytes | None, time_s: float, error: str = "") -> tuple[Reading, Reading]: ...


@dataclass(frozen=True, slots=True)
class Inputs:
    """What the loop read from its own pins this cycle; None where nothing is wired."""

    stop_open: bool = False
    contact_closed: bool | None = None
    permit_pressed: bool = False
    reset_pressed: bool = False


_NO_INPUTS: Final = Inputs()


class Guard:
    """See the module's head.

    settings;  judges : one a probe, in the settings' order;  now_s
    latched : what the latch held at the start;  memory : what is remembered
    unmet, notes : findings at the start that forbid a permit, and those that only deserve a word

    The loop reads `latch_order` and `memory_order` after the pin was driven and hands them to the keeper.
    """

    def __init__(
        self,
        settings: GuardSettings,
        judges: Sequence[FrameJudging],
        now_s: float,
        *,
        latched: TripStatus | None = None,
        memory: Memory | None = None,
        unmet: Sequence[str] = (),
        notes: Sequence[str] = (),
    ) -> None:
        self._settings = settings
        self._judges = tuple(judges)
        limits = settings.limits
        self._rows: tuple[tuple[Rule, float], ...] = tuple(
            (rule, limits[rule.setting.name] if rule.setting.name else 0.0) for rule in RULES
        )
        self._limit_c = limits["limit_c"]
        probes = [ProbeEvidence(probe.name, self._limit_c, probe.name in OVEN_PROBES) for probe in settings.probes]
        self.evidence = Evidence(probes, now_s, limits)
        self.memory = memory or Memory()
        self.evidence.closings = self.memory.closings
        self.evidence.notes = self._notes_at_start = tuple(notes)
        self._day = 0
        self._unmet_at_start = tuple(unmet)
        self.state: StateName = "withheld" if latched is None else "tripped"
        self.trip = latched
        self._alarm = ""
        self._lease_until_s = now_s
        self._permit_until_s = float("inf")
        self._proving_since_s: float | None = None
        #: Rules already told of since the trip.
        self._told_while_tripped: set[str] = set()
        self._buttons = {"permit": HeldButton(), "reset": HeldButton()}
        self._findings: list[tuple[Rule, Finding]] = []
        self._hindrances: tuple[str, ...] = _NOT_JUDGED
        self._cautions: tuple[str, ...] = ()
        self._wanted = False
        self._opened_s = float("-inf")
        self._utc: datetime | None = None
        self.counters: Counter[str] = Counter()
        self.events: deque[GuardEvent] = deque(maxlen=_EVENTS)
        #: Grows with every change a listener wants to hear of at once.
        self.revision = 0
        self.watchdog = False
        self.latch_stored = True
        #: What the keeper shall write: (trip or None) in a list of one, empty when nothing; likewise the memory.
        self.latch_order: list[TripStatus | None] = []
        self.memory_order: list[Memory] = []
        self._refresh_unmet()
        self._say("started", f"state {self.state}" + (f": {latched.cause}" if latched else ""))

    # -- what comes in -----------------------------------------------------------------------------------------

    def take_frame(self, message: FrameMessage) -> None:
        """Judge one frame. A probe that is not ours, or a time that is not of this moment, is counted and dropped."""
        now_s = self.evidence.now_s
        if message.probe >= len(self._judges):
            self.counters["frames_refused"] += 1
            return
        probe = self.evidence.probes[message.probe]
        last_s = probe.last_frame_s
        # What was read before this guard began, or before what it has seen, says nothing about now.
        oldest_s = self.evidence.start_s if last_s is None else last_s
        if message.time_s > now_s + _FUTURE_S or message.time_s <= oldest_s:
            self.counters["frames_refused"] += 1
            return
        hot, junction = self._judges[message.probe].judge(message.raw, message.time_s, message.error)
        self.counters["frames"] += 1
        if hot.value is None:
            self.counters["bad_frames"] += 1
            self.counters[f"bad_{probe.name}_{hot.cause}"] += 1
        if self._proving_since_s is not None and probe.is_oven:
            made_up_c = self._limit_c + 10.0
            hot = Reading(made_up_c, message.time_s, Quality.SUSPECT, probe.name, "proof", "made up by the proof test")
        self.evidence.take_frame(message.probe, message.raw, message.time_s, hot, junction)

    def ask(self, data: Any, who: Who) -> Answer:
        """Grant or refuse one request. Never raises."""
        name = str(data.get("ask"))[:40] if isinstance(data, dict) else ""
        why = check_request(data, who, self.state)
        if not why:
            why = self._grant(name, data, who)
        if why:
            self.counters["refused"] += 1
            if name in ("permit", "reset", "prove"):
                self._say("refused", f"{name}: {why}")
        return Answer(name, not why, why)

    # -- the cycle ---------------------------------------------------------------------------------------------

    def begin_cycle(self, now_s: float, utc: datetime) -> None:
        """First call of a cycle: time has passed."""
        self._utc = utc
        if utc.toordinal() != self._day:
            self._day = utc.toordinal()
            self._refresh_notes()
        self.evidence.begin_cycle(now_s)

    def cycle(self, inputs: Inputs = _NO_INPUTS) -> bool:
        """Judge everything; True when the relay shall be closed. The last call before the pin is driven."""
        seen = self.evidence
        self.counters["cycles"] += 1
        self._take_inputs(inputs)
        seen.lease_left_s = self._lease_until_s - seen.now_s if self.state == "permitted" else None
        if self.state == "permitted" and seen.now_s >= self._permit_until_s:
            seen.cut_asked = seen.cut_asked or "the hours that were permitted are over"
        findings = self._findings = [
            (rule, finding) for rule, number in self._rows if (finding := rule.judge(seen, number)) is not CONTENT
        ]
        content = self._act(findings) if findings or self._cautions or self._alarm else True
        seen.cut_asked = ""
        self._hindrances = self._work_out_hindrances(findings)
        wanted = (
            self.state in HEAT_IN
            and self._lease_until_s > seen.now_s
            and content
            and (self._wanted or seen.now_s - self._opened_s >= self._settings.min_off_s)
        )
        if self._wanted and not wanted:
            self._opened_s = seen.now_s
        self._wanted = wanted
        return wanted

    def read_back(self, closed: bool, agrees: bool) -> None:
        """What the pin said after it was driven: is heat on, and did it read as written."""
        seen = self.evidence
        seen.readback_wrong_run = 0 if agrees else seen.readback_wrong_run + 1
        if closed != seen.heat_closed:
            seen.heat_read_back(closed)
            self.revision += 1
            if closed:
                self.counters["relay_closings"] += 1
                self._remember(closings=seen.closings)
        if self._proving_since_s is not None and not closed and self.state == "tripped":
            self._proved()

    def _take_inputs(self, inputs: Inputs) -> None:
        seen = self.evidence
        seen.stop_open_run = seen.stop_open_run + 1 if inputs.stop_open else 0
        seen.contact_closed = inputs.contact_closed
        if inputs.contact_closed is None or inputs.contact_closed == seen.heat_closed:
            seen.contact_wrong_since_s = None
        elif seen.contact_wrong_since_s is None:
            seen.contact_wrong_since_s = seen.now_s
        since_edge_s = seen.now_s - seen.last_edge_s
        for name, pressed in (("permit", inputs.permit_pressed), ("reset", inputs.reset_pressed)):
            if self._buttons[name].sample(pressed, since_edge_s):
                self.ask({"ask": name}, "button")

    def _act(self, findings: Sequence[tuple[Rule, Finding]]) -> bool:
        """Follow the rows of everything that is not content; True when none of it takes heat away."""
        content = True
        permitted = self.state == "permitted"
        cautions: list[str] = []
        alarm = ""
        for rule, finding in findings:
            is_violated = finding.verdict is Verdict.VIOLATED
            if rule.reaction == "warn":
                if is_violated and (permitted or rule.idle == "warn"):
                    cautions.append(f"{rule.name}: {finding.text}")
                continue
            if not permitted and rule.idle == "none":
                continue
            content = False
            if not is_violated:
                continue
            if rule.loud:
                alarm = alarm or finding.text
            reaction = rule.reaction if permitted else rule.idle
            if reaction == "trip":
                self._trip(rule, finding)
            elif reaction == "hold":
                self._withhold(rule.name, finding.text)
            permitted = self.state == "permitted"
        if self.trip is not None and self.trip.cause in _LOUD:
            alarm = alarm or self.trip.text
        self._tell(tuple(cautions), alarm)
        return content

    def _tell(self, cautions: tuple[str, ...], alarm: str) -> None:
        names = {text.split(":")[0] for text in cautions}
        known = {text.split(":")[0] for text in self._cautions}
        for text in cautions:
            if text.split(":")[0] not in known:
                self._say("caution", text)
        if names != known or bool(alarm) != bool(self._alarm):
            self.revision += 1
        self._cautions, self._alarm = cautions, alarm

    def _trip(self, rule: Rule, finding: Finding) -> None:
        if self.state == "tripped":
            if rule.name not in self._told_while_tripped:
                self._told_while_tripped.add(rule.name)
                self._say("also", f"{rule.name}: {finding.text}")
            return
        cause, text = rule.name, finding.text
        if self._proving_since_s is not None and rule.name == "over_temperature":
            cause, text = "proof_test", f"proof test: {finding.text} (made up)"
        self._move("trip")
        self.trip = TripStatus(
            cause, self.evidence.now_s, self._label(), finding.reading, finding.source, text, stored=False
        )
        self._told_while_tripped = {rule.name}
        self.latch_stored = False
        self.latch_order = [self.trip]
        self.counters["trips"] += 1
        self._remember(trips=self.memory.trips + 1)
        self._say("tripped", f"{cause}: {text}")
        log.error(
            "event=trip cause=%s reading=%s source=%s text=%r", cause, finding.reading, finding.source or "-", text
        )

    def _withhold(self, cause: str, text: str) -> None:
        if self.state == "permitted":
            self._move("withhold")
            self.counters["holds"] += 1
            self._say("withheld", f"{cause}: {text}")
            log.warning("event=withheld cause=%s text=%r", cause, text)

    def _move(self, signal: Signal) -> None:
        target = next_state(self.state, signal)
        if target is None or target == self.state:
            return
        if target == "permitted":
            self.evidence.permit_began()
        elif self.state == "permitted":
            self.evidence.permit_ended()
            self._lease_until_s = self.evidence.now_s
        self.state = target
        self._hindrances = _NOT_JUDGED
        self.revision += 1

    # -- requests ----------------------------------------------------------------------------------------------

    def _grant(self, name: str, data: Mapping[str, Any], who: Who) -> str:
        """Do what a request that its row grants asks for; "" or why not."""
        match name:
            case "cut":
                return self._grant_cut(str(data.get("reason", "")) or f"asked by {who}")
            case "renew_lease":
                return self._grant_renewal()
            case "permit":
                return self._grant_permit(who, data.get("hours"))
            case "reset":
                return self._grant_reset(who, bool(data.get("false_alarm", False)))
            case "prove":
                self._proving_since_s = self.evidence.now_s
                self._say("proving", "made-up readings above the limit begin")
                return ""
            case "check_probe":
                return self._grant_check(str(data["probe"]), float(data["true_c"]))
            case "lamp_seen":
                return self._grant_lamp(bool(data["both"]))
        return ""

    def _grant_cut(self, reason: str) -> str:
        self.counters["cuts"] += 1
        self._withhold("cut", reason)
        return ""

    def _grant_renewal(self) -> str:
        # A lease that has run out stays run out: only a person permits again.
        if not self._lease_until_s > self.evidence.now_s:
            return "the lease has run out; a person has to permit again"
        self._lease_until_s = self.evidence.now_s + self._settings.lease_s
        return ""

    def _grant_permit(self, who: Who, hours: float | None) -> str:
        if self._hindrances:
            return "; ".join(self._hindrances)
        now_s = self.evidence.now_s
        self._lease_until_s = now_s + self._settings.lease_s
        self._permit_until_s = float("inf") if hours is None else now_s + hours * 3600
        self.evidence.checking_until_s = float("-inf")
        self._move("permit")
        self._say("permitted", f"by {who}" + ("" if hours is None else f" for {hours:g} h"))
        log.info("event=permitted by=%s", who)
        return ""

    def _grant_reset(self, who: Who, false_alarm: bool) -> str:
        why = self._not_to_reset()
        if why:
            return why
        cause = "" if self.trip is None else self.trip.cause
        self._move("reset")
        self.trip = None
        self._proving_since_s = None
        self.latch_stored = False
        self.latch_order = [None]
        if false_alarm:
            self._remember(false_trips=self.memory.false_trips + 1)
        self._say("reset", f"{cause} by {who}" + (" (called false)" if false_alarm else ""))
        log.info("event=reset cause=%s by=%s false_alarm=%s", cause, who, false_alarm)
        return ""

    def _not_to_reset(self) -> str:
        """Why a trip cannot be released now, "" when it can."""
        proof = self.trip is not None and self.trip.cause == "proof_test"
        now_s = self.evidence.now_s
        for probe in self.evidence.ovens:
            well_s = -1.0 if probe.good_since_s is None else now_s - probe.good_since_s
            if not well_s >= (0.0 if proof else WELL_S):
                return f"{probe.name} has to read well for {WELL_S:g} s first ({max(0.0, well_s):.0f} s so far)"
            if not proof and not (probe.value_c is not None and probe.value_c < COOL_C):
                return f"{probe.name} has to be below {COOL_C:g} degC first; it reads {probe.value_c:.1f}"
        for rule, finding in self._findings:
            if rule.reaction != "warn" and rule.idle in ("trip", "refuse") and rule.name != "not_ready":
                return f"{rule.name}: {finding.text}"
        return ""

    def _grant_check(self, name: str, true_c: float) -> str:
        """Compare a probe with something known. The first call opens a quarter of an hour for it."""
        probe = next((probe for probe in self.evidence.probes if probe.name == name), None)
        if probe is None:
            return f"there is no probe {name}"
        self.evidence.checking_until_s = self.evidence.now_s + _CHECKING_S
        if probe.bad_run or probe.value_c is None:
            return f"{name} does not read ({probe.bad_cause})"
        if not abs(probe.value_c - true_c) <= _CHECK_K:
            return (
                f"{name} shows {probe.value_c:.1f} degC, {true_c:g} is true; within {_CHECK_K:g} K is allowed. "
                "Wait until it stands still, then ask again; else it is of another type or mis-wired"
            )
        point = CheckPoint(true_c, round(probe.value_c, 2), self._label())
        known = [old for old in self.memory.points.get(name, ()) if abs(old.true_c - true_c) >= 1.0]
        whole = sorted([*known, point], key=lambda item: item.true_c)
        self._remember(points={**self.memory.points, name: (whole[0], whole[-1]) if len(whole) > 1 else (whole[0],)})
        self._refresh_unmet()
        self._say("probe_checked", f"{name} shows {probe.value_c:.1f} at {true_c:g} degC")
        return ""

    def _grant_lamp(self, both: bool) -> str:
        self._remember(lamp_utc=self._label() if both else "")
        self._refresh_unmet()
        self._say("lamp_test", "open and closed were seen" if both else "not seen")
        return ""

    def _proved(self) -> None:
        took_ms = (self.evidence.now_s - (self._proving_since_s or 0.0)) * 1000
        self._proving_since_s = None
        if self.trip is None or self.trip.cause != "proof_test":
            self._say("not_proved", "another rule tripped first")
            return
        self._remember(proof_utc=self._label(), proof_open_ms=round(took_ms, 1))
        self._refresh_notes()
        self._say("proved", f"relay open {took_ms:.0f} ms after the made-up readings began")

    # -- what goes out -----------------------------------------------------------------------------------------

    def status(self) -> GuardStatus:
        """Everything a listener may know, now."""
        seen = self.evidence
        trip = self.trip
        if trip is not None and trip.stored != self.latch_stored:
            trip = self.trip = replace(trip, stored=self.latch_stored)
        return GuardStatus(
            seen.now_s,
            self.state,
            seen.heat_closed,
            self._wanted,
            trip,
            None if seen.lease_left_s is None else round(seen.lease_left_s, 3),
            round(seen.permitted_total_s, 3),
            self._hindrances if self.state == "withheld" else (),
            self._cautions,
            self._alarm,
            tuple(probe.status() for probe in seen.probes),
            {
                **self.counters,
                "life_closings": seen.closings,
                "life_trips": self.memory.trips,
                "false_trips": self.memory.false_trips,
            },
            tuple(self.events),
            self.watchdog,
            self._settings.simulated,
        )

    def note_latch(self, stored: bool) -> None:
        """How the card took the last latch order."""
        if stored != self.latch_stored:
            self.latch_stored = stored
            self.revision += 1

    def _work_out_hindrances(self, findings: Sequence[tuple[Rule, Finding]]) -> tuple[str, ...]:
        if self.state != "withheld":
            return ()
        out = [
            f"{rule.name}: {finding.text}"
            for rule, finding in findings
            if rule.reaction != "warn" and rule.idle != "none"
        ]
        if not self.latch_stored:
            out.append("latch: the card has not taken the last reset yet")
        left_s = self.evidence.checking_until_s - self.evidence.now_s
        if left_s > 0:
            out.append(f"check_probe: probes are being checked, for {left_s:.0f} s yet")
        return tuple(out)

    def _refresh_unmet(self) -> None:
        unmet = list(self._unmet_at_start)
        if self._settings.require_commissioning:
            if not self.memory.lamp_utc:
                unmet.append("the lamp test is not on record: lastbubble guard lamp")
            for probe in self.evidence.ovens:
                points = self.memory.points.get(probe.name, ())
                if len(points) < 2 or points[-1].true_c - points[0].true_c < _CHECK_SPAN_K:
                    unmet.append(
                        f"{probe.name} has not been checked at two temperatures {_CHECK_SPAN_K:g} K apart (ice and "
                        f"boiling water): lastbubble guard check {probe.name} 0"
                    )
        self.evidence.unmet = tuple(unmet)

    def _refresh_notes(self) -> None:
        """Each day, and after a proof: a guard may run for months between two starts."""
        notes = list(self._notes_at_start)
        if not self._settings.simulated:
            age_days = days_since(self.memory.proof_utc, self._label())
            if age_days is None or not 0 <= age_days <= PROOF_DAYS:
                notes.append(f"no proof test in the last {PROOF_DAYS} days: lastbubble guard prove, with the oven on")
        self.evidence.notes = tuple(notes)

    def _remember(self, **changes: Any) -> None:
        self.memory = replace(self.memory, **changes)
        self.memory_order = [self.memory]

    def _label(self) -> str:
        return "" if self._utc is None else self._utc.strftime("%Y-%m-%dT%H:%M:%SZ")

    def _say(self, name: str, text: str) -> None:
        self.events.append(GuardEvent(self.evidence.now_s, name, text[:300]))
        self.revision += 1


_LOUD: Final = frozenset(rule.name for rule in RULES if rule.loud)

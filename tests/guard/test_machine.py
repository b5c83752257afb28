"""The guard's core under any order of inputs, held to a second, simpler account of what it may do.

The account knows the frames it sent, the permits it gave and the pins it moved, and nothing of the guard's own rules.
By it: a closed relay was permitted, is leased, its readings are fresh and below the limit; no restart ends permitted; a
trip that the card has taken is there after every restart until a reset that was allowed.

LASTBUBBLE_LONG=1 takes 20,000 steps and more and prints how many.
"""

from __future__ import annotations

import os
import tempfile
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, seed
from hypothesis import settings as how
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from lastbubble.frames import FrameMessage
from lastbubble.guard.config import GuardSettings, ProbeSettings
from lastbubble.guard.core import Guard, Inputs
from lastbubble.guard.latch import LATCH_FILE, load_latch, store_latch
from lastbubble.guard.memory import load_memory, store_memory
from lastbubble.guard.requests import REQUESTS
from lastbubble.guard.states import HEAT_IN
from lastbubble.records import Reading
from lastbubble.sensing.thermocouple import Calibration, FrameJudge
from tests.guard.bench import frame

LONG = os.environ.get("LASTBUBBLE_LONG") == "1"
PERIOD_S = 0.1
LIMIT_C = 100.0
STALE_S = 1.0
STALL_S = 1.0
CONTACT_S = 1.0
LEASE_S = 20.0
COOL_C = 50.0
WELL_S = 60.0
#: Sums of tenths are not exact.
EPS_S = 1e-6

#: Over all runs of this module: steps taken, and what was reached on the way.
REACHED: Counter[str] = Counter()

SPOILT = {
    "zeros": b"\0\0\0\0",
    "ones": b"\xff\xff\xff\xff",
    "reserved": b"\x06\x42\x19\x00",
    "open": frame(40.0, 25.0, fault=1),
    "ground": frame(40.0, 25.0, fault=2),
    "far too hot": frame(290.0, 25.0),
    "error": None,
}


class Account(FrameJudge):
    """A frame judge that also keeps what of a probe was usable, for the account's own use."""

    def __init__(self, name: str) -> None:
        super().__init__(name, Calibration())
        self.begin()

    def begin(self) -> None:
        """Nothing seen."""
        self.good: list[tuple[float, float]] = []
        self.well_since_s: float | None = None

    def judge(self, raw: bytes | None, time_s: float, error: str = "") -> tuple[Reading, Reading]:
        hot, junction = super().judge(raw, time_s, error)
        if hot.value is None:
            self.well_since_s = None
        else:
            self.good = [*self.good[-3:], (time_s, hot.value)]
            if self.well_since_s is None:
                self.well_since_s = time_s
        return hot, junction

    def fresh(self, now_s: float) -> bool:
        return bool(self.good) and now_s - self.good[-1][0] <= STALE_S + EPS_S

    def above_twice(self) -> bool:
        return len(self.good) >= 2 and all(value > LIMIT_C for _, value in self.good[-2:])


class GuardMachine(RuleBasedStateMachine):
    """One bench, one card, guard after guard."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.card = Path(self.folder.name)
        self.now_s = 1000.0
        self.tick = 0
        self.oven_c = {"oven": 24.0, "oven2": 24.0}
        self.target_c = {"oven": 24.0, "oven2": 24.0}
        self.spoil: dict[str, str] = {}
        self.renewing = True
        self.card_works = True
        self.pin_stuck: bool | None = None
        self.stop_open = False
        self.contact: str = "none"
        self.pressed: str = ""
        self.pressed_for = 0
        # What may be, by the account.
        self.may_heat = False
        self.lease_until_s = 0.0
        self.stop_run = 0
        self.disagreed = 0
        self.latched_cause = ""
        self.level = False

    @initialize(second=st.booleans(), min_off_s=st.sampled_from([0.0, 10.0]))
    def begin(self, second: bool, min_off_s: float) -> None:
        names = ("oven", "oven2") if second else ("oven",)
        self.settings = GuardSettings(
            relay_pin=17,
            pin_factory="mock",
            simulated=True,
            require_commissioning=False,
            probes=tuple(ProbeSettings(name) for name in names),
            lease_s=LEASE_S,
            min_off_s=min_off_s,
            limits={"limit_c": LIMIT_C, "apart_k": 40.0},
        )
        self.start()

    def teardown(self) -> None:
        REACHED["machines"] += 1
        self.folder.cleanup()

    # -- a guard and its cycles ------------------------------------------------------------------------------------

    def start(self) -> None:
        """A new guard process on the same card; the line is claimed low."""
        self.accounts = [Account(probe.name) for probe in self.settings.probes]
        latched = load_latch(self.card)
        memory, _ = load_memory(self.card)
        self.guard = Guard(self.settings, self.accounts, self.now_s, latched=latched, memory=memory)
        self.may_heat = False
        self.lease_until_s = 0.0
        self.stop_run = self.disagreed = self.pressed_for = 0
        self.contact_wrong_since_s: float | None = None
        self.level = False
        self.order: list[Any] = []
        self.last_cycle_s = self.now_s
        assert self.guard.state not in HEAT_IN
        if self.latched_cause:
            assert self.guard.state == "tripped"
            assert self.guard.trip is not None
            assert self.guard.trip.cause == self.latched_cause

    def cycle(self, passed_s: float = PERIOD_S) -> None:
        guard = self.guard
        self.now_s += passed_s
        self.tick += 1
        guard.begin_cycle(self.now_s, datetime.fromtimestamp(1.7e9 + self.now_s, UTC))
        if self.tick % 2 == 0:
            for index, account in enumerate(self.accounts):
                self.send(index, account.source)
        if self.renewing and self.tick % 10 == 0:
            self.ask("service", ask="renew_lease")
        stood_still = self.now_s - self.last_cycle_s > STALL_S + EPS_S
        self.last_cycle_s = self.now_s
        self.stop_run = self.stop_run + 1 if self.stop_open else 0
        self.pressed_for = self.pressed_for + 1 if self.pressed else 0
        if self.inputs().contact_closed in (None, self.level):
            self.contact_wrong_since_s = None
        elif self.contact_wrong_since_s is None:
            self.contact_wrong_since_s = self.now_s
        was = guard.state
        wanted = guard.cycle(self.inputs())
        self.follow_buttons(was)
        self.judge(wanted, stood_still)
        self.level = wanted if self.pin_stuck is None else self.pin_stuck
        agrees = self.level == wanted
        self.disagreed = 0 if agrees else self.disagreed + 1
        guard.read_back(self.level, agrees)
        self.write_card()

    def inputs(self) -> Inputs:
        contact = {"none": None, "follows": self.level, "closed": True, "open": False}[self.contact]
        return Inputs(self.stop_open, contact, self.pressed == "permit", self.pressed == "reset")

    def send(self, index: int, name: str) -> None:
        now_c, to_c = self.oven_c[name], self.target_c[name]
        self.oven_c[name] = now_c + max(-12.0, min(12.0, to_c - now_c))
        spoilt = self.spoil.get(name, "")
        if spoilt == "silent":
            return
        raw: bytes | None
        if spoilt:
            raw = SPOILT[spoilt]
        else:
            raw = frame(self.oven_c[name], 25.0 + index, 0, (self.tick // 2 + index * (self.tick // 4)) % 2)
        self.guard.take_frame(FrameMessage(index, self.tick, self.now_s, raw, "" if raw else "OSError: 5"))

    def write_card(self) -> None:
        guard = self.guard
        if guard.latch_order:
            self.order = [guard.latch_order.pop()]
        if self.order and self.card_works:
            trip = self.order.pop()
            store_latch(self.card, trip)
            self.latched_cause = "" if trip is None else trip.cause
        guard.note_latch(not self.order)
        if guard.memory_order:
            memory = guard.memory_order.pop()
            if self.card_works:
                store_memory(self.card, memory)

    def ask(self, who: Any, **request: Any) -> bool:
        """One request; what it may change is worked out before it is asked."""
        name, was = request["ask"], self.guard.state
        answer = self.guard.ask(request, who)
        if name == "permit" and answer.ok:
            assert who in ("bench", "button")
            assert was == "withheld"
            self.permitted()
        elif name == "renew_lease" and answer.ok:
            assert who == "service"
            assert self.may_heat
            assert self.lease_until_s > self.now_s - EPS_S, "a lease that ran out was renewed"
            self.lease_until_s = self.now_s + LEASE_S
        elif name == "cut":
            assert answer.ok
            self.may_heat = False
        elif name == "reset" and answer.ok:
            assert who in ("bench", "button")
            assert was == "tripped"
            self.reset(self.cause_before)
        self.cause_before = "" if self.guard.trip is None else self.guard.trip.cause
        return answer.ok

    cause_before = ""

    def follow_buttons(self, was: str) -> None:
        """A button is a request that nobody told the account of."""
        state = self.guard.state
        if state == "permitted" and was == "withheld":
            assert self.pressed == "permit"
            assert self.pressed_for >= 15
            self.permitted()
            REACHED["permits by button"] += 1
        if state == "withheld" and was == "tripped":
            assert self.pressed == "reset"
            assert self.pressed_for >= 15
            self.reset(self.cause_before)
        self.cause_before = "" if self.guard.trip is None else self.guard.trip.cause

    def permitted(self) -> None:
        assert not self.latched_cause or self.order == [None], "permitted over a latched trip"
        self.may_heat = True
        self.lease_until_s = self.now_s + LEASE_S
        REACHED["permits"] += 1

    def reset(self, cause: str) -> None:
        """Allowed only when cool and well for a minute; a proof test's own trip at any time that it reads."""
        REACHED["resets"] += 1
        if cause != "proof_test":
            for account in self.accounts:
                assert account.well_since_s is not None
                assert self.now_s - account.well_since_s >= WELL_S - EPS_S
                assert account.good[-1][1] < COOL_C

    # -- what has to be true ---------------------------------------------------------------------------------------

    def judge(self, wanted: bool, stood_still: bool) -> None:
        guard, now_s = self.guard, self.now_s
        REACHED["cycles"] += 1
        if stood_still or self.stop_run >= 2 or now_s > self.lease_until_s + EPS_S:
            self.may_heat = False
        blind = [account for account in self.accounts if not account.fresh(now_s)]
        above = [account for account in self.accounts if account.above_twice()]
        if blind or above or self.disagreed >= 2:
            self.may_heat = False
        if guard.state == "permitted":
            assert self.may_heat, "permitted although the account knows of a reason against it"
        welded = self.contact_wrong_since_s is not None and now_s - self.contact_wrong_since_s > CONTACT_S + EPS_S
        if above or self.disagreed >= 2 or welded:
            assert guard.state == "tripped"
        if wanted:
            REACHED["closed"] += 1
            assert guard.state == "permitted"
            assert self.may_heat
            assert now_s < self.lease_until_s + EPS_S, "closed without a lease"
            assert not self.stop_open, "closed with the stop input open"
            for account in self.accounts:
                assert account.fresh(now_s), f"closed without a fresh reading of {account.source}"
                assert account.good[-1][1] <= LIMIT_C, f"closed with {account.source} above the limit"
        if guard.state == "tripped":
            REACHED["tripped"] += 1
            self.may_heat = False
            assert guard.trip is not None
            REACHED[f"trip {guard.trip.cause}"] += 1

    @invariant()
    def permitted_by_nobody_is_never_permitted(self) -> None:
        """Between two cycles as well."""
        REACHED["steps"] += 1
        if self.guard.state in HEAT_IN:
            assert self.may_heat

    # -- what happens ----------------------------------------------------------------------------------------------

    @rule(cycles=st.integers(1, 30))
    def time_passes(self, cycles: int) -> None:
        for _ in range(cycles):
            self.cycle()

    @rule(target_c=st.sampled_from([20.0, 24.0, 45.0, 80.0, 99.0, 101.0, 130.0]), which=st.sampled_from([0, 1, 2]))
    def temperature(self, target_c: float, which: int) -> None:
        for name in (("oven", "oven2"), ("oven",), ("oven2",))[which]:
            self.target_c[name] = target_c
        self.time_passes(4)

    @rule(target_c=st.sampled_from([99.9, 100.1, 100.6, 101.0]))
    def around_the_limit(self, target_c: float) -> None:
        self.oven_c = dict.fromkeys(self.oven_c, 99.0)
        self.target_c = dict.fromkeys(self.target_c, target_c)
        self.time_passes(10)

    @rule(
        what=st.sampled_from(["silent", *SPOILT]),
        which=st.sampled_from(["oven", "oven2"]),
        cycles=st.sampled_from([2, 4, 6, 9, 12]),
        stays=st.booleans(),
    )
    def spoilt_frames(self, what: str, which: str, cycles: int, stays: bool) -> None:
        self.spoil[which] = what
        for _ in range(cycles):
            self.cycle()
        if not stays:
            self.spoil.pop(which, None)

    @rule(cycles=st.integers(20, 60))
    def spiky_frames(self, cycles: int) -> None:
        for index in range(cycles):
            self.spoil = {"oven": ("open", "zeros", "far too hot")[index % 3]} if index % 8 < 2 else {}
            self.cycle()
        self.spoil = {}

    @rule()
    def all_well_again(self) -> None:
        """So that long runs come back from what went before."""
        self.spoil = {}
        self.pin_stuck = None
        self.stop_open = False
        self.contact = "none"
        self.renewing = True
        self.card_works = True
        self.pressed = ""
        self.target_c = dict.fromkeys(self.target_c, 24.0)
        self.time_passes(25)

    @rule()
    def a_person_looks_and_resets(self) -> None:
        """Cool and well for a minute, the cause seen: the only way out of a trip."""
        self.all_well_again()
        if self.guard.state == "tripped":
            self.oven_c = dict(self.target_c)
            for _ in range(260):
                # Longer cycles are no matter without heat, and quicker to test.
                self.cycle(0.25)
            self.ask("bench", ask="reset")
            self.time_passes(1)

    @rule(who=st.sampled_from(["bench", "bench", "bench", "button", "service"]))
    def permit(self, who: str) -> None:
        self.ask(who, ask="permit")
        self.time_passes(3)

    @rule(cycles=st.sampled_from([1, 30, 30, 90]))
    def a_person_permits_a_well_bench(self, cycles: int) -> None:
        self.a_person_looks_and_resets()
        self.time_passes(cycles)
        self.ask("bench", ask="permit")
        self.time_passes(15)

    @rule(who=st.sampled_from(["bench", "service"]), false_alarm=st.booleans())
    def ask_reset(self, who: str, false_alarm: bool) -> None:
        self.ask(who, ask="reset", false_alarm=false_alarm)
        self.cycle()

    @rule(who=st.sampled_from(["bench", "service", "button"]))
    def cut(self, who: str) -> None:
        self.ask(who, ask="cut", reason="as it came")
        assert self.guard.state != "permitted"
        self.cycle()

    @rule(renewing=st.booleans())
    def lease(self, renewing: bool) -> None:
        self.renewing = renewing

    @rule()
    def the_service_dies_for_longer_than_the_lease(self) -> None:
        self.renewing = False
        self.pressed = ""  # a button that is held still would permit anew meanwhile
        self.time_passes(round(LEASE_S / PERIOD_S) + 2)
        assert self.guard.state != "permitted"

    @rule()
    def prove(self) -> None:
        if self.ask("bench", ask="prove"):
            self.time_passes(10)
            assert self.guard.state != "permitted"

    @rule(name=st.sampled_from([*REQUESTS, "heat"]), who=st.sampled_from(["service", "bench", "button"]))
    def asked_with_nonsense(self, name: str, who: str) -> None:
        was = self.guard.state
        assert not self.guard.ask({"ask": name, "nonsense": 1}, who).ok  # type: ignore[arg-type]
        assert self.guard.state == was

    @rule(true_c=st.sampled_from([0.0, 24.0, 100.0]))
    def check_probe(self, true_c: float) -> None:
        self.ask("bench", ask="check_probe", probe="oven", true_c=true_c)

    @rule(button=st.sampled_from(["", "permit", "reset"]), cycles=st.sampled_from([1, 14, 15, 20]))
    def button(self, button: str, cycles: int) -> None:
        self.pressed = ""
        self.time_passes(12)
        self.pressed = button
        self.time_passes(cycles)

    @rule(is_open=st.booleans(), cycles=st.integers(1, 3))
    def stop_button(self, is_open: bool, cycles: int) -> None:
        self.stop_open = is_open
        self.time_passes(cycles)

    @rule(stuck=st.sampled_from([None, True, False]), cycles=st.integers(1, 4))
    def pin(self, stuck: bool | None, cycles: int) -> None:
        self.pin_stuck = stuck
        self.time_passes(cycles)

    @rule(contact=st.sampled_from(["none", "follows", "closed", "open"]), cycles=st.integers(1, 15))
    def auxiliary_contact(self, contact: str, cycles: int) -> None:
        self.contact = contact
        self.time_passes(cycles)

    @rule(seconds=st.sampled_from([0.3, 0.9, 1.2, 5.0, 4000.0]))
    def the_guard_stands_still(self, seconds: float) -> None:
        self.cycle(seconds)

    @rule(seconds=st.sampled_from([-5.0, 5.0]), probe=st.integers(0, 7))
    def frames_out_of_their_time(self, seconds: float, probe: int) -> None:
        before = len(self.accounts[0].good)
        self.guard.take_frame(FrameMessage(probe, 1, self.now_s + seconds, frame(30.0)))
        assert len(self.accounts[0].good) == before

    @rule(works=st.booleans())
    def card(self, works: bool) -> None:
        self.card_works = works

    @rule()
    def restart(self) -> None:
        REACHED["restarts"] += 1
        self.start()
        self.time_passes(1)
        assert not self.level or self.pin_stuck

    @rule(chance=st.integers(0, 7))
    def restart_with_a_spoilt_latch(self, chance: int) -> None:
        if chance:
            return
        (self.card / LATCH_FILE).write_bytes(b'{"tripped": fal')
        self.latched_cause = "latch_unreadable"
        self.restart()


@pytest.mark.timeout(0 if LONG else 120)
@pytest.mark.parametrize("round_", range(4 if LONG else 1))
def test_closed_implies_permitted_leased_fresh_and_below_the_limit(round_: int) -> None:
    machine = seed(20260 + round_)(GuardMachine)
    run_state_machine_as_test(
        machine,
        settings=how(
            max_examples=150 if LONG else 16,
            stateful_step_count=50 if LONG else 24,
            deadline=None,
            database=None,
            suppress_health_check=list(HealthCheck),
            print_blob=True,
        ),
    )
    print(f"steps taken: {REACHED['steps']} in {REACHED['machines']} runs; reached: {dict(REACHED)}")


def test_the_machine_reached_what_it_is_about() -> None:
    """Run alone or after the machine: an invariant that nothing ever came near would hold too."""
    if not REACHED:
        test_closed_implies_permitted_leased_fresh_and_below_the_limit(0)
    if LONG:
        assert REACHED["steps"] >= 20_000
    for name in ("permits", "closed", "tripped", "restarts", "trip over_temperature"):
        assert REACHED[name] > 0, (name, REACHED)

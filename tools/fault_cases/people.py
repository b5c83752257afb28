"""What people do, and what the oven does by itself; the good things that must not trip last."""

from __future__ import annotations

from tools.fault_cases.judge import opens
from tools.fault_cases.plan import NOTHING, Case, Goes, Opens, Outcome, Setup
from tools.fault_cases.rig import Rig
from tools.fault_cases.world import DIAL_C

__all__ = ["CASES", "GOOD"]


def _dial_wide_open(rig: Rig) -> None:
    rig.set(dial_c=200.0)


def _reset_while_hot(rig: Rig) -> Outcome:
    """Trip by the proof of a dead bus, mend it, and press reset while the oven is hot: refused."""
    tripped = opens(rig, Opens(2.0, ("no_usable_reading", "faults_in_a_row")))
    rig.probe_fault("none")
    rig.later(70.0)
    answer = rig.ask("reset")
    wrong = [] if not answer.ok else ["a reset of a hot oven was granted"]
    if not tripped.safe:
        wrong.append(tripped.finding)
    if rig.line() or rig.status().state != "tripped":
        wrong.append("it does not stand tripped any more")
    tripped.safe, tripped.finding = not wrong, "; ".join(wrong)
    tripped.reaction = "trip, reset refused while hot"
    return tripped


def _permit_while_tripped(rig: Rig) -> Outcome:
    """A permit is asked for with the trip standing; then the guard is started again, and once more."""
    tripped = opens(rig, Opens(2.0, ("no_usable_reading", "faults_in_a_row")))
    rig.probe_fault("none")
    rig.later(5.0)
    wrong = [] if tripped.safe else [tripped.finding]
    if rig.ask("permit").ok:
        wrong.append("permitted with a trip standing")
    rig.children.end("guard")
    rig.start("guard")
    rig.bench.wait_joined("guard")
    rig.later(5.0)
    status = rig.status()
    if rig.ask("permit").ok or rig.line():
        wrong.append("permitted after a restart")
    if status.state != "tripped" or status.trip is None or status.trip.cause not in tripped.seen_by:
        wrong.append(f"after the restart it is {status.state}")
    tripped.safe, tripped.finding = not wrong, "; ".join(wrong)
    tripped.reaction = "trip, stands over a restart"
    return tripped


def _swapped(rig: Rig) -> None:
    rig.set(oven_at="piece", witness_at="air")


CASES = (
    Case(
        "dial_wide_open",
        ("F-128", "F-14"),
        "the dial is turned far up",
        _dial_wide_open,
        Opens(900.0, ("over_temperature", "rising_fast")),
        quick=True,
    ),
    Case(
        "fire",
        ("F-14",),
        "a pot of resin runs away, or something burns",
        lambda rig: rig.set(fire_w=2500.0),
        Opens(120.0, ("rising_fast", "over_temperature")),
    ),
    Case(
        "left_on",
        ("F-127",),
        "heat permitted and forgotten",
        NOTHING,
        Opens(3700.0, ("permitted_too_long",)),
        Setup(guard={"rules": {"permitted": "60 min"}}),
    ),
    Case(
        "probes_swapped",
        ("F-131",),
        "the air's probe and the piece's are swapped, from cold",
        NOTHING,
        Opens(330.0, ("probes_swapped", "heat_without_effect"), ""),
        Setup(scene="cold", probes=("oven", "witness"), permit=False, warm_s=0.0),
        before=lambda rig: (_swapped(rig), rig.later(2.0), rig.permit()),
    ),
    Case(
        "reset_while_hot",
        ("F-132",),
        "reset is asked for without waiting",
        lambda rig: rig.probe_fault("zeros"),
        _reset_while_hot,
    ),
    Case(
        "permit_while_tripped",
        ("F-132", "F-133"),
        "a permit is asked for with a trip standing, and after a restart",
        lambda rig: rig.probe_fault("zeros"),
        _permit_while_tripped,
    ),
    Case(
        "operators_cut",
        ("F-132",),
        "a person withholds the heat",
        lambda rig: rig.ask("cut", reason="smells"),
        Opens(0.5, ("cut",), "withheld"),
    ),
)

GOOD = (
    Case(
        "good_door_open",
        ("F-128", "F-12"),
        "the door stands open for five minutes at the plateau, then is shut",
        lambda rig: rig.set(door_open=True),
        lambda rig: _door(rig),
        kind="good",
    ),
    Case(
        "good_first_overshoot",
        ("F-14",),
        "from cold over the first overshoot, to 3 K below the limit",
        lambda rig: rig.set(dial_c=(114.0 + 6.0) / 0.95),
        Goes(2400.0),
        Setup(scene="cold"),
        kind="good",
    ),
    Case(
        "good_thermostat_cycling",
        ("F-38", "F-14"),
        "an hour of the dial's own switching",
        NOTHING,
        Goes(3600.0),
        kind="good",
    ),
    Case(
        "good_dial_turned",
        ("F-128",),
        "the dial is turned down by 15 K, then back",
        lambda rig: rig.set(dial_c=DIAL_C - 15.0),
        lambda rig: _dial_back(rig),
        kind="good",
    ),
    Case(
        "good_mains_dip",
        ("F-33",),
        "the oven's power is gone for two minutes",
        lambda rig: rig.set(mains=False),
        lambda rig: _mains_back(rig),
        kind="good",
    ),
    Case(
        "good_two_probes",
        ("F-13",),
        "two probes in the same air, from cold to the plateau",
        NOTHING,
        Goes(1800.0),
        Setup(scene="cold", probes=("oven", "oven2")),
        kind="good",
    ),
    Case(
        "good_witness",
        ("F-131",),
        "a probe in a piece lags the air, from cold to the plateau",
        NOTHING,
        Goes(1800.0),
        Setup(scene="cold", probes=("oven", "witness")),
        kind="good",
    ),
    Case(
        "good_witness_breaks",
        ("F-03", "F-131"),
        "the probe in the piece breaks: the limits never rested on it",
        lambda rig: rig.probe_fault("set_bits", "witness", mask=0x00010001),
        Goes(60.0),
        Setup(probes=("oven", "witness")),
        kind="good",
    ),
)


def _then(rig: Rig, first_s: float, then_s: float, **handles: object) -> Outcome:
    from tools.fault_cases.judge import goes

    first = goes(rig, Goes(first_s))
    rig.set(**handles)
    second = goes(rig, Goes(then_s))
    second.safe = first.safe and second.safe
    second.finding = "; ".join(text for text in (first.finding, second.finding) if text)
    return second


def _door(rig: Rig) -> Outcome:
    return _then(rig, 300.0, 600.0, door_open=False)


def _dial_back(rig: Rig) -> Outcome:
    return _then(rig, 900.0, 900.0, dial_c=DIAL_C)


def _mains_back(rig: Rig) -> Outcome:
    return _then(rig, 120.0, 600.0, mains=True)

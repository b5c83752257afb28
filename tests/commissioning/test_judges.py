"""What each step makes of what it is shown: well is done, every single fault is found, later is gone on with."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from typing import Any

import pytest

from lastbubble.commissioning import heat, others, points, sensors, wiring
from lastbubble.commissioning.base import judge_base, measure_base
from lastbubble.commissioning.steps import StepRecord
from lastbubble.errors import BadInput
from lastbubble.guard.protocol import Answer, GuardEvent, GuardStatus, ProbeStatus, TripStatus
from lastbubble.physics.fixed_points import steam_point_c
from lastbubble.physics.thermocouple import emf_mv
from tests.commissioning.standin import TEXT, Played, bench, heard, settings

WIRING = len(wiring.items(settings()))


# -- wiring -------------------------------------------------------------------------------------------------------


def well_machine(made: Played) -> Played:
    """Questions only: what the machine shows of itself is the doctor's, and tested there."""
    return replace(made, settings=settings(text=TEXT.replace("station:", "simulated: true\nstation:")))


def test_wiring_is_done_when_everything_is_yes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wiring, "_seen", lambda _: [])
    found = wiring.check_wiring(bench(["yes"] * WIRING))
    assert found.outcome == "done"
    assert set(found.values["answers"]) == {item.name for item in wiring.items(settings())}


@pytest.mark.parametrize("place", range(WIRING))
def test_one_no_fails_and_names_the_mend(place: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wiring, "_seen", lambda _: [])
    found = wiring.check_wiring(bench(["no" if n == place else "yes" for n in range(WIRING)]))
    assert found.outcome == "failed"
    assert wiring.items(settings())[place].mend in found.text


def test_what_was_answered_is_not_asked_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wiring, "_seen", lambda _: [])
    first = wiring.check_wiring(bench(["yes", "what?", "yes", "no", "later"]))
    assert first.outcome == "failed"
    begun = wiring.check_wiring(bench(["yes", "yes", "yes"]))
    assert begun.outcome == "begun"
    record = StepRecord("wiring", begun.outcome, "2026-01-01T00:00:00Z", begun.text, begun.values)
    rest = bench(["yes"] * (WIRING - 3), [record])
    assert wiring.check_wiring(rest).outcome == "done"
    assert wiring.ITEMS[0].question not in heard(rest)
    again = bench(["yes"] * (WIRING - 3), [record])
    assert wiring.check_wiring(again, again=True).outcome == "begun"


def test_the_machines_own_faults_count_too() -> None:
    """A folder with nothing in it has no bus and no gauge."""
    found = wiring.check_wiring(bench(["yes"] * WIRING))
    assert found.outcome == "failed"
    assert any("SPI" in line for line in found.values["machine"])


# -- sensors ------------------------------------------------------------------------------------------------------

ROOM = {"oven": [21.0, 21.25] * 8, "oven2": [22.0] * 15}
COLD = {"oven": [24.0] * 15, "oven2": [24.5] * 15}


def test_a_room_is_plausible() -> None:
    assert sensors.judge_probes(ROOM, COLD) == []


@pytest.mark.parametrize(
    ("hot", "cold", "word"),
    [
        ({"oven": [21.0] * 3}, COLD, "good readings"),
        ({"oven": [80.0] * 15}, {"oven": [78.0] * 15}, "in a room"),
        ({"oven": [20.0, 24.0] * 8}, COLD, "scatters"),
        ({"oven": [21.0] * 15}, {"oven": [35.0] * 15}, "converter"),
        ({"oven": [18.0] * 15, "oven2": [26.0] * 15}, {}, "apart"),
    ],
)
def test_each_fault_of_a_probe_is_found(hot: dict[str, list[float]], cold: dict[str, list[float]], word: str) -> None:
    assert [word in text for text in sensors.judge_probes(hot, cold)] == [True]


@pytest.mark.parametrize(
    ("pressure_pa", "known", "good"),
    [
        (100800.0, True, True),
        (98000.0, True, True),
        (91000.0, True, False),
        (1008.0, False, False),
        (95e3, False, True),
    ],
)
def test_the_open_chamber_shows_the_air(pressure_pa: float, known: bool, good: bool) -> None:
    assert (sensors.judge_gauge([pressure_pa] * 15, 101325.0, known) == []) is good


def test_sensors_reads_guard_and_gauge() -> None:
    status = GuardStatus(1.0, "withheld", False, probes=(ProbeStatus("oven", 1.0, 21.0, 23.0, "good", ""),))
    made = bench(["yes"], status=lambda _: status, desk=lambda _, __: {"chamber_pa": settings().barometer_pa})
    found = sensors.check_sensors(made)
    assert found.outcome == "done", found.text
    assert found.values["oven_c"] == 21.0
    assert found.values["open_chamber_pa"] == pytest.approx(settings().barometer_pa)
    assert sensors.check_sensors(bench(["no"])).outcome == "begun"
    assert sensors.check_sensors(bench([])).outcome == "begun"


# -- ice and steam ------------------------------------------------------------------------------------------------


def frame(hot_c: float, junction_c: float = 23.0) -> str:
    """The converter's word for a type K junction (0.25 K steps by its straight line of 41.276 uV/K, data sheet)."""
    shown = junction_c + (emf_mv(hot_c) - emf_mv(junction_c)) / 0.041276
    return f"{(round(shown / 0.25) & 0x3FFF) << 18 | (round(junction_c / 0.0625) & 0xFFF) << 4:08x}"


def probes_at(temperature: list[float], off_k: float = 0.0) -> Any:
    def status(_: int) -> GuardStatus:
        hot = temperature[0] + off_k
        return GuardStatus(
            1.0, "withheld", False, probes=(ProbeStatus("oven", 1.0, hot, 23.0, "good", "", frame(hot)),)
        )

    return status


class Walker(Played):
    """Holds the probe where it is asked to."""

    __slots__ = ()


def points_run(off_k: float, said: int = 2, **more: Any) -> tuple[Any, Played]:
    where = [0.0]
    made = bench([""] * said, status=probes_at(where, off_k), **more)
    ready = made.person.ready

    class Held(type(made.person)):  # type: ignore[misc]  # the person's own class, with hands
        def ready(self, text: str) -> None:
            ready(text)
            where[0] = 0.0 if "ice" in text else steam_point_c(98500.0)

    held = Held(made.person.hears, made.person.speaks)
    made = replace(made, person=held)
    return points.check_points(made, 98500.0), made


def test_a_good_probe_passes_and_the_guard_is_asked_at_both_points() -> None:
    found, made = points_run(0.6)
    assert found.outcome == "done", found.text
    assert [(one["ask"], one["probe"]) for one in made.asked] == [("check_probe", "oven")] * 2
    assert made.asked[0]["true_c"] == 0.0
    assert made.asked[1]["true_c"] == pytest.approx(99.18, abs=0.05)
    (ice_shown, ice), (steam_shown, steam) = found.values["oven_calibration"]
    assert (ice, steam) == (0.0, found.values["steam_point_c"])
    assert ice_shown == pytest.approx(0.6, abs=0.3)
    assert steam_shown == pytest.approx(steam + 0.6, abs=0.3)


def test_a_refusal_of_the_guard_fails_the_step() -> None:
    found, _ = points_run(0.0, answers={"check_probe": Answer("check_probe", False, "oven shows 9 degC")})
    assert found.outcome == "failed"
    assert "oven shows 9 degC" in found.text


def test_it_can_be_left_between_ice_and_steam() -> None:
    found, _ = points_run(0.2, said=1)
    assert found.outcome == "begun"
    record = StepRecord("points", "begun", "2026-01-01T00:00:00Z", found.text, found.values)
    again, made = points_run(0.2, said=1, records=[record])
    assert again.outcome == "done"
    assert [one["true_c"] > 90 for one in made.asked] == [True], "ice is not asked for again"


def test_a_probe_that_does_not_stand_is_told() -> None:
    dice = random.Random(3)
    made = bench([""], status=lambda _: probes_at([dice.uniform(0, 20)])(1))
    with pytest.raises(BadInput, match="not stood still"):
        points.check_points(made, 98500.0)


# -- heat ---------------------------------------------------------------------------------------------------------


def test_the_lamp_test_tells_the_guard_what_was_seen() -> None:
    made = bench(["yes"] * 5)
    assert heat.lamp_test(made).outcome == "done"
    assert made.asked == [{"ask": "lamp_seen", "both": True}]
    for place in range(5):
        made = bench(["yes"] * place + ["no"])
        assert heat.lamp_test(made).outcome == "failed"
        assert made.asked == [{"ask": "lamp_seen", "both": False}], "and what was on record is taken back"
    made = bench(["yes", "later"])
    assert heat.lamp_test(made).outcome == "begun"
    assert made.asked == []


PERMITTED = GuardStatus(10.0, "permitted", True, True)
TRIPPED = GuardStatus(
    11.0,
    "tripped",
    False,
    trip=TripStatus("proof_test", 10.9),
    events=(GuardEvent(10.9, "proved", "open 120 ms after"),),
)


def proof(said: list[str], *stati: GuardStatus, **more: Any) -> Any:
    return heat.proof_test(bench(said, status=lambda n: stati[min(n, len(stati)) - 1], **more))


def test_the_proof_goes_through_the_guard_and_asks_for_the_lamp() -> None:
    found = proof(["yes", "yes"], PERMITTED, PERMITTED, PERMITTED, TRIPPED)
    assert found.outcome == "done"
    assert "120 ms" in found.text
    assert proof(["yes", "no"], PERMITTED, PERMITTED, TRIPPED).outcome == "failed", "power stayed on"
    assert proof(["yes"], PERMITTED, PERMITTED, TRIPPED).outcome == "begun"


def test_a_proof_that_cannot_be_or_is_none() -> None:
    assert "permit" in proof([], GuardStatus(1.0, "withheld", False)).text
    assert "reset" in proof([], TRIPPED).text
    refused = proof(["yes"], PERMITTED, answers={"prove": Answer("prove", False, "no heat on")})
    assert (refused.outcome, "no heat on" in refused.text) == ("failed", True)
    other = replace(TRIPPED, events=(GuardEvent(10.9, "not_proved", "another rule"),))
    assert proof(["yes"], PERMITTED, PERMITTED, other).outcome == "failed"
    stuck = replace(TRIPPED, relay_closed=True)
    found = proof(["yes"], PERMITTED, PERMITTED, stuck)
    assert found.outcome == "failed"
    assert "plug" in found.text


# -- base ---------------------------------------------------------------------------------------------------------


def pump_down(base_pa: float, tau_s: float, span_s: float) -> tuple[list[float], list[float]]:
    dice = random.Random(1)
    times = [5.0 * n for n in range(int(span_s / 5))]
    return times, [base_pa + 101325 * math.exp(-t / tau_s) + dice.gauss(0, 0.01 * base_pa) for t in times]


def test_the_base_is_found_and_known_to_stand() -> None:
    found = judge_base(*pump_down(210.0, 120.0, 3600))
    assert found.base_pa == pytest.approx(210, rel=0.01)
    assert found.reached
    slow = judge_base(*pump_down(210.0, 400.0, 2000))
    assert not slow.reached
    assert slow.falling_pa_h > 100


def test_no_vacuum_and_too_short_are_no_base() -> None:
    with pytest.raises(BadInput, match="15 min"):
        judge_base(*pump_down(210.0, 60.0, 600))
    with pytest.raises(BadInput, match="vent shut"):
        judge_base(*pump_down(40e3, 60.0, 3600))


def test_the_base_is_watched_until_it_stands() -> None:
    made = bench(["yes"], desk=lambda _, now_s: {"chamber_pa": 150 + 101175 * math.exp(-(now_s - 100) / 150)})
    found = measure_base(made, 90)
    assert found.outcome == "done"
    assert found.values["base_pa"] == pytest.approx(150, rel=0.01)
    assert found.values["minutes"] < 60, "no longer than needed"
    with pytest.raises(BadInput, match="no fresh reading"):
        measure_base(bench(["yes"], desk=lambda _, __: {"chamber_pa": None}), 90)


# -- phone --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("said", "outcome"), [(["yes"], "done"), (["no"], "failed"), ([], "begun")])
def test_the_phones_message_came_or_not(said: list[str], outcome: str) -> None:
    found = others.phone_test(bench(said, desk=lambda _, __: {"channels": ["hook"]}))
    assert found.outcome == outcome

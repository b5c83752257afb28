"""The machine that is broken: what is read out of it, without one."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from tools import faults_vm
from tools.vm import cases
from tools.vm.cases import CASES, Case, Outcome
from tools.vm.machine import VM, Timeout


class Wire:
    """A port whose lines have all been heard."""

    def __init__(self, *lines: str) -> None:
        self.lines = [(0.0, line) for line in lines]

    def wait(self, wanted: Any, timeout_s: float) -> bool:
        del timeout_s
        return bool(wanted(self.lines))


class Frozen(VM):
    """Answers for a machine: its counter's words one after the other, events with the last; remembers orders."""

    def __init__(self, *answers: str, events: tuple[str, ...] = ()) -> None:
        self.answers, self.coming, self.events = list(answers), events, []
        self.asked: list[str] = []

    def qmp(self, name: str, timeout_s: float = 60, **arguments: object) -> Any:
        del timeout_s
        if name != "human-monitor-command":
            self.asked.append(" ".join([name, *map(str, arguments.values())]))
            return {"running": False}
        answer = self.answers.pop(0)
        if not self.answers:
            self.answers.append(answer)
            self.events += [{"event": event} for event in self.coming]
        return answer


def test_the_machines_time_is_its_counters_in_steps_of_ten_nanoseconds() -> None:
    # As QEMU's monitor prints two words of physical memory; the high one counts 2**32 steps.
    assert Frozen("00000000fed000f0: 0x05f5e100 0x00000000\r\n").now_s() == pytest.approx(1.0)
    assert Frozen("00000000fed000f0: 0x00000000 0x00000002\r\n").now_s() == pytest.approx(2 * 2**32 * 1e-8)


def test_a_reset_by_software_is_dated_by_the_last_time_before_it() -> None:
    vm = Frozen("a: 0x05f5e100 0x0", "a: 0x0bebc200 0x0", "a: 0x00000010 0x0", events=("RESET",))
    assert vm.until_reset(30.0) == pytest.approx(2.0)
    assert "system_reset" not in vm.asked


def test_the_cards_bite_is_dated_by_the_stopped_machines_clock_and_then_resets() -> None:
    # Its clock stands at the last timer until it bites.
    vm = Frozen("a: 0x05f5e100 0x0", "a: 0x05f5e100 0x0", "a: 0x3b9aca00 0x0", events=("WATCHDOG", "STOP"))
    assert vm.until_reset(30.0) == pytest.approx(10.0)
    assert vm.asked == [
        "watchdog-set-action pause",
        "query-status",
        "system_reset",
        "cont",
        "watchdog-set-action reset",
    ]


def test_a_reset_that_does_not_come_is_said() -> None:
    with pytest.raises(Timeout):
        Frozen("a: 0x05f5e100 0x0", "a: 0x0bebc200 0x0", "a: 0x11e1a300 0x0").until_reset(1.5)


def test_the_line_is_low_with_the_first_low_after_the_blow() -> None:
    vm: Any = SimpleNamespace(lines=Wire("1.000 1", "2.000 0", "2.500 1", "3.250 0", "4.000 0"))
    assert cases.low_after(vm, 3.0, 1.0) == pytest.approx(0.25)
    assert cases.low_after(vm, 4.5, 1.0) is None


@pytest.mark.parametrize(
    ("low_s", "levels", "safe"),
    [(0.4, [1, 0], True), (1.2, [1, 0], False), (None, [1, 0], False), (0.4, [1, 1], False), (0.4, [0], False)],
    ids=["in time", "late", "never", "closed again", "was not hot"],
)
def test_safe_is_low_in_time_and_for_good(low_s: float | None, levels: list[int], safe: bool) -> None:
    vm: Any = SimpleNamespace(gpio=lambda _: levels.pop(0))
    case = Case("one", "something", 1.0, lambda _: Outcome(low_s, ""))
    assert cases.judge(case, vm)[0] is safe


def test_every_fault_is_listed_with_its_time(capsys: pytest.CaptureFixture[str]) -> None:
    assert faults_vm.main(["--list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == [case.name for case in CASES] + ["cuts"]
    within = {case.name: case.within_s for case in CASES}
    assert (within["kill"], within["freeze"], within["bus"]) == (1.0, 2.5, 1.5)
    assert {within[name] for name in ("panic", "hang", "pid1")} == {12.0}


def test_a_fault_that_is_not_known_is_wrong_use(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        faults_vm.main(["--only", "no-such-fault"])
    assert left.value.code == 2
    assert "no-such-fault" in capsys.readouterr().err

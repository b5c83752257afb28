"""The try-out's parts: its verdict cannot be had for nothing, and nothing it starts outlives it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from lastbubble.outlets.wording import MESSAGES
from lastbubble.records import Event, Stage, record_line
from lastbubble.units import Display
from tools.plant.wire.children import Child, Children
from tools.tryout.options import parse
from tools.tryout.receiver import Receiver
from tools.tryout.run import Result
from tools.tryout.summary import summary_text
from tools.tryout.verdict import EVENTS, Evidence, judge, received_lines
from tools.tryout.view import frame
from tools.tryout.words import clock_text, span_text

BOUND_S = 20.0
ZERO_S = 1000.0


def wait_for(condition: Callable[[], bool]) -> None:
    end_s = time.monotonic() + BOUND_S
    while not condition():
        assert time.monotonic() < end_s, "the condition never came true"
        time.sleep(0.005)


# -- the verdict ---------------------------------------------------------------------------------------------------


def whole() -> Evidence:
    """A batch as it has to be."""
    stages = ["pump_down", "degassing", "still", "venting", "soaking", "heating", "curing", "cooling", "finished"]
    lines = [record_line(Stage(100.0 * n, stage)) for n, stage in enumerate(stages, 1)]  # type: ignore[arg-type]
    lines += [record_line(Event(1000.0 + n, name, 990.0 + n)) for n, name in enumerate(EVENTS)]
    said = [MESSAGES[f"event {name}"].fact for name in EVENTS]
    return Evidence(
        stream=lines,
        replayed=list(lines),
        received=list(lines),
        notices=[{"title": "", "message": text} for text in said],
        relay=[(ZERO_S + 500, True), (ZERO_S + 1010, False)],
        zero_s=ZERO_S,
    )


def wrong(evidence: Evidence) -> list[str]:
    return [check.name for check in judge(evidence) if not check.ok]


def test_a_whole_batch_passes() -> None:
    assert wrong(whole()) == []


def without(lines: list[str], text: str) -> list[str]:
    return [line for line in lines if text not in line]


SPOILT: list[tuple[str, Callable[[Evidence], Evidence], str]] = [
    ("nothing happened", lambda _: Evidence([], [], [], []), "the batch completed"),
    ("trouble", lambda e: replace(e, trouble=["the oven fell over"]), "nothing went wrong on the way"),
    (
        "not finished",
        lambda e: replace(e, stream=without(list(e.stream), '"finished"')),
        "the batch completed",
    ),
    (
        "an event unsaid",
        lambda e: replace(e, stream=without(list(e.stream), "soak_complete")),
        "every event was said",
    ),
    (
        "a trip",
        lambda e: replace(e, stream=[*e.stream, '{"t":1.0,"kind":"trip","cause":"frozen"}']),
        "nothing tripped",
    ),
    (
        "replay differs",
        lambda e: replace(e, replayed=list(e.stream)[1:]),
        "replay of the log says the same, line for line",
    ),
    ("a record lost", lambda e: replace(e, received=list(e.stream)[:-1]), "the subscriber got every record, in order"),
    (
        "two records swapped",
        lambda e: replace(e, received=[e.stream[1], e.stream[0], *e.stream[2:]]),
        "the subscriber got every record, in order",
    ),
    ("a notice lost", lambda e: replace(e, notices=e.notices[1:]), "the phone was told of every event"),
    ("never heated", lambda e: replace(e, relay=[]), "the oven was heated"),
    (
        "heat not withheld",
        lambda e: replace(e, relay=[(ZERO_S + 500, True)]),
        "heat was withheld once the cure was complete",
    ),
    (
        "heat withheld late",
        lambda e: replace(e, relay=[(ZERO_S + 500, True), (ZERO_S + 1700, False)]),
        "heat was withheld once the cure was complete",
    ),
    ("closed at the end", lambda e: replace(e, heat_at_end=True), "the relay is open at the end"),
]


@pytest.mark.parametrize(("spoil", "check"), [row[1:] for row in SPOILT], ids=[row[0] for row in SPOILT])
def test_whatever_is_missing_is_found(spoil: Callable[[Evidence], Evidence], check: str) -> None:
    assert check in wrong(spoil(whole()))


def payload(seq: int, batch: int = 3, line: str = '{"t":1.5,"kind":"trip","cause":"x}y"}') -> str:
    return f'{{"seq":{seq},"batch":{batch},"record":{line}}}'


def test_what_the_broker_carried_is_the_stream_byte_for_byte() -> None:
    line = '{"t":1.5,"kind":"trip","cause":"x}y"}'
    assert received_lines([payload(4), payload(5, 9), payload(6), payload(6)], 3) == ([line, line], 1, "")


@pytest.mark.parametrize(
    ("payloads", "fault"),
    [
        (["{}"], "not a record"),
        (["nonsense"], "not a record"),
        (["[1]"], "not a record"),
        ([payload(5), payload(4)], "out of order"),
        ([payload(5), payload(5, line='{"t":2.0,"kind":"trip","cause":"y"}')], "differently"),
    ],
)
def test_what_the_broker_must_not_carry(payloads: list[str], fault: str) -> None:
    lines, _, found = received_lines(payloads, 3)
    assert lines == []
    assert fault in found


# -- options, words, pictures --------------------------------------------------------------------------------------


def test_options() -> None:
    options = parse(["--once", "--quiet", "--speed", "50", "--seed", "7", "--broker", "broker.lan:1883", "--keep"])
    assert options.once
    assert options.quiet
    assert (options.speed, options.seed, options.broker, options.keep) == (50.0, 7, ("broker.lan", 1883), True)
    assert parse([]).speed is None


@pytest.mark.parametrize(
    "words", [["--speed", "0"], ["--speed", "fast"], ["--broker", "lan"], ["--broker", "lan:99999"], ["--gauge", "x"]]
)
def test_wrong_use_ends_with_2(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        parse(words)
    assert stop.value.code == 2
    assert words[1] in capsys.readouterr().err


def test_words() -> None:
    assert [clock_text(value) for value in (None, 0.0, 59.6, 3661.0)] == ["", "0:00:00", "0:01:00", "1:01:01"]
    assert [span_text(value) for value in (40.2, 720.0, 11100.0)] == ["40 s", "12 min", "3 h 05 min"]


def test_the_live_view_shows_what_it_has_and_survives_what_it_has_not() -> None:
    status = {
        "time_s": 7200.0,
        "outlook": {
            "stage": "curing", "stage_since_s": 6900.0, "core_c": 94.2, "core_low_c": 92.0, "core_high_c": 96.0,
            "held_s": 600.0, "hold_s": 1800.0, "next_action": "Nothing to do.",
            "forecasts": [{"target": "cure_complete", "p10": 8300.0, "p50": 8400.0, "p90": 8600.0}],
            "cautions": [{"cause": "gauge_too_coarse", "text": "The gauge is too coarse."}],
        },
        "sample": {"chamber_pa": 101_000.0, "oven_c": 101.25},
    }  # fmt: skip
    console = Console(width=110, record=True, file=open(os.devnull, "w"))  # noqa: SIM115  # closed with the test
    console.print(frame(Display(), status, {"heat": True, "truth": {"core_c": 93.9}, "steps": 40_000}, 100.0))
    console.print(frame(Display(), {}, {}, 0.0))
    text = console.export_text()
    console.file.close()
    for word in ("curing", "101.2 °C", "94.2 °C", "92.0 °C to 96.0 °C", "93.9 °C", "held 10 of 30 min", "100 times",
                 "cure complete at 2:20:00", "Nothing to do.", "The gauge is too coarse.", "on"):  # fmt: skip
        assert word in text, word


def test_the_summary_has_stages_truth_and_files() -> None:
    evidence = whole()
    facts: dict[str, Any] = {
        "records": [json.loads(line) for line in evidence.stream],
        "truth": {"cure_complete_s": ZERO_S + 1000.0}, "zero_s": ZERO_S, "bench_s": 1200.0, "real_s": 12.0,
        "messages": {"record": 14, "stage": 9}, "doubles": 1, "notices": evidence.notices, "out": "/x", "kept": "",
    }  # fmt: skip
    text = summary_text(Result(judge(evidence), facts))
    for word in ("finished", "cure_complete", "0:16:40", "23 messages, 14 records, 1 of them twice", "/x/batch.csv"):
        assert word in text, word


# -- what is started -----------------------------------------------------------------------------------------------


def test_the_receiver_keeps_every_notice_and_refuses_nonsense(tmp_path: Path) -> None:
    heard: list[dict[str, Any]] = []
    receiver = Receiver(tmp_path / "notices.jsonl", heard.append)
    url = receiver.url.replace("json://", "http://")
    for number in range(3):
        request = urllib.request.Request(url, json.dumps({"message": f"n{number}"}).encode(), method="POST")
        with urllib.request.urlopen(request, timeout=BOUND_S) as answer:
            assert answer.status == 204
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(urllib.request.Request(url, b"{", method="POST"), timeout=BOUND_S)
    refused.value.close()
    assert [notice["message"] for notice in heard] == ["n0", "n1", "n2"]
    assert len((tmp_path / "notices.jsonl").read_text().splitlines()) == 3
    receiver.close()


STUBBORN = (
    "import signal, sys, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); print('up', flush=True); time.sleep(600)"
)


@pytest.fixture
def children() -> Iterator[Children]:
    made = Children()
    yield made
    made.end_all()


def start(children: Children, tmp_path: Path, name: str, code: str) -> Child:
    return children.add(Child(name, [sys.executable, "-c", code], tmp_path / f"{name}.log", dict(os.environ)))


def gone(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


def test_a_child_that_takes_no_signal_is_killed_with_all_it_started(children: Children, tmp_path: Path) -> None:
    code = (
        f"import subprocess, sys; p = subprocess.Popen([sys.executable, '-c', {STUBBORN!r}]); print(p.pid, flush=True);"
    )
    child = start(children, tmp_path, "parent", code + STUBBORN)
    wait_for(lambda: child.last_words().count("up") == 2)
    grandchild = int(child.last_words().splitlines()[0])
    assert child.end(patience_s=0.2) == -signal.SIGKILL
    wait_for(lambda: gone(grandchild))


def test_the_dead_are_seen_and_their_last_words_kept(children: Children, tmp_path: Path) -> None:
    child = start(children, tmp_path, "short", "print('one'); raise SystemExit(3)")
    wait_for(lambda: [dead.name for dead in children.dead()] == ["short"])
    assert child.process.returncode == 3
    assert child.last_words() == "one"
    children.end("short", "nobody")
    assert children.codes == {"short": 3}


PARENT = """
import os, sys, time
from pathlib import Path
from tools.plant.wire.children import Child
code = "import time; print('up', flush=True); time.sleep(600)"
child = Child("c", [sys.executable, "-c", code], Path(sys.argv[1]), os.environ)
while "up" not in child.last_words():
    time.sleep(0.005)
print(child.pid, flush=True)
time.sleep(600)
"""


def test_a_child_dies_with_a_parent_that_was_killed(tmp_path: Path) -> None:
    root = Path(__file__).resolve().parents[2]
    env = {**os.environ, "PYTHONPATH": f"{root}:{root / 'daemon'}"}
    parent = subprocess.Popen([sys.executable, "-c", PARENT, str(tmp_path / "c.log")], env=env, stdout=subprocess.PIPE)
    assert parent.stdout is not None
    with parent.stdout:
        pid = int(parent.stdout.readline())
    parent.kill()
    parent.wait()
    wait_for(lambda: gone(pid))

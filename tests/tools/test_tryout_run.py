"""The try-out's processes, stopped in the middle: nothing is left, and the relay's line is low."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tools.plant.wire.pinfile import PinFile
from tools.plant.wire.pins import PINS_FILE
from tools.plant.wire.station_file import RELAY_PIN

ROOT = Path(__file__).resolve().parents[2]
BOUND_S = 60.0


def wait_for(condition: Callable[[], object], what: str) -> None:
    end_s = time.monotonic() + BOUND_S
    while not condition():
        assert time.monotonic() < end_s, what
        time.sleep(0.02)


def people(folder: Path) -> list[str]:
    """Command lines of all processes that name this folder, in their words or in their environment."""
    found = []
    for path in Path("/proc").glob("[0-9]*"):
        try:
            words = (path / "cmdline").read_bytes()
            if str(folder).encode() in words + (path / "environ").read_bytes():
                found.append(words.replace(b"\0", b" ").decode(errors="replace"))
        except OSError:
            continue  # it has just ended, or is not ours
    return found


@pytest.fixture
def folder() -> Iterator[Path]:
    made = Path(tempfile.mkdtemp(prefix="lb-"))  # sockets want a short path
    yield made
    shutil.rmtree(made, ignore_errors=True)


@pytest.mark.parametrize("signum", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL], ids=lambda signum: signum.name)
def test_stopped_in_the_middle_it_leaves_no_process_and_no_closed_relay(folder: Path, signum: signal.Signals) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "tools.tryout", "--once", "--quiet", "--keep", "--no-page", "--dir", str(folder / "out"),
         "--world", "tests.tools.standin:make"],
        cwd=ROOT, env={**os.environ, "TMPDIR": str(folder)},
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    with process.stdout:
        wait_for(lambda: list(folder.glob("lastbubble-*/run/service.sock")) or process.poll() is not None, "no service")
        log = folder / "out" / "received.jsonl"
        wait_for(lambda: log.exists() or process.poll() is not None, "no record came through")
        assert process.poll() is None, process.stdout.read()
        # Broker, guard, thermometer, service, its sender, bench, the person's hand, and itself.
        assert len(people(folder)) >= 7
        process.send_signal(signum)
        said = process.communicate(timeout=BOUND_S)[0]
    if signum is signal.SIGKILL:
        assert process.returncode == -signal.SIGKILL
    else:
        assert process.returncode == 130
        assert "nothing is left running" in said
        assert people(folder) == []
    wait_for(lambda: people(folder) == [], f"left: {people(folder)}")
    (path,) = folder.glob(f"lastbubble-*/{PINS_FILE}")
    pins = PinFile(path)
    assert pins.owner(RELAY_PIN) is None
    assert not pins.level(RELAY_PIN)
    pins.close()


def test_a_broker_that_is_not_there_is_said_so(folder: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tools.tryout", "--once", "--quiet", "--dir", str(folder / "out"),
         "--broker", "127.0.0.1:9", "--world", "tests.tools.standin:make"],
        cwd=ROOT, env={**os.environ, "TMPDIR": str(folder)},
        capture_output=True, text=True, timeout=BOUND_S, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert "The broker at 127.0.0.1:9 cannot be reached" in done.stderr.replace("failed: the", "failed: The")
    assert "Traceback" not in done.stderr
    assert people(folder) == []
    assert not list(folder.glob("lastbubble-*"))

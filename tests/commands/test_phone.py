"""`lastbubble phone test` asks the running service, and its exit code tells whether every channel took it."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from lastbubble.cli import main
from lastbubble.desk import Desk, DeskSocket


@pytest.fixture
def socket_path() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="lb-") as folder:  # sockets want a short path
        yield Path(folder) / "service.sock"


@pytest.mark.parametrize(("outcome", "code"), [("sent", 0), ("failed", 1), ("unknown", 1), ("bad_url", 1)])
def test_each_channel_is_told_and_the_exit_code_is_theirs(
    socket_path: Path, capsys: pytest.CaptureFixture[str], outcome: str, code: int
) -> None:
    channels = [
        {"channel": "channel 1 (json)", "outcome": "sent", "why": ""},
        {"channel": "channel 2 (mailto)", "outcome": outcome, "why": "" if outcome == "sent" else "as scripted"},
    ]
    asked: list[str] = []

    def answer(name: str, _: dict[str, Any]) -> dict[str, Any]:
        asked.append(name)
        return {"channels": channels}

    door = DeskSocket(socket_path, Desk(answer))
    try:
        assert main(["phone", "test", "--socket", str(socket_path)]) == code
        out = capsys.readouterr().out
        assert "channel 1 (json): sent\n" in out
        assert ("channel 2 (mailto): " + outcome) in out
        assert main(["phone", "test", "--json", "--socket", str(socket_path)]) == code
        assert json.loads(capsys.readouterr().out) == channels
        assert asked == ["phone_test"] * 2
    finally:
        door.close()


def test_without_a_service_it_says_how_to_start_one(socket_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["phone", "test", "--socket", str(socket_path)]) == 1
    assert "lastbubble serve" in capsys.readouterr().err

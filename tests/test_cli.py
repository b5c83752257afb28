"""The command finder: every command is there, says what it is for, and is refused cleanly."""

from __future__ import annotations

import argparse
import importlib
import io

import pytest

from lastbubble.cli import COMMANDS, main
from lastbubble.outlets.page.auth import check_password


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    module = importlib.import_module(f"lastbubble.commands.{name.replace('-', '_')}")
    parser = argparse.ArgumentParser()
    module.configure(parser)
    assert module.SUMMARY
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert ended.value.code == 0
    assert "example" in capsys.readouterr().out


def test_wrong_use_is_two(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["nothing"])
    assert ended.value.code == 2
    assert "nothing" in capsys.readouterr().err


def test_a_missing_log_is_one_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", "no/such/log.csv"]) == 1
    said = capsys.readouterr().err
    assert "no/such/log.csv" in said
    assert "Traceback" not in said


def test_the_pages_password_is_made_from_standard_input(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("correct horse\n"))
    assert main(["page", "password"]) == 0
    assert check_password("correct horse", capsys.readouterr().out.strip())

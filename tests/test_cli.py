"""The command finder: every command is there, says what it is for, and is refused cleanly."""

from __future__ import annotations

import argparse
import importlib
import io
import shlex
import subprocess

import pytest

from lastbubble.cli import COMMANDS, EXIT_CODES, command_parser, leaves, main
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


@pytest.mark.parametrize("name", COMMANDS)
def test_every_act_has_an_example_of_its_own_and_tells_its_exit_codes(name: str) -> None:
    for one in leaves(command_parser(name)):
        assert one.epilog is not None, one.prog
        shown = [line for line in one.epilog.splitlines() if f"{one.prog} " in f"{line} "]
        assert shown, f"{one.prog}: no example shows it"
        assert "exit code" in one.epilog


@pytest.mark.parametrize("name", COMMANDS)
def test_the_examples_that_are_shown_are_understood(name: str) -> None:
    """Each example is read by the parser whose help shows it."""
    for line in (command_parser(name).epilog or "").splitlines():
        words = line.split("|")[-1] if "| lastbubble" in line else line.split("|")[0]
        words = words.split(">")[0].split("   (")[0].strip().removeprefix("sudo ")
        if words.startswith("lastbubble ") and not words.endswith(":"):
            command_parser(name).parse_args(shlex.split(words)[2:])


def test_the_top_tells_the_exit_codes(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--help"])
    said = capsys.readouterr().out
    assert EXIT_CODES in said
    assert "examples:" in said


def test_a_shell_can_complete(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["completion", "bash"]) == 0
    script = capsys.readouterr().out
    checked = subprocess.run(["bash", "-n"], input=script, text=True, capture_output=True, check=False)
    assert checked.returncode == 0, checked.stderr
    ask = (
        script + "\nCOMP_WORDS=(lastbubble guard perm); COMP_CWORD=2; COMP_LINE='lastbubble guard perm'; "
        "COMP_POINT=21; _shtab_lastbubble; echo ${COMPREPLY[*]}"
    )
    told = subprocess.run(["bash", "-c", ask], text=True, capture_output=True, check=False)
    assert told.stdout.split() == ["permit"], told.stderr


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

"""`lastbubble install` and `uninstall` as a person sees them, and what of the package they would put where."""

from __future__ import annotations

from pathlib import Path, PurePosixPath

import pytest

from lastbubble import installation
from lastbubble.cli import main
from lastbubble.data import data_path
from lastbubble.installation import destination


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A package with one unit in the place of the real one."""
    folder = tmp_path / "systemd"
    folder.mkdir()
    (folder / "bench.service").write_text(
        "[Service]\nExecStart=/bin/true\n[Install]\nWantedBy=multi-user.target\n", encoding="utf-8"
    )
    monkeypatch.setattr(installation, "data_path", lambda _: folder)
    return folder


@pytest.mark.usefixtures("package")
def test_the_command_only_shows_with_dry_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = tmp_path / "station.yaml"
    settings.write_text(data_path("config", "oven-only.yaml").read_text(encoding="utf-8"), encoding="utf-8")
    assert main(["install", "--dry-run", "--boot", "--settings", str(settings)]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    lines = said.out.splitlines()
    assert lines[0].startswith("lines   /boot/")
    assert "gpio=17=op,dl" in lines[0]
    assert "run     systemctl try-restart bench.service" in lines
    assert "run     systemctl enable --now bench.service" in lines
    assert main(["install", "--dry-run", "--settings", str(tmp_path / "none.yaml")]) == 0
    said = capsys.readouterr()
    assert "copy an example" in said.err
    assert "enable" not in said.out
    assert main(["uninstall", "--dry-run"]) == 0
    assert "run     systemctl disable --now bench.service" in capsys.readouterr().out
    assert not Path("/etc/systemd/system/bench.service").exists()


@pytest.mark.usefixtures("package")
def test_boot_lines_need_to_know_the_relays_pin(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["install", "--dry-run", "--boot", "--settings", str(tmp_path / "none.yaml")]) == 1
    assert "write settings with a guard first" in capsys.readouterr().err


def test_the_commands_want_root(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr("os.geteuid", lambda: 1000)
    for thing in ("install", "uninstall"):
        assert main([thing]) == 1
        assert "sudo" in capsys.readouterr().err


def test_a_package_without_its_units_is_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def nowhere(_: str) -> Path:
        raise FileNotFoundError("systemd/ is nowhere; reinstall the package")

    monkeypatch.setattr(installation, "data_path", nowhere)
    for thing in ("install", "uninstall"):
        assert main([thing, "--dry-run"]) == 1
        assert "reinstall the package" in capsys.readouterr().err


def test_every_file_of_the_package_goes_somewhere_or_is_for_reading() -> None:
    folder = Path(__file__).resolve().parents[1] / "systemd"
    stay = {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and destination(PurePosixPath(path.relative_to(folder).as_posix())) is None
    }
    assert all(name.lower().endswith((".md", ".txt")) for name in stay), stay

"""The installer on machines that are folders: what goes where, twice is once, uninstall leaves no trace."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path, PurePosixPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastbubble.guard import opener
from lastbubble.installation import (
    BLOCK,
    COMMAND_LINK,
    OPENER,
    Block,
    InstallFailed,
    Link,
    Remove,
    Run,
    Write,
    boot_lines,
    destination,
    do,
    install_steps,
    say,
    uninstall_steps,
    with_block,
    without_block,
)

COMMAND = Path("/opt/lastbubble/bin/lastbubble")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A package's `systemd/` with one file of each kind."""
    place = tmp_path / "package"
    files = {
        "guard.service": "[Service]\nExecStart=/bin/true guard\n[Install]\nWantedBy=multi-user.target\n",
        "helper.service": "[Service]\nExecStart=/bin/true\n",
        "guard.service.d/watch.conf": "[Service]\nWatchdogSec=2\n",
        "sysusers.d/bench.conf": "u bench -\n",
        "tmpfiles.d/bench.conf": "d /run/bench\n",
        "system.conf.d/watchdog.conf": "[Manager]\nRuntimeWatchdogSec=10\n",
        "udev/60-bench.rules": 'SUBSYSTEM=="gpio", GROUP="gpio"\n',
        "README.md": "not for the machine\n",
    }
    for name, text in files.items():
        path = place / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return place


class Runner:
    """Remembers what was run; `fails` names programs that fail."""

    def __init__(self, *fails: str) -> None:
        self.ran: list[tuple[str, ...]] = []
        self._fails = fails

    def __call__(self, argv: Sequence[str]) -> tuple[int, str]:
        self.ran.append(tuple(argv))
        return (1, "it will not") if argv[0] in self._fails else (0, "")


def tree(root: Path) -> dict[str, str]:
    """Every file and link below, by name."""
    out = {}
    for path in sorted(root.rglob("*")):
        name = path.relative_to(root).as_posix()
        if path.is_symlink():
            out[name] = f"-> {path.readlink()}"
        elif path.is_file():
            out[name] = path.read_text(encoding="utf-8")
    return out


def quiet(_: str) -> None:
    pass


@pytest.mark.parametrize(
    ("name", "target"),
    [
        ("lastbubble-guard.service", "/etc/systemd/system/lastbubble-guard.service"),
        ("units/x.socket", "/etc/systemd/system/x.socket"),
        ("x.service.d/10-a.conf", "/etc/systemd/system/x.service.d/10-a.conf"),
        ("sysusers.d/x.conf", "/etc/sysusers.d/x.conf"),
        ("tmpfiles.d/x.conf", "/etc/tmpfiles.d/x.conf"),
        ("system.conf.d/x.conf", "/etc/systemd/system.conf.d/x.conf"),
        ("udev/60-x.rules", "/etc/udev/rules.d/60-x.rules"),
        ("60-x.rules", "/etc/udev/rules.d/60-x.rules"),
        ("README.md", None),
        ("notes/x.conf", None),
    ],
)
def test_a_name_tells_where_a_file_goes(name: str, target: str | None) -> None:
    assert destination(PurePosixPath(name)) == target


def test_everything_lands_and_the_right_programs_run(folder: Path, tmp_path: Path) -> None:
    root, run = tmp_path / "root", Runner()
    do(install_steps(folder, COMMAND, start=True), root, run, quiet)
    assert tree(root) == {
        "etc/systemd/system/guard.service": (folder / "guard.service").read_text(encoding="utf-8"),
        "etc/systemd/system/guard.service.d/watch.conf": "[Service]\nWatchdogSec=2\n",
        "etc/systemd/system/helper.service": "[Service]\nExecStart=/bin/true\n",
        "etc/sysusers.d/bench.conf": "u bench -\n",
        "etc/tmpfiles.d/bench.conf": "d /run/bench\n",
        "etc/systemd/system.conf.d/watchdog.conf": "[Manager]\nRuntimeWatchdogSec=10\n",
        "etc/udev/rules.d/60-bench.rules": 'SUBSYSTEM=="gpio", GROUP="gpio"\n',
        "usr/local/bin/lastbubble": f"-> {COMMAND}",
        OPENER.lstrip("/"): Path(opener.__file__).read_text(encoding="utf-8"),
    }
    assert run.ran == [
        ("systemd-sysusers",),
        ("systemd-tmpfiles", "--create"),
        ("udevadm", "control", "--reload"),
        ("udevadm", "trigger"),
        ("systemctl", "daemon-reload"),
        ("systemctl", "daemon-reexec"),
        ("systemctl", "try-restart", "guard.service"),
        ("systemctl", "enable", "--now", "guard.service"),
    ]


def test_without_settings_nothing_is_started(folder: Path) -> None:
    assert not any(
        isinstance(step, Run) and {"enable", "try-restart"} & set(step.argv)
        for step in install_steps(folder, COMMAND, start=False)
    )


def test_files_are_there_before_any_program_runs(folder: Path) -> None:
    steps = install_steps(folder, COMMAND, start=True)
    first_run = next(index for index, step in enumerate(steps) if isinstance(step, Run))
    assert not any(isinstance(step, Write | Link) for step in steps[first_run:])


def test_twice_is_once(folder: Path, tmp_path: Path) -> None:
    root = tmp_path / "root"
    config = root / "boot/firmware/config.txt"
    config.parent.mkdir(parents=True)
    config.write_text("dtparam=audio=on\n", encoding="utf-8")
    steps = [Block("/boot/firmware/config.txt", boot_lines(17)), *install_steps(folder, COMMAND, start=True)]
    do(steps, root, Runner(), quiet)
    once = tree(root)
    do(steps, root, Runner(), quiet)
    assert tree(root) == once
    assert once["boot/firmware/config.txt"].startswith("dtparam=audio=on\n# lastbubble begin\n")
    assert "gpio=17=op,dl\n" in once["boot/firmware/config.txt"]


def test_uninstall_leaves_the_machine_as_it_was_and_the_data(folder: Path, tmp_path: Path) -> None:
    root = tmp_path / "root"
    before = {
        "boot/firmware/config.txt": "dtparam=audio=on\n",
        "etc/lastbubble/station.yaml": "station: a\n",
        "var/lib/lastbubble/ledger.db": "rows",
        "etc/systemd/system/other.service": "[Service]\n",
    }
    for name, text in before.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    steps = [Block("/boot/firmware/config.txt", boot_lines(17)), *install_steps(folder, COMMAND, start=True)]
    do(steps, root, Runner(), quiet)
    assert tree(root) != before
    run = Runner("udevadm")
    do(uninstall_steps(folder, "/boot/firmware/config.txt"), root, run, quiet)
    assert tree(root) == before
    assert run.ran[0] == ("systemctl", "disable", "--now", "guard.service", "helper.service")
    # On a machine where nothing was installed it does no harm either.
    do(uninstall_steps(folder, "/boot/firmware/config.txt"), root, Runner("udevadm"), quiet)
    assert tree(root) == before


def test_a_program_that_fails_ends_it_and_is_named(folder: Path, tmp_path: Path) -> None:
    run = Runner("systemd-tmpfiles")
    with pytest.raises(InstallFailed, match=r"systemd-tmpfiles --create: ended with 1: it will not; nothing after"):
        do(install_steps(folder, COMMAND, start=True), tmp_path / "root", run, quiet)
    assert run.ran[-1] == ("systemd-tmpfiles", "--create")


def test_a_file_that_is_not_ours_is_not_overwritten_by_the_link(folder: Path, tmp_path: Path) -> None:
    root = tmp_path / "root"
    place = root / COMMAND_LINK.lstrip("/")
    place.parent.mkdir(parents=True)
    place.write_text("somebody's own", encoding="utf-8")
    with pytest.raises(InstallFailed, match="is no link of ours"):
        do(install_steps(folder, COMMAND, start=True), root, Runner(), quiet)
    assert place.read_text(encoding="utf-8") == "somebody's own"


def test_boot_lines_want_a_file(tmp_path: Path) -> None:
    with pytest.raises(InstallFailed, match="is this a Raspberry Pi"):
        do([Block("/boot/firmware/config.txt", boot_lines(17))], tmp_path, Runner(), quiet)
    do([Block("/boot/firmware/config.txt", ())], tmp_path, Runner(), quiet)
    assert tree(tmp_path) == {}


def test_a_disk_that_refuses_is_named(tmp_path: Path) -> None:
    (tmp_path / "etc").write_text("a file where a folder has to be", encoding="utf-8")
    with pytest.raises(InstallFailed, match=r"write   /etc/x.conf \(1 lines\): "):
        do([Write("/etc/x.conf", "a\n")], tmp_path, Runner(), quiet)


def test_a_package_without_units_is_told(tmp_path: Path) -> None:
    with pytest.raises(InstallFailed, match="holds no units"):
        install_steps(tmp_path, COMMAND, start=True)


LINES = st.lists(st.text(st.characters(codec="ascii", exclude_characters="\r\n\x0b\x0c\x1c\x1d\x1e\x85"), max_size=12))


@given(LINES, LINES, st.booleans())
def test_a_block_comes_and_goes_without_a_trace(foreign: list[str], ours: list[str], ended: bool) -> None:
    foreign = [line for line in foreign if line.strip() not in BLOCK]
    ours = [line for line in ours if line.strip() not in BLOCK]
    text = "\n".join(foreign) + ("\n" if ended and foreign else "")
    with_ours = with_block(text, ours)
    assert without_block(with_ours).rstrip("\n") == text.rstrip("\n")
    assert with_block(with_ours, ours) == with_ours
    for line in ours:
        assert line in with_ours


def test_each_step_is_said_in_one_line(folder: Path) -> None:
    steps = [
        *install_steps(folder, COMMAND, start=True),
        *uninstall_steps(folder, "/boot/config.txt"),
        Block("/boot/config.txt", boot_lines(17)),
        Remove("/x"),
    ]
    for step in steps:
        assert "\n" not in say(step)
    assert len({say(step).split()[0] for step in steps}) == 5

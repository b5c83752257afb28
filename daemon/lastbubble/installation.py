"""What an installation puts where, as a list of steps that can be shown, done and undone.

The files lie in `systemd/` (of the checkout or of the wheel); their names tell where they go. Data is never touched:
the settings in /etc/lastbubble, the ledger and the guard's latch stay through upgrade and uninstall.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Final

from lastbubble.data import data_path
from lastbubble.errors import LastbubbleError

__all__ = [
    "BLOCK",
    "COMMAND_LINK",
    "OPENER",
    "Block",
    "InstallFailed",
    "Link",
    "Remove",
    "Run",
    "Step",
    "Write",
    "boot_lines",
    "destination",
    "do",
    "install_steps",
    "package_folder",
    "say",
    "this_command",
    "uninstall_steps",
    "with_block",
    "without_block",
]

#: Where the units look for the command; a link, so that an upgrade in a virtual environment needs no new units.
COMMAND_LINK: Final = "/usr/local/bin/lastbubble"
#: What opens the relay behind a dead guard: a copy outside every environment, so that it works when none does.
OPENER: Final = "/usr/local/lib/lastbubble/opener.py"
#: First and last line of what is ours in a file that is not.
BLOCK: Final = ("# lastbubble begin", "# lastbubble end")

_UNIT_SUFFIXES: Final = (".service", ".socket", ".timer", ".path", ".target", ".slice")
#: Folder in `systemd/` -> folder on the machine.
_FOLDERS: Final = {
    "sysusers.d": "/etc/sysusers.d",
    "tmpfiles.d": "/etc/tmpfiles.d",
    "system.conf.d": "/etc/systemd/system.conf.d",
    "journald.conf.d": "/etc/systemd/journald.conf.d",
    "modules-load.d": "/etc/modules-load.d",
    "modprobe.d": "/etc/modprobe.d",
    "udev": "/etc/udev/rules.d",
    "rules.d": "/etc/udev/rules.d",
}


class InstallFailed(LastbubbleError):
    """A step could not be done; its text says which, why, and what to do."""


@dataclass(frozen=True, slots=True)
class Write:
    """A file of ours, whole."""

    path: str
    text: str
    mode: int = 0o644


@dataclass(frozen=True, slots=True)
class Link:
    """A symbolic link of ours."""

    path: str
    to: str


@dataclass(frozen=True, slots=True)
class Block:
    """Lines of ours in a file that is not ours; no lines: ours are taken out again."""

    path: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Remove:
    """A file or link of ours that goes."""

    path: str


@dataclass(frozen=True, slots=True)
class Run:
    """A program of the system; `must` : its failure ends the installation."""

    argv: tuple[str, ...]
    must: bool = True


Step = Write | Link | Block | Remove | Run


def destination(name: PurePosixPath) -> str | None:
    """Where a file of `systemd/` goes; None for one that stays (a README)."""
    parts = name.parts
    for index, part in enumerate(parts[:-1]):
        if part in _FOLDERS:
            return f"{_FOLDERS[part]}/{name.name}"
        if part.endswith(".d") and part[:-2].endswith(_UNIT_SUFFIXES):
            return f"/etc/systemd/system/{'/'.join(parts[index:])}"
    if name.suffix in _UNIT_SUFFIXES:
        return f"/etc/systemd/system/{name.name}"
    if name.suffix == ".rules":
        return f"/etc/udev/rules.d/{name.name}"
    return None


def _files(folder: Path) -> Iterator[tuple[str, str]]:
    """(destination, text) of every file that goes somewhere, sorted. Raises InstallFailed when there is none."""
    found = False
    for path in sorted(folder.rglob("*")):
        if not path.is_file():
            continue
        target = destination(PurePosixPath(path.relative_to(folder).as_posix()))
        if target is not None:
            found = True
            yield target, path.read_text(encoding="utf-8")
    if not found:
        raise InstallFailed(f"{folder} holds no units; reinstall the package")


def units(folder: Path) -> list[str]:
    """The units that are started by themselves (they say by what they are wanted)."""
    return [
        target.rsplit("/", 1)[1]
        for target, text in _files(folder)
        if target.endswith(_UNIT_SUFFIXES) and "\nWantedBy=" in text
    ]


def install_steps(folder: Path, command: Path, start: bool) -> list[Step]:
    """Everything that an installation does, in order.

    folder : the package's `systemd/`;  command : the `lastbubble` program of this environment
    start : enable and start the units (there are settings that can be used)
    """
    steps: list[Step] = []
    if str(command) != COMMAND_LINK:
        steps.append(Link(COMMAND_LINK, str(command)))
    steps.append(Write(OPENER, Path(__file__).with_name("guard").joinpath("opener.py").read_text(encoding="utf-8")))
    targets = []
    for target, text in _files(folder):
        targets.append(target)
        steps.append(Write(target, text))
    if any(target.startswith(_FOLDERS["sysusers.d"]) for target in targets):
        steps.append(Run(("systemd-sysusers",)))
    if any(target.startswith(_FOLDERS["tmpfiles.d"]) for target in targets):
        steps.append(Run(("systemd-tmpfiles", "--create")))
    if any(target.startswith(_FOLDERS["udev"]) for target in targets):
        steps.append(Run(("udevadm", "control", "--reload")))
        steps.append(Run(("udevadm", "trigger"), must=False))
    steps.append(Run(("systemctl", "daemon-reload")))
    if any(target.startswith(_FOLDERS["system.conf.d"]) for target in targets):
        # The hardware watchdog is set by systemd itself, which reads that file only when it begins anew.
        steps.append(Run(("systemctl", "daemon-reexec")))
    if start:
        # First what runs already: an upgrade that leaves the old program running is none. Nothing stopped is started.
        steps.append(Run(("systemctl", "try-restart", *units(folder))))
        steps.append(Run(("systemctl", "enable", "--now", *units(folder))))
    return steps


def uninstall_steps(folder: Path, boot_file: str | None) -> list[Step]:
    """Everything that takes an installation back, in order; data, settings and users stay."""
    targets = [target for target, _ in _files(folder)]
    names = [target.rsplit("/", 1)[1] for target in targets if target.endswith(_UNIT_SUFFIXES)]
    steps: list[Step] = [Run(("systemctl", "disable", "--now", *names), must=False)]
    steps.extend(Remove(target) for target in reversed(targets))
    if boot_file is not None:
        steps.append(Block(boot_file, ()))
    steps.append(Remove(COMMAND_LINK))
    steps.append(Remove(OPENER))
    steps.append(Run(("systemctl", "daemon-reload")))
    steps.append(Run(("udevadm", "control", "--reload"), must=False))
    return steps


def boot_lines(relay_pin: int) -> tuple[str, ...]:
    """Lines of the Raspberry Pi's config.txt: the bus, the kernel that lets go of a dead owner's pin, the pin low."""
    return ("[all]", "dtparam=spi=on", "dtoverlay=spi0-0cs", "dtparam=strict_gpiod", f"gpio={relay_pin}=op,dl")


def with_block(text: str, lines: Sequence[str]) -> str:
    """The text with our block at its end, in the place of an older one."""
    rest = without_block(text)
    if not lines:
        return rest
    if rest and not rest.endswith("\n"):
        rest += "\n"
    return rest + "\n".join((BLOCK[0], *lines, BLOCK[1])) + "\n"


def without_block(text: str) -> str:
    """The text as it was before us."""
    out: list[str] = []
    ours = False
    for line in text.splitlines(keepends=True):
        word = line.strip()
        if word == BLOCK[0]:
            ours = True
        if not ours:
            out.append(line)
        if word == BLOCK[1]:
            ours = False
    return "".join(out)


def say(step: Step) -> str:
    """One step in a line."""
    match step:
        case Write(path, text):
            return f"write   {path} ({text.count(chr(10))} lines)"
        case Link(path, to):
            return f"link    {path} -> {to}"
        case Block(path, lines) if lines:
            return f"lines   {path}: {' | '.join(lines)}"
        case Block(path):
            return f"lines   {path}: ours are taken out"
        case Remove(path):
            return f"remove  {path}"
        case Run(argv):
            return f"run     {' '.join(argv)}"


def _run(argv: Sequence[str]) -> tuple[int, str]:
    try:
        done = subprocess.run(argv, capture_output=True, text=True, check=False, timeout=120)
    except (OSError, subprocess.TimeoutExpired) as exc:
        return 127, str(exc)
    return done.returncode, (done.stderr or done.stdout).strip()


def do(
    steps: Sequence[Step],
    root: Path = Path("/"),
    run: Callable[[Sequence[str]], tuple[int, str]] = _run,
    told: Callable[[str], None] = print,
) -> None:
    """Do the steps, telling each. Doing them twice is the same as once.

    root : stands in front of every path;  run : runs a program, gives exit code and what it said
    Raises InstallFailed at the first step that must succeed and does not; what was done stays, and may be done again.
    """
    for step in steps:
        told(say(step))
        try:
            fault = _done(step, root, run)
        except OSError as exc:
            raise InstallFailed(
                f"{say(step)}: {exc.strerror or exc}; nothing after it was done. Mend it, then again"
            ) from exc
        if fault:
            raise InstallFailed(f"{say(step)}: {fault}; nothing after it was done. Mend it, then again")


def _done(step: Step, root: Path, run: Callable[[Sequence[str]], tuple[int, str]]) -> str:
    match step:
        case Write(path, text, mode):
            _replace(_under(root, path), text, mode)
        case Link(path, to):
            place = _under(root, path)
            if place.exists() and not place.is_symlink():
                return f"{path} is there and is no link of ours; move it away"
            place.parent.mkdir(parents=True, exist_ok=True)
            fresh = place.with_name(f".{place.name}.new")
            fresh.unlink(missing_ok=True)
            fresh.symlink_to(to)
            fresh.replace(place)
        case Block(path, lines):
            place = _under(root, path)
            if place.exists():
                old = place.read_text(encoding="utf-8")
                new = with_block(old, lines)
                if new != old:
                    _replace(place, new, place.stat().st_mode & 0o777)
            elif lines:
                return f"{path} is not there; is this a Raspberry Pi?"
        case Remove(path):
            place = _under(root, path)
            if place.is_symlink() or place.exists():
                place.unlink()
        case Run(argv, must):
            code, said = run(argv)
            if code != 0 and must:
                return f"ended with {code}: {said}"
    return ""


def _under(root: Path, path: str) -> Path:
    return root / path.lstrip("/")


def _replace(place: Path, text: str, mode: int) -> None:
    """The file as a whole or not at all, also when the power goes."""
    place.parent.mkdir(parents=True, exist_ok=True)
    fresh = place.with_name(f".{place.name}.new")
    with fresh.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    fresh.chmod(mode)
    fresh.replace(place)


def package_folder() -> Path:
    """The package's `systemd/`. Raises InstallFailed when it is in none of its places."""
    try:
        return data_path("systemd")
    except FileNotFoundError as exc:
        raise InstallFailed(str(exc)) from exc


def this_command() -> Path:
    """The `lastbubble` program of this environment. Raises InstallFailed when there is none beside the interpreter."""
    path = Path(sys.executable).with_name("lastbubble")
    if not path.exists():
        raise InstallFailed(
            f"{path} is not there; install the package into this environment first (pip install lastbubble)"
        )
    return path

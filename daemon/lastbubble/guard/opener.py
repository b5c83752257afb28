"""Drives the relay's line low after the guard has died: one file, only the standard library, done in milliseconds.

systemd runs it after every end of the guard (ExecStopPost), as `/usr/bin/python3 -I -S opener.py FILE`: no site, no
environment, no package, so that neither a broken virtual environment nor a slow card stands between a dead guard and a
cold oven. It speaks the kernel's GPIO character device, version 2 of its interface (linux/gpio.h, since Linux 5.10).

FILE is what the guard wrote when it had claimed the line, `key=value` lines: `label` and `name` of the chip, `line` on
it, `pid` and `started` of the guard. Without it no guard has ever held a line since the machine started.

    opener.py FILE [--reset FILE]

--reset : where the level is not known to be low, write `b` there (/proc/sysrq-trigger: the machine resets at once, and
          every pin is an input again); never where the line is busy with a program that is not this guard.

Exit code 0: low was read back, or there is nothing to open. 1: not, and one sentence says why. 2: wrong use. 3: another
program holds the line, which no reset would mend.
"""

from __future__ import annotations

import errno
import os
import struct
import sys
from fcntl import ioctl
from time import sleep as real_sleep

TYPE_CHECKING = False
if TYPE_CHECKING:  # typing itself takes longer to import than all of this runs
    from collections.abc import Callable
    from typing import Final

    Ioctl = Callable[[int, int, bytearray], int]

# linux/gpio.h: _IOC(direction, 0xB4, number, size)
GET_CHIP: Final = 0x8044B401  # struct gpiochip_info, 68 bytes
GET_LINE_INFO: Final = 0xC100B405  # struct gpio_v2_line_info, 256 bytes
GET_LINE: Final = 0xC250B407  # struct gpio_v2_line_request, 592 bytes
GET_VALUES: Final = 0xC010B40E  # struct gpio_v2_line_values, 16 bytes
SET_VALUES: Final = 0xC010B40F
OUTPUT: Final = 1 << 3
PULL_DOWN: Final = 1 << 9
CONSUMER: Final = b"lastbubble opener"
REQUEST_BYTES: Final = 592
_FLAGS_AT: Final = 64 * 4 + 32
_LINES_AT: Final = REQUEST_BYTES - 32
_FD_AT: Final = REQUEST_BYTES - 4

#: How long a dying holder is waited for; real time, in steps of 5 ms [s].
BUSY_S: Final = 0.5
_STEP_S: Final = 0.005


class NotLow(Exception):
    """The line is not known to be low. foreign : a program that is not the guard holds it."""

    def __init__(self, text: str, foreign: bool = False) -> None:
        super().__init__(text)
        self.foreign = foreign


def read_claim(text: str) -> dict[str, str]:
    """The claim's keys. NotLow when it names no line."""
    claim = dict(line.split("=", 1) for line in text.splitlines() if "=" in line)
    if not claim.get("label") or not claim.get("line", "").isdigit() or int(claim["line"]) > 0xFFFF:
        raise NotLow("the guard's note of its line cannot be read; write label= and line= into it, or start the guard")
    return claim


def open_chip(devices: str, label: str, name: str, control: Ioctl = ioctl) -> int:
    """Descriptor of the chip with that label; of several, the one of that name. NotLow when there is none."""
    found = []
    fault = "none is there"
    for entry in sorted(os.listdir(devices)):
        if not entry.startswith("gpiochip"):
            continue
        try:
            chip = os.open(os.path.join(devices, entry), os.O_RDWR | os.O_CLOEXEC)
        except OSError as exc:
            fault = f"{entry}: {exc.strerror}"
            continue
        info = bytearray(68)
        try:
            control(chip, GET_CHIP, info)
        except OSError as exc:
            fault = f"{entry}: {exc.strerror}"
            os.close(chip)
            continue
        if info[32:64].partition(b"\0")[0].decode("utf-8", "replace") == label:
            found.append((entry != name, entry, chip))
        else:
            os.close(chip)
    if not found:
        raise NotLow(f"no GPIO chip is labelled {label} ({fault}); load its driver, see gpiodetect")
    found.sort()
    for _, _, chip in found[1:]:
        os.close(chip)
    return found[0][2]


def request(line: int, flags: int) -> bytearray:
    """struct gpio_v2_line_request of one output, whose value is low unless an attribute says otherwise; none does."""
    block = bytearray(REQUEST_BYTES)
    struct.pack_into("=I", block, 0, line)
    block[256 : 256 + len(CONSUMER)] = CONSUMER
    struct.pack_into("=Q", block, _FLAGS_AT, flags)
    struct.pack_into("=I", block, _LINES_AT, 1)
    return block


def claim_low(
    chip: int, line: int, control: Ioctl = ioctl, sleep: Callable[[float], None] = real_sleep, busy_s: float = BUSY_S
) -> int:
    """Descriptor of the line, requested as an output that is low. NotLow, or OSError EBUSY while somebody holds it."""
    flags = OUTPUT | PULL_DOWN
    tries = max(1, round(busy_s / _STEP_S))
    while True:
        block = request(line, flags)
        try:
            control(chip, GET_LINE, block)
        except OSError as exc:
            if exc.errno == errno.EBUSY:
                tries -= 1
                if tries <= 0:
                    raise
                sleep(_STEP_S)
            elif flags & PULL_DOWN:
                # A chip that can set no pull: the board's own resistor is the one that counts.
                flags = OUTPUT
            else:
                raise NotLow(f"line {line} cannot be claimed ({exc.strerror})") from exc
        else:
            return int(struct.unpack_from("=i", block, _FD_AT)[0])


def level(held: int, control: Ioctl = ioctl) -> int:
    """What the line reads, after writing low once more."""
    control(held, SET_VALUES, bytearray(struct.pack("=QQ", 0, 1)))
    values = bytearray(struct.pack("=QQ", 0, 1))
    control(held, GET_VALUES, values)
    return int(struct.unpack("=QQ", values)[0]) & 1


def holder(chip: int, line: int, control: Ioctl = ioctl) -> str:
    """The name under which somebody holds the line."""
    info = bytearray(256)
    struct.pack_into("=I", info, 64, line)
    try:
        control(chip, GET_LINE_INFO, info)
    except OSError:
        return "?"
    return info[32:64].partition(b"\0")[0].decode("utf-8", "replace") or "?"


def lives(claim: dict[str, str], processes: str = "/proc") -> bool:
    """Whether the guard that made the claim is still there, where no signal reaches it: same number, same start."""
    try:
        with open(os.path.join(processes, claim.get("pid", "-"), "stat")) as file:
            return file.read().rpartition(")")[2].split()[19] == claim.get("started")
    except (OSError, IndexError):
        return False


def open_relay(claim: dict[str, str], devices: str = "/dev", processes: str = "/proc", control: Ioctl = ioctl) -> str:
    """Drive the line low and say so. Raises NotLow or OSError."""
    line = int(claim["line"])
    chip = open_chip(devices, claim["label"], claim.get("name", ""), control)
    try:
        held = claim_low(chip, line, control)
    except OSError as exc:
        who = holder(chip, line, control)
        if who == CONSUMER.decode():
            raise NotLow(f"line {line} is still held by an opener before this one, which does not end") from exc
        if lives(claim, processes):
            raise NotLow(f"line {line} is still held by the guard ({who}), which no signal ends") from exc
        raise NotLow(f"line {line} is held by another program ({who}); stop it: gpioinfo names it", True) from exc
    if level(held, control) != 0:
        raise NotLow(f"line {line} was driven low and reads high; pull the oven's plug and look at the wiring")
    return f"line {line} of {claim['label']} is low"


def main(argv: list[str], devices: str = "/dev", processes: str = "/proc", control: Ioctl = ioctl) -> int:
    """The command; prints one sentence on stderr."""
    reset = ""
    if len(argv) == 3 and argv[1] == "--reset":
        reset = argv[2]
    elif len(argv) != 1:
        sys.stderr.write("opener: use: opener.py FILE [--reset FILE]\n")
        return 2
    foreign = False
    try:
        with open(argv[0]) as file:
            text = file.read(4096)
    except FileNotFoundError:
        sys.stderr.write("opener: no guard has held a line since the machine started: nothing to open\n")
        return 0
    except (OSError, ValueError) as exc:
        text, said = "", f"{argv[0]} cannot be read ({exc})"
    try:
        said = open_relay(read_claim(text), devices, processes, control)
    except NotLow as exc:
        said, foreign = str(exc), exc.foreign
    except Exception as exc:  # noqa: BLE001  # whatever it is, the oven may be hot: no traceback, and the reset below
        said = f"{type(exc).__name__}: {exc}"
    else:
        sys.stderr.write(f"opener: {said}\n")
        return 0
    sys.stderr.write(f"opener: HEAT MAY BE ON: {said}\n")
    if reset and not foreign:
        sys.stderr.write("opener: the machine is reset now\n")
        sys.stderr.flush()
        try:
            with open(reset, "w") as file:
                file.write("b")
        except OSError as exc:
            sys.stderr.write(f"opener: {reset}: {exc.strerror}; pull the oven's plug\n")
    return 3 if foreign else 1


if __name__ == "__main__":
    # Past Python's own way out, which takes longer than all of the above.
    code = main(sys.argv[1:])
    sys.stderr.flush()
    os._exit(code)

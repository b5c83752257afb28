"""The opener against a stand-in of the kernel's GPIO interface: what it asks for, what it makes of every answer.

The stand-in answers the ioctls of linux/gpio.h; the machine tests (`./tools/faults --vm`) run it against a real kernel.
"""

from __future__ import annotations

import ctypes
import errno
import os
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from lastbubble.guard import opener
from lastbubble.guard.claim import CLAIM, claim_folder, note_claim

LABEL = "pinctrl-bcm2711"


class Attribute(ctypes.Structure):
    """struct gpio_v2_line_config_attribute of linux/gpio.h."""

    _fields_ = [
        ("id", ctypes.c_uint32),
        ("pad", ctypes.c_uint32),
        ("value", ctypes.c_uint64),
        ("mask", ctypes.c_uint64),
    ]


class Config(ctypes.Structure):
    """struct gpio_v2_line_config."""

    _fields_ = [
        ("flags", ctypes.c_uint64),
        ("num_attrs", ctypes.c_uint32),
        ("padding", ctypes.c_uint32 * 5),
        ("attrs", Attribute * 10),
    ]


class LineRequest(ctypes.Structure):
    """struct gpio_v2_line_request."""

    _fields_ = [
        ("offsets", ctypes.c_uint32 * 64),
        ("consumer", ctypes.c_char * 32),
        ("config", Config),
        ("num_lines", ctypes.c_uint32),
        ("event_buffer_size", ctypes.c_uint32),
        ("padding", ctypes.c_uint32 * 5),
        ("fd", ctypes.c_int32),
    ]


def number(direction: int, index: int, size: int) -> int:
    """_IOC of asm-generic/ioctl.h for type 0xB4."""
    return direction << 30 | size << 16 | 0xB4 << 8 | index


class Kernel:
    """busy : how many claims are refused before one is taken (-1: all);  pulls : the chip can set a pull"""

    def __init__(
        self, label: str = LABEL, busy: int = 0, pulls: bool = True, stuck: bool = False, holder: bytes = b"lg"
    ) -> None:
        self.label, self.busy, self.pulls, self.stuck, self.holder = label, busy, pulls, stuck, holder
        self.claims: list[tuple[int, int]] = []
        self.refuse: dict[int, int] = {}

    def ioctl(self, descriptor: int, what: int, block: bytearray) -> int:
        if what in self.refuse:
            raise OSError(self.refuse[what], os.strerror(self.refuse[what]))
        if what == opener.GET_CHIP:
            block[:] = struct.pack("32s32sI", b"gpiochip0", self.label.encode(), 54)
        elif what == opener.GET_LINE_INFO:
            block[32 : 32 + len(self.holder)] = self.holder
        elif what == opener.GET_LINE:
            self._claim(descriptor, block)
        elif what == opener.GET_VALUES:
            block[:8] = struct.pack("=Q", int(self.stuck))
        return 0

    def _claim(self, descriptor: int, block: bytearray) -> None:
        if self.busy:
            self.busy -= 1
            raise OSError(errno.EBUSY, "Device or resource busy")
        asked = LineRequest.from_buffer(block)
        if asked.config.flags & opener.PULL_DOWN and not self.pulls:
            raise OSError(errno.EOPNOTSUPP, "Operation not supported")
        assert (asked.num_lines, asked.config.num_attrs, asked.consumer) == (1, 0, b"lastbubble opener")
        self.claims.append((asked.offsets[0], asked.config.flags))
        asked.fd = os.dup(descriptor)


@pytest.fixture
def devices(tmp_path: Path) -> Path:
    folder = tmp_path / "dev"
    folder.mkdir()
    (folder / "gpiochip0").touch()
    (folder / "null").touch()
    return folder


@pytest.fixture
def claim(tmp_path: Path) -> Path:
    assert note_claim(tmp_path, "gpiochip0", LABEL, 17) == ""
    return tmp_path / CLAIM


@pytest.fixture
def run(devices: Path, claim: Path, tmp_path: Path) -> Callable[..., tuple[int, bool]]:
    """Run it against a kernel: exit code, and whether it wanted the machine reset."""

    def go(kernel: Kernel, *more: str, processes: str = "/nowhere") -> tuple[int, bool]:
        reset = tmp_path / "sysrq"
        reset.unlink(missing_ok=True)
        code = opener.main([str(claim), "--reset", str(reset), *more], str(devices), processes, kernel.ioctl)
        if reset.exists():
            assert reset.read_text() == "b"
        return code, reset.exists()

    return go


def test_the_numbers_are_those_of_the_kernels_header() -> None:
    # Source: include/uapi/linux/gpio.h (GPIO_V2_*), include/uapi/asm-generic/ioctl.h; sizes by the C compiler's rules.
    assert ctypes.sizeof(LineRequest) == opener.REQUEST_BYTES == 592
    assert number(3, 0x07, ctypes.sizeof(LineRequest)) == opener.GET_LINE
    assert number(2, 0x01, 68) == opener.GET_CHIP
    assert number(3, 0x05, 256) == opener.GET_LINE_INFO
    assert number(3, 0x0E, 16) == opener.GET_VALUES
    assert number(3, 0x0F, 16) == opener.SET_VALUES


@pytest.mark.parametrize("pulls", [True, False])
def test_a_free_line_is_driven_low(run: Callable[..., tuple[int, bool]], pulls: bool) -> None:
    kernel = Kernel(pulls=pulls)
    assert run(kernel) == (0, False)
    assert kernel.claims == [(17, opener.OUTPUT | (opener.PULL_DOWN if pulls else 0))]


def test_a_holder_that_is_dying_is_waited_for(run: Callable[..., tuple[int, bool]]) -> None:
    kernel = Kernel(busy=3)
    assert run(kernel) == (0, False)
    assert len(kernel.claims) == 1


def test_a_guard_that_hangs_on_to_the_line_resets_the_machine(
    run: Callable[..., tuple[int, bool]], capsys: pytest.CaptureFixture[str]
) -> None:
    # The claim names this very process, which lives.
    assert run(Kernel(busy=-1), processes="/proc") == (1, True)
    assert "still held by the guard (lg)" in capsys.readouterr().err


def test_another_programs_line_is_no_reason_to_reset(
    run: Callable[..., tuple[int, bool]], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(Kernel(busy=-1)) == (3, False)
    assert "another program (lg)" in capsys.readouterr().err


def test_an_opener_that_does_not_end_is_no_other_program(
    run: Callable[..., tuple[int, bool]], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(Kernel(busy=-1, holder=opener.CONSUMER)) == (1, True)
    assert "an opener before this one" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("kernel", "said"),
    [
        (Kernel(stuck=True), "reads high"),
        (Kernel(label="somebody-elses"), "no GPIO chip is labelled pinctrl-bcm2711"),
    ],
    ids=["stuck", "chip gone"],
)
def test_a_level_that_is_not_known_to_be_low_resets(
    run: Callable[..., tuple[int, bool]], kernel: Kernel, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(kernel) == (1, True)
    told = capsys.readouterr().err
    assert said in told
    assert "Traceback" not in told


@pytest.mark.parametrize("what", [opener.GET_CHIP, opener.GET_LINE, opener.SET_VALUES, opener.GET_VALUES])
@pytest.mark.parametrize("fault", [errno.EIO, errno.ENODEV, errno.EPERM])
def test_no_failing_call_gets_through(
    run: Callable[..., tuple[int, bool]], what: int, fault: int, capsys: pytest.CaptureFixture[str]
) -> None:
    kernel = Kernel()
    kernel.refuse[what] = fault
    assert run(kernel) == (1, True)
    told = capsys.readouterr().err
    assert told.startswith("opener: HEAT MAY BE ON: ")
    assert "Traceback" not in told


@pytest.mark.parametrize("text", ["", "label=x\n", "label=x\nline=-1\n", "label=x\nline=99999999\n", "\0\xff"])
def test_a_claim_that_cannot_be_read_counts_as_hot(
    run: Callable[..., tuple[int, bool]], claim: Path, text: str
) -> None:
    claim.write_text(text, encoding="latin-1")
    assert run(Kernel()) == (1, True)


def test_of_two_chips_with_one_label_the_named_one_is_taken(devices: Path, claim: Path) -> None:
    (devices / "gpiochip4").touch()
    assert note_claim(claim.parent, "gpiochip4", LABEL, 17) == ""
    kernel = Kernel()
    seen: list[str] = []

    def control(descriptor: int, what: int, block: bytearray) -> int:
        if what == opener.GET_LINE:
            seen.append(os.readlink(f"/proc/self/fd/{descriptor}"))
        return kernel.ioctl(descriptor, what, block)

    assert opener.main([str(claim)], str(devices), "/nowhere", control) == 0
    assert seen == [str(devices / "gpiochip4")]


def test_the_program_alone_runs_without_any_environment(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-I", "-S", opener.__file__, str(tmp_path / "none")],
        capture_output=True, text=True, check=False, timeout=60, env={},
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (
        0, "opener: no guard has held a line since the machine started: nothing to open\n"
    )  # fmt: skip
    done = subprocess.run([sys.executable, "-I", "-S", opener.__file__], capture_output=True, check=False, timeout=60)
    assert done.returncode == 2


def test_the_program_loads_nothing_that_takes_time() -> None:
    code = f"import sys; sys.argv = ['x']; __name__ = 'x'; exec(open({opener.__file__!r}).read()); print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-I", "-S", "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert not set(done.stdout.split()) & {"re", "typing", "argparse", "json", "ctypes", "pathlib", "subprocess"}


def test_the_claim_names_this_process_and_no_later_one(claim: Path) -> None:
    noted = opener.read_claim(claim.read_text())
    assert noted["pid"] == str(os.getpid())
    assert opener.lives(noted)
    assert not opener.lives(noted | {"started": "1"})


def test_a_claim_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    assert "cannot be written" in note_claim(tmp_path / "none", "gpiochip0", LABEL, 17)


def test_the_claim_goes_where_only_the_guard_may_write() -> None:
    assert claim_folder("/run/lastbubble", {"RUNTIME_DIRECTORY": "/run/lastbubble-guard"}) == Path(
        "/run/lastbubble-guard"
    )
    assert claim_folder("/run/lastbubble", {}) == Path("/run/lastbubble")

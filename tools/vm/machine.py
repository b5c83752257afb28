"""A Debian machine in QEMU that can be broken: started, frozen while it runs and thawed, spoken to, its plug pulled.

    with VM(warm=folder) as vm:
        vm.write("/sys/module/gpio_sim/parameters/persist_outputs", "1")      # as a Pi's kernel does
        vm.run("systemctl restart lastbubble-guard").rc
        vm.cut_power()
        vm.event("WATCHDOG", timeout_s=30)

Commands travel over the guest agent, what the guest tells by itself over two ports of its own (`lines`: the relay's
line as the kernel has it; `told`: whatever a test's program says). Only the standard library is used.

Time in the machine counts instructions (STEP_SHIFT); while it idles it passes as the host's does. What is measured by
the machine's own clock, its watchdog card's too, does not depend on how fast or how busy the host is.
"""

from __future__ import annotations

import base64
import json
import os
import pathlib
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

HOME = pathlib.Path(
    os.environ.get("LASTBUBBLE_VM")
    or pathlib.Path(os.environ.get("XDG_CACHE_HOME", "~/.cache")).expanduser() / "lastbubble-vm"
)


#: log2 of the nanoseconds that an instruction takes: 2 ns, 500 million instructions a second.
STEP_SHIFT = 1
#: The second disk's size; a frozen machine wakes up only with the size that it knew.
SECOND_DISK_B = 128 << 20
#: Main counter of the machine's HPET, where QEMU's q35 has it, in steps of 10 ns.
_HPET_COUNTER, _HPET_STEP_S = 0xFED000F0, 1e-8


class Timeout(TimeoutError):
    """Nothing came back in the time allowed."""


@dataclass
class Result:
    rc: int
    out: str
    err: str


class JsonLine:
    """One JSON object a line over a Unix socket: QMP and the guest agent both speak it."""

    def __init__(self, path: pathlib.Path) -> None:
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.connect(str(path))
        self.rest = b""

    def send(self, message: dict[str, Any]) -> None:
        self.sock.settimeout(10)  # the last answer's time-out is not this one's
        self.sock.sendall(json.dumps(message).encode() + b"\n")

    def receive(self, deadline: float) -> dict[str, Any]:
        while b"\n" not in self.rest:
            left = deadline - time.monotonic()
            if left <= 0:
                raise Timeout
            self.sock.settimeout(left)
            try:
                data = self.sock.recv(65536)
            except TimeoutError:
                raise Timeout from None
            if not data:
                raise ConnectionError("closed")
            self.rest += data
        line, self.rest = self.rest.split(b"\n", 1)
        message: dict[str, Any] = json.loads(line.lstrip(b"\xff"))
        return message

    def close(self) -> None:
        self.sock.close()


class Port:
    """Lines that the guest sends over a port of its own, each with the moment it came (monotonic) [s]."""

    def __init__(self, path: pathlib.Path) -> None:
        self._link = socket.socket(socket.AF_UNIX)
        self._link.connect(str(path))
        self._heard: list[tuple[float, str]] = []
        self._news = threading.Condition()
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        rest = b""
        while True:
            try:
                data = self._link.recv(65536)
            except OSError:
                return
            if not data:
                return
            now_s = time.monotonic()
            *lines, rest = (rest + data).split(b"\n")
            with self._news:
                self._heard += [(now_s, line.decode(errors="replace")) for line in lines]
                self._news.notify_all()

    def heard(self) -> list[tuple[float, str]]:
        with self._news:
            return list(self._heard)

    def wait(self, wanted: Callable[[list[tuple[float, str]]], bool], timeout_s: float) -> bool:
        """Wait until what was heard is as wanted; False when it is not in time."""
        with self._news:
            return self._news.wait_for(lambda: wanted(self._heard), timeout_s)

    def close(self) -> None:
        self._link.close()


class VM:
    """A QEMU machine with its own copy-on-write disk and a watchdog card.

    warm : a folder that `freeze` filled: the machine goes on from there, in seconds, instead of booting
    second_disk : an image file that is /dev/vdb, kept whatever becomes of the machine
    """

    def __init__(
        self,
        warm: pathlib.Path | None = None,
        second_disk: pathlib.Path | None = None,
        memory_mb: int = 768,
    ) -> None:
        self.warm, self.second_disk, self.memory_mb = warm, second_disk, memory_mb
        self.dir = pathlib.Path(tempfile.mkdtemp(prefix="lbvm."))
        self.disk = self.dir / "disk.qcow2"
        self.console_log = self.dir / "console.log"
        self.events: list[dict[str, Any]] = []
        self.process: subprocess.Popen[bytes] | None = None
        self.boot_s = 0.0
        base, kind = (HOME / "base.img", "raw") if warm is None else (warm / "disk.qcow2", "qcow2")
        subprocess.run(
            ["qemu-img", "create", "-q", "-f", "qcow2", "-F", kind, "-b", str(base.resolve()), str(self.disk)],
            check=True,
        )
        if second_disk is None:
            self.second_disk = self.dir / "second.img"
            with self.second_disk.open("wb") as file:
                file.truncate(SECOND_DISK_B)

    # -- power --------------------------------------------------------------------------------

    def command(self) -> list[str]:
        d = self.dir
        ports = ("lines", "told")
        return [
            "qemu-system-x86_64", "-M", "q35", "-accel", "tcg", "-cpu", "max", "-smp", "1",
            "-icount", f"shift={STEP_SHIFT}",
            "-m", str(self.memory_mb), "-nodefaults", "-display", "none", "-nic", "none",
            "-kernel", str(HOME / "vmlinuz"), "-initrd", str(HOME / "initrd.gz"),
            "-append", "console=ttyS0 loglevel=5 panic=0 mitigations=off nokaslr norandmaps",
            "-drive", f"file={self.disk},if=none,id=root,cache=writeback,discard=unmap",
            "-device", "virtio-blk-pci,drive=root",
            "-drive", f"file={self.second_disk},format=raw,if=none,id=second,cache=writeback",
            "-device", "virtio-blk-pci,drive=second",
            "-device", "virtio-rng-pci",
            "-chardev", f"file,id=console,path={self.console_log},append=on", "-serial", "chardev:console",
            "-device", "virtio-serial-pci",
            "-chardev", f"socket,id=agent,path={d}/agent,server=on,wait=off",
            "-device", "virtserialport,chardev=agent,name=org.qemu.guest_agent.0",
            *(
                word
                for name in ports
                for word in (
                    "-chardev", f"socket,id={name},path={d}/{name},server=on,wait=off",
                    "-device", f"virtserialport,chardev={name},name=lastbubble.{name}",
                )
            ),
            "-qmp", f"unix:{d}/qmp,server=on,wait=off",
            "-device", "i6300esb", "-action", "watchdog=reset",
            *(["-incoming", f"exec:cat {self.warm}/memory"] if self.warm is not None else []),
        ]  # fmt: skip

    def start(self, timeout_s: float = 400) -> None:
        """Power on (or thaw) and wait until systemd has finished starting (degraded counts)."""
        for name in ("agent", "qmp", "lines", "told"):
            (self.dir / name).unlink(missing_ok=True)
        begun = time.monotonic()
        self.process = subprocess.Popen(self.command(), stdin=subprocess.DEVNULL)
        deadline = begun + timeout_s
        self._qmp = self._connect("qmp", deadline)
        self._qmp.receive(deadline)  # greeting
        self.qmp("qmp_capabilities")
        if self.warm is not None:
            while self.qmp("query-status")["status"] == "inmigrate":
                if time.monotonic() > deadline:
                    raise Timeout("the frozen machine does not thaw")
                time.sleep(0.05)
            self.qmp("cont")
        self._agent = self._connect("agent", deadline)
        self.lines = Port(self.dir / "lines")
        self.told = Port(self.dir / "told")
        self.wait_up(deadline - time.monotonic())
        self.boot_s = time.monotonic() - begun

    def wait_up(self, timeout_s: float = 400) -> float:
        """Wait until the agent answers and systemd is done; returns the seconds it took."""
        begun = time.monotonic()
        self.wait_answer(timeout_s)
        self.run("systemctl is-system-running --wait", timeout_s=timeout_s)
        return time.monotonic() - begun

    def wait_answer(self, timeout_s: float = 400) -> None:
        """Wait until the agent answers; systemd may still be starting."""
        begun = time.monotonic()
        while True:
            left = timeout_s - (time.monotonic() - begun)
            if left <= 0:
                raise Timeout(f"not up after {timeout_s:.0f} s; console in {self.console_log}")
            try:
                # Before the agent runs, what is sent lies in a buffer: not too much of it.
                self._sync(min(left, 5))
            except TimeoutError:
                continue
            return

    def freeze(self, folder: pathlib.Path) -> None:
        """Stop the running machine and keep all of it in `folder`, for VM(warm=folder); this one is over."""
        self.qmp("stop")
        self.qmp("migrate", uri=f"exec:cat > {folder}/memory")
        while (state := self.qmp("query-migrate")["status"]) != "completed":
            if state in ("failed", "cancelled"):
                raise RuntimeError(f"the machine could not be kept: {self.qmp('query-migrate')}")
            time.sleep(0.2)
        self.qmp("quit")
        assert self.process is not None
        self.process.wait(60)
        self.cut_power()
        shutil.move(self.disk, folder / "disk.qcow2")

    def cut_power(self) -> None:
        """As if the plug was pulled: QEMU is killed, nothing in the guest is flushed."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None
            for channel in (self._qmp, self._agent, self.lines, self.told):
                channel.close()

    def close(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
        shutil.rmtree(self.dir, ignore_errors=True)

    def __enter__(self) -> VM:
        try:
            self.start()
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- control ------------------------------------------------------------------------------

    def _connect(self, name: str, deadline: float) -> JsonLine:
        while True:
            try:
                return JsonLine(self.dir / name)
            except OSError:
                if self.process is None or self.process.poll() is not None:
                    raise RuntimeError("QEMU ended at once; see its message above") from None
                if time.monotonic() > deadline:
                    raise Timeout(name) from None
                time.sleep(0.02)

    def qmp(self, name: str, timeout_s: float = 60, **arguments: object) -> Any:
        """One QMP command; events seen on the way are kept in self.events."""
        self._qmp.send({"execute": name, "arguments": arguments} if arguments else {"execute": name})
        deadline = time.monotonic() + timeout_s
        while True:
            answer = self._qmp.receive(deadline)
            if "event" in answer:
                self._keep(answer)
            elif "error" in answer:
                raise RuntimeError(f"{name}: {answer['error']['desc']}")
            else:
                return answer["return"]

    def _keep(self, event: dict[str, Any]) -> None:
        event["seen"] = time.monotonic()
        self.events.append(event)

    def event(self, name: str, timeout_s: float) -> dict[str, Any]:
        """The next event of that name not handed out before, waiting for it if need be."""
        deadline = time.monotonic() + timeout_s
        while True:
            for i, event in enumerate(self.events):
                if event["event"] == name:
                    return self.events.pop(i)
            message = self._qmp.receive(deadline)
            if "event" in message:
                self._keep(message)

    def now_s(self) -> float:
        """The machine's own time since its last reset, asked from outside: the guest may be dead [s]."""
        text = self.qmp("human-monitor-command", **{"command-line": f"xp /2wx {_HPET_COUNTER:#x}"})
        low, high = (int(word, 16) for word in text.partition(":")[2].split())
        return (high << 32 | low) * _HPET_STEP_S

    def until_reset(self, timeout_s: float) -> float:
        """Wait for a reset; the machine's own time just before it [s].

        The watchdog card's bite stops the machine while its clock is read, and then resets it: the clock of a machine
        in which nothing happens any more stands at its last timer. A reset by software is dated to some 0.05 s.
        Timeout when that much of the machine's own time has passed without one.
        """
        self.qmp("watchdog-set-action", action="pause")
        try:
            first_s = last_s = self.now_s()
            while last_s - first_s <= timeout_s:
                now_s = self.now_s()
                happened = {event["event"] for event in self.events}
                if "WATCHDOG" in happened:
                    return self._bitten()
                if "RESET" in happened:
                    return last_s
                last_s = now_s
                time.sleep(0.02)
        finally:
            self.qmp("watchdog-set-action", action="reset")
        raise Timeout(f"no reset within {timeout_s:.0f} s")

    def _bitten(self) -> float:
        """Read the stopped machine's time, then do what the card would have done."""
        while self.qmp("query-status")["running"]:
            time.sleep(0.02)
        bitten_s = self.now_s()
        self.qmp("system_reset")
        self.qmp("cont")
        return bitten_s

    # -- inside -------------------------------------------------------------------------------

    def _sync(self, timeout_s: float) -> None:
        token = time.monotonic_ns() & 0x7FFFFFFF
        self._agent.send({"execute": "guest-sync", "arguments": {"id": token}})
        deadline = time.monotonic() + timeout_s
        while self._agent.receive(deadline).get("return") != token:
            pass

    def agent(self, name: str, timeout_s: float = 90, **arguments: object) -> Any:
        """One guest agent command."""
        self._agent.send({"execute": name, "arguments": arguments})
        try:
            answer = self._agent.receive(time.monotonic() + timeout_s)
        except Timeout:
            raise Timeout(f"guest agent silent for {timeout_s:.0f} s ({name})") from None
        if "error" in answer:
            raise RuntimeError(f"{name}: {answer['error']['desc']}")
        return answer["return"]

    def run(self, command: str, timeout_s: float = 300) -> Result:
        """A shell command as root in the guest."""
        pid = self.spawn(command)
        deadline = time.monotonic() + timeout_s
        pause = 0.01
        while True:
            status = self.agent("guest-exec-status", pid=pid)
            if status["exited"]:
                text = [base64.b64decode(status.get(k, "")).decode(errors="replace") for k in ("out-data", "err-data")]
                return Result(status.get("exitcode", -status.get("signal", 1)), *text)
            if time.monotonic() > deadline:
                raise Timeout(f"still running after {timeout_s:.0f} s: {command}")
            time.sleep(pause)
            pause = min(pause * 1.5, 0.5)

    def spawn(self, command: str) -> int:
        """Start a shell command and do not wait; returns its process number."""
        pid: int = self.agent(
            "guest-exec",
            path="/bin/sh",
            arg=["-c", command],
            env=["PATH=/opt/venv/bin:/usr/sbin:/usr/bin:/sbin:/bin", "HOME=/root"],
            **{"capture-output": True},
        )["pid"]
        return pid

    def write(self, path: str, text: str | bytes) -> None:
        """Write a file in the guest (sysfs and configfs too)."""
        data = text.encode() if isinstance(text, str) else text
        handle = self.agent("guest-file-open", path=path, mode="w")
        try:
            for at in range(0, len(data), 1 << 19):
                piece: Any = base64.b64encode(data[at : at + (1 << 19)]).decode()
                self.agent("guest-file-write", handle=handle, **{"buf-b64": piece})
        finally:
            self.agent("guest-file-close", handle=handle)

    def gpio(self, line: int) -> int:
        """Level of a line, asked of the kernel and not of the process that drives it."""
        return int(self.run(f"cat /run/gpio/sim_gpio{line}/value").out)

"""A serial line that ends in the daemon's real serial library: a pty under a name that stays.

What is plugged in is the master's side. Pulling the plug closes it, so that the reader sees what it would see of a USB
adapter that is gone; plugging it in again makes another pty and moves the name to it, as udev would.

A pty drops nothing while its buffer has room, but bench time may run much faster than a reader is scheduled. So the
bench asks `taken` before it lets time go on.
"""

from __future__ import annotations

import array
import contextlib
import errno
import fcntl
import os
import select
import termios
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Final

__all__ = ["PtyLine", "Responder"]

#: More than this unread on the reader's side: it does not read, and what comes then is lost as on a real line.
_FULL_BYTES: Final = 3000


class PtyLine:
    """One line. `link` is the name under which the daemon finds it; plugged in at first.

    lost_bytes : what was sent while nothing was plugged in or nobody read
    """

    def __init__(self, link: Path) -> None:
        self.link = link
        self.lost_bytes = 0
        self.plugs = 0
        self._master = -1
        self._slave = -1
        self.plug()

    @property
    def plugged(self) -> bool:
        """Whether there is a device behind the name."""
        return self._master >= 0

    @property
    def master(self) -> int:
        """The bench's end, -1 while unplugged."""
        return self._master

    def plug(self) -> None:
        """Plug in; the name now leads to a new device."""
        if self.plugged:
            return
        self._master, self._slave = os.openpty()
        os.set_inheritable(self._master, False)
        os.set_inheritable(self._slave, False)
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        fresh = self.link.with_name(self.link.name + ".new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(os.ttyname(self._slave))
        fresh.replace(self.link)
        self.plugs += 1

    def unplug(self) -> None:
        """Pull the plug; the name is gone too."""
        if not self.plugged:
            return
        self.link.unlink(missing_ok=True)
        master, slave, self._master, self._slave = self._master, self._slave, -1, -1
        os.close(slave)
        os.close(master)

    close = unplug

    def send(self, data: bytes) -> None:
        """Put bytes on the line; what has no room is lost."""
        if not self.plugged or self.waiting() > _FULL_BYTES:
            self.lost_bytes += len(data)
            return
        try:
            done = os.write(self._master, data)
        except BlockingIOError:
            done = 0
        except OSError as exc:
            if exc.errno not in (errno.EIO, errno.EBADF):
                raise
            done = 0
        self.lost_bytes += len(data) - done

    def receive(self) -> bytes:
        """What the daemon has sent since the last look."""
        if not self.plugged:
            return b""
        with contextlib.suppress(BlockingIOError, OSError):
            return os.read(self._master, 4096)
        return b""

    def waiting(self) -> int:
        """Bytes that the daemon has not taken yet."""
        if not self.plugged:
            return 0
        count = array.array("i", [0])
        fcntl.ioctl(self._slave, termios.FIONREAD, count)
        return count[0]

    def forget(self) -> None:
        """Throw away what nobody has taken."""
        if self.plugged:
            termios.tcflush(self._slave, termios.TCIFLUSH)

    def wait_taken(self, bound_s: float) -> bool:
        """Wait until everything is taken, for at most so much real time; whether it is."""
        end_s = time.monotonic() + bound_s
        pause_s = 0.0
        while self.waiting():
            if time.monotonic() > end_s:
                return False
            time.sleep(pause_s)
            pause_s = 0.0002
        return True


class Responder:
    """Answers what comes on a line, in a thread of its own: the asker waits in real time, whatever bench time does.

    answer : called with everything unanswered so far; returns what to send and how many bytes it has used up
    """

    def __init__(self, line: PtyLine, answer: Callable[[bytes], tuple[bytes, int]]) -> None:
        self._line = line
        self._answer = answer
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="responder", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop answering."""
        self._stop.set()
        self._thread.join(5)

    def _run(self) -> None:
        pending = b""
        while not self._stop.is_set():
            master = self._line.master
            if master < 0:
                pending = b""
                self._stop.wait(0.01)
                continue
            try:
                ready = select.select([master], [], [], 0.05)[0]
            except (OSError, ValueError):
                continue  # unplugged between the two lines
            if not ready:
                pending = b""  # a pause ends every message
                continue
            more = self._line.receive()
            if not more:
                self._stop.wait(0.001)
                continue
            pending += more
            reply, used = self._answer(pending)
            pending = pending[used:]
            if reply:
                self._line.send(reply)

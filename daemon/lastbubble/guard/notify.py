"""systemd's notifications, by the guard's rules: never blocks, never raises, and knows whether anybody listens.

Protocol: sd_notify(3), a datagram of `KEY=value` lines to the socket that NOTIFY_SOCKET names.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

__all__ = ["Notifier"]


class Notifier:
    """`petted` is True while systemd's watchdog is armed for us and the last pet was taken.

    watchdog_s : how long systemd waits for a pet, None when it does not watch us.
    """

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self._socket: socket.socket | None = None
        self._address = ""
        self.petted = False
        self.failures = 0
        address = environment.get("NOTIFY_SOCKET", "")
        usec = environment.get("WATCHDOG_USEC", "")
        ours = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        self.watchdog_s = int(usec) / 1e6 if usec.isdigit() and ours and int(usec) > 0 else None
        #: True when systemd started us, whether or not it watches.
        self.supervised = bool(address)
        if address:
            # A leading @ is the abstract namespace.
            self._address = "\0" + address[1:] if address.startswith("@") else address
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)

    def ready(self, status: str) -> None:
        self._send(f"READY=1\nSTATUS={status}\n")

    def pet(self) -> None:
        """Once a whole good cycle; nowhere else."""
        self.petted = self._send("WATCHDOG=1\n") and self.watchdog_s is not None

    def say(self, status: str) -> None:
        self._send(f"STATUS={status}\n")

    def stopping(self) -> None:
        self._send("STOPPING=1\n")

    def _send(self, text: str) -> bool:
        if self._socket is None:
            return False
        try:
            self._socket.sendto(text.encode(), self._address)
        except OSError:
            self.failures += 1
            return False
        return True

"""What can be asked of the machine this runs on: files, sockets, libraries, programs. Asks only, changes nothing.

`root` stands in front of every path, so that a whole machine can be a folder.
"""

from __future__ import annotations

import os
import shutil
import socket
import ssl
import stat
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

__all__ = ["Machine"]

#: The longest that one program, library or connection is waited for; real time.
WAIT_S: Final = 20.0
CONNECT_S: Final = 3.0


@dataclass(frozen=True, slots=True)
class Machine:
    """root : "/" but in tests"""

    root: Path = Path("/")

    def path(self, path: str) -> Path:
        """The path as it is on this machine."""
        return self.root / path.lstrip("/")

    def text(self, path: str) -> str | None:
        """A small file's text without the white space round it; None when it cannot be read."""
        try:
            with self.path(path).open("rb") as file:
                return file.read(65536).decode(errors="replace").strip().strip("\0")
        except OSError:
            return None

    def there(self, path: str) -> bool:
        return self.path(path).exists()

    def names(self, folder: str) -> list[str]:
        """Sorted names in a folder, none when there is no such folder."""
        try:
            return sorted(os.listdir(self.path(folder)))
        except OSError:
            return []

    def mode(self, path: str) -> int | None:
        """Permission bits, None when it is not there."""
        try:
            return stat.S_IMODE(self.path(path).stat().st_mode)
        except OSError:
            return None

    def may(self, path: str, how: int) -> bool:
        """Whether this user may (os.R_OK, os.W_OK, ...)."""
        return os.access(self.path(path), how)

    def free_bytes(self, path: str) -> int | None:
        """Room on the disk that holds `path`, or would hold it; None when no folder on the way is there."""
        here = self.path(path)
        for folder in (here, *here.parents):
            if folder.exists():
                return shutil.disk_usage(folder).free
        return None

    def import_fault(self, module: str) -> str:
        """Why a library cannot be imported, "" when it can; tried in a process of its own, which may hang or crash."""
        done = self.run([sys.executable, "-c", f"import {module}"])
        if done is None:
            return "no answer"
        code, out = done
        return "" if code == 0 else (out.strip().splitlines() or [f"ended with {code}"])[-1]

    def run(self, argv: Sequence[str]) -> tuple[int, str] | None:
        """Exit code and output (both streams) of a program; None when it is not there or does not end in time."""
        try:
            done = subprocess.run(
                argv,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                timeout=WAIT_S,
                check=False,
            )
        except (OSError, subprocess.TimeoutExpired):
            return None
        return done.returncode, done.stdout.decode(errors="replace")

    def socket_fault(self, path: str) -> str:
        """Why nobody answers on a local socket, "" when somebody does."""
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
            link.settimeout(CONNECT_S)
            try:
                link.connect(str(self.path(path)))
            except OSError as exc:
                return exc.strerror or str(exc)
        return ""

    def connection_fault(self, host: str, port: int, *, tls: bool = False, ca_file: str | None = None) -> str:
        """Why a host cannot be reached, "" when it can (with `tls`: with a certificate that holds)."""
        try:
            with socket.create_connection((host, port), CONNECT_S) as link:
                if tls:
                    context = ssl.create_default_context(cafile=ca_file)
                    with context.wrap_socket(link, server_hostname=host):
                        pass
        except (OSError, ValueError) as exc:
            return getattr(exc, "verify_message", None) or getattr(exc, "strerror", None) or str(exc) or "no answer"
        return ""

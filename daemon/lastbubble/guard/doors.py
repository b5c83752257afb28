"""The guard's sockets: frames in, listeners and askers. Bounded work a cycle, nothing here can make the loop wait.

`frames.sock` takes datagrams whose sender the kernel names (SO_PASSCRED); `guard.sock` is the service's and
`bench.sock` a person's, both streams whose other end the kernel names (SO_PEERCRED). Who may is worked out once, at
the start: the loop asks no name service.
"""

from __future__ import annotations

import contextlib
import grp
import json
import logging
import os
import pwd
import select
import socket
import struct
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from lastbubble.errors import BadInput
from lastbubble.frames import FRAME_BYTES, FrameMessage, unpack
from lastbubble.guard.protocol import (
    BENCH_SOCKET,
    FRAMES_SOCKET,
    GUARD_SOCKET,
    MAX_LINE_BYTES,
    Answer,
    GuardStatus,
    status_line,
)
from lastbubble.guard.requests import Who

__all__ = ["MAX_FRAMES", "MAX_PEERS", "Doors", "People", "installed"]

log = logging.getLogger("lastbubble.guard.doors")

#: Bounds of one cycle's work.
MAX_FRAMES: Final = 64
MAX_PEERS: Final = 16
_MAX_LINES: Final = 8
_READ_BYTES: Final = 4096
#: A listener that reads nothing while this much waits for it is dropped (the kernel's own buffer).
_SEND_BUFFER: Final = 262144
_UCRED: Final = struct.Struct("3i")
_ANCILLARY: Final = socket.CMSG_SPACE(_UCRED.size)


@dataclass(frozen=True, slots=True)
class People:
    """User numbers and primary group numbers that may. Root and our own user always may."""

    uids: frozenset[int]
    gids: frozenset[int]

    @classmethod
    def of(cls, names: Iterable[str]) -> People:
        """From "user", "@group" or numbers; a member of a group counts by its primary or its supplementary membership.

        Raises BadInput for a name that this machine does not know.
        """
        uids = {0, os.geteuid()}
        gids: set[int] = set()
        for name in names:
            try:
                if name.startswith("@"):
                    group = grp.getgrgid(int(name[1:])) if name[1:].isdigit() else grp.getgrnam(name[1:])
                    gids.add(group.gr_gid)
                    for member in group.gr_mem:
                        with contextlib.suppress(KeyError):
                            uids.add(pwd.getpwnam(member).pw_uid)
                else:
                    uids.add(int(name) if name.isdigit() else pwd.getpwnam(name).pw_uid)
            except KeyError as exc:
                raise BadInput(f"{name} is not known on this machine; create it or mend the guard's settings") from exc
        return cls(frozenset(uids), frozenset(gids))

    def admit(self, uid: int, gid: int) -> bool:
        return uid in self.uids or gid in self.gids


def installed(name: str) -> tuple[str, ...]:
    """The name when this machine knows it: what an installation makes is admitted where it is, and missed nowhere."""
    try:
        People.of((name,))
    except BadInput:
        return ()
    return (name,)


class _Peer:
    """One connection: who it is, what it has said so far, how often it wants to hear."""

    __slots__ = ("buffer", "every_s", "link", "next_s", "revision", "who")

    def __init__(self, link: socket.socket, who: Who) -> None:
        self.link = link
        self.who: Who = who
        self.buffer = b""
        self.every_s: float | None = None
        self.next_s = 0.0
        self.revision = -1


class Doors:
    """The three sockets in `runtime_dir`. `close()` hangs up and removes their files."""

    def __init__(
        self, runtime_dir: Path, frames: People, service: People, bench: People, socket_group: str = ""
    ) -> None:
        self._frames_people = frames
        self._people: dict[Who, People] = {"service": service, "bench": bench}
        self._poll = select.epoll()
        self._peers: dict[int, _Peer] = {}
        self._servers: dict[int, tuple[socket.socket, Who]] = {}
        self._paths: list[Path] = []
        self.counters: dict[str, int] = dict.fromkeys(
            ("frames_foreign", "frames_junk", "peers_refused", "peers_dropped", "frame_floods"), 0
        )
        gid = grp.getgrnam(socket_group).gr_gid if socket_group else -1
        self._frames = self._bind(runtime_dir / FRAMES_SOCKET, socket.SOCK_DGRAM, gid)
        self._frames.setsockopt(socket.SOL_SOCKET, socket.SO_PASSCRED, 1)
        for name, who in ((GUARD_SOCKET, "service"), (BENCH_SOCKET, "bench")):
            server = self._bind(runtime_dir / name, socket.SOCK_STREAM, gid)
            server.listen(8)
            self._servers[server.fileno()] = (server, who)  # type: ignore[assignment]  # both words are of Who
            self._poll.register(server, select.EPOLLIN)

    def _bind(self, path: Path, kind: int, gid: int) -> socket.socket:
        with contextlib.suppress(FileNotFoundError):
            path.unlink()
        door = socket.socket(socket.AF_UNIX, kind | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK)
        door.bind(os.fspath(path))
        if gid >= 0:
            os.chown(path, -1, gid)
        path.chmod(0o660)
        self._paths.append(path)
        return door

    # -- in ----------------------------------------------------------------------------------------------------

    def frames(self) -> list[FrameMessage]:
        """The frames that have come, at most MAX_FRAMES; junk and foreign senders are counted and dropped."""
        out: list[FrameMessage] = []
        for _ in range(MAX_FRAMES):
            try:
                data, ancillary, _flags, _address = self._frames.recvmsg(FRAME_BYTES + 1, _ANCILLARY)
            except BlockingIOError:
                return out
            uid, gid = -1, -1
            for level, kind, value in ancillary:
                if level == socket.SOL_SOCKET and kind == socket.SCM_CREDENTIALS and len(value) == _UCRED.size:
                    _pid, uid, gid = _UCRED.unpack(value)
            if not self._frames_people.admit(uid, gid):
                self.counters["frames_foreign"] += 1
                continue
            try:
                out.append(unpack(data))
            except ValueError:
                self.counters["frames_junk"] += 1
        self.counters["frame_floods"] += 1
        return out

    def serve(self, answer: Callable[[Any, Who], Answer]) -> None:
        """Take in new connections and at most a few lines of each old one; answer every line."""
        for descriptor, _events in self._poll.poll(0, MAX_PEERS):
            server = self._servers.get(descriptor)
            if server is not None:
                self._accept(*server)
            elif descriptor in self._peers:
                self._read(self._peers[descriptor], answer)

    def _accept(self, server: socket.socket, who: Who) -> None:
        try:
            link, _address = server.accept()
        except OSError:
            return
        _pid, uid, gid = _UCRED.unpack(link.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _UCRED.size))
        if not self._people[who].admit(uid, gid) or len(self._peers) >= MAX_PEERS:
            self.counters["peers_refused"] += 1
            link.close()
            return
        link.setblocking(False)
        link.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER)
        self._peers[link.fileno()] = _Peer(link, who)
        self._poll.register(link, select.EPOLLIN)

    def _read(self, peer: _Peer, answer: Callable[[Any, Who], Answer]) -> None:
        try:
            piece = peer.link.recv(_READ_BYTES)
        except BlockingIOError:
            return
        except OSError:
            piece = b""
        if not piece:
            self._drop(peer, "")
            return
        *lines, peer.buffer = (peer.buffer + piece).split(b"\n")
        if len(peer.buffer) > MAX_LINE_BYTES or len(lines) > _MAX_LINES:
            self._drop(peer, "too much at once")
            return
        for line in lines:
            try:
                data = json.loads(line)
            except (ValueError, RecursionError):
                data = None
            reply = answer(data, peer.who)
            if reply.ok and reply.ask == "listen":
                peer.every_s = float(data.get("every_s", 1.0))
                peer.next_s = float("-inf")
            if not self._send(peer, status_line(reply)):
                return

    # -- out ---------------------------------------------------------------------------------------------------

    def tell(self, now_s: float, revision: int, status: Callable[[], GuardStatus]) -> None:
        """The status to every listener that is due: at its own rate, and at once when the revision has changed."""
        line = b""
        for peer in list(self._peers.values()):
            if peer.every_s is None or (now_s < peer.next_s and peer.revision == revision):
                continue
            line = line or status_line(status())
            peer.next_s = now_s + peer.every_s
            peer.revision = revision
            self._send(peer, line)

    def _send(self, peer: _Peer, line: bytes) -> bool:
        try:
            whole = peer.link.send(line) == len(line)
        except BlockingIOError:
            whole = False
        except OSError:
            # It has hung up, which is nothing to be told of.
            self._drop(peer, "")
            return False
        if not whole:
            self._drop(peer, "it does not read")
        return whole

    def _drop(self, peer: _Peer, why: str) -> None:
        descriptor = peer.link.fileno()
        if self._peers.pop(descriptor, None) is None:
            return
        if why:
            self.counters["peers_dropped"] += 1
            log.warning("event=peer_dropped who=%s text=%r", peer.who, why)
        self._poll.unregister(descriptor)
        peer.link.close()

    def close(self) -> None:
        for peer in list(self._peers.values()):
            self._drop(peer, "")
        for server, _who in self._servers.values():
            server.close()
        self._frames.close()
        self._poll.close()
        for path in self._paths:
            with contextlib.suppress(OSError):
                path.unlink()

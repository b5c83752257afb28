"""Who may see the page: a password (scrypt), sessions in memory, and a brake on guessing.

Pure but for the randomness of salts and session names; time comes in as an argument [s].

Sources: RFC 7914 (scrypt); OWASP password storage cheat sheet for N = 2**14 .. 2**17, r = 8 (2**14 here: a Raspberry
Pi takes a few hundred milliseconds and 16 MB for it).
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
from typing import Final

from lastbubble.errors import BadInput

__all__ = ["Brake", "Sessions", "check_password", "hash_password"]

_N: Final = 2**14
_R: Final = 8
_P: Final = 1
_PREFIX: Final = "scrypt"

#: The shortest password taken (NIST SP 800-63B asks for 8).
SHORTEST: Final = 8
LONGEST: Final = 256


def hash_password(password: str) -> str:
    """`scrypt$N$r$p$salt$hash`, to be kept in the settings instead of the password.

    Raises BadInput for a password shorter than 8 or longer than 256 characters.
    """
    if not SHORTEST <= len(password) <= LONGEST:
        raise BadInput(f"the password has {len(password)} characters; {SHORTEST} to {LONGEST} are allowed")
    salt = secrets.token_bytes(16)
    key = hashlib.scrypt(password.encode(), salt=salt, n=_N, r=_R, p=_P, dklen=32)
    return "$".join((_PREFIX, str(_N), str(_R), str(_P), _b64(salt), _b64(key)))


def check_password(password: str, stored: str) -> bool:
    """Whether `password` is the one that `stored` was made of. Raises BadInput when `stored` is not such a hash."""
    try:
        prefix, n, r, p, salt, key = stored.split("$")
        if prefix != _PREFIX or not 2**10 <= int(n) <= 2**20 or int(r) * int(p) > 64:
            raise ValueError(prefix)
        wanted = base64.b64decode(key, validate=True)
        found = hashlib.scrypt(
            password.encode()[: 4 * LONGEST],
            salt=base64.b64decode(salt, validate=True),
            n=int(n),
            r=int(r),
            p=int(p),
            maxmem=256 * int(n) * int(r),
            dklen=len(wanted),
        )
    except ValueError as exc:
        raise BadInput("the stored password is not one that 'lastbubble page password' prints; make a new one") from exc
    return hmac.compare_digest(found, wanted)


def _b64(data: bytes) -> str:
    return base64.b64encode(data).decode()


class Sessions:
    """Who has signed in. Names are 256 random bits; a session ends after `idle_s` without a request, or `longest_s`."""

    def __init__(self, idle_s: float = 7 * 86400, longest_s: float = 30 * 86400, most: int = 100) -> None:
        self._idle_s = idle_s
        self._longest_s = longest_s
        self._most = most
        self._begun: dict[str, tuple[float, float]] = {}

    def begin(self, now_s: float) -> str:
        """A new session's name; the one unused for longest makes room when there are too many."""
        if len(self._begun) >= self._most:
            del self._begun[min(self._begun, key=lambda name: self._begun[name][1])]
        name = secrets.token_urlsafe(32)
        self._begun[name] = (now_s, now_s)
        return name

    def holds(self, name: str, now_s: float) -> bool:
        """Whether this session is good; using it keeps it so."""
        times = self._begun.get(name)
        if times is None:
            return False
        begun, used = times
        if now_s - used > self._idle_s or now_s - begun > self._longest_s:
            del self._begun[name]
            return False
        self._begun[name] = (begun, now_s)
        return True

    def end(self, name: str) -> None:
        """Sign out."""
        self._begun.pop(name, None)


class Brake:
    """Slows down guessing: after `free` wrong passwords, each more doubles the wait, up to `longest_s`; per caller, and
    for all callers together ten times as patient."""

    def __init__(self, free: int = 5, first_s: float = 2.0, longest_s: float = 900.0, most: int = 1000) -> None:
        self._free = free
        self._first_s = first_s
        self._longest_s = longest_s
        self._most = most
        self._wrong: dict[str, tuple[int, float]] = {}

    def wait_s(self, caller: str, now_s: float) -> float:
        """How long this caller must wait before the next try; 0 when it may try now."""
        return max(self._left(caller, self._free, now_s), self._left("*", 10 * self._free, now_s))

    def wrong(self, caller: str, now_s: float) -> None:
        """Count a wrong password."""
        if len(self._wrong) >= self._most and caller not in self._wrong:
            del self._wrong[min(self._wrong, key=lambda name: self._wrong[name][1])]
        for name in (caller, "*"):
            count, last = self._wrong.get(name, (0, now_s))
            if now_s - last > 4 * self._longest_s:
                count = 0
            self._wrong[name] = (count + 1, now_s)

    def right(self, caller: str) -> None:
        """The right password clears what was counted for its caller."""
        self._wrong.pop(caller, None)

    def _left(self, name: str, free: int, now_s: float) -> float:
        count, last = self._wrong.get(name, (0, 0.0))
        if count < free:
            return 0.0
        wait = min(self._longest_s, self._first_s * 2.0 ** min(count - free, 30))
        return max(0.0, last + wait - now_s)

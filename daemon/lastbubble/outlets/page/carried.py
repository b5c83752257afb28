"""What was typed while the session ended goes with the sign-in page and comes back to its form, to be sent by a person.

It is not kept here: the sign-in page has it as hidden fields, escaped, and sends it with the password. So nobody can
fill this machine's memory, nor find here what somebody else typed. It is never asked of the desk on its way: after
signing in it is a form that was not taken, with a reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final
from urllib.parse import urlencode

from lastbubble.outlets.page.forms import Refused

__all__ = ["again", "carried_with", "typed_in", "why_not"]

#: Before the name of each field, so that none is taken for the sign-in page's own.
_BEFORE: Final = "typed:"
#: As it is sent; the password and the names come on top, and the body must stay within the server's bound [B].
MOST_CARRIED_B: Final = 12_000
_AGAIN: Final = "You had to sign in first, so it was not sent. Look it over and send it yourself."


def carried_with(typed: Mapping[str, str]) -> dict[str, str]:
    """The hidden fields that carry a form over the sign-in page, by name; none where it is too long for that."""
    fields = {
        f"{_BEFORE}{name}": text
        for name, text in typed.items()
        # The form that comes back has a name of its own for its sending.
        if name != "once" and "password" not in name.lower()
    }
    return fields if len(urlencode(fields)) <= MOST_CARRIED_B else {}


def typed_in(form: Mapping[str, str]) -> dict[str, str]:
    """What the sign-in page carried, by the names of its own form; the same bounds hold as for `carried_with`."""
    typed = {name.removeprefix(_BEFORE): text for name, text in form.items() if name.startswith(_BEFORE)}
    return typed if carried_with(typed) else {}


def why_not(typed: Mapping[str, str], carried: bool) -> str:
    """What the sign-in page says of a form that came without a session. carried : it goes with the page"""
    if typed.get("ask") == "cut":
        return "NOT CUT: sign in, and cut then. If the oven must go off now, pull its plug."
    if typed.get("ask") == "batch_photo":
        return "Nothing was kept. Sign in, and send the photo again: a photo cannot be carried over."
    if not carried:
        return "Nothing was kept. It is too long to be carried over: go back, copy what you typed, and sign in then."
    return "Nothing was kept yet. Sign in: what you typed comes back, to be sent by you."


def again(typed: Mapping[str, str]) -> Refused:
    """The form as it stands in its page after signing in."""
    return Refused(typed, _AGAIN)

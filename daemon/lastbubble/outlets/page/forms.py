"""Forms that work without a script, and say which field was not taken, why, and how it is written.

What was typed is kept: nobody with wet gloves types it twice. A form carries a name of its own for one sending
(`once`), so that a button pressed twice does its work once.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Final

__all__ = ["NOTHING", "Field", "Refused", "choice", "fields_html", "form_html", "hidden", "kept_note", "summary_html"]


@dataclass(frozen=True, slots=True)
class Field:
    """A field for a text: its name, its label, how it is written (shown beside the label), and whether it must come.

    area : room for several lines;  accept : a file of these kinds is chosen instead, as "image/png"
    """

    name: str
    label: str
    example: str = ""
    must: bool = False
    area: bool = False
    accept: str = ""


@dataclass(frozen=True, slots=True)
class Refused:
    """A form that was not taken.

    typed : what it held, by field;  why : the refusal;  faults : what is wrong with which field
    """

    typed: Mapping[str, str] = field(default_factory=dict)
    why: str = ""
    faults: Mapping[str, str] = field(default_factory=dict)

    def of(self, ask: str) -> Refused:
        """Itself where it was a form that asks this, else nothing refused."""
        return self if self.typed.get("ask") == ask else NOTHING


#: No form was refused.
NOTHING: Final = Refused()


def hidden(**told: str) -> str:
    """Fields that nobody sees."""
    return "".join(f'<input type="hidden" name="{escape(k)}" value="{escape(v)}">' for k, v in told.items())


def _ident(prefix: str, name: str) -> str:
    return f"{prefix}-{name.replace('_', '-')}"


def _mend(one: Field, fault: str) -> str:
    """The fault, and how the field is written where that does not say so itself."""
    text = fault.rstrip(". ")
    if one.example and one.example not in text:
        text += f"; write such as {one.example}"
    return f"{text}."


def _fault(ident: str, text: str) -> str:
    return f'<strong class="mend" id="{ident}-why">{escape(text)}</strong>'


def _field(prefix: str, one: Field, refused: Refused, first: bool) -> str:
    ident = _ident(prefix, one.name)
    fault = refused.faults.get(one.name, "")
    value = escape(refused.typed.get(one.name, ""))
    as_written = f' <span class="as">as {escape(one.example)}</span>' if one.example else ""
    more = f' aria-invalid="true" aria-describedby="{ident}-why"' if fault else ""
    more += " autofocus" if fault and first else ""
    more += " required" if one.must else ""
    common = f'id="{ident}" name="{one.name}"{more}'
    typing = 'autocomplete="off" autocapitalize="none" spellcheck="false"'
    if one.accept:
        # No browser lets a page fill this in again: a photo has to be chosen anew.
        control = f'<input {common} type="file" accept="{escape(one.accept)}">'
    elif one.area:
        control = f'<textarea {common} {typing} rows="3" maxlength="1000">{value}</textarea>'
    else:
        control = f'<input {common} {typing} value="{value}" maxlength="200">'
    told = _fault(ident, _mend(one, fault)) if fault else ""
    return f'<p class="field"><label for="{ident}">{escape(one.label)}{as_written}</label>{told}{control}</p>'


def fields_html(prefix: str, fields: Sequence[Field], refused: Refused = NOTHING) -> str:
    """The fields in their order. prefix : begins their names in the page, one for each form"""
    bad = next((one.name for one in fields if one.name in refused.faults), "")
    return "".join(_field(prefix, one, refused, one.name == bad) for one in fields)


def choice(
    prefix: str, name: str, label: str, values: Sequence[tuple[str, str]], refused: Refused = NOTHING, chosen: str = ""
) -> str:
    """One of several. values : (what is sent, words)"""
    ident = _ident(prefix, name)
    now = refused.typed.get(name, chosen)
    options = "".join(
        f'<option value="{escape(value)}"{" selected" if value == now else ""}>{escape(words)}</option>'
        for value, words in values
    )
    fault = refused.faults.get(name, "")
    told = _fault(ident, f"{fault.rstrip('. ')}.") if fault else ""
    more = f' aria-invalid="true" aria-describedby="{ident}-why"' if fault else ""
    return (
        f'<p class="field"><label for="{ident}">{escape(label)}</label>{told}'
        f'<select id="{ident}" name="{name}"{more}>{options}</select></p>'
    )


def form_html(ask: str, body: str, button: str, *, send_to: str = "/ask", **told: str) -> str:
    """A form that asks the desk. told : fields that nobody sees, `back` among them

    send_to : another address, to which it goes in parts, so that a file can go with it
    """
    once = secrets.token_urlsafe(9)
    parts = "" if send_to == "/ask" else ' enctype="multipart/form-data"'
    return (
        f'<form method="post" action="{escape(send_to)}"{parts} class="fields">'
        f"{hidden(ask=ask, once=once, **told)}{body}"
        f'<button type="submit">{escape(button)}</button></form>'
    )


def summary_html(refused: Refused, prefix: str = "", fields: Sequence[Field] = ()) -> str:
    """What stands at the head of a page that shows a refused form again; "" where none was."""
    if not refused.why:
        return ""
    known = {one.name: one for one in fields}
    bad = [(known[name], text) for name, text in refused.faults.items() if name in known]
    items = "".join(
        f'<li><a href="#{_ident(prefix, one.name)}">{escape(one.label)}</a>: {escape(_mend(one, text))}</li>'
        for one, text in bad
    )
    if not items:
        items = "".join(f"<li>{escape(line)}</li>" for line in refused.why.split("\n") if line)
    return (
        '<section class="caution refused" role="alert" aria-labelledby="refused-h"><h2 id="refused-h">Not kept</h2>'
        f"<p>Nothing was changed; what you typed is still here.</p><ul>{items}</ul></section>"
    )


def kept_note(at: str) -> str:
    """Says that a form was taken, and when; "" where none was."""
    return f'<p class="kept" role="status">Kept at {escape(at)}.</p>' if at else ""

"""The plan, the resin lots, and the batch book's forms on the station page. Everything works without a script."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any, Final

from lastbubble.outlets.page.view import page_html

__all__ = ["PLAN_FIELDS", "book_forms", "render_plan", "render_resin"]

#: Fields of the plan's form: name, label, example.
PLAN_FIELDS: Final[Sequence[tuple[str, str, str]]] = (
    ("material", "Material", "spalted maple"),
    ("thickness", "Thickness", "22 mm"),
    ("length", "Length", "120 mm"),
    ("width", "Width", "80 mm"),
    ("count", "How many", "4"),
    ("vessel_diameter", "Vessel's inner diameter", "24 cm"),
    ("vessel_height", "Vessel's height", "30 cm"),
    ("start", "Only for this start", "08:30"),
)
_PIECE_FIELDS: Final = (
    ("label", "Name of the piece", "1"),
    ("material", "Material", "spalted maple"),
    ("thickness", "Thickness", "22 mm"),
    ("length", "Length", "120 mm"),
    ("width", "Width", "80 mm"),
    ("dry", "Dry mass", "95.2 g"),
    ("wet", "Wet mass, drained", "215.1 g"),
    ("cured", "Cured mass", "208.8 g"),
    ("porosity", "Porosity, where known", "60 %"),
    ("who", "Who tells it", ""),
)
_SHAPES: Final = ("slab", "cylinder", "sphere", "lump")
_LEVELS: Final = {
    "fresh": "Good to use",
    "soon": "May thicken before long",
    "likely": "Likely thickening",
    "thick": "Thick: do not use",
    "contaminated": "Contaminated",
    "ended": "Used up",
}


def _input(name: str, label: str, example: str, value: str = "", must: bool = False) -> str:
    ident = f"f-{name}"
    hint = f' placeholder="{escape(example)}"' if example else ""
    return (
        f'<p><label for="{ident}">{escape(label)}</label> <input id="{ident}" name="{name}" value="{escape(value)}"'
        f'{hint}{" required" if must else ""} maxlength="200" autocomplete="off"></p>'
    )


def _choice(name: str, label: str, values: Sequence[str], chosen: str = "") -> str:
    options = "".join(
        f'<option value="{escape(value)}"{" selected" if value == chosen else ""}>{escape(value)}</option>'
        for value in values
    )
    return (
        f'<p><label for="f-{name}">{escape(label)}</label> <select id="f-{name}" name="{name}">{options}</select></p>'
    )


def _hidden(**fields: str) -> str:
    return "".join(f'<input type="hidden" name="{escape(k)}" value="{escape(v)}">' for k, v in fields.items())


def _section(ident: str, title: str, body: str) -> str:
    return f'<section aria-labelledby="{ident}"><h2 id="{ident}">{escape(title)}</h2>{body}</section>'


def _list(texts: Sequence[str], cls: str = "") -> str:
    items = "".join(f"<li>{escape(str(text))}</li>" for text in texts)
    return f"<ul{f' class={chr(34)}{cls}{chr(34)}' if cls else ''}>{items}</ul>"


def _table(label: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    top = "".join(f'<th scope="col">{escape(head)}</th>' for head in heads)
    lines = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="Table: {escape(label)}"><table>'
        f"<thead><tr>{top}</tr></thead><tbody>{lines}</tbody></table></div>"
    )


def render_plan(station: str, plan: Mapping[str, Any], asked: Mapping[str, str]) -> str:
    """The plan's page. plan : the desk's answer, a refusal too;  asked : what the form held"""
    form = "".join(_input(name, label, example, asked.get(name, "")) for name, label, example in PLAN_FIELDS)
    body = ""
    if not plan.get("ok", True):
        body += f'<p role="alert" class="caution">{escape(str(plan.get("why")))}</p>'
    else:
        body += _plan_body(plan, asked)
    return page_html(
        f"Plan - {station}",
        f'<header><p class="station">{escape(station)}</p></header><main><h1>Plan</h1>{body}'
        + _section("ask-h", "Plan for", f'<form method="get" action="/plan">{form}<button>Plan it</button></form>'
                   '<p class="quiet">Left empty: the pieces of the open batch, and the settings.</p>')
        + "</main>",
        here="/plan",
    )  # fmt: skip


def _plan_body(plan: Mapping[str, Any], asked: Mapping[str, str]) -> str:
    parts = [_section("care-h", "Take care", _list(plan["cautions"], "care"))]
    if plan["progress"]:
        came = [(row["words"], row["planned"], row["happened"], row["off"]) for row in plan["progress"]]
        columns = ("Moment", "Planned", "Happened, or now expected", "Off by")
        parts.insert(0, _section("progress-h", "The open batch against its plan", _table("Progress", columns, came)))
    if plan["starts"]:
        begins = [(one["clock"], f"{one['inside']:.0%}", f"{one['wait_s'] / 3600:.1f} h") for one in plan["starts"]]
        words = f"Awake from {plan['awake'][0]} to {plan['awake'][1]}, as the settings say."
        over = ("Start", "Nothing waits for you", "Waiting, on average")
        parts.append(_section("starts-h", "When to start", _table("Starts", over, begins) + f"<p>{escape(words)}</p>"))
    rows = []
    for moment in plan["moments"]:
        first, middle, last = moment["clock"]
        night = f"{1 - moment['awake']:.0%}" if moment["person"] and moment["awake"] < 0.995 else ""
        rows.append((moment["words"], "you" if moment["person"] else "by itself", middle,
                     "" if first == last else f"{first} to {last}", night))  # fmt: skip
    heads = ("Moment", "Needs", "About", "Between", "At night")
    keep = (
        f'<form method="post" action="/ask">{_hidden(ask="plan", keep="on", back="/plan", **asked)}'
        f"{_hidden(start=str(plan['start_utc'])) if not asked.get('start') else ''}"
        "<button>Keep this plan</button></form>"
    )
    parts.append(_section("moments-h", "Moments", _table("Moments", heads, rows) + keep))
    if plan["resin"]["remarks"]:
        parts.append(f'<div class="caution">{_list(plan["resin"]["remarks"])}</div>')
    parts.append(_section("prepare-h", "To prepare", _list(plan["prepare"])))
    parts.append(_section("basis-h", "What it rests on", _list(plan["basis"], "care")))
    return "".join(parts)


def _days(seconds: float) -> str:
    return f"{seconds / 86400:.0f} days" if seconds >= 2 * 86400 else f"{seconds / 3600:.0f} h"


def render_resin(station: str, lots: Sequence[Mapping[str, Any]]) -> str:
    """The resin lots, the worst first, and forms for what befalls them."""
    order = {"likely": 0, "soon": 1, "contaminated": 2, "thick": 3, "fresh": 4, "ended": 5}
    parts = []
    for place, lot in enumerate(sorted(lots, key=lambda one: (order.get(str(one["level"]), 9), str(one["lot"])))):
        age = lot["age_s"]
        facts = [f"opened {str(lot['opened_utc'])[:10]}" if lot["opened_utc"] else "not opened"]
        if lot["level"] != "ended":
            facts.append(f"stands: {lot['place']}")
        if lot["mass_kg"] is not None:
            facts.append(f"{lot['mass_kg'] * 1000:.0f} g left")
        if age["p50"] > 0:
            facts.append(
                f"as old as {_days(age['p50'])} at {lot['age_at_c']:.0f} °C ({_days(age['p10'])} to "
                f"{_days(age['p90'])}); keeps about {_days(lot['keeps_s'])} ({lot['keeps_basis']})"
            )
        if lot["from_memory"]:
            facts.append("from memory: " + ", ".join(lot["from_memory"]))
        good = lot["level"] in ("fresh", "ended")
        words = _LEVELS.get(str(lot["level"]), str(lot["level"]))
        head = f'<p class="{"quiet" if good else "caution"}">{escape(words)}</p>'
        parts.append(_section(f"lot-{place}", str(lot["lot"]), head + _list(facts) + _list(lot["remarks"], "care")))
    names = [str(lot["lot"]) for lot in lots if lot["level"] != "ended"]
    if not lots:
        parts.append("<p>No lot yet.</p>")
    if names:
        kinds = ("moved", "measured", "topped_up", "contaminated", "thickened", "ended", "note")
        form = (
            _hidden(ask="resin_event", back="/resin")
            + _choice("lot", "Lot", names)
            + _choice("kind", "What befell it", kinds)
            + _choice("place", "Place", ("fridge", "freezer", "cellar", "bench", "pump"))
            + _input("minutes", "Only for so long", "40 min")
            + _input("temperature", "Temperature measured", "34 degC")
            + _input("mass", "Mass added", "500 g")
            + _input("what", "With what, or the note", "red dye")
            + _input("when", "When, if not now", "40 min ago")
            + _input("who", "Who tells it", "")
        )
        parts.append(_section("event-h", "Say what befell a lot",
                              f'<form method="post" action="/ask">{form}<button>Keep it</button></form>'))  # fmt: skip
    parts.append('<p class="quiet">A lot is begun at a terminal: lastbubble resin open NAME.</p>')
    return page_html(
        f"Resin - {station}",
        f'<header><p class="station">{escape(station)}</p></header><main><h1>Resin</h1>{"".join(parts)}</main>',
        here="/resin",
    )


def book_forms(number: int) -> str:
    """Report, and forms for a piece and a note, on a batch's page."""
    back = f"/batch/{number}"
    piece = (
        _hidden(ask="batch_piece", batch=str(number), back=back)
        + "".join(_input(name, label, example, must=name == "label") for name, label, example in _PIECE_FIELDS)
        + _choice("shape", "Shape", _SHAPES)
    )
    note = (
        _hidden(ask="batch_note", batch=str(number), back=back)
        + '<p><label for="f-text">Note</label> <input id="f-text" name="text" required maxlength="1000"></p>'
    )
    return (
        f'<p><a href="/report/{number}">Report of this batch, to read or to print</a></p>'
        + _section("book-h", "Into the book",
                   "<details><summary>A piece, or what has become known of it</summary>"
                   f'<form method="post" action="/ask">{piece}<button>Keep it</button></form></details>'
                   f'<details><summary>A note</summary><form method="post" action="/ask">{note}'
                   "<button>Keep it</button></form></details>")
    )  # fmt: skip

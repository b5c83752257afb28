"""The resin lots on the station page, the worst first, with forms for what befalls them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any, Final

from lastbubble.outlets.page.forms import (
    NOTHING,
    Field,
    Refused,
    choice,
    fields_html,
    form_html,
    kept_note,
    summary_html,
)
from lastbubble.outlets.page.parts import head_html, listed, local_time, section
from lastbubble.outlets.page.view import page_html

__all__ = ["EVENT_FIELDS", "LOT_FIELDS", "render_resin"]

_LEVELS: Final = {
    "fresh": "Good to use",
    "soon": "May thicken before long",
    "likely": "Likely thickening",
    "thick": "Thick: do not use",
    "contaminated": "Contaminated",
    "ended": "Used up",
}
_WORST_FIRST: Final = {"likely": 0, "soon": 1, "contaminated": 2, "thick": 3, "fresh": 4, "ended": 5}
_PLACES: Final = (("fridge", "fridge"), ("freezer", "freezer"), ("cellar", "cellar"), ("bench", "bench"),
                  ("pump", "beside the pump"))  # fmt: skip
_KINDS: Final = (
    ("moved", "moved to another place"),
    ("measured", "a thermometer stood beside it"),
    ("topped_up", "topped up"),
    ("contaminated", "something got into it"),
    ("thickened", "seen to thicken"),
    ("ended", "used up"),
    ("note", "a note"),
)
EVENT_FIELDS: Final = (
    Field("minutes", "Only for so long", "40 min"),
    Field("temperature", "Temperature measured", "34 degC"),
    Field("mass", "Mass added", "500 g"),
    Field("what", "With what, or the note", "red dye"),
    Field("when", "When, if not now", "40 min ago"),
    Field("who", "Who tells it"),
)
LOT_FIELDS: Final = (
    Field("lot", "Name of the lot", "spring 1", must=True),
    Field("mass", "Mass", "2.1 kg"),
    Field("keeps", "Keeps, as its label says", "180 d"),
    Field("keeps_at", "At", "5 degC"),
    Field("when", "Opened, if not now", "2026-03-01"),
    Field("who", "Who tells it"),
)


def _days(seconds: float) -> str:
    return f"{seconds / 86400:.0f} days" if seconds >= 2 * 86400 else f"{seconds / 3600:.0f} h"


def _facts(lot: Mapping[str, Any]) -> list[str]:
    age = lot["age_s"]
    facts = [f"opened {local_time(lot['opened_utc'])[:10]}" if lot["opened_utc"] else "not opened"]
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
    return facts


def render_resin(station: str, lots: Sequence[Mapping[str, Any]], refused: Refused = NOTHING, kept: str = "") -> str:
    """The page. lots : of `lot_json`;  refused : a form that was not taken;  kept : when one was"""
    parts = []
    for place, lot in enumerate(sorted(lots, key=lambda one: (_WORST_FIRST.get(str(one["level"]), 9), one["lot"]))):
        good = lot["level"] in ("fresh", "ended")
        words = _LEVELS.get(str(lot["level"]), str(lot["level"]))
        head = f'<p class="{"level" if good else "caution"}">{escape(words)}</p>'
        parts.append(section(f"lot-{place}", str(lot["lot"]), head + listed(_facts(lot), "care")
                             + listed(lot["remarks"], "care")))  # fmt: skip
    if not lots:
        parts.append("<section><p>No lot yet. Begin one below: from then on its age is kept.</p></section>")
    names = [(str(lot["lot"]), str(lot["lot"])) for lot in lots if lot["level"] != "ended"]
    event, begin = refused.of("resin_event"), refused.of("resin_open")
    if names:
        body = (
            choice("event", "lot", "Lot", names, event)
            + choice("event", "kind", "What befell it", _KINDS, event)
            + choice("event", "place", "Place", _PLACES, event)
            + fields_html("event", EVENT_FIELDS, event)
        )
        form = form_html("resin_event", body, "Keep it", back="/resin")
        opened = " open" if event.why else ""
        told = "Moved, measured, topped up, contaminated ..."
        parts.append(
            section("event-h", "What befell a lot", f"<details{opened}><summary>{told}</summary>{form}</details>")
        )
    body = fields_html("lot", LOT_FIELDS, begin) + choice("lot", "place", "Stands in", _PLACES, begin)
    body += (
        '<p class="tick"><input type="checkbox" id="lot-memory" name="memory" value="on"'
        f'{" checked" if begin.typed.get("memory") else ""}><label for="lot-memory">Told from memory</label></p>'
    )
    form = form_html("resin_open", body, "Begin the lot", back="/resin")
    opened = " open" if begin.why or not lots else ""
    parts.append(section("begin-h", "A new lot", f"<details{opened}><summary>Begin a lot</summary>{form}</details>"))
    prefix, fields = ("lot", LOT_FIELDS) if begin.why else ("event", EVENT_FIELDS)
    return page_html(
        f"{'Not taken: ' if refused.why else ''}Resin - {station}",
        f"{head_html(station)}<main><h1>Resin</h1>{kept_note(kept)}{summary_html(refused, prefix, fields)}"
        f"{''.join(parts)}</main>",
        here="/resin",
    )

"""The plan on the station page: what was asked, when to start, each moment with its band, what to prepare."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any, Final

from lastbubble.outlets.page.forms import NOTHING, Field, Refused, fields_html, form_html, kept_note, summary_html
from lastbubble.outlets.page.parts import head_html, listed, section, table
from lastbubble.outlets.page.view import duration_text, page_html

__all__ = ["PLAN_FIELDS", "render_plan"]

#: Fields of the plan's form.
PLAN_FIELDS: Final = (
    Field("material", "Material", "spalted maple"),
    Field("thickness", "Thickness", "22 mm"),
    Field("length", "Length", "120 mm"),
    Field("width", "Width", "80 mm"),
    Field("count", "How many", "4"),
    Field("vessel_diameter", "Vessel's inner diameter", "24 cm"),
    Field("vessel_height", "Vessel's height", "30 cm"),
    Field("start", "Only for this start", "08:30"),
)
#: Moments at which a person is at the bench anyway, right after the one that called: the next visit's own work.
_SAME_VISIT: Final = frozenset({"oven_loaded"})


def render_plan(
    station: str, plan: Mapping[str, Any], asked: Mapping[str, str], refused: Refused = NOTHING, kept: str = ""
) -> str:
    """The plan's page.

    plan : the desk's answer, a refusal too;  asked : what the form held
    refused : where the form, or the keeping of the plan, was not taken;  kept : when the plan was kept
    """
    ok = bool(plan.get("ok", True))
    form = (
        '<form method="get" action="/plan" class="fields">'
        f"{fields_html('plan', PLAN_FIELDS, Refused(asked, refused.why, refused.faults))}"
        '<button type="submit">Plan it</button></form>'
        '<p class="quiet">Left empty: the pieces of the open batch, and the settings.</p>'
    )
    told = ", ".join(text for name, text in asked.items() if name != "start")
    what = f"For {told}" if told else "For the pieces of the open batch"
    ask = section(
        "ask-h", what, f"<details{'' if ok else ' open'}><summary>Plan for other pieces</summary>{form}</details>"
    )
    body = _plan_body(plan, asked) if ok else ""
    return page_html(
        f"{'Not taken: ' if refused.why else ''}Plan - {station}",
        f"{head_html(station)}<main><h1>Plan</h1>{kept_note(kept)}"
        f"{summary_html(refused, 'plan', PLAN_FIELDS)}{ask}{body}</main>",
        here="/plan",
    )


def _moments(plan: Mapping[str, Any]) -> str:
    """The moments as a list down the day; those that need a person stand out."""
    items = []
    for moment in plan["moments"]:
        first, middle, last = moment["clock"]
        person = bool(moment["person"]) or moment["name"] in _SAME_VISIT
        day = f"{middle.partition(' ')[0]} "
        small = [] if first == last else [f"between {first.removeprefix(day)} and {last.removeprefix(day)}"]
        if moment["person"] and moment["awake"] < 0.995:
            small.append(f"{1 - moment['awake']:.0%} that it comes at night")
        if moment["name"] in _SAME_VISIT:
            small.append("by you, in the same visit; heat is permitted at the bench only")
        elif not moment["person"]:
            small.append("nobody is needed")
        items.append(
            f"<li{' class=' + chr(34) + 'you' + chr(34) if person else ''}><time>{escape(middle)}</time>"
            f'<p class="what">{escape(moment["words"])}</p>'
            + (f'<p class="quiet">{escape("; ".join(small))}</p>' if small else "")
            + "</li>"
        )
    return f'<ol class="timeline">{"".join(items)}</ol>'


def _plan_body(plan: Mapping[str, Any], asked: Mapping[str, str]) -> str:
    parts = []
    if plan["progress"]:
        came = [(row["words"], row["planned"], row["happened"], row["off"]) for row in plan["progress"]]
        columns = ("Moment", "Planned", "Happened, or now expected", "Off by")
        parts.append(section("progress-h", "The open batch against its plan", table("Progress", columns, came)))
    if plan["starts"]:
        begins = [
            (one["clock"], f"{one['inside']:.0%}", duration_text(one["wait_s"]) if one["wait_s"] >= 60 else "none")
            for one in plan["starts"]
        ]
        words = (
            "No wait: the chance that nothing has to wait for you; wait: how long it does on average. You are awake "
            f"from {plan['awake'][0]} to {plan['awake'][1]}, as the settings say."
        )
        over = ("Start", "No wait", "Wait")
        parts.append(
            section(
                "starts-h", "When to start", table("Starts", over, begins) + f'<p class="quiet">{escape(words)}</p>'
            )
        )
    again = {} if asked.get("start") else {"start": str(plan["start_utc"])}
    keep = form_html("plan", "", "Keep this plan", keep="on", back="/plan", **{**dict(asked), **again})
    parts.append(section("moments-h", "When you are needed", _moments(plan) + keep))
    if plan["resin"]["remarks"]:
        parts.append(f'<div class="caution">{listed(plan["resin"]["remarks"])}</div>')
    parts.append(section("prepare-h", "To prepare", listed(plan["prepare"], "care")))
    parts.append(section("care-h", "Take care", listed(plan["cautions"], "care")))
    parts.append(section("basis-h", "What it rests on", listed(plan["basis"], "care")))
    return "".join(parts)

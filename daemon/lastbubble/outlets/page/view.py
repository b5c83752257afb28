"""What the page shows: words made of a snapshot, and the frame around every page.

`texts` is the one place where a snapshot becomes words; the first page is rendered with them on the server, and the
live updates send the same dictionary, so both always say the same. Every text is escaped on its way into HTML.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from html import escape
from typing import Any, Final

from lastbubble.outlets.page.forms import hidden
from lastbubble.outlets.wording import in_units
from lastbubble.units import Display

__all__ = [
    "CARE_NOW",
    "CAUTIONS",
    "LIKELY_MARKS",
    "MARK_BUTTONS",
    "STAGE_WORDS",
    "bands",
    "duration_text",
    "page_html",
    "render_problem",
    "render_sign_in",
    "texts",
]

STAGE_WORDS: Final[Mapping[str, str]] = {
    "idle": "Idle",
    "pump_down": "Pumping down",
    "degassing": "Bubbling",
    "still": "Bubbles have stopped",
    "venting": "Letting air in",
    "soaking": "Soaking",
    "heating": "Warming to the core",
    "curing": "Curing",
    "cooling": "Cooling",
    "finished": "Finished",
}

HEAT_WORDS: Final[Mapping[str, str]] = {
    "none": "This station has no guard: heat is yours to cut, at the plug",
    "withheld": "Heat is withheld",
    "permitted": "Heat is permitted",
    "tripped": "TRIPPED: the relay is open",
    "unknown": "The guard does not answer",
}

#: Mark, words on the button. The order is that of the job.
MARK_BUTTONS: Final[Sequence[tuple[str, str]]] = (
    ("pump_on", "Pump on"),
    ("vent_shut", "Vent shut"),
    ("bubbling", "Still bubbling"),
    ("quiet", "No bubbles seen"),
    ("isolated", "Pump valve shut"),
    ("rejoined", "Pump valve open"),
    ("rocked", "Rocked"),
    ("vent_open", "Vent open"),
    ("vented", "Vented"),
    ("pump_off", "Pump off"),
    ("drained", "Drained"),
    ("oven_loaded", "Oven loaded"),
    ("oven_unloaded", "Oven unloaded"),
)

#: What a person at the bench most likely does in each stage: these buttons are in reach, the others one tap away.
LIKELY_MARKS: Final[Mapping[str, Sequence[str]]] = {
    "idle": ("pump_on", "vent_shut", "oven_loaded"),
    "pump_down": ("bubbling", "quiet", "rocked", "isolated"),
    "degassing": ("bubbling", "quiet", "rocked", "isolated", "rejoined", "vent_open"),
    "still": ("bubbling", "rocked", "vent_open", "vented"),
    "venting": ("vented", "pump_off"),
    "soaking": ("pump_off", "drained", "oven_loaded"),
    "heating": ("drained", "oven_loaded", "oven_unloaded"),
    "curing": ("oven_unloaded",),
    "cooling": ("oven_unloaded",),
    "finished": ("oven_unloaded", "pump_on", "vent_shut"),
}

#: The usual cautions, beside what they concern.
CAUTIONS: Final[Sequence[str]] = (
    "The cut-off here is no substitute for an independent thermal fuse or limiter in the oven's supply.",
    "Heat is permitted, and a trip reset, at the bench only; from here it can be cut.",
    "Let air in before the pump stops. Never lean over a chamber under vacuum.",
    "Ventilate: monomer fumes are harmful and can ignite.",
)

#: The caution of the hour, beside what is to be done next.
CARE_NOW: Final[Mapping[str, str]] = {
    **dict.fromkeys(("pump_down", "degassing", "still"), "Air in before the pump stops. Never lean over the chamber."),
    "venting": "Slowly, and the pump stops last: else it loses its oil.",
    "soaking": "Gloves, eye protection, air: fumes are harmful and can ignite.",
    **dict.fromkeys(("heating", "curing"), "Ventilate. The cut-off is no substitute for the thermal fuse."),
    "cooling": "Pieces are hot inside long after the oven is cool.",
}

#: A sample older than this is no longer how it is now [s].
OLD_S: Final = 10.0

_EVENT_WORDS: Final[Mapping[str, str]] = {
    "bubbles_stopped": "bubbles stop",
    "cure_temperature_reached": "core at cure temperature",
    "cure_complete": "cure complete",
    "soak_complete": "soak complete",
}


def duration_text(seconds: float) -> str:
    """A length of time as a person says it: 40 s, 12 min, 3 h 05 min."""
    whole = max(0, round(seconds))
    if whole < 90:
        return f"{whole} s"
    minutes = round(whole / 60)
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def _away(snapshot: Mapping[str, Any], time_s: float) -> str:
    """A moment of the batch: how far from now."""
    away = time_s - float(snapshot.get("time_s") or 0.0)
    return f"in {duration_text(away)}" if away >= 0 else f"{duration_text(-away)} ago"


def _clock(snapshot: Mapping[str, Any], time_s: float) -> str:
    """A moment of the batch on the wall clock of this machine, with the day when it is another one; "" if not known."""
    try:
        now = datetime.fromisoformat(str(snapshot["utc"])).astimezone()
    except (KeyError, ValueError):
        return ""
    moment = now + timedelta(seconds=time_s - float(snapshot.get("time_s") or 0.0))
    moment = moment.astimezone()  # over a change of summer time
    return f"{moment:%H:%M}" if moment.date() == now.date() else f"{moment:%a %H:%M}"


def _began(snapshot: Mapping[str, Any]) -> str:
    """The batch's zero (ISO 8601), "" if not known."""
    try:
        now = datetime.fromisoformat(str(snapshot["utc"]))
    except (KeyError, ValueError):
        return ""
    return (now - timedelta(seconds=float(snapshot.get("time_s") or 0.0))).isoformat(timespec="seconds")


def bands(snapshot: Mapping[str, Any]) -> list[dict[str, str]]:
    """The forecasts as rows to draw: `what`, `at`, `away`, `between`, and `low mid high` in per cent of the way from
    now to the latest end of any band.
    """
    now_s = float(snapshot.get("time_s") or 0.0)
    items = [item for item in snapshot.get("forecasts") or () if item["p90"] > now_s]
    end_s = max([now_s + 600.0, *(item["p90"] for item in items)])
    rows = []
    for item in sorted(items, key=lambda item: float(item["p50"])):
        target = str(item["target"])
        low, mid, high = (
            f"{max(0.0, min(100.0, 100 * (item[name] - now_s) / (end_s - now_s))):.1f}"
            for name in ("p10", "p50", "p90")
        )
        first, last = (_clock(snapshot, max(item[name], now_s)) for name in ("p10", "p90"))
        between = f"between {first} and {last}" if first else ""
        if item["p10"] <= now_s:
            between = f"any moment, by {last}" if last else "any moment"
        rows.append(
            {
                "what": _EVENT_WORDS.get(target, target.replace("_", " ")),
                "at": _clock(snapshot, max(item["p50"], now_s)) or _away(snapshot, item["p50"]),
                "away": _away(snapshot, max(item["p50"], now_s)),
                "between": between,
                "low": low,
                "mid": mid,
                "high": high,
            }
        )
    return rows


def _heat(snapshot: Mapping[str, Any]) -> tuple[str, str]:
    """The heat in words, and its tone: off, on or danger."""
    heat = str(snapshot.get("heat_state") or "unknown")
    text = HEAT_WORDS.get(heat, heat)
    if heat == "tripped":
        if snapshot.get("trip_cause"):
            text += f" ({str(snapshot['trip_cause']).replace('_', ' ')})"
        if snapshot.get("relay_closed"):
            text = "TRIPPED, and the relay is still closed: PULL THE PLUG"
        return text, "danger"
    if heat == "permitted":
        closed = bool(snapshot.get("relay_closed"))
        return text + (", relay closed" if closed else ", relay open"), "on" if closed else "off"
    if heat == "withheld" and snapshot.get("relay_closed"):
        return "The relay is closed although heat is withheld: PULL THE PLUG", "danger"
    return text, "danger" if heat == "unknown" else "off"


def _forecast_text(snapshot: Mapping[str, Any]) -> str:
    return "; ".join(
        f"{_EVENT_WORDS.get(str(item['target']), str(item['target']).replace('_', ' '))} "
        f"{_away(snapshot, item['p50'])} (between {_away(snapshot, item['p10'])} and {_away(snapshot, item['p90'])})"
        for item in snapshot.get("forecasts") or ()
    )


def _next_when(snapshot: Mapping[str, Any]) -> str:
    at_s = snapshot.get("next_at_s")
    if at_s is None:
        return ""
    clock = _clock(snapshot, at_s)
    late = at_s < float(snapshot.get("time_s") or 0.0)
    if not clock:
        return _away(snapshot, at_s)
    return f"since {clock} ({_away(snapshot, at_s)})" if late else f"at {clock}, {_away(snapshot, at_s)}"


def texts(snapshot: Mapping[str, Any], display: Display) -> dict[str, str]:
    """Every word of the page that changes, by its field; a field with several lines has them apart by line ends."""
    stage = str(snapshot.get("stage") or "idle")
    core = snapshot.get("core_c")
    band = ""
    if core is not None and snapshot.get("core_low_c") is not None and snapshot.get("core_high_c") is not None:
        low = display.temperature_value(snapshot["core_low_c"])
        high = display.temperature_value(snapshot["core_high_c"])
        band = f"{low:.0f} to {high:.0f} {'°C' if display.temperature == 'degC' else '°F'}"
    heat_text, tone = _heat(snapshot)
    when = _next_when(snapshot)
    next_text = str(snapshot.get("next_action") or "Nothing to do.")
    hold = ""
    if snapshot.get("hold_s") and stage in ("heating", "curing", "cooling", "finished"):
        hold = (
            f"{duration_text(snapshot.get('held_s') or 0)} of {duration_text(snapshot['hold_s'])} at cure temperature"
        )
        if snapshot.get("dose_s"):
            # Beside the simple hold, which decides.
            hold += f"; to the initiator as {duration_text(snapshot['dose_s'])} at the target"
    share = 0.0
    if snapshot.get("hold_s"):
        share = max(0.0, min(1.0, float(snapshot.get("held_s") or 0.0) / float(snapshot["hold_s"])))
    alarms = list(snapshot.get("alarms") or ())
    age_s = float(snapshot.get("sample_age_s") or 0.0)
    oven = "; ".join(part for part in (_trust(snapshot, "oven", display), _air(snapshot, display)) if part)
    return {
        "oven_trust": oven,
        "witness_trust": _trust(snapshot, "witness", display),
        "stage": STAGE_WORDS.get(stage, stage.replace("_", " ")),
        "since": "for " + duration_text(float(snapshot.get("time_s") or 0) - float(snapshot.get("stage_since_s") or 0)),
        "next": f"{next_text} ({_away(snapshot, snapshot['next_at_s'])})" if when else next_text,
        "todo": next_text,
        "when": when,
        **_parted("chamber", _reading(snapshot, "chamber", display.pressure_text(snapshot.get("chamber_pa")))),
        **_parted("oven", _reading(snapshot, "oven", display.temperature_text(snapshot.get("oven_c")))),
        **_parted("witness", _reading(snapshot, "witness", display.temperature_text(snapshot.get("witness_c")))),
        **_parted("core", display.temperature_text(core) if core is not None else "not known"),
        "chamber": _reading(snapshot, "chamber", display.pressure_text(snapshot.get("chamber_pa"))),
        "oven": _reading(snapshot, "oven", display.temperature_text(snapshot.get("oven_c"))),
        # A station without a witness probe has no empty place for one.
        "witness": _reading(snapshot, "witness", display.temperature_text(snapshot["witness_c"]))
        if snapshot.get("witness_c") is not None or "witness" in (snapshot.get("faults") or {})
        else "",
        "core": display.temperature_text(core) if core is not None else "not known",
        "band": band,
        "began": _began(snapshot),
        "book_page": f"/batch/{int(snapshot['batch'])}" if snapshot.get("batch") else "/book",
        "report_page": f"/report/{int(snapshot['batch'])}" if snapshot.get("batch") else "",
        "care": CARE_NOW.get(stage, ""),
        "dial_unit": "C" if display.temperature == "degC" else "F",
        "hold": hold,
        "hold_share": f"{100 * share:.1f}",
        "heat": heat_text,
        "heat_tone": tone,
        "can_cut": "" if snapshot.get("heat_state") == "none" else "yes",
        "forecast": _forecast_text(snapshot) or "No forecast yet.",
        "cautions": in_units(
            "\n".join(str(item.get("text") or item.get("cause")) for item in snapshot.get("cautions") or ()), display
        ),
        "guard_notes": "\n".join(_sentence(line) for line in snapshot.get("guard_cautions") or ()),
        "batch": str(snapshot.get("batch_name") or f"Batch {snapshot.get('batch', '')}".strip()),
        "held_mark": str(snapshot.get("held_mark") or ""),
        "likely": " ".join(LIKELY_MARKS.get(stage, ())),
        "alarms": "\n".join(str(item["text"]) for item in alarms),
        # Only what is on the screen is acknowledged: an alarm that comes as the finger falls sounds on.
        "seen": ",".join(str(item["notice"]) for item in alarms if item.get("notice")),
        "standing": "" if all(item.get("notice") for item in alarms) else "It stays until it is mended at the bench.",
        "health": "\n".join(str(line) for line in snapshot.get("health") or ()),
        "age": f"The station has taken no sample for {duration_text(age_s)}" if age_s > OLD_S else "",
    }


def _parted(name: str, text: str) -> dict[str, str]:
    """A reading as its number and its unit, which stands smaller beside it; a text without a number stays whole."""
    number, _, unit = text.partition(" ")
    if not number[:1].isdigit() and not number[1:2].isdigit():
        number, unit = text, ""
    return {f"{name}_number": number, f"{name}_unit": unit}


def _sentence(line: object) -> str:
    text = str(line)
    return text[:1].upper() + text[1:]


def _reading(snapshot: Mapping[str, Any], source: str, text: str) -> str:
    """The value, or why there is none."""
    fault = (snapshot.get("faults") or {}).get(source)
    return f"no reading ({fault.replace('_', ' ')})" if fault else text


_GRADES: Final[Mapping[str, str]] = {
    "checked": "checked at two points",
    "class_1": "IEC 60584-1 class 1",
    "class_2": "IEC 60584-1 class 2",
}


def _difference(kelvin: float, display: Display) -> str:
    unit = "K" if display.temperature == "degC" else "°F"
    return f"{display.difference_value(kelvin):.1f} {unit}"


def _trust(snapshot: Mapping[str, Any], source: str, display: Display) -> str:
    """How far the reading may be off, and by what; "" where there is no reading or nobody told."""
    told = (snapshot.get("grades") or {}).get(source)
    if told is None or snapshot.get(f"{source}_c") is None:
        return ""
    return f"± {_difference(float(told['limit_k']), display)} ({_GRADES[told['grade']]})"


def _air(snapshot: Mapping[str, Any], display: Display) -> str:
    """What the oven's air does: its mean over whole cycles, or how fast it warms or cools."""
    if snapshot.get("oven_c") is None:
        return ""
    mean, slope = snapshot.get("air_mean_c"), snapshot.get("air_k_min")
    if mean is not None:
        return f"mean {display.temperature_text(mean)} over its cycles"
    if slope is not None and abs(slope) >= 0.3:
        return f"{'warms' if slope > 0 else 'cools'} by {_difference(abs(slope), display)} a minute"
    return ""


#: The way between the pages: address, words.
PLACES: Final[Sequence[tuple[str, str]]] = (
    ("/", "Now"),
    ("/plan", "Plan"),
    ("/book", "Book"),
    ("/resin", "Resin"),
    ("/history", "Compare"),
)


def _current(how: str) -> str:
    return f' aria-current="{how}"' if how else ""


def page_html(title: str, body: str, scripts: str = "", *, here: str = "", cls: str = "") -> str:
    """A whole page; `here` is its address among `PLACES`, `cls` a class of its body."""
    # A batch's own page is in the book, but is not the book.
    current = {here: "page"} | ({"/book": "true"} if here == "/batch" else {})
    links = "".join(f'<a href="{path}"{_current(current.get(path, ""))}>{words}</a>' for path, words in PLACES)
    ways = f'<nav aria-label="Pages" class="places">{links}</nav>' if here else ""
    return (
        "<!doctype html>\n"
        '<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark">'
        f"<title>{escape(title)}</title>"
        '<link rel="stylesheet" href="/static/page.css">'
        '<link rel="icon" href="/static/icon.svg" type="image/svg+xml">'
        f"{scripts}</head><body{f' class={chr(34)}{cls}{chr(34)}' if cls else ''}>{ways}{body}</body></html>\n"
    )


def render_sign_in(note: str = "", carried: Mapping[str, str] | None = None) -> str:
    """The page that asks for the password. carried : fields that it takes along, by name"""
    alert = f'<p role="alert" class="caution">{escape(note)}</p>' if note else ""
    return page_html(
        "Sign in",
        '<main class="narrow"><h1>Sign in</h1>'
        f"{alert}"
        f'<form method="post" action="/sign-in">{hidden(**(carried or {}))}'
        '<label for="password">Password of this station</label>'
        '<input id="password" name="password" type="password" autocomplete="current-password" required maxlength="256">'
        '<button type="submit">Sign in</button></form></main>',
    )


def render_problem(why: str) -> str:
    """A page that says why there is none, and the way back."""
    return page_html(
        "Not done",
        f'<main class="narrow"><h1>Not done</h1><p role="alert" class="caution">{escape(why)}</p>'
        '<p class="ways"><a href="/">To the station page</a></p></main>',
    )

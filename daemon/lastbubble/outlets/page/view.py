"""What the page shows: words made of a snapshot, and the HTML around them.

`texts` is the one place where a snapshot becomes words; the first page is rendered with them on the server, and the
live updates send the same dictionary, so both always say the same. Every text is escaped here and nowhere else.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any, Final

from lastbubble.units import Display

__all__ = [
    "CAUTIONS",
    "MARK_BUTTONS",
    "STAGE_WORDS",
    "duration_text",
    "page_html",
    "render_now",
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
    "withheld": "Heat is withheld",
    "permitted": "Heat is permitted",
    "tripped": "TRIPPED: the relay is open",
    "unknown": "The guard does not answer",
}

#: Mark, words on the button. The order is that of the job.
MARK_BUTTONS: Final[Sequence[tuple[str, str]]] = (
    ("bubbling", "Still bubbling"),
    ("quiet", "No bubbles seen"),
    ("isolated", "Pump valve shut"),
    ("rejoined", "Pump valve open"),
    ("rocked", "Rocked"),
    ("vent_open", "Vent open"),
    ("vented", "Vented"),
    ("pump_on", "Pump on"),
    ("pump_off", "Pump off"),
    ("drained", "Drained"),
    ("oven_loaded", "Oven loaded"),
    ("oven_unloaded", "Oven unloaded"),
)

#: The usual cautions, beside what they concern.
CAUTIONS: Final[Sequence[str]] = (
    "The cut-off here is no substitute for an independent thermal fuse or limiter in the oven's supply.",
    "Let air in before the pump stops. Never lean over a chamber under vacuum.",
    "Ventilate: monomer fumes are harmful and can ignite.",
)


def duration_text(seconds: float) -> str:
    """A length of time as a person says it: 40 s, 12 min, 3 h 05 min."""
    whole = max(0, round(seconds))
    if whole < 90:
        return f"{whole} s"
    minutes = round(whole / 60)
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def _at(snapshot: Mapping[str, Any], time_s: float) -> str:
    """A moment of the batch: how far from now."""
    away = time_s - float(snapshot.get("time_s") or 0.0)
    return f"in {duration_text(away)}" if away >= 0 else f"{duration_text(-away)} ago"


def texts(snapshot: Mapping[str, Any], display: Display) -> dict[str, str]:
    """Every word of the page that changes, by its field."""
    stage = str(snapshot.get("stage") or "idle")
    core = snapshot.get("core_c")
    band = ""
    if core is not None and snapshot.get("core_low_c") is not None and snapshot.get("core_high_c") is not None:
        low = display.temperature_value(snapshot["core_low_c"])
        high = display.temperature_value(snapshot["core_high_c"])
        band = f"between {low:.0f} and {high:.0f}"
    heat = str(snapshot.get("heat_state") or "unknown")
    heat_text = HEAT_WORDS.get(heat, heat)
    if heat == "tripped" and snapshot.get("trip_cause"):
        heat_text += f" ({str(snapshot['trip_cause']).replace('_', ' ')})"
    elif heat == "permitted":
        heat_text += ", relay closed" if snapshot.get("relay_closed") else ", relay open"
    elif heat == "withheld" and snapshot.get("relay_closed"):
        heat_text = "The relay is closed although heat is withheld: PULL THE PLUG"
    forecasts = "; ".join(
        f"{_EVENT_WORDS.get(str(item['target']), str(item['target']).replace('_', ' '))} "
        f"{_at(snapshot, item['p50'])} (between {_at(snapshot, item['p10'])} and {_at(snapshot, item['p90'])})"
        for item in snapshot.get("forecasts") or ()
    )
    next_text = str(snapshot.get("next_action") or "Nothing to do.")
    if snapshot.get("next_at_s") is not None:
        next_text += f" ({_at(snapshot, snapshot['next_at_s'])})"
    hold = ""
    if snapshot.get("hold_s") and stage in ("heating", "curing", "cooling", "finished"):
        hold = (
            f"{duration_text(snapshot.get('held_s') or 0)} of {duration_text(snapshot['hold_s'])} at cure temperature"
        )
    return {
        "stage": STAGE_WORDS.get(stage, stage.replace("_", " ")),
        "since": "for " + duration_text(float(snapshot.get("time_s") or 0) - float(snapshot.get("stage_since_s") or 0)),
        "next": next_text,
        "chamber": _reading(snapshot, "chamber", display.pressure_text(snapshot.get("chamber_pa"))),
        "oven": _reading(snapshot, "oven", display.temperature_text(snapshot.get("oven_c"))),
        "witness": _reading(snapshot, "witness", display.temperature_text(snapshot.get("witness_c"))),
        "core": display.temperature_text(core) if core is not None else "not known",
        "band": band,
        "hold": hold,
        "heat": heat_text,
        "forecast": forecasts or "No forecast yet.",
        "cautions": "\n".join(str(item.get("text") or item.get("cause")) for item in snapshot.get("cautions") or ()),
        "batch": str(snapshot.get("batch_name") or f"Batch {snapshot.get('batch', '')}".strip()),
        "held_mark": str(snapshot.get("held_mark") or ""),
        "alarms": "\n".join(str(item["text"]) for item in snapshot.get("alarms") or ()),
        "health": "\n".join(str(line) for line in snapshot.get("health") or ()),
    }


_EVENT_WORDS: Final[Mapping[str, str]] = {
    "bubbles_stopped": "bubbles stop",
    "cure_temperature_reached": "core at cure temperature",
    "cure_complete": "cure complete",
    "soak_complete": "soak complete",
}


def _reading(snapshot: Mapping[str, Any], source: str, text: str) -> str:
    """The value, or why there is none."""
    fault = (snapshot.get("faults") or {}).get(source)
    return f"no reading ({fault.replace('_', ' ')})" if fault else text


def page_html(title: str, body: str, scripts: str = "") -> str:
    return (
        "<!doctype html>\n"
        '<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title>"
        '<link rel="stylesheet" href="/static/page.css">'
        '<link rel="icon" href="/static/icon.svg" type="image/svg+xml">'
        f"{scripts}</head><body>{body}</body></html>\n"
    )


def render_sign_in(note: str = "") -> str:
    """The page that asks for the password."""
    alert = f'<p role="alert" class="caution">{escape(note)}</p>' if note else ""
    return page_html(
        "Sign in",
        '<main class="narrow"><h1>Sign in</h1>'
        f"{alert}"
        '<form method="post" action="/sign-in"><label for="password">Password of this station</label>'
        '<input id="password" name="password" type="password" autocomplete="current-password" required maxlength="256">'
        '<button type="submit">Sign in</button></form></main>',
    )


def _field(name: str, words: Mapping[str, str]) -> str:
    return f'<span data-field="{name}">{escape(words[name])}</span>'


def _lines(name: str, words: Mapping[str, str], cls: str, role: str) -> str:
    hidden = "" if words[name] else " hidden"
    items = "".join(f"<li>{escape(line)}</li>" for line in words[name].split("\n") if line)
    return f'<ul class="{cls}" role="{role}" data-lines="{name}"{hidden}>{items}</ul>'


def _ask(request: str, label: str, cls: str = "", **fields: str) -> str:
    hidden = "".join(
        f'<input type="hidden" name="{escape(name)}" value="{escape(value)}">' for name, value in fields.items()
    )
    return (
        f'<form method="post" action="/ask" class="{cls}"><input type="hidden" name="ask" value="{escape(request)}">'
        f'{hidden}<button type="submit">{escape(label)}</button></form>'
    )


def render_now(station: str, words: Mapping[str, str], *, signed_in: bool, charts: bool) -> str:
    """The station page: what is, what comes next, the cut, the marks, the charts."""
    marks = "".join(_ask("mark", label, "mark", mark=mark) for mark, label in MARK_BUTTONS)
    cautions = "".join(f"<li>{escape(line)}</li>" for line in CAUTIONS)
    held_hidden = "" if words["held_mark"] else " hidden"
    alarms_hidden = "" if words["alarms"] else " hidden"
    chart_html = (
        '<section aria-labelledby="charts-h"><h2 id="charts-h">This batch</h2>'
        '<div class="chart" id="chart-pressure" role="img" '
        'aria-label="Chamber pressure over the batch, logarithmic"></div>'
        '<div class="chart" id="chart-temperature" role="img" '
        'aria-label="Oven air and core temperature over the batch"></div>'
        '<p id="chart-note" class="quiet"></p></section>'
        if charts
        else ""
    )
    scripts = '<script src="/static/page.js" defer></script>'
    if charts:
        scripts = '<script src="/static/chart.js" defer></script>' + scripts
    sign_out = '<form method="post" action="/sign-out"><button type="submit" class="plain">Sign out</button></form>'
    return page_html(
        f"{words['stage']} - {station}",
        f'<header><p class="station">{escape(station)}</p>'
        '<p id="link" role="status" class="quiet">This page is as of its loading.</p></header>'
        '<main><section aria-labelledby="now-h"><h1 id="now-h">'
        f"{_field('stage', words)}</h1>"
        f'<p class="quiet">{_field("batch", words)}, {_field("since", words)}</p>'
        f"{_lines('cautions', words, 'caution', 'alert')}"
        f'<div class="next"><h2>Next</h2><p>{_field("next", words)}</p></div>'
        "<dl>"
        f"<div><dt>Chamber</dt><dd>{_field('chamber', words)}</dd></div>"
        f"<div><dt>Oven air</dt><dd>{_field('oven', words)}</dd></div>"
        f"<div><dt>Core</dt><dd>{_field('core', words)} <small>{_field('band', words)}</small></dd></div>"
        f"<div><dt>Witness probe</dt><dd>{_field('witness', words)}</dd></div>"
        "</dl>"
        f"<p>{_field('forecast', words)}</p><p>{_field('hold', words)}</p></section>"
        '<section aria-labelledby="heat-h" class="heat"><h2 id="heat-h">Heat</h2>'
        f'<p class="heat-state">{_field("heat", words)}</p>'
        f"{_ask('cut', 'Cut the heat', 'cut', reason='from the page')}"
        '<p class="quiet">Heat is permitted, and a trip reset, at the bench only.</p>'
        f'<div data-show="alarms"{alarms_hidden}>{_lines("alarms", words, "caution", "alert")}'
        f"{_ask('acknowledge', 'I have seen it')}</div></section>"
        '<section aria-labelledby="marks-h"><h2 id="marks-h">What have you just done?</h2>'
        f'<div data-show="held_mark"{held_hidden} role="status" class="held"><p>{_field("held_mark", words)}</p>'
        f"{_ask('mark_undo', 'Undo')}</div>"
        f'<div class="marks">{marks}'
        '<form method="post" action="/ask" class="dial"><input type="hidden" name="ask" value="mark">'
        '<label for="dial">Dial set to</label><input id="dial" name="dial" inputmode="decimal" size="5" required '
        'pattern="[0-9]{1,3}([.][0-9]+)?"><label for="dial-unit" class="hidden-label">Scale of the dial</label>'
        '<select id="dial-unit" name="unit"><option value="F">°F</option><option value="C">°C</option></select>'
        '<button type="submit">Set</button></form></div></section>'
        f"{chart_html}"
        f'<section aria-labelledby="care-h"><h2 id="care-h">Take care</h2><ul class="care">{cautions}</ul>'
        f"{_lines('health', words, 'quiet', 'status')}</section>"
        '<nav aria-label="Pages"><a href="/book">Batch book</a></nav>'
        f"{sign_out if signed_in else ''}</main>",
        scripts,
    )

"""History: two batches over each other, counted from their pump-downs, in curves and in a table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any, Final

from lastbubble.outlets.page.now import NUMBERS, chart_scripts
from lastbubble.outlets.page.view import duration_text, page_html

__all__ = ["moments", "pump_down_of", "render_compare"]

#: The rows of the table: key of `moments`, words.
_ROWS: Final = (
    ("pump_down", "Pump-down began"),
    ("bubbles_stopped", "Bubbles stopped"),
    ("vented", "Back at atmosphere"),
    ("soak_complete", "Soak complete"),
    ("heating", "Oven loaded"),
    ("cure_temperature_reached", "Core at cure temperature"),
    ("cure_complete", "Cure complete"),
    ("finished", "Cool enough to handle"),
)


def pump_down_of(story: Sequence[Mapping[str, Any]]) -> float | None:
    """When the first pump-down of these records began [s], or None."""
    for record in story:
        if record.get("kind") == "stage" and record.get("stage") == "pump_down":
            return float(record["t"] if record.get("since") is None else record["since"])
    return None


def moments(story: Sequence[Mapping[str, Any]]) -> dict[str, float]:
    """When each event truly happened and each stage began, counted from the pump-down (or from the batch's begin) [s];
    of what happened more than once, the last: an early "stopped" that was taken back is none.
    """
    zero_s = pump_down_of(story) or 0.0
    out: dict[str, float] = {}
    for record in story:
        if record.get("kind") == "event":
            out[str(record["name"])] = float(record["since"]) - zero_s
        elif record.get("kind") == "stage":
            name = str(record["stage"])
            if name == "pump_down" and name in out:
                continue
            out[name] = float(record["t"] if record.get("since") is None else record["since"]) - zero_s
    return out


def _pick(name: str, label: str, rows: Sequence[Mapping[str, Any]], chosen: int) -> str:
    options = "".join(
        f'<option value="{int(row["id"])}"{" selected" if row["id"] == chosen else ""}>{escape(_title(row))}</option>'
        for row in rows
    )
    return (
        f'<p><label for="pick-{name}">{label}</label><br><select id="pick-{name}" name="{name}">{options}</select></p>'
    )


def _title(row: Mapping[str, Any]) -> str:
    name = str(row.get("name") or "")
    day = str(row.get("opened_utc") or "")[:10]
    return " ".join(part for part in (f"{row['id']}:", name or "unnamed", f"({day})" if day else "") if part)


def _later(first_s: float | None, second_s: float | None) -> str:
    if first_s is None or second_s is None:
        return ""
    away_s = second_s - first_s
    if abs(away_s) < 30:
        return "the same"
    return f"{duration_text(abs(away_s))} {'later' if away_s > 0 else 'earlier'}"


def render_compare(
    station: str, rows: Sequence[Mapping[str, Any]], both: Sequence[Mapping[str, Any]], *, charts: bool
) -> str:
    """The page. rows : all batches, for choosing;  both : the two chosen, as `PageSource.batch` gives them, or none"""
    head = f'<header><p class="station">{escape(station)}</p></header><main><h1>Compare two batches</h1>'
    if len(both) < 2:
        return page_html(
            f"Compare - {station}", f"{head}<section><p>No batch yet.</p></section></main>", here="/history"
        )
    first, second = both
    a, b = moments(first["story"]), moments(second["story"])
    lines = ""
    for key, words in _ROWS:
        if key not in a and key not in b:
            continue
        cells = "".join(f'<td class="number">{duration_text(m[key]) if key in m else "-"}</td>' for m in (a, b))
        later = _later(a.get(key), b.get(key)) or "-"
        lines += f'<tr><th scope="row">{words}</th>{cells}<td class="number">{later}</td></tr>'
    for key, words in (
        ("material", "Material"),
        ("piece_thickness_mm", "Thickness, mm"),
        ("target_core_c", "Target, °C"),
    ):
        told = [str((batch.get("header") or {}).get(key, "")) for batch in both]
        if any(told):
            lines += (
                f'<tr><th scope="row">{words}</th>'
                + "".join(f'<td class="number">{escape(text) or "-"}</td>' for text in told)
                + "<td></td></tr>"
            )
    pick = (
        '<form method="get" action="/history" class="pick">'
        f"{_pick('a', 'First (solid)', rows, int(first['id']))}{_pick('b', 'Second (dashed)', rows, int(second['id']))}"
        '<button type="submit">Compare</button></form>'
    )
    drawing = (
        f'<section aria-labelledby="over-h"><h2 id="over-h">Over each other</h2><div id="overlay" '
        f'data-a="{int(first["id"])}" data-b="{int(second["id"])}"><h3>Chamber pressure</h3>'
        '<div class="chart" id="chart-pressure" role="img" aria-label="Chamber pressure of both batches"></div>'
        '<h3>Oven air</h3><div class="chart" id="chart-temperature" role="img" aria-label="Oven air of both batches">'
        '</div><p id="chart-note" class="quiet">Charts need a script; the table does not.</p>'
        f"{NUMBERS}</div></section>"
        if charts
        else ""
    )
    names = "".join(
        f'<th scope="col" class="number"><a href="/batch/{int(batch["id"])}">Batch {int(batch["id"])}</a> '
        f"{escape(str(batch.get('name') or ''))}</th>"
        for batch in both
    )
    return page_html(
        f"Compare - {station}",
        f"{head}<section>{pick}</section>{drawing}"
        '<section aria-labelledby="when-h"><h2 id="when-h">After pump-down</h2>'
        '<div class="wide" tabindex="0" role="region" aria-label="Table: moments of both batches"><table><thead><tr>'
        f'<th scope="col">What</th>{names}<th scope="col" class="number">The second came</th></tr></thead>'
        f"<tbody>{lines}</tbody></table></div></section></main>",
        chart_scripts(charts),
        here="/history",
    )

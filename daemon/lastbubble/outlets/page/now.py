"""The station page itself: what is, what comes next, the cut, the marks, the charts.

The order is that of need at two in the morning: what is wrong, what stage it is, what to do and when, how it stands,
then the rest. The cut stays at the foot of the screen, under the thumb, wherever the page is scrolled to.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

from lastbubble.outlets.page.forms import NOTHING, Refused
from lastbubble.outlets.page.view import CAUTIONS, MARK_BUTTONS, page_html

__all__ = ["NUMBERS", "band_row", "chart_figures", "chart_scripts", "render_now"]


def _field(name: str, words: Mapping[str, str]) -> str:
    return f'<span data-field="{name}">{escape(words[name])}</span>'


def _value(label: str, name: str, words: Mapping[str, str], more: str = "", *, may_hide: bool = False) -> str:
    below = f"<small>{_field(more, words)}</small>" if more else ""
    show = f' data-show="{name}"{"" if words[name] else " hidden"}' if may_hide else ""
    return (
        f"<div{show}><dt>{label}</dt><dd>{_field(name + '_number', words)} "
        f'<span class="unit">{_field(name + "_unit", words)}</span>{below}</dd></div>'
    )


def _hold_bar(words: Mapping[str, str]) -> str:
    """How much of the hold is done, for the eye; the words above say it to everybody."""
    return (
        '<svg viewBox="0 0 100 8" preserveAspectRatio="none" aria-hidden="true" focusable="false"><rect class="way" '
        f'x="0" y="1" width="100" height="6"/><rect class="reach" x="0" y="1" data-width="hold_share" '
        f'width="{escape(words["hold_share"])}" height="6"/></svg>'
    )


def _lines(name: str, words: Mapping[str, str], cls: str, role: str) -> str:
    """A list in a box that says itself when it changes; empty boxes are hidden."""
    hidden = "" if words[name] else " hidden"
    items = "".join(f"<li>{escape(line)}</li>" for line in words[name].split("\n") if line)
    return f'<div class="{cls}" role="{role}" data-show="{name}"{hidden}><ul data-lines="{name}">{items}</ul></div>'


def _ask(request: str, label: str, cls: str = "", **fields: str) -> str:
    hidden = "".join(
        f'<input type="hidden" name="{escape(name)}" value="{escape(value)}"'
        f"{' data-value=' + chr(34) + 'seen' + chr(34) if name == 'notices' else ''}>"
        for name, value in fields.items()
    )
    return (
        f'<form method="post" action="/ask" class="{cls}"><input type="hidden" name="ask" value="{escape(request)}">'
        f'{hidden}<button type="submit">{escape(label)}</button></form>'
    )


def _mark(mark: str, label: str) -> str:
    return (
        f'<form method="post" action="/ask" class="mark" data-mark="{mark}"><input type="hidden" name="ask" '
        f'value="mark"><input type="hidden" name="mark" value="{mark}"><button type="submit">{escape(label)}</button>'
        "</form>"
    )


def _dial(refused: Refused, scale: str) -> str:
    """The dial's form, its scale first as the station shows temperatures; what was refused stands in it again."""
    value = escape(refused.typed.get("dial", ""))
    fault = refused.faults.get("dial", "")
    more = ' aria-invalid="true" aria-describedby="dial-why"' if fault else ""
    told = f'<strong class="mend" id="dial-why">{escape(fault)}.</strong>' if fault else ""
    units = "".join(
        f'<option value="{unit}"{" selected" if refused.typed.get("unit", scale) == unit else ""}>°{unit}</option>'
        for unit in ("F", "C")
    )
    return (
        '<form method="post" action="/ask" class="dial"><input type="hidden" name="ask" value="mark">'
        f'<label for="dial">Dial set to</label>{told}<input id="dial" name="dial" inputmode="decimal" size="5" '
        f'required value="{value}" autocomplete="off"{more}><label for="dial-unit" class="hidden-label">Scale of the '
        f'dial</label><select id="dial-unit" name="unit">{units}</select><button type="submit">Set</button></form>'
    )


def band_row(row: Mapping[str, str]) -> str:
    """One forecast: words for everybody, and the band drawn from now (left) to the latest end of all bands."""
    low, mid, high = float(row["low"]), float(row["mid"]), float(row["high"])
    return (
        f'<li><p><span class="what">{escape(row["what"])}</span> <b>{escape(row["at"])}</b></p>'
        '<svg viewBox="0 0 100 8" preserveAspectRatio="none" aria-hidden="true" focusable="false">'
        '<rect class="way" x="0" y="3.5" width="100" height="1"/>'
        f'<rect class="reach" x="{low}" y="1" width="{max(1.0, high - low):.1f}" height="6"/>'
        f'<rect class="likely" x="{max(0.0, min(98.8, mid - 0.6)):.1f}" y="0" width="1.2" height="8"/></svg>'
        f'<p class="quiet">{escape(row["away"])}; {escape(row["between"])}</p></li>'
    )


#: Filled by the script that draws the charts.
NUMBERS = (
    '<details id="numbers" hidden><summary>The curves as numbers</summary><div class="wide" tabindex="0" role="region" '
    'aria-label="Table: the curves as numbers"><table><thead></thead><tbody></tbody></table></div></details>'
)


def chart_figures(batch: str = "", began: str = "") -> str:
    """The two charts of a batch ("" = the open one); the script draws them, and says beside them what they show.

    began : its zero (ISO 8601), for an axis of the time of day; "" = hours since it began
    """
    which = (f' data-batch="{escape(batch)}"' if batch else "") + f' data-began="{escape(began)}"'
    return (
        f'<div id="charts"{which}><h3>Chamber pressure</h3><div class="chart" id="chart-pressure" role="img" '
        'aria-label="Chamber pressure over the batch"></div><h3>Temperature</h3>'
        '<div class="chart" id="chart-temperature" role="img" '
        'aria-label="Oven air and core temperature over the batch"></div>'
        f'<p id="chart-note" class="quiet">Charts need a script; the values above do not.</p>{NUMBERS}</div>'
    )


def chart_scripts(charts: bool) -> str:
    """The scripts of a page with charts; without the chart library only our own."""
    own = '<script src="/static/page.js" defer></script>'
    return ('<script src="/static/chart.js" defer></script>' if charts else "") + own


def render_now(
    station: str,
    words: Mapping[str, str],
    rows: Sequence[Mapping[str, str]] = (),
    refused: Refused = NOTHING,
    *,
    signed_in: bool,
    charts: bool,
) -> str:
    """The page as it is at this moment; complete, and every button works, before or without any script."""
    likely = set(words["likely"].split())
    near = "".join(_mark(mark, label) for mark, label in MARK_BUTTONS if mark in likely)
    far = "".join(_mark(mark, label) for mark, label in MARK_BUTTONS if mark not in likely)
    cautions = "".join(f"<li>{escape(line)}</li>" for line in CAUTIONS)
    hidden = {
        name: "" if words[name] else " hidden"
        for name in ("held_mark", "alarms", "seen", "standing", "age", "when", "hold", "can_cut", "witness", "care")
    }
    no_rows = " hidden" if rows else ""
    sign_out = '<form method="post" action="/sign-out"><button type="submit" class="plain">Sign out</button></form>'
    figures = chart_figures(began=words["began"])
    ways = (
        f'<p class="ways"><a href="{words["book_page"]}" data-href="book_page">Weigh, note, look back</a>'
        f'<a href="{words["report_page"]}" data-href="report_page" data-show="report_page"'
        f"{'' if words['report_page'] else ' hidden'}>Report</a></p>"
    )
    drawn = figures if charts else ""
    batch = f'<section aria-labelledby="charts-h"><h2 id="charts-h">This batch</h2>{ways}{drawn}</section>'
    return page_html(
        f"{words['stage']} - {station}",
        f'<header><p class="station">{escape(station)}</p>'
        '<p id="link" role="status">As of loading; reload for news.</p></header>'
        '<div class="old" role="region" aria-label="Old readings"><p id="old" role="alert" hidden></p>'
        f'<p data-show="age"{hidden["age"]}>{_field("age", words)}.</p></div>'
        '<main class="now">'
        f'<section class="alarm" aria-label="Alarms" data-show="alarms"{hidden["alarms"]}>'
        f"{_lines('alarms', words, 'said', 'alert')}"
        f'<div data-show="seen"{hidden["seen"]}>{_ask("acknowledge", "I have seen it", "seen", notices=words["seen"])}'
        f'</div><p data-show="standing"{hidden["standing"]}>{_field("standing", words)}</p></section>'
        '<section class="stage" aria-labelledby="now-h">'
        f'<h1 id="now-h">{_field("stage", words)}</h1>'
        f'<p class="quiet">{_field("since", words)} · {_field("batch", words)}</p>'
        f"{_lines('cautions', words, 'caution', 'alert')}"
        f'<div class="next"><h2>Next</h2><p class="todo">{_field("todo", words)}</p>'
        f'<p class="when" data-show="when"{hidden["when"]}>{_field("when", words)}</p></div>'
        f'<p class="quiet care-now" data-show="care"{hidden["care"]}>{_field("care", words)}</p></section>'
        '<section class="held" role="status" aria-label="Noted mark" '
        f'data-show="held_mark"{hidden["held_mark"]}><p>{_field("held_mark", words)}</p>'
        f"{_ask('mark_undo', 'Undo')}</section>"
        '<div class="two"><div class="first"><section aria-labelledby="values-h">'
        '<h2 id="values-h" class="hidden-label">Readings</h2><dl>'
        f"{_value('Chamber', 'chamber', words)}{_value('Oven air', 'oven', words, 'oven_trust')}"
        f"{_value('Core', 'core', words, 'band')}"
        f"{_value('Witness probe', 'witness', words, 'witness_trust', may_hide=True)}</dl>"
        f'<div class="hold" data-show="hold"{hidden["hold"]}><p>{_field("hold", words)}</p>{_hold_bar(words)}</div>'
        "</section>"
        '<section aria-labelledby="ahead-h"><h2 id="ahead-h">Ahead</h2>'
        f'<ul class="bands" id="bands">{"".join(band_row(row) for row in rows)}</ul>'
        f'<p id="no-bands" class="quiet"{no_rows}>No forecast yet.</p></section>'
        '<section aria-labelledby="marks-h"><h2 id="marks-h">What have you just done?</h2>'
        f'<div class="marks" id="near">{near}</div>{_dial(refused, words["dial_unit"])}'
        f'<details><summary>Other marks</summary><div class="marks" id="far">{far}</div></details></section>'
        f'</div><div class="second">{batch}'
        '<section aria-labelledby="care-h"><h2 id="care-h">Take care</h2>'
        f'<ul class="care">{cautions}</ul>{_lines("guard_notes", words, "quiet", "status")}'
        f"{_lines('health', words, 'quiet', 'status')}{sign_out if signed_in else ''}</section></div></div></main>"
        f'<section class="heat" aria-labelledby="heat-h" data-tone="{escape(words["heat_tone"])}">'
        f'<h2 id="heat-h" class="hidden-label">Heat</h2><p class="heat-state" role="status">{_field("heat", words)}</p>'
        f'<div data-show="can_cut"{hidden["can_cut"]}>'
        f"{_ask('cut', 'Cut the heat', 'cut', reason='from the page')}</div>"
        f'<p id="said" role="status"{" class=" + chr(34) + "is-bad" + chr(34) if refused.why else ""}>'
        f"{escape(refused.why)}</p></section>",
        chart_scripts(charts),
        here="/",
    )

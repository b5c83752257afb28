"""One page about a batch: HTML that stands alone, reads on a phone and prints on paper.

Made of what the ledger keeps: what was said live, with how sure and on what it rested, not what a later program would
say. No script, nothing from elsewhere; photos that can be read are laid in.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from html import escape
from pathlib import Path
from typing import Any, Final

from lastbubble.book.drawing import Band, Curve, Moment, Shade, chart
from lastbubble.book.keeping_words import CAUTIONS, event_words, stage_words
from lastbubble.book.lots_view import span_words
from lastbubble.book.photos import LARGEST_B
from lastbubble.book.story import batch_book
from lastbubble.context import context_from_header
from lastbubble.errors import BadInput
from lastbubble.ledger.reader import Reader
from lastbubble.ledger.rows import ESTIMATE_COLUMNS
from lastbubble.ledger.series import series
from lastbubble.units import Display

__all__ = ["report_html"]

_POINTS: Final = 700
_PHOTOS_B: Final = 12_000_000
_PICTURES: Final = {".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".png": "image/png", ".webp": "image/webp"}
_SHADES: Final = {
    "pump_down": "#d6e6f5",
    "degassing": "#e8f0f8",
    "still": "#dcf1dd",
    "venting": "#fbecd0",
    "soaking": "#f7f2e2",
    "heating": "#fbe3d8",
    "curing": "#f7d3c8",
    "cooling": "#ebe6f3",
    "finished": "#e9efe9",
}
_STYLE: Final = """
:root{color-scheme:light}*{box-sizing:border-box}
body{font:15px/1.45 system-ui,sans-serif;color:#141a19;background:#fff;margin:0 auto;max-width:62rem;padding:1rem}
h1{font-size:1.7rem;margin:0}h2{font-size:1.1rem;margin:1.1rem 0 .3rem;border-bottom:1px solid #777}
p{margin:.3rem 0}.quiet{color:#47504e}.care{border:2px solid #6b230e;padding:.4rem .7rem;margin:.6rem 0}
dl{display:grid;grid-template-columns:repeat(auto-fit,minmax(9rem,1fr));gap:.3rem 1rem;margin:.4rem 0}
dt{color:#47504e;font-size:.9rem}dd{margin:0;font-weight:600}
.wide,.plot{overflow-x:auto}.plot svg{min-width:44rem}table{border-collapse:collapse;width:100%;font-size:.92rem}
th,td{text-align:left;vertical-align:top;padding:.15rem .6rem .15rem 0;border-bottom:1px solid #ccc}
td.n,th.n{text-align:right;font-variant-numeric:tabular-nums}ul{margin:.2rem 0;padding-left:1.2rem}
svg{width:100%;height:auto;display:block}svg .s{font-size:10.5px}
svg text{font:11px system-ui,sans-serif;paint-order:stroke;stroke:#fff;stroke-opacity:.75;stroke-width:3px}
svg .m{text-anchor:middle}svg .e{text-anchor:end}svg .b{font-weight:600}svg .g{stroke:#d4d8d5;stroke-width:.6}
figure{margin:.4rem 0;display:inline-block;vertical-align:top;max-width:19rem}
figure img{max-width:100%;max-height:14rem}
figcaption{font-size:.85rem}
@media print{body{font-size:7.6pt;line-height:1.25;padding:0;max-width:none}h1{font-size:13pt}
 h2{font-size:9pt;margin:.35rem 0 .1rem}table{font-size:7.2pt}th,td{padding:.05rem .4rem .05rem 0}dt{font-size:7pt}
 .care{padding:.1rem .4rem;margin:.2rem 0}.care p{margin:.05rem 0}dl{margin:.1rem 0}p{margin:.1rem 0}
 .plot svg{min-width:0}svg{max-height:4.2cm;margin:0 auto}.cols{columns:2}.wide{overflow:visible}
 details{display:none}tr,figure{break-inside:avoid}
 @page{size:A4;margin:9mm}}
"""


def _clock(seconds: float) -> str:
    whole = round(seconds)
    sign = "-" if whole < 0 else ""
    return f"{sign}{abs(whole) // 3600}:{abs(whole) // 60 % 60:02d}"


class _Page:
    """Gathers one report."""

    def __init__(self, reader: Reader, batch: int, display: Display, photos: bool) -> None:
        self.reader = reader
        self.row = reader.batch(batch)
        self.book = batch_book(reader, batch)
        self.display = display
        self.photos = photos
        self.records = list(self._lines())
        self.end_s = self.row.last_time_s or 0.0
        try:
            self.context = context_from_header(self.row.header)
        except BadInput:
            self.context = context_from_header({})
        self.last = self._last_estimate()

    def _lines(self) -> Iterator[dict[str, Any]]:
        """All that was said, without the forecasts but the last of each target before its event."""
        for (line,) in self.reader.query(
            "SELECT line FROM records WHERE batch = ? AND kind != 'forecast' ORDER BY seq", (self.row.id,)
        ):
            yield json.loads(line)

    def _last_estimate(self) -> dict[str, float | None]:
        columns = ", ".join(ESTIMATE_COLUMNS)
        rows = self.reader.query(
            f"SELECT {columns} FROM estimates WHERE batch = ? ORDER BY time_s DESC LIMIT 1", (self.row.id,)
        )
        return dict(zip(ESTIMATE_COLUMNS, rows[0], strict=True)) if rows else {}

    def at(self, seconds: float) -> str:
        """Time of the batch, and the wall clock where it has one."""
        moment = (self.row.opened_utc + timedelta(seconds=seconds)).astimezone()
        return f"{_clock(seconds)} ({moment:%a %H:%M})"

    def temperature(self, celsius: float | None) -> str:
        return self.display.temperature_text(celsius)

    # -- parts -------------------------------------------------------------------------------------------------

    def head(self) -> str:
        row, header = self.row, self.row.header
        opened = row.opened_utc.astimezone()
        closed = "still open" if row.closed_utc is None else f"closed {row.closed_utc.astimezone():%Y-%m-%d %H:%M}"
        facts = {
            "Station": self.context.station,
            "Opened": f"{opened:%Y-%m-%d %H:%M}, {closed}",
            "Material": self.context.material,
            "Slowest piece": _sizes(header),
            "Core's target": self.temperature(self.context.target_c),
            "Hold wanted": f"{self.context.hold_s / 60:.0f} min",
            "Soak wanted": "" if self.context.soak_min is None else f"{self.context.soak_min:.0f} min",
            "Resin lot": self._lot_words(),
        }
        items = "".join(f"<div><dt>{escape(k)}</dt><dd>{escape(v)}</dd></div>" for k, v in facts.items() if v)
        notes = f"<p>{escape(row.notes)}</p>" if row.notes else ""
        return f"<h1>Batch {row.id}{': ' + escape(row.name) if row.name else ''}</h1>{notes}<dl>{items}</dl>"

    def _lot_words(self) -> str:
        lot = str(self.book["resin_lot"])
        return f"{lot} (taken over from the batch before)" if lot and self.book["resin_lot_taken_over"] else lot

    def care(self) -> str:
        return '<div class="care">' + "".join(f"<p>{escape(text)}</p>" for text in CAUTIONS) + "</div>"

    def _stage_shades(self) -> list[Shade]:
        stages = [record for record in self.records if record["kind"] == "stage"]
        begins = [float(s["t"] if s.get("since") is None else s["since"]) for s in stages]
        ends = [*begins[1:], self.end_s] if begins else []
        return [
            Shade(begin, end, stage_words(stage["stage"]), _SHADES.get(stage["stage"], "#f2f2f2"))
            for stage, begin, end in zip(stages, begins, ends, strict=True)
        ]

    def _moments(self, names: Sequence[str], cautions: Sequence[str]) -> list[Moment]:
        out = []
        for record in self.records:
            if record["kind"] == "event" and record["name"] in names:
                out.append(Moment(float(record["since"]), event_words(record["name"]), "#12632b"))
                out.append(Moment(float(record["t"]), "", "#12632b", "2 3"))
            elif record["kind"] == "warning" and record["cause"].startswith(tuple(cautions)):
                out.append(Moment(float(record["t"]), str(record["cause"]).replace("_", " "), "#a3241b", "5 3"))
            elif record["kind"] == "trip":
                out.append(Moment(float(record["t"]), "TRIP " + str(record["cause"]).replace("_", " "), "#000000"))
        return out

    def _series(self, name: str) -> list[tuple[float, float | None]]:
        return list(series(self.reader, self.row.id, name, points=_POINTS))

    def curves(self) -> str:
        shades = self._stage_shades()
        depth = self.display.pressure == "inHg vacuum"
        unit = "mbar" if depth else self.display.pressure
        scale = Display(pressure="mbar") if depth else self.display
        pressure = [
            (t, None if v is None else max(scale.pressure_value(v), 1e-6)) for t, v in self._series("chamber_pa")
        ]
        chamber = chart(
            "Chamber pressure",
            f"{unit}, absolute",
            [Curve("chamber", pressure, "#1f4f7a")],
            shades=shades,
            moments=self._moments(("bubbles_stopped", "vented", "soak_complete"), _OF_CHAMBER),
            log=True,
        )

        def shown(points: Sequence[tuple[float, float | None]]) -> list[tuple[float, float | None]]:
            return [(t, None if v is None else self.display.temperature_value(v)) for t, v in points]

        low, high = dict(self._series("core_low_c")), dict(self._series("core_high_c"))
        both = [(t, low[t], high[t]) for t in sorted(low.keys() & high.keys())]
        band = [
            (t, self.display.temperature_value(a), self.display.temperature_value(b))
            for t, a, b in both
            if a is not None and b is not None
        ]
        oven = chart(
            "Oven air and the core of the slowest piece",
            "°C" if self.display.temperature == "degC" else "°F",
            [
                Curve("oven air", shown(self._series("oven_c")), "#6b6b6b"),
                Curve("core", shown(self._series("core_c")), "#a5421b"),
                Curve("witness probe", shown(self._series("witness_c")), "#1f6f8b", "6 3"),
            ],
            bands=[Band("core, 80 % band", band, "#a5421b")],
            shades=shades,
            moments=self._moments(("cure_temperature_reached", "cure_complete"), _OF_OVEN),
            levels=[(self.display.temperature_value(self.context.target_c), "core's target")] if band else [],
            least_span=10.0,
        )
        drawn = (
            "".join(
                f'<div class="plot" tabindex="0" role="region" aria-label="Drawing: {what}">{part}</div>'
                for what, part in (("chamber pressure", chamber), ("oven and core", oven))
                if part
            )
            or "<p>No curve: nothing was read.</p>"
        )
        legend = "Upright lines: when it happened; dotted beside them: when it was said."
        return f'<section><h2>Curves</h2>{drawn}<p class="quiet">{legend}</p></section>'

    def calls(self) -> str:
        rows = []
        for record in self.records:
            if record["kind"] != "event":
                continue
            sure = "not told" if record.get("sure") is None else f"{record['sure']:.0%}"
            rows.append(
                (event_words(record["name"]), self.at(record["since"]), self.at(record["t"]), sure,
                 str(record.get("basis") or "not told"))
            )  # fmt: skip
        if not rows:
            return "<section><h2>Calls</h2><p>None were made.</p></section>"
        table = _table(("what", "happened (best estimate)", "said", "how sure", "rests on"), rows)
        return f"<section><h2>Calls, how sure, and on what they rest</h2>{table}</section>"

    def cure(self) -> str:
        held, dose = self.last.get("held_s"), self.last.get("dose_s")
        facts = []
        if held is not None and (held > 0 or self.book["course"].get("loaded_s") is not None):
            facts.append(("Held at cure temperature", f"{held / 60:.0f} of {self.context.hold_s / 60:.0f} min"))
        if dose is not None and dose > 0:
            name = self.context.initiator or "AIBN, assumed"
            facts.append((f"Dose ({name})", f"as {dose / 60:.0f} min at {self.temperature(self.context.target_c)}"))
        peak = self.reader.query(
            "SELECT max(oven_c), max(witness_c) FROM samples WHERE batch = ?", (self.row.id,)
        )  # fmt: skip
        for label, value in zip(("Hottest oven air", "Hottest at the witness"), peak[0] if peak else (), strict=False):
            if value is not None:
                facts.append((label, self.temperature(value)))
        if not facts:
            return ""
        items = "".join(f"<div><dt>{escape(k)}</dt><dd>{escape(v)}</dd></div>" for k, v in facts)
        remark = (
            "The hold decides; the dose is the same heat seen through the initiator's kinetics, and decides nothing."
        )
        return f'<section><h2>Cure</h2><dl>{items}</dl><p class="quiet">{remark}</p></section>'

    def cautions(self) -> str:
        rows = []
        for record in self.records:
            if record["kind"] == "warning":
                text = record.get("text") or str(record["cause"]).replace("_", " ")
                rows.append((self.at(record["t"]), str(text)))
            elif record["kind"] == "trip":
                cause = str(record["cause"]).replace("_", " ")
                rows.append((self.at(record["t"]), f"THE GUARD OPENED THE RELAY: {cause}"))
        body = _table(("when", "what"), rows) if rows else "<p>None.</p>"
        return f"<section><h2>Cautions and trips</h2>{body}</section>"

    def pieces(self) -> str:
        if not self.book["uptake"]:
            return "<section><h2>Pieces</h2><p>None are in the book: lastbubble batch piece.</p></section>"
        told = {str(piece["label"]): piece for piece in self.book["pieces"]}
        heads = ("piece", "sizes", "dry", "wet", "cured", "uptake wet", "uptake cured", "porosity",
                 "pores filled wet", "pores filled cured")  # fmt: skip
        rows: list[tuple[str, ...]] = []
        remarks: list[str] = []
        bases: dict[str, list[str]] = {}
        for one in self.book["uptake"]:
            piece = told.get(one["label"], {})
            count = f" (x{piece['count']})" if piece.get("count", 1) != 1 else ""
            sizes = " x ".join(piece[key] for key in ("thickness", "length", "width") if piece.get(key))
            rows.append(
                (f"{one['label']}{count} {one['material']}", f"{piece.get('shape', '')} {sizes}".strip() or "-",
                 *(piece.get(key, "-") for key in ("dry", "wet", "cured")),
                 *(_share(one[key]) for key in ("uptake_wet", "uptake_cured", "porosity", "pores_filled_wet",
                                                "pores_filled_cured")))
            )  # fmt: skip
            if one["porosity_basis"]:
                bases.setdefault(one["porosity_basis"], []).append(str(one["label"]))
            remarks += [f"Piece {one['label']}: {text}." for text in one["remarks"]]
        remarks = [f"Porosity of {', '.join(labels)}: by {basis}." for basis, labels in bases.items()] + remarks
        density = self.book["resin_density_kg_m3"]
        remarks.append(
            f"Bands are 80 %. Liquid resin at {density['value'] / 1000:.2f} g/ml ({density['basis']}); "
            "a wet mass counts the film that clings."
        )
        compared = [
            (row["material"], row["what"].replace("_", " "), f"{row['here']:.1%}", f"{row['before']:.1%}",
             f"{row['least']:.1%} to {row['most']:.1%}", ", ".join(map(str, row["batches"])))
            for row in self.book["compared"]
        ]  # fmt: skip
        beside = (
            "<h2>Beside earlier batches of the same material</h2>"
            + _table(("material", "what", "here", "before (median)", "range", "batches"), compared)
            if compared
            else '<p class="quiet">No earlier batch of the same material was weighed.</p>'
        )
        items = "".join(f"<li>{escape(text)}</li>" for text in remarks)
        return (
            f'<section><h2>Pieces and uptake</h2>{_table(heads, rows)}<ul class="quiet">{items}</ul>{beside}</section>'
        )

    def doings(self) -> str:
        """Marks with who set them, where that is known."""
        deeds = list(self.book["deeds"])
        rows = []
        for mark in self.book["marks"]:
            who = next(
                (
                    deed
                    for deed in deeds
                    if deed["what"] == f"mark {mark['mark']}"
                    and deed["time_s"] is not None
                    and abs(deed["time_s"] - mark["time_s"]) < 60
                ),
                None,
            )
            rows.append((mark["time_s"], str(mark["mark"]).replace("_", " "), _whose(who)))
            if who is not None:
                deeds.remove(who)
        for deed in deeds:
            at = (datetime.fromisoformat(deed["utc"]) - self.row.opened_utc).total_seconds()
            rows.append((at if deed["time_s"] is None else deed["time_s"], deed["what"], _whose(deed)))
        if not rows:
            return ""
        rows.sort(key=lambda row: row[0])
        table = _table(("when", "what", "who, from where"), [(self.at(at), what, who) for at, what, who in rows])
        return f'<section><h2>Who did what</h2><div class="cols">{table}</div></section>'

    def words(self) -> str:
        notes = "".join(
            f"<li>{escape(note['utc'][:16].replace('T', ' '))} UTC {escape(note.get('who', ''))}: "
            f"{escape(note['text'])}</li>"
            for note in self.book["book_notes"]
        )
        photos = "".join(self._photo(photo) for photo in self._within(self.book["photos"]))
        out = f"<section><h2>Notes</h2><ul>{notes}</ul></section>" if notes else ""
        return out + (f"<section><h2>Photos</h2>{photos}</section>" if photos else "")

    def _within(self, photos: Sequence[Mapping[str, Any]]) -> Iterator[tuple[Mapping[str, Any], bytes]]:
        left = _PHOTOS_B
        for photo in photos:
            data = b""
            path = Path(photo["path"])
            if self.photos and path.suffix.lower() in _PICTURES:
                try:
                    if path.stat().st_size <= min(LARGEST_B, left):
                        data = path.read_bytes()
                except OSError:
                    data = b""  # moved or not ours to read: its path is told instead
            left -= len(data)
            yield photo, data

    @staticmethod
    def _photo(item: tuple[Mapping[str, Any], bytes]) -> str:
        photo, data = item
        path = Path(photo["path"])
        caption = " ".join(filter(None, (photo.get("note", ""), str(path))))
        if not data:
            return f"<p>{escape(caption)} (not laid in: absent, too large, or no picture)</p>"
        text = base64.b64encode(data).decode("ascii")
        kind = _PICTURES[path.suffix.lower()]
        alt = escape(photo.get("note") or path.name)
        picture = f'<img src="data:{kind};base64,{text}" alt="{alt}">'
        return f"<figure>{picture}<figcaption>{escape(caption)}</figcaption></figure>"

    def plan(self) -> str:
        plan = self.book["plan"]
        if not plan or not plan.get("moments"):
            return ""
        from lastbubble.book.progress import progress_rows

        rows = [
            (row["words"], row["planned"], row["happened"], row["off"])
            for row in progress_rows(plan, self.book["course"], self.row.opened_utc)
        ]
        return (
            f"<section><h2>Against the plan</h2>{_table(('moment', 'planned', 'happened', 'off by'), rows)}</section>"
        )

    def settings(self) -> str:
        if not self.book["settings"]:
            return ""
        text = json.dumps(self.book["settings"], indent=1, ensure_ascii=False)
        return f"<details><summary>Settings it ran with</summary><pre>{escape(text)}</pre></details>"

    def html(self) -> str:
        vacuum_s = None
        course = self.book["course"]
        if "pump_s" in course and ("vented_s" in course or "vent_s" in course):
            vacuum_s = course.get("vented_s", course.get("vent_s")) - course["pump_s"]
        under = f'<p class="quiet">Under vacuum for {span_words(vacuum_s)}.</p>' if vacuum_s else ""
        body = "".join(
            (self.head(), self.care(), self.curves(), under, self.calls(), self.cure(), self.cautions(), self.pieces(),
             self.plan(), self.doings(), self.words(), self.settings())
        )  # fmt: skip
        return (
            '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
            '<meta name="viewport" content="width=device-width, initial-scale=1">'
            f"<title>Batch {self.row.id} {escape(self.row.name)}</title><style>{_STYLE}</style></head>"
            f"<body><main>{body}</main></body></html>\n"
        )


_OF_CHAMBER: Final = ("gauge", "pump", "vacuum", "base", "vent", "sensor_chamber", "leak")
_OF_OVEN: Final = ("core", "cure", "sensor_oven", "sensor_witness", "heat")


def _sizes(header: Mapping[str, str]) -> str:
    sizes = [header.get(f"piece_{name}_mm", "") for name in ("thickness", "length", "width")]
    shown = " x ".join(f"{float(size):g}" for size in sizes if size)
    return f"{header.get('piece_shape', '')} {shown} mm".strip() if shown else ""


def _share(found: Mapping[str, float] | None) -> str:
    return "-" if found is None else f"{found['value']:.1%} ({found['low']:.1%} to {found['high']:.1%})"


def _whose(deed: Mapping[str, Any] | None) -> str:
    if deed is None:
        return "not told"
    way = {"page": "from the page", "desk": "from a terminal", "broker": "from the broker", "bench": "at the ledger"}
    return ", ".join(filter(None, (deed["who"], way.get(deed["way"], deed["way"]))))


def _table(heads: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    top = "".join(f'<th scope="col">{escape(head)}</th>' for head in heads)
    lines = "".join("<tr>" + "".join(f"<td>{escape(str(cell))}</td>" for cell in row) + "</tr>" for row in rows)
    label = f"Table: {', '.join(head for head in heads if head)}"
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{escape(label)}"><table>'
        f"<thead><tr>{top}</tr></thead><tbody>{lines}</tbody></table></div>"
    )


def report_html(reader: Reader, batch: int, display: Display, *, photos: bool = False) -> str:
    """The page about this batch.

    photos : lay pictures in (10 MB each, 12 MB in all), else their paths only
    Raises LastbubbleError when there is no such batch or the ledger cannot be read.
    """
    return _Page(reader, batch, display, photos).html()

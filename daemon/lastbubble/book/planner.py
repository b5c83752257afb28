"""The plan of a batch: asked with texts, answered with times of day, resin, what to prepare, and progress."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from lastbubble.book.begin import checked_context
from lastbubble.book.history import course_of
from lastbubble.book.keeping_words import CAUTIONS
from lastbubble.book.measured import quantity
from lastbubble.book.pieces import Piece, piece_of, pieces_of
from lastbubble.book.plan import Awake, Moment, Seen, chain_of, starts, when
from lastbubble.book.progress import MOMENTS, progress_rows
from lastbubble.book.resin import LotState
from lastbubble.book.vessel import ResinNeed, Vessel, resin_need
from lastbubble.context import Context, context_from_header, context_header
from lastbubble.errors import BadInput
from lastbubble.ledger.rows import BatchRow, utc_text
from lastbubble.ledger.store import Ledger
from lastbubble.physics.materials import material
from lastbubble.units import Kind, parse

__all__ = ["NEXT_PLAN", "PlanSettings", "Planner", "adopted", "seen_of"]

#: The ledger's fact under which a plan waits for its batch.
NEXT_PLAN: Final = "plan_next"
_ALIKE: Final = 1.25
_WOODS: Final = ("wood", "maple", "dense wood", "soft wood", "punky wood", "dry wood")


@dataclass(frozen=True, slots=True)
class PlanSettings:
    """awake : when somebody can come, in `zone` (None: this machine's);  vessel : what the resin stands in"""

    awake: Awake = field(default_factory=Awake)
    zone: ZoneInfo | None = None
    vessel: Vessel = field(default_factory=Vessel)


def seen_of(ledger: Ledger, rows: Sequence[BatchRow], context: Context) -> Seen:
    """What earlier batches of the same material and about the same thickness took, part by part."""
    found: dict[str, list[float]] = {name: [] for name in ("pump", "vent", "load", "heat", "cool")}
    wanted = material(context.material).name if context.material else ""
    for row in rows:
        try:
            other = context_from_header(row.header)
        except BadInput:
            continue  # a batch whose header cannot be read teaches nothing
        course = course_of(ledger, row)
        pairs = (
            ("pump", course.pump_s, course.stopped_s),
            ("vent", course.vent_s, course.vented_s),
            ("load", course.drained_s, course.loaded_s),
            ("heat", course.loaded_s, course.reached_s),
            ("cool", course.cured_s, course.finished_s),
        )
        alike = bool(wanted) and bool(other.material) and material(other.material).name == wanted
        thick, own = other.piece_thickness_mm, context.piece_thickness_mm
        alike = alike and thick is not None and own is not None and 1 / _ALIKE <= thick / own <= _ALIKE
        for name, begin, end in pairs:
            # How a person vents and loads does not hang on the pieces.
            if begin is not None and end is not None and end > begin and (alike or name in ("vent", "load")):
                found[name].append(end - begin)
    return Seen(**{name: tuple(values[-20:]) for name, values in found.items()})


#: What the plan may want otherwise than the settings: field, key of the context, kind, its unit in SI.
_WANTED: Final[tuple[tuple[str, str, Kind, float], ...]] = (
    ("soak", "soak_min", "duration", 1 / 60),
    ("hold", "hold_min", "duration", 1 / 60),
    ("target_core", "target_core_c", "temperature", 1.0),
)


class Planner:
    """Answers `plan`. `open_batch` : the open batch's number (raises BadInput when there is none);
    forecasts : target -> p10, p50, p90 of the running batch;  lots : the resin lots as they are
    """

    def __init__(
        self,
        ledger: Ledger,
        utc: Callable[[], datetime],
        base: Context,
        settings: PlanSettings,
        open_batch: Callable[[], int],
        forecasts: Callable[[], Mapping[str, Mapping[str, float]]] = dict,
        lots: Callable[[], Sequence[LotState]] = list,
    ) -> None:
        self._ledger = ledger
        self._utc = utc
        self._base = base
        self._settings = settings
        self._open_batch = open_batch
        self._forecasts = forecasts
        self._lots = lots

    def __call__(self, fields: dict[str, Any]) -> dict[str, Any]:
        """The plan as JSON values. Raises BadInput naming what cannot be read."""
        pieces = self._pieces(fields)
        context = self._context(fields, pieces)
        vessel = self._vessel(fields)
        rows = self._ledger.batches()
        chain = chain_of(context, seen_of(self._ledger, rows, context))
        now = self._utc()
        local = self._local(now)
        of_day = (local - local.replace(hour=0, minute=0, second=0, microsecond=0)).total_seconds()
        best = starts(chain, self._settings.awake, now_of_day_s=of_day)
        begin = self._start(fields, now, best)
        begin_of_day = (of_day + (begin - now).total_seconds()) % 86400
        moments = when(chain, begin_of_day, self._settings.awake)
        need = resin_need(pieces, vessel, standing=bool(fields.get("standing")))
        lot = self._lot(fields)
        out = {
            "start_utc": utc_text(begin),
            "told_start": bool(fields.get("start")),
            "moments": [self._moment_json(moment, begin) for moment in moments],
            "starts": [self._start_json(now, *one) for one in best],
            "resin": _resin_json(need),
            "prepare": _prepare(context, pieces, need, lot),
            "basis": list(chain.basis),
            "cautions": list(CAUTIONS),
            "pieces": [piece.told() for piece in pieces],
            "awake": [_clock_of(self._settings.awake.from_s), _clock_of(self._settings.awake.to_s)],
        }
        if fields.get("keep"):
            out["kept"] = self._keep(out)
        out["progress"] = self.progress()
        return out

    # -- what was asked ----------------------------------------------------------------------------------------

    def _pieces(self, fields: Mapping[str, Any]) -> list[Piece]:
        if fields.get("pieces"):
            try:
                told = json.loads(fields["pieces"])
            except ValueError as exc:
                raise BadInput(f"pieces is not JSON ({exc}); a list of objects is wanted") from exc
            if not isinstance(told, list) or not all(isinstance(item, dict) for item in told):
                raise BadInput("pieces must be a list of objects, as [{'label': '1', 'thickness': '22 mm'}]")
            return [piece_of(item) for item in told]
        names = ("material", "shape", "thickness", "length", "width", "count", "porosity")
        told = {name: fields[name] for name in names if fields.get(name)}
        if told:
            told.setdefault("shape", "slab")
            return [piece_of({"label": "1", **told})]
        try:
            return pieces_of(self._ledger.batch(self._open_batch()).pieces)
        except BadInput:
            return []

    def _context(self, fields: Mapping[str, Any], pieces: Sequence[Piece]) -> Context:
        base = self._base
        try:
            base = context_from_header(self._ledger.batch(self._open_batch()).header, base)
        except BadInput:
            base = self._base
        changes: dict[str, Any] = {}
        slowest = max(
            (piece for piece in pieces if piece.thickness),
            key=lambda piece: quantity(piece.thickness, "length").value,
            default=None,
        )
        if slowest is not None:
            for name in ("thickness", "length", "width"):
                text = getattr(slowest, name)
                changes[f"piece_{name}_mm"] = quantity(text, "length").value * 1e3 if text else None
            changes["piece_shape"] = slowest.shape if slowest.shape != "lump" else "sphere"
            changes["material"] = slowest.material or fields.get("material") or base.material
        for name, key, kind, factor in _WANTED:
            if fields.get(name):
                try:
                    changes[key] = parse(fields[name], kind) * factor
                except ValueError as exc:
                    raise BadInput(f"{name}: {exc}") from exc
        context = replace(base, **changes)
        # The header's own check judges the values, whoever told them.
        return checked_context(context_header(context))

    def _vessel(self, fields: Mapping[str, Any]) -> Vessel:
        names = (("vessel_diameter", "diameter_m"), ("vessel_length", "length_m"), ("vessel_width", "width_m"),
                 ("vessel_height", "height_m"), ("cover", "cover_m"))  # fmt: skip
        changes = {}
        for name, key in names:
            if fields.get(name):
                try:
                    changes[key] = quantity(fields[name], "length").value
                except ValueError as exc:
                    raise BadInput(f"{name}: {exc}") from exc
        vessel = self._settings.vessel
        if "length_m" in changes or "width_m" in changes:
            vessel = replace(vessel, diameter_m=0.0)
        return replace(vessel, **changes)

    def _local(self, moment: datetime) -> datetime:
        return moment.astimezone(self._settings.zone)

    def _start(self, fields: Mapping[str, Any], now: datetime, best: Sequence[tuple[float, float, float]]) -> datetime:
        text = str(fields.get("start") or "").strip()
        if not text:
            return now + timedelta(seconds=best[0][0]) if best else now
        local = self._local(now)
        try:
            if len(text) <= 5 and ":" in text:
                hour, minute = (int(part) for part in text.split(":"))
                found = local.replace(hour=hour, minute=minute, second=0, microsecond=0)
                found = found if found >= local - timedelta(minutes=30) else found + timedelta(days=1)
            else:
                found = datetime.fromisoformat(text)
                found = found if found.tzinfo is not None else found.replace(tzinfo=local.tzinfo)
        except ValueError as exc:
            raise BadInput(f"start is {text!r}; write such as '08:30' or '2026-03-01 08:30'") from exc
        return found.astimezone(UTC)

    def _lot(self, fields: Mapping[str, Any]) -> LotState | None:
        states = list(self._lots())
        name = fields.get("lot")
        if not name:
            rows = [row for row in self._ledger.batches() if row.book.get("resin_lot")]
            name = rows[-1].book["resin_lot"] if rows else ""
        found = next((state for state in states if state.name == name), None)
        if fields.get("lot") and found is None:
            known = ", ".join(state.name for state in states) or "none yet"
            raise BadInput(f"lot: there is no resin lot {fields['lot']!r}; there are: {known}")
        return found

    # -- the answer --------------------------------------------------------------------------------------------

    def _moment_json(self, moment: Moment, begin: datetime) -> dict[str, Any]:
        clock = [
            f"{self._local(begin + timedelta(seconds=at)):%a %H:%M}" for at in (moment.p10, moment.p50, moment.p90)
        ]
        return {**asdict(moment), "words": MOMENTS[moment.name][0], "clock": clock}

    def _start_json(self, now: datetime, ahead_s: float, inside: float, wait_s: float) -> dict[str, Any]:
        at = now + timedelta(seconds=ahead_s)
        return {
            "start_utc": utc_text(at),
            "clock": f"{self._local(at):%a %H:%M}",
            "inside": round(inside, 3),
            "wait_s": round(wait_s),
        }

    def _keep(self, plan: Mapping[str, Any]) -> str:
        kept = {key: plan[key] for key in ("start_utc", "moments", "resin", "pieces")}
        try:
            row = self._ledger.batch(self._open_batch())
        except BadInput:
            row = None
        if row is not None and course_of(self._ledger, row).pump_s is None:
            self._ledger.change_batch(row.id, book={**row.book, "plan": kept})
            answer = f"batch {row.id}"
        else:
            self._ledger.set_fact(NEXT_PLAN, json.dumps(kept))
            answer = "the next batch"
        self._ledger.flush(20)
        return answer

    def progress(self) -> list[dict[str, str]]:
        """The open batch against its plan; [] when it has none."""
        try:
            row = self._ledger.batch(self._open_batch())
        except BadInput:
            return []
        plan = row.book.get("plan")
        if not plan:
            return []
        course = {key: value for key, value in asdict(course_of(self._ledger, row)).items() if value is not None}
        return progress_rows(plan, course, row.opened_utc, self._forecasts())


def adopted(ledger: Ledger, now: datetime) -> dict[str, Any]:
    """The plan that waits for a batch, when this is about its time (half a day either way); it waits no longer."""
    text = ledger.fact(NEXT_PLAN)
    if not text:
        return {}
    plan = json.loads(text)
    off = abs(datetime.fromisoformat(plan["start_utc"]) - now)
    if off > timedelta(hours=12):
        return {}
    ledger.set_fact(NEXT_PLAN, "")
    ledger.flush(2)
    return dict(plan)


def _clock_of(of_day_s: float) -> str:
    return f"{int(of_day_s) // 3600:02d}:{int(of_day_s) // 60 % 60:02d}"


def _resin_json(need: ResinNeed) -> dict[str, Any]:
    told = asdict(need)
    return {**told, "remarks": list(need.remarks)}


def _prepare(context: Context, pieces: Sequence[Piece], need: ResinNeed, lot: LotState | None) -> list[str]:
    """What to have ready, in the order of the job."""
    out = []
    group = material(context.material).name
    if context.material and group in _WOODS:
        out.append(
            "Dry the wood at 103 °C until its mass stays the same (ISO 13061-1), and let it cool in a closed box: "
            "water in it keeps resin out and stalls the cure."
        )
    else:
        out.append(
            "Dry the pieces warm until their mass stays the same, and let them cool: damp pieces take up less, and "
            "stall in the oven (common practice)."
        )
    unweighed = [piece.label for piece in pieces if not piece.dry]
    if unweighed or not pieces:
        which = f"piece {', '.join(unweighed)}" if unweighed else "every piece"
        out.append(f"Weigh {which} dry, and measure it: lastbubble batch piece 1 --dry '95.2 g' ...")
    if need.volume_m3 is not None:
        out.append(
            f"Resin: {need.volume_m3 * 1e3:.2f} L ({need.low_m3 * 1e3:.2f} to {need.high_m3 * 1e3:.2f}), of which the "
            f"pores take about {need.drunk_m3 * 1e3:.2f} L; it stands {need.level_m * 1e3:.0f} mm high over "
            f"{need.layers} layer{'s' if need.layers > 1 else ''}. Have a spare for topping up."
        )
    if lot is None:
        out.append("Say which resin lot it is (lastbubble resin use NAME), so that its age is known.")
    else:
        left = "" if lot.mass_kg is None else f", {lot.mass_kg * 1e3:.0f} g of it left"
        out.append(f"Resin lot {lot.name}: {lot.level}{left}.")
        out += list(lot.remarks)
        if need.volume_m3 is not None and lot.mass_kg is not None and lot.mass_kg < need.volume_m3 * 1050:
            out.append(f"Lot {lot.name} is not enough for this batch: about {need.volume_m3 * 1050:.2f} kg are needed.")
    out += [
        "Gloves, eye protection, ventilation; nothing that can ignite the fumes near chamber and oven.",
        "Chamber: lid and seal clean, no crack or crazing, guard in place; pump oil at its mark, resin away from it.",
        "A clean, closed and labelled container for the resin that is drained, and its place in the cold.",
        "Oven: the dial's setting (lastbubble dial), a tray and foil, the witness probe in the slowest piece.",
        "Phone: a test message (lastbubble doctor tells whether it is set up).",
    ]
    return out

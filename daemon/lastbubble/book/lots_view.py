"""A lot of resin in words and as plain JSON values."""

from __future__ import annotations

from typing import Any, Final

from lastbubble.book.resin import LotState
from lastbubble.ledger.rows import utc_text

__all__ = ["LEVEL_WORDS", "lot_json", "lot_lines", "span_words"]

LEVEL_WORDS: Final = {
    "fresh": "good to use",
    "soon": "MAY THICKEN BEFORE LONG",
    "likely": "LIKELY THICKENING",
    "thick": "THICK: do not use",
    "contaminated": "CONTAMINATED",
    "ended": "used up",
}


def span_words(seconds: float) -> str:
    """A length of time as a bottle's label would say it: 5 h, 12 days, 7 weeks, 14 months."""
    days = seconds / 86400
    if days < 2:
        return f"{seconds / 3600:.0f} h"
    if days < 60:
        return f"{days:.0f} days"
    return f"{days / 30.4375:.0f} months"


def lot_json(state: LotState) -> dict[str, Any]:
    """Everything of `LotState` but its stretches; times as UTC texts, masses kg, ages s."""
    return {
        "lot": state.name,
        "level": state.level,
        "place": state.place,
        "opened_utc": utc_text(state.opened_utc),
        "mass_kg": state.mass_kg,
        "age_s": {"p10": state.age_low_s, "p50": state.age_s, "p90": state.age_high_s},
        "age_at_c": state.keeping.at_c,
        "keeps_s": state.keeping.middle_s,
        "keeps_basis": state.keeping.basis,
        "chance_thick": round(state.chance, 4),
        "soon_utc": utc_text(state.soon_utc),
        "vacuum_s": state.vacuum_s,
        "temperatures_s": dict(state.rests),
        "contaminated": list(state.contaminated),
        "from_memory": list(state.from_memory),
        "remarks": list(state.remarks),
    }


def lot_lines(lot: dict[str, Any]) -> list[str]:
    """The lot of `lot_json` in lines for a terminal."""
    age = lot["age_s"]
    out = [f"{lot['lot']}: {LEVEL_WORDS[lot['level']]}"]
    mass = "" if lot["mass_kg"] is None else f", {lot['mass_kg'] * 1000:.0f} g left"
    opened = f"opened {lot['opened_utc'][:10]}" if lot["opened_utc"] else "not opened"
    out.append(f"  {opened}, {'' if lot['level'] == 'ended' else 'in the ' if lot['place'] == 'fridge' else 'at: '}"
               f"{'' if lot['level'] == 'ended' else lot['place']}{mass}")  # fmt: skip
    if age["p50"] > 0:
        out.append(
            f"  as old as {span_words(age['p50'])} at {lot['age_at_c']:.0f} °C "
            f"({span_words(age['p10'])} to {span_words(age['p90'])}); keeps about {span_words(lot['keeps_s'])} "
            f"({lot['keeps_basis']})"
        )
        rests = lot["temperatures_s"]
        total = sum(rests.values()) or 1.0
        told = ", ".join(f"{name} {rests[name] / total:.0%}" for name in sorted(rests, key=lambda n: -rests[n]))
        out.append(f"  its temperatures are: {told}")
        if lot["soon_utc"] and lot["level"] == "fresh":
            out.append(f"  one in ten that it thickens by {lot['soon_utc'][:10]}, where it is now")
        elif lot["level"] != "ended":
            out.append(f"  {lot['chance_thick']:.0%} that it has begun to thicken")
    if lot["vacuum_s"] > 0:
        out.append(
            f"  {span_words(lot['vacuum_s'])} under vacuum, which strips the oxygen its inhibitor needs (our inference)"
        )
    if lot["from_memory"]:
        out.append(f"  from memory: {', '.join(lot['from_memory'])}")
    return out + [f"  ! {text}" for text in lot["remarks"]]

"""The oven's first dial survey and the survey of its places, out of the ledger, and the message to the phone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from lastbubble.commissioning.bench import Bench, Found
from lastbubble.commissioning.person import Later

if TYPE_CHECKING:
    from lastbubble.survey import SurveyMap

__all__ = ["HOW_TO_SURVEY", "HOW_TO_SURVEY_PLACES", "dial_survey", "phone_test", "places_survey", "survey_values"]

HOW_TO_SURVEY = (
    "lastbubble batch open 'dial survey'   (the oven empty)",
    "set the dial well below the guard's limit, and say so: lastbubble mark dial=220F   (or dial=105C)",
    "lastbubble guard permit --hours 3, and leave the oven until its thermostat has switched twice",
    "a second setting in the same run teaches the slope; then lastbubble batch close",
)

HOW_TO_SURVEY_PLACES = (
    "the oven's own thermocouple stays where it is; the second one (oven2 or witness) goes from place to place",
    "for each place: lastbubble batch open 'survey front'   (or rear, top ...; the oven warm, lay the probe there)",
    "leave it for two whole cycles of the thermostat, a quarter of an hour at least; then lastbubble batch close",
    "after the last place: lastbubble commission survey",
)
_PLACE = "survey "


def dial_survey(bench: Bench) -> Found:
    """What the ledger's batches teach about the dial so far. Raises LastbubbleError when it cannot be read."""
    from lastbubble.dial import learn, stretches
    from lastbubble.ledger.reader import Reader

    reader = Reader(Path(bench.settings.ledger.path))
    try:
        found = [
            item
            for row in reader.batches()
            for item in stretches(reader.samples(row.id), f"batch {row.id} {row.name}".strip())
        ]
    finally:
        reader.close()
    steady = [item for item in found if item.how in ("cycles", "flat")]
    if not steady:
        for line in HOW_TO_SURVEY:
            bench.person.say(f"  {line}")
        return Found("begun", f"{len(found)} settings are on record, none of them steady yet", {"settings": len(found)})
    target_c = bench.settings.cure.target_core + 3
    answer = learn(found).answer(target_c)
    values = {
        "settings": len(found),
        "steady": len(steady),
        "target_c": round(target_c, 1),
        "dial": round(answer.dial, 1),
        "low": round(answer.low, 1),
        "high": round(answer.high, 1),
        "unit": answer.unit,
    }
    text = (
        f"for {bench.display.temperature_text(target_c, 0)} of air set the dial to {answer.dial:.0f} {answer.unit} "
        f"(80 %: {answer.low:.0f} to {answer.high:.0f}), from {len(steady)} steady settings"
    )
    return Found("done", text, values)


def places_survey(bench: Bench) -> Found:
    """The map out of the ledger's batches called `survey PLACE`, the newest of each place.

    Raises LastbubbleError when the ledger cannot be read.
    """
    from lastbubble.ledger.reader import Reader
    from lastbubble.survey import survey

    reader = Reader(Path(bench.settings.ledger.path))
    try:
        named = {row.name[len(_PLACE) :].strip(): row.id for row in reader.batches() if row.name.startswith(_PLACE)}
        named.pop("", None)
        if len(named) < 2:
            for line in HOW_TO_SURVEY_PLACES:
                bench.person.say(f"  {line}")
            known = ", ".join(named) or "none"
            return Found("begun", f"at least two places are needed; on record so far: {known}", {"places": len(named)})
        try:
            found = survey({place: reader.samples(number) for place, number in named.items()})
        except ValueError as exc:
            return Found("failed", str(exc), {"places": len(named)})
    finally:
        reader.close()
    for line in found.in_words():
        bench.person.say(f"  {line}")
    return Found("done", found.in_words()[len(found.places)], survey_values(found))


def survey_values(found: SurveyMap) -> dict[str, Any]:
    """What is kept with the station of a survey: the coolest place, the span, and the whole map."""
    return {
        "coolest": found.coolest.name,
        "coolest_offset_k": round(found.coolest.offset_k, 2),
        "span_k": round(found.span_k, 2),
        "map": found.to_json(),
    }


def phone_test(bench: Bench) -> Found:
    """Send a message and ask whether it came. Raises BadInput when the service does not answer."""
    answer = bench.ask({"ask": "phone_test"})
    channels = answer.get("channels", [])
    shown = ", ".join(str(one) for one in channels) if isinstance(channels, list) else str(channels)
    bench.person.say(f"  sent: {shown}")
    try:
        came = bench.person.yes("Did the message come, and did the phone make itself heard?")
    except Later:
        return Found("begun", "sent; whether it came was not said", {"channels": shown})
    if came:
        return Found("done", "the message came", {"channels": shown, "came": True})
    return Found(
        "failed",
        "no message came: check phone.urls, the internet, and whether the phone silences its sender",
        {"channels": shown, "came": False},
    )

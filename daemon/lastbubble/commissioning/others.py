"""The oven's first dial survey, out of the ledger, and the message to the phone."""

from __future__ import annotations

from pathlib import Path

from lastbubble.commissioning.bench import Bench, Found
from lastbubble.commissioning.person import Later

__all__ = ["HOW_TO_SURVEY", "dial_survey", "phone_test"]

HOW_TO_SURVEY = (
    "lastbubble batch open 'dial survey'   (the oven empty)",
    "set the dial well below the guard's limit, and say so: lastbubble mark dial=220F   (or dial=105C)",
    "lastbubble guard permit --hours 3, and leave the oven until its thermostat has switched twice",
    "a second setting in the same run teaches the slope; then lastbubble batch close",
)


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

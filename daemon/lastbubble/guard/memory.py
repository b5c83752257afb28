"""What the guard remembers beside the latch: contact life, proofs, commissioning, false trips. None of it permits heat.

A file that is missing or broken is a guard that remembers nothing: more is then asked of the person, never less.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Final

from lastbubble.guard.latch import atomic_write

__all__ = ["MEMORY_FILE", "CheckPoint", "Memory", "load_memory", "store_memory"]

MEMORY_FILE: Final = "memory.json"


@dataclass(frozen=True, slots=True)
class CheckPoint:
    """A probe held against something known: true and shown temperature [degC], and the day (wall time, a label)."""

    true_c: float
    shown_c: float
    utc: str


@dataclass(frozen=True, slots=True)
class Memory:
    """closings : of the relay, over its life;  trips, false_trips : counted
    lamp_utc, proof_utc : day of the last lamp test and proof test, "" = never;  proof_open_ms : what the proof measured
    points : probe -> its check points, the two furthest apart
    """

    closings: int = 0
    trips: int = 0
    false_trips: int = 0
    lamp_utc: str = ""
    proof_utc: str = ""
    proof_open_ms: float = 0.0
    points: dict[str, tuple[CheckPoint, ...]] = field(default_factory=dict)


def store_memory(folder: Path, memory: Memory) -> None:
    """Raises OSError when it is not safely on the card."""
    atomic_write(folder / MEMORY_FILE, json.dumps(asdict(memory), allow_nan=False).encode() + b"\n")


def load_memory(folder: Path) -> tuple[Memory, str]:
    """What is remembered, and "" or why nothing is."""
    path = folder / MEMORY_FILE
    try:
        data = json.loads(path.read_bytes())
        points = {
            str(name): tuple(
                CheckPoint(float(item["true_c"]), float(item["shown_c"]), str(item["utc"])) for item in items
            )
            for name, items in data.pop("points").items()
        }
        unknown = data.keys() - {f.name for f in fields(Memory)}
        if unknown:
            raise ValueError(f"{', '.join(sorted(unknown))} is not known")
        return (
            Memory(
                int(data["closings"]),
                int(data["trips"]),
                int(data["false_trips"]),
                str(data["lamp_utc"]),
                str(data["proof_utc"]),
                float(data["proof_open_ms"]),
                points,
            ),
            "",
        )
    except FileNotFoundError:
        return Memory(), ""
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as exc:
        return Memory(), f"{path} cannot be understood ({exc}); lamp test, probe checks and proof are wanted anew"

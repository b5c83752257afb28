"""The note of the line that the guard has claimed: what the opener needs to find it when the guard is gone."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Final

__all__ = ["CLAIM", "claim_folder", "note_claim"]

CLAIM: Final = "relay-line"


def claim_folder(runtime_dir: str, environment: Mapping[str, str] = os.environ) -> Path:
    """The guard's own folder, where nobody else may write: the one systemd made for it, else `runtime_dir`."""
    return Path(environment.get("RUNTIME_DIRECTORY", "").partition(":")[0] or runtime_dir)


def note_claim(folder: Path, name: str, label: str, line: int, process: Path = Path("/proc/self")) -> str:
    """Write the note, whole or not at all; why it could not be, "" when it is there. Never raises.

    name, label : of the chip, as the kernel has them;  line : on it
    """
    try:
        # Field 22 of stat is the start in clock ticks: with the number it names this process and no later one.
        started = (process / "stat").read_text().rpartition(")")[2].split()[19]
        text = f"label={label}\nname={name}\nline={line}\npid={os.getpid()}\nstarted={started}\n"
        fresh = folder / f".{CLAIM}.new"
        fresh.write_text(text)
        fresh.replace(folder / CLAIM)
    except (OSError, IndexError) as exc:
        return f"{folder / CLAIM} cannot be written ({exc}): nothing would open the relay behind a killed guard"
    return ""

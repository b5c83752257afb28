"""A settings file -> settings, or every fault of it in one go."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any, Final

from pydantic import ValidationError

from lastbubble.errors import SettingsError
from lastbubble.settings.contradictions import contradictions
from lastbubble.settings.faults import Fault, Path, told
from lastbubble.settings.messages import faults_of
from lastbubble.settings.models import Settings
from lastbubble.settings.source import MAX_CHARACTERS, Source, read_text

__all__ = ["DEFAULT_FILE", "Loaded", "load", "load_text", "read_file"]

#: Where the units look for the settings.
DEFAULT_FILE: Final = FilePath("/etc/lastbubble/station.yaml")


@dataclass(frozen=True, slots=True)
class Loaded:
    """Checked settings, and the source that tells where each value stands."""

    settings: Settings
    source: Source


def load(path: FilePath) -> Loaded:
    """Read and check one file. Raises SettingsError with all its faults."""
    return load_text(read_file(path), str(path))


def read_file(path: FilePath) -> str:
    """The text of a settings file. Raises SettingsError when there is none to be had."""
    try:
        with path.open("rb") as file:
            # A few bytes over the limit are enough to be refused; a device file would never end.
            raw = file.read(4 * MAX_CHARACTERS + 4)
    except OSError as exc:
        raise SettingsError(
            [f"{path}: cannot be read ({exc.strerror}); allowed: a YAML file that you may read; check name and owner"]
        ) from None
    except ValueError:
        raise SettingsError([f"{str(path)!r}: is no name that a file can have; check it"]) from None
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = raw.count(b"\n", 0, exc.start) + 1
        raise SettingsError(
            [f"{path}:{line}: byte 0x{raw[exc.start]:02x} is not UTF-8; allowed: UTF-8 text; save the file as UTF-8"]
        ) from None


def load_text(text: str, name: str) -> Loaded:
    """Check settings given as text; `name` stands in the messages. Raises SettingsError with all faults."""
    source = read_text(text, name)
    faults = list(source.faults)
    if not source.whole:
        raise SettingsError(told(name, faults))
    settings, broken = _judged(source, faults)
    if settings is not None:
        for clash in contradictions(settings, source):
            if not any(_touches(path, one) for path in clash.paths for one in broken):
                faults.append(clash)
    if faults or settings is None:
        raise SettingsError(told(name, faults))
    return Loaded(settings, source)


def _judged(source: Source, faults: list[Fault]) -> tuple[Settings | None, list[Path]]:
    """The settings without what is broken (so that the rest can still be held against itself), and what was broken."""
    already = {path for fault in faults for path in fault.paths}
    broken = list(already)
    data: dict[str, Any] = copy.deepcopy(source.data)
    first = True
    while True:
        try:
            return Settings.model_validate(data), broken
        except ValidationError as error:
            found = faults_of(error, data, source, Settings)
            if first:
                faults.extend(fault for fault in found if not already.intersection(fault.paths))
                first = False
            changed = _pruned(data, found, broken)
            if "station" not in data:
                # The only key that must be there; without any the rest could not be held against itself.
                data["station"] = "station"
            elif not changed:
                return None, broken


def _pruned(data: dict[str, Any], faults: Sequence[Fault], broken: list[Path]) -> bool:
    """Take what the faults name out of `data`; False when nothing was left to take out."""
    changed = False
    for fault in faults:
        for path in fault.paths:
            # A list is dropped whole: taking out one entry would give the others' lines to the wrong ones.
            steps = next((path[:index] for index, step in enumerate(path) if isinstance(step, int)), path)
            while steps:
                broken.append(steps)
                if _dropped(data, steps):
                    changed = True
                    break
                steps = steps[:-1]
    return changed


def _dropped(data: dict[str, Any], path: Path) -> bool:
    inner: Any = data
    for step in path[:-1]:
        inner = inner.get(step) if isinstance(inner, dict) else None
    if isinstance(inner, dict) and path[-1] in inner:
        del inner[path[-1]]
        return True
    return False


def _touches(one: Path, other: Path) -> bool:
    shorter = min(len(one), len(other))
    return one[:shorter] == other[:shorter]

"""One fault of a settings file, and how it is told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Fault", "Path", "found_text", "path_text", "told"]

#: The way to a value: keys, and 0-based places in lists.
Path = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Fault:
    """line : 1-based, 0 for the file as a whole;  text : key path, finding, what is allowed, the mend;
    paths : the keys that it is about (for a contradiction: both)"""

    line: int
    text: str
    paths: tuple[Path, ...] = ()


def path_text(path: Sequence[str | int]) -> str:
    """`oven.probes[0].select_pin`; "the file" for the root. Odd keys are shown quoted and shortened."""
    out = ""
    for step in path:
        if isinstance(step, int):
            out += f"[{step}]"
        else:
            name = step if step.isidentifier() else found_text(step)
            out += f".{name}" if out else name
    return out or "the file"


def found_text(value: object) -> str:
    """A value of the file as a message shows it: short, on one line, printable."""
    if value is None:
        return "empty"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a group of keys"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    text = ascii(value) if isinstance(value, str) and not value.isprintable() else repr(value)
    return text if len(text) <= 60 else f"{text[:56]}...{text[0]}"


def told(name: str, faults: Sequence[Fault]) -> list[str]:
    """The faults as lines `file:line: ...`, in the order of the file, each once."""
    lines = []
    for fault in sorted(faults, key=lambda one: one.line):
        text = f"{name}:{fault.line}: {fault.text}" if fault.line else f"{name}: {fault.text}"
        if text not in lines:
            lines.append(text)
    return lines

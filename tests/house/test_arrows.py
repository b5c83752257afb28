"""The arrows of the house: who may import whom. Read from the source, so an import inside a function counts too."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "daemon" / "lastbubble"

FOUNDATION = {"records", "units", "clock", "context", "errors", "data"}
#: Room -> the rooms and files it may import, besides the foundation and itself.
MAY: dict[str, set[str]] = {
    "records": set(),
    "units": set(),
    "clock": set(),
    "context": set(),
    "errors": set(),
    "data": set(),
    "frames": set(),
    "physics": set(),
    "pipeline": {"physics"},
    "sensing": {"physics"},
    "guard": {"frames", "sensing"},
    "ledger": set(),
    "book": {"physics", "ledger"},
    "outlets": {"ledger"},
    "thermometer": {"frames", "sensing", "guard"},
}
#: Third-party imports that a room must never make, whatever else it may.
NEVER: dict[str, set[str]] = {
    "guard": {"numpy", "yaml", "pydantic", "sqlite3", "paho", "aiohttp", "serial", "busio", "board", "requests"},
    "pipeline": {"sqlite3", "time", "random", "socket", "threading", "paho", "serial", "pydantic"},
    "physics": {"sqlite3", "time", "random", "socket", "threading"},
}


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.add(node.module or "")
    return found


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_follow_the_arrows(path: Path) -> None:
    room = room_of(path)
    names = imports(path)
    assert not any(name.split(".")[0] in ("tools", "tests") for name in names), "the daemon knows no bench"
    for name in names:
        parts = name.split(".")
        assert parts[0] not in NEVER.get(room, set()), f"{room} must not import {name}"
        if parts[0] == "lastbubble" and len(parts) > 1 and room in MAY:
            assert parts[1] in MAY[room] | FOUNDATION | {room}, f"{room} must not import {name}"


def test_only_the_clock_reads_time() -> None:
    wrong = [
        str(path.relative_to(PACKAGE))
        for path in modules()
        if path.name != "clock.py"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and (
            (node.value.id == "time" and node.attr in ("time", "sleep"))
            or (node.value.id == "datetime" and node.attr in ("now", "utcnow"))
        )
    ]
    assert wrong == []


def test_the_checker_sees_a_wrong_arrow(tmp_path: Path) -> None:
    wrong = tmp_path / "x.py"
    wrong.write_text("def f():\n    from lastbubble.guard import loop\n", encoding="utf-8")
    assert imports(wrong) == {"lastbubble.guard"}

"""docs/settings.md, written from the models so that it cannot say anything else than they do."""

from __future__ import annotations

import inspect
import typing
from collections.abc import Iterator
from typing import Any, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from lastbubble.settings.messages import judge_of, members
from lastbubble.settings.models import Settings
from lastbubble.settings.quantities import Count, Number, Quantity, Text, emit

__all__ = ["markdown"]

_HEAD = """# Settings

<!-- Written by `lastbubble settings reference`; change the models, then run it again. -->

One YAML file, by default `/etc/lastbubble/station.yaml`. `lastbubble settings check FILE` names every fault with its
line, what is allowed and the mend;
`lastbubble settings show FILE` tells what was understood, in SI, and where each value came from;
`lastbubble settings schema` prints a JSON Schema for editors. Annotated examples lie in `config/`.

- A value with a unit is written with it: `"200 degF"`, `"29 inHg"`, `"25 mm"`, `"90 min"`. A number without a unit is
  refused where a unit is needed: 200 may be degF or degC, and ovens have burnt for it.
- Every pressure here is absolute unless its key says otherwise.
- Unknown keys, keys that stand twice, empty keys, anchors and tags are refused.
- Keys marked **must** have no default.

"""


def markdown() -> str:
    """The whole page."""
    parts = [_HEAD]
    done: set[type[BaseModel]] = set()
    for title, model in _sections(Settings, ""):
        if model in done:
            continue
        done.add(model)
        parts.append(_section(title, model))
    return "\n".join(part.rstrip() + "\n" for part in parts)


def _sections(model: type[BaseModel], path: str) -> Iterator[tuple[str, type[BaseModel]]]:
    yield path, model
    for name, field in model.model_fields.items():
        many = "[]" if get_origin(field.annotation) is list else ""
        for inner in members(field.annotation):
            yield from _sections(inner, f"{path}.{name}{many}".lstrip("."))


def _section(path: str, model: type[BaseModel]) -> str:
    kind = model.model_fields.get("kind")
    word = f" (`kind: {get_args(kind.annotation)[0]}`)" if kind is not None else ""
    title = f"## `{path}`{word}" if path else "## The file"
    about = inspect.cleandoc(model.__doc__ or "")
    rows = [_row(name, field) for name, field in model.model_fields.items()]
    return f"{title}\n\n{about}\n\n| key | what | allowed | without it |\n|---|---|---|---|\n" + "\n".join(rows) + "\n"


def _row(name: str, field: FieldInfo) -> str:
    cells = (f"`{name}`", field.description or "", allowed_text(field), _default_text(field))
    return "| " + " | ".join(cell.replace("|", "\\|").replace("\n", " ") for cell in cells) + " |"


def allowed_text(field: FieldInfo) -> str:
    """What one key takes, in words."""
    judge = judge_of(field)
    match judge:
        case Quantity():
            return judge.allowed()
        case Count() | Number():
            return judge.allowed()
        case Text():
            return judge.allowed
    inner = list(members(field.annotation))
    if inner:
        return ("a list of groups" if "list" in str(field.annotation) else "a group of keys") + ", below"
    return _words(field.annotation)


def _words(annotation: Any) -> str:
    origin = get_origin(annotation)
    if origin is typing.Literal:
        return ", ".join(f"`{word}`" for word in get_args(annotation))
    if annotation is bool:
        return "`true`, `false`"
    if origin is list:
        return "a list: " + _words(get_args(annotation)[0])
    parts = [_words(part) for part in get_args(annotation) if part is not type(None)]
    return " or ".join(part for part in parts if part) or "text"


def _default_text(field: FieldInfo) -> str:
    if field.is_required():
        return "**must**"
    value = field.default
    judge = judge_of(field)
    if value is None:
        return "none"
    if isinstance(value, BaseModel):
        return "its defaults"
    if isinstance(judge, Quantity):
        return emit(value, judge.kind, judge.unit)
    if isinstance(value, bool):
        return "true" if value else "false"
    if value in ([], ""):
        return "none"
    return f"`{value}`"

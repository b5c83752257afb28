"""What pydantic found -> what the person reads: key path, finding, what is allowed, the mend."""

from __future__ import annotations

import difflib
import typing
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from lastbubble.settings.faults import Fault, Path, found_text, path_text
from lastbubble.settings.quantities import Count, Number, Quantity, Text
from lastbubble.settings.source import Source

__all__ = ["faults_of", "is_secret", "judge_of", "keys_of", "members"]

#: pydantic's error type -> (what is allowed, the mend); texts in braces come out of the error's context.
_TOLD: Final[Mapping[str, tuple[str, str]]] = {
    "string_type": ("a text", "put quotes round it if it is meant so"),
    "bool_type": ("true or false", "write one of the two, without quotes"),
    "int_type": ("a whole number", "write it without quotes and without a unit"),
    "float_type": ("a number", "write it without quotes and without a unit"),
    "list_type": ("a list", "write one entry a line, each beginning with `- `"),
    "dict_type": ("a group of keys", "indent `key: value` lines below it, or delete it"),
    "model_type": ("a group of keys", "indent `key: value` lines below it, or delete it"),
    "model_attributes_type": ("a group of keys", "indent `key: value` lines below it, or delete it"),
    "too_short": ("at least {min_length} entries", "add to the list"),
    "too_long": ("up to {max_length} entries", "shorten the list"),
}


def faults_of(error: ValidationError, data: dict[str, Any], source: Source, model: type[BaseModel]) -> list[Fault]:
    """Every finding of `error` about `data` as a fault with its line in `source`."""
    return [_fault(one, data, source, model) for one in error.errors(include_url=False)]


def _path(loc: Sequence[str | int], data: object, keep_last: bool) -> Path:
    """The way through the file's own data: pydantic adds the names of union members on the way, which are left out."""
    path: list[str | int] = []
    for index, step in enumerate(loc):
        if isinstance(data, dict):
            if step in data:
                data = data[step]
            elif not (keep_last and index == len(loc) - 1):
                continue
        elif isinstance(data, list) and isinstance(step, int):
            data = data[step]
        else:
            continue
        path.append(step)
    return tuple(path)


def _fault(error: ErrorDetails, data: dict[str, Any], source: Source, model: type[BaseModel]) -> Fault:
    kind = error["type"]
    path = _path(error["loc"], data, keep_last=kind == "missing")
    context: dict[str, Any] = error.get("ctx", {})
    name = path_text(path)
    line = source.line(path)
    if kind == "missing":
        about = _like(model, path)
        return Fault(line, f"{name} is missing; allowed: {about}; add it", (path,))
    if kind == "extra_forbidden":
        keys = keys_of(model, path[:-1], data)
        near = difflib.get_close_matches(str(path[-1]), keys, 1, 0.6)
        mend = f"did you mean {near[0]}?" if near else "delete it"
        inside = f"in {path_text(path[:-1])}: " if path[:-1] else ""
        return Fault(line, f"{name} is no key that is known; allowed {inside}{', '.join(keys)}; {mend}", (path,))
    if kind == "union_tag_not_found":
        tag = _tag(context)
        path = (*path, tag)
        return Fault(
            line,
            f"{path_text(path)} is missing; allowed: {_tags(model, path)}; add it, it says which keys follow",
            (path,),
        )
    if kind == "union_tag_invalid":
        tag = _tag(context)
        path = (*path, tag)
        found = found_text(_value(data, path))
        line = source.line(path)
        return Fault(line, f"{path_text(path)} is {found}; allowed: {_tags(model, path)}; write one of them", (path,))
    found = "not of the right form" if is_secret(model, path) else found_text(error["input"])
    if kind == "lastbubble":
        allowed, mend = str(context["allowed"]), str(context["mend"])
    elif kind in ("literal_error", "enum"):
        allowed, mend = _words(context), "write one of them"
        written = source.places[path].text if path in source.places else ""
        near = difflib.get_close_matches(str(error["input"]), _choices(context), 1, 0.6)
        if not isinstance(error["input"], str) and written in _choices(context):
            mend = f'it is a word here: write it in quotes, "{written}"'
        elif near:
            mend = f"did you mean {near[0]}?"
    elif kind in _TOLD:
        allowed, mend = (text.format(**context) for text in _TOLD[kind])
    else:
        allowed, mend = error["msg"], "see docs/settings.md"
    return Fault(line, f"{name} is {found}; allowed: {allowed}; {mend}", (path,))


def _tag(context: Mapping[str, Any]) -> str:
    return str(context["discriminator"]).strip("'")


def _choices(context: Mapping[str, Any]) -> list[str]:
    # pydantic tells the choices as "'a', 'b' or 'c'"; none of our words has a quote or a comma in it.
    return [word.strip().strip("'") for word in str(context["expected"]).replace("' or '", "', '").split(",")]


def _words(context: Mapping[str, Any]) -> str:
    return ", ".join(_choices(context))


def _value(data: object, path: Path) -> object:
    for step in path:
        if isinstance(data, dict):
            data = data.get(step)
        elif isinstance(data, list) and isinstance(step, int) and step < len(data):
            data = data[step]
        else:
            return None
    return data


def members(annotation: Any) -> Iterable[type[BaseModel]]:
    """The models that an annotation allows (through Optional, unions, lists and Annotated)."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
        return
    origin = get_origin(annotation)
    args = get_args(annotation)
    for part in args[:1] if origin is typing.Annotated else args:
        yield from members(part)


def models_at(model: type[BaseModel], path: Path, data: object) -> list[type[BaseModel]]:
    """The models that may stand at `path`; where a member's literal (its `kind`) is in the file, only that member."""
    models = [model]
    for step in path:
        data = data.get(step) if isinstance(data, dict) else data
        if isinstance(step, int):
            continue
        found: list[type[BaseModel]] = []
        for one in models:
            field = one.model_fields.get(step)
            if field is not None:
                found.extend(members(field.annotation))
        fitting = [one for one in found if _fits(one, data)]
        models = fitting or found
    return models


def _fits(model: type[BaseModel], data: object) -> bool:
    if not isinstance(data, dict):
        return True
    return all(
        data.get(name) in get_args(field.annotation)
        for name, field in model.model_fields.items()
        if get_origin(field.annotation) is typing.Literal and field.is_required()
    )


def keys_of(model: type[BaseModel], path: Path, data: object) -> list[str]:
    """The keys allowed at `path`."""
    keys: dict[str, None] = {}
    for one in models_at(model, path, data):
        keys.update(dict.fromkeys(one.model_fields))
    return list(keys)


def is_secret(model: type[BaseModel], path: Path) -> bool:
    """Whether the value at `path` must never be shown."""
    names = [index for index, step in enumerate(path) if isinstance(step, str)]
    if not names:
        return False
    fields = (one.model_fields.get(str(path[names[-1]])) for one in models_at(model, path[: names[-1]], None))
    return any(
        field is not None and isinstance(field.json_schema_extra, dict) and bool(field.json_schema_extra.get("secret"))
        for field in fields
    )


def _tags(model: type[BaseModel], path: Path) -> str:
    words: dict[str, None] = {}
    for one in models_at(model, path[:-1], None):
        field = one.model_fields.get(str(path[-1]))
        if field is not None:
            words.update(dict.fromkeys(map(str, get_args(field.annotation))))
    return ", ".join(words)


def judge_of(field: FieldInfo) -> object | None:
    """The Quantity, Count, Number or Text that judges a key, also inside `X | None`; None where plain types do."""
    for judge in (*field.metadata, *_inside(field.annotation)):
        if isinstance(judge, Quantity | Count | Number | Text):
            return judge
    return None


def _inside(annotation: Any) -> Iterable[object]:
    if get_origin(annotation) is typing.Annotated:
        yield from annotation.__metadata__
    for part in get_args(annotation):
        yield from _inside(part)


def _like(model: type[BaseModel], path: Path) -> str:
    """What a missing key would be: its range, its words, else its description."""
    for one in models_at(model, path[:-1], None):
        field = one.model_fields.get(str(path[-1]))
        if field is None:
            continue
        about = (field.description or "a value").rstrip(".")
        match judge_of(field):
            case Quantity() as judge:
                return f"{judge.allowed()} ({about})"
            case Text() as judge:
                return f"{judge.allowed} ({about})"
            case Count() as judge:
                return f"{judge.allowed()} ({about})"
        if get_origin(field.annotation) is typing.Literal:
            return f"{', '.join(map(str, get_args(field.annotation)))} ({about})"
        return about
    return "a value"

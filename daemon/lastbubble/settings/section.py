"""What every group of keys is: strict, frozen, and closed to keys that nobody knows."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["Section", "key", "secret"]


class Section(BaseModel):
    """A group of keys. Nothing is guessed: a text is no number, 1 is not true, an unknown key is a fault."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, use_attribute_docstrings=False)


def key(description: str, default: Any = ..., **more: Any) -> Any:
    """One key: what it says to the person, and its default (SI; none = must be written)."""
    return Field(default, description=description, **more)


def secret(description: str, default: Any = ...) -> Any:
    """A key whose value is never shown."""
    return Field(default, description=description, json_schema_extra={"secret": True}, repr=False)

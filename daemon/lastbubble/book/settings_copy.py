"""The station's settings as JSON values, without what is secret: what a batch's book keeps of how it was run."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

__all__ = ["settings_copy"]


def settings_copy(section: BaseModel) -> dict[str, Any]:
    """Every key that has a value, SI; a secret shows only that it is there."""
    out: dict[str, Any] = {}
    for name, field in type(section).model_fields.items():
        value = getattr(section, name)
        extra = field.json_schema_extra
        if value is None:
            continue
        if isinstance(extra, dict) and extra.get("secret"):
            out[name] = "(secret)"
        else:
            out[name] = _plain(value)
    return out


def _plain(value: Any) -> Any:
    if isinstance(value, BaseModel):
        return settings_copy(value)
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    return value if isinstance(value, str | int | float | bool) else str(value)

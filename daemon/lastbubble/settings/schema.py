"""The JSON Schema of a settings file as a person writes it: quantities are texts with units, defaults too."""

from __future__ import annotations

from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from lastbubble.settings.models import Settings
from lastbubble.settings.quantities import emit

__all__ = ["json_schema"]


class _AsWritten(GenerateJsonSchema):
    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        out = super().default_schema(schema)
        default = schema.get("default")
        unit = out.get("x-unit")
        if unit is not None and isinstance(default, float):
            out["default"] = emit(default, *unit)
        elif default is None:
            # A key without a default is left out, never written empty.
            out.pop("default", None)
        elif hasattr(default, "model_dump"):
            out["default"] = default.model_dump(mode="json", exclude_none=True)
        return out

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])


def json_schema() -> dict[str, Any]:
    """The schema (draft 2020-12) that editors can check a settings file against."""
    out = Settings.model_json_schema(schema_generator=_AsWritten)
    out["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    out["title"] = "lastbubble settings"
    return _without_unit(out)  # type: ignore[no-any-return]  # a dict in gives a dict out


def _without_unit(node: Any) -> Any:
    if isinstance(node, dict):
        return {key: _without_unit(value) for key, value in node.items() if key != "x-unit"}
    if isinstance(node, list):
        return [_without_unit(value) for value in node]
    return node

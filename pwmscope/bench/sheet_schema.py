"""The JSON Schema of a bench sheet, by which an editor completes and checks keys."""

from __future__ import annotations

from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from pwmscope.bench.sheet_model import SheetTable


class _TomlSchema(GenerateJsonSchema):
    """JSON Schema without nulls, which TOML does not have, and without invented titles."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        made = super().default_schema(schema)
        if made.get("default", ...) is None:
            del made["default"]
        return made

    def field_title_should_be_set(self, schema: object) -> bool:
        return False


def sheet_schema() -> dict[str, Any]:
    """Return the JSON Schema of a bench sheet, as docs/sheet.schema.json holds it.

    Examples
    --------
    >>> sorted(sheet_schema()["properties"])
    ['analyser', 'channels', 'club', 'limits', 'marker', 'receiver', 'robot', 'sources', \
'transmitter']
    """
    schema = SheetTable.model_json_schema(schema_generator=_TomlSchema)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "pwmscope bench sheet",
    }

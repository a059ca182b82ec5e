"""The JSON Schemas of all documents, generated from their types."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from typing import Any, Final

from pydantic import ConfigDict, TypeAdapter
from pydantic.json_schema import GenerateJsonSchema
from typing_extensions import is_typeddict

from pwmscope.report import json_types

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
DOCUMENTS: Final[dict[str, tuple[str, Any]]] = {
    "findings": ("pwmscope findings", json_types.FindingsDocument),
    "failsafe": ("pwmscope failsafe check", json_types.FailsafeDocument),
    "calibrate": ("pwmscope settings", json_types.SettingsDocument),
    "mixing": ("pwmscope mixing", json_types.MixingDocument),
    "link": ("pwmscope link", json_types.LinkDocument),
    "lag": ("pwmscope lag", json_types.LagDocument),
    "stretches": ("pwmscope stretches", json_types.StretchesDocument),
    "comparison": ("pwmscope comparison", json_types.ComparisonDocument),
    "wiring": ("pwmscope wiring", json_types.WiringDocument),
    "analysis": ("pwmscope analysis", json_types.AnalysisDocument),
}
"""By the name of the file in docs/, without its ending: a title, and the type."""
_CONFIG: Final = ConfigDict(extra="forbid", use_attribute_docstrings=True, title=None)


class _PlainSchema(GenerateJsonSchema):
    """JSON Schema without invented titles."""

    def field_title_should_be_set(self, schema: object) -> bool:
        return False


def document_schema(title: str, document: Any) -> dict[str, Any]:  # noqa: ANN401 - a type
    """Generate the JSON Schema of a document.

    >>> schema = document_schema(*DOCUMENTS["wiring"])
    >>> schema["title"], schema["properties"]["schema"]["const"]
    ('pwmscope wiring', 1)
    """
    for _, found in inspect.getmembers(json_types, is_typeddict):
        found.__pydantic_config__ = _CONFIG
    made = TypeAdapter(document).json_schema(
        mode="serialization", schema_generator=_PlainSchema, ref_template="#/$defs/{model}"
    )
    schema: dict[str, Any] = _renamed(made)
    head = {"$schema": DIALECT, "title": title}
    if "description" not in schema and (told := " ".join(_descriptions(document))):
        head["description"] = told
    return {**head, **{key: value for key, value in schema.items() if key != "title"}}


def _descriptions(document: Any) -> Iterator[str]:  # noqa: ANN401 - a type
    for part in getattr(document, "__args__", ()):
        yield inspect.cleandoc(part.__doc__ or "")


def _renamed(node: Any) -> Any:  # noqa: ANN401 - JSON
    """Call definitions by small letters, lay descriptions on one line, drop invented titles."""
    if isinstance(node, list):
        return [_renamed(item) for item in node]
    if not isinstance(node, dict):
        return node
    made: dict[str, Any] = {}
    for key, value in node.items():
        if key == "$defs":
            made[key] = {_small(name): _renamed(inner) for name, inner in value.items()}
        elif key == "properties":
            made[key] = {name: _renamed(inner) for name, inner in value.items()}
        elif key == "$ref":
            made[key] = f"#/$defs/{_small(value.rpartition('/')[2])}"
        elif key == "description":
            made[key] = " ".join(value.split())
        elif key != "title":
            made[key] = _renamed(value)
    return made


def _small(name: str) -> str:
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).lower()


def all_schemas() -> dict[str, dict[str, Any]]:
    """Generate the schemas of all documents of the report, by the name of their file."""
    return {name: document_schema(title, document) for name, (title, document) in DOCUMENTS.items()}

"""Write the JSON Schemas in this folder: from `json_types`, the bench sheet and the plan.

Run it after a type has changed: `python docs/make_schemas.py`. With `--check` it writes nothing and
names the files that differ.
"""

from __future__ import annotations

import inspect
import json
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from pydantic import ConfigDict, TypeAdapter
from pydantic.json_schema import GenerateJsonSchema
from typing_extensions import is_typeddict

from pwmscope.bench import plan_schema, sheet_schema

DOCS = Path(__file__).parent
sys.path.append(str(DOCS))

import json_types  # noqa: E402 - it stands beside this file

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
    """Generate the JSON Schema of a document."""
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


def schemas() -> dict[str, dict[str, Any]]:
    """Generate every schema, by the name of its file without the ending."""
    return {
        **{name: document_schema(*told) for name, told in DOCUMENTS.items()},
        "plan": plan_schema(),
        "sheet": sheet_schema(),
    }


def main(words: list[str]) -> int:
    """Write the files, or name those that differ."""
    different = []
    for name, schema in schemas().items():
        path = DOCS / f"{name}.schema.json"
        text = json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            different.append(path.name)
            if "--check" not in words:
                path.write_text(text, encoding="utf-8")
    said = different or ["All schemas are as the types say."]
    sys.stdout.write("\n".join(said) + "\n")
    return 1 if different and "--check" in words else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

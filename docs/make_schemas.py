"""Write the JSON Schemas in this folder from the types in pwmscope.

Run it after a type has changed: `python docs/make_schemas.py`. With `--check` it writes nothing and
names the files that differ.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from pwmscope.bench import plan_schema, sheet_schema
from pwmscope.report.json_schema import all_schemas

DOCS = Path(__file__).parent


def schemas() -> dict[str, dict[str, Any]]:
    """Generate every schema, by the name of its file without the ending."""
    return {
        **all_schemas(),
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

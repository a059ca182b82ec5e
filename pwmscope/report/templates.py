"""The templates of pages and of paper, filled in: every text is a value, never markup."""

from __future__ import annotations

import importlib.resources
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

import jinja2

STANDARD: Final = "ua-1"
"""ISO 14289-1, PDF for people who cannot see: headings, tables and pictures are told apart."""


def template_text(name: str) -> str:
    """Read a file of the folder ``templates``."""
    folder = importlib.resources.files("pwmscope.report")
    return folder.joinpath(f"templates/{name}").read_text("utf-8")


def fill(name: str, filters: Mapping[str, Callable[..., object]], **values: object) -> str:
    """Fill in a template; text is escaped, and a name that is not given is an error."""
    environment = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= filters
    return environment.from_string(template_text(name)).render(**values)


def set_pdf(*names: str, **inputs: str) -> bytes:
    """Set templates, one after the other, as PDF; the same inputs give the same bytes.

    Words stay words that can be searched and copied, pictures stay vectors. No word of
    the inputs is read as an instruction to the engine.
    """
    import matplotlib as mpl  # noqa: PLC0415 - for its fonts
    import typst  # noqa: PLC0415 - pages need it not

    return typst.compile(
        "\n".join(map(template_text, names)).encode(),
        format="pdf",
        font_paths=typst.Fonts(font_paths=[Path(mpl.get_data_path()) / "fonts" / "ttf"]),
        sys_inputs=inputs,
        pdf_standards=STANDARD,
        timestamp=0,
    )

"""The templates of pages, filled in: every text is escaped, every name must be given."""

from __future__ import annotations

import importlib.resources
from collections.abc import Callable, Mapping

import jinja2


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

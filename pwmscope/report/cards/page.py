"""The card page: a template filled with plain values, its style inside."""

from __future__ import annotations

import importlib.resources
from typing import Final

import jinja2
from markupsafe import Markup

from pwmscope import __version__

_FOLDER: Final = "pwmscope.report.cards"


def fill_card(template: str, **values: object) -> str:
    """Fill a card's template."""
    folder = importlib.resources.files(_FOLDER)
    environment = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    style = Markup(folder.joinpath("card.css").read_text("utf-8"))
    return environment.from_string(folder.joinpath(template).read_text("utf-8")).render(
        style=style, version=__version__, **values
    )

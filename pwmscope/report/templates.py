"""The templates of pages and of paper, filled in: every text is a value, never markup."""

from __future__ import annotations

import base64
import hashlib
import importlib.resources
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

import jinja2
import markupsafe

from pwmscope.model import format_plainly

STANDARD: Final = "ua-1"
"""ISO 14289-1, PDF for people who cannot see: headings, tables and pictures are told apart."""


def shown(text: str, most: int) -> str:
    r"""Make a text that may hold a hostile name fit to be shown, and no longer than so many.

    Examples
    --------
    >>> shown("a\u202eb\x1b[31m", 20), shown("a" * 9, 4)
    ('a?b?[31m', 'aaa…')
    """
    fit = format_plainly(text)
    return fit if len(fit) <= most else fit[: most - 1] + "…"


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
    marks = environment.from_string(template_text("macros.html.j2")).module
    macros = {macro: getattr(marks, macro) for macro in ("mark", "told", "devices", "head")}
    return environment.from_string(template_text(name)).render(**macros, **values)


def fill_page(
    name: str,
    filters: Mapping[str, Callable[..., object]],
    *,
    look: Sequence[str],
    script: str = "",
    **values: object,
) -> str:
    """Fill in a page that refers to nothing outside, with the policy that lets nothing else in.

    Its styles and its one script are known to the browser by their hashes.
    """
    rules = ["default-src 'none'", "img-src data:", f"style-src {' '.join(map(_hash, look))}"]
    rules += [f"script-src {_hash(script)}"] * bool(script)
    policy = markupsafe.Markup("; ".join(rules))
    return fill(name, filters, look=look, policy=policy, **values)


def _hash(code: str) -> str:
    """Write the hash by which a content security policy knows an inline script or style.

    Source: W3C Content Security Policy Level 3, 2.3.1 and 6.7.3.3 (clauses from memory).

    Examples
    --------
    >>> _hash("alert('Hello, world.');")
    "'sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng='"
    """
    digest = hashlib.sha256(code.replace("\r\n", "\n").encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


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

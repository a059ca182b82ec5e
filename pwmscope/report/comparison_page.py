"""A comparison as one self-contained page for a screen or paper."""

from __future__ import annotations

import importlib.resources

import jinja2

from pwmscope import __version__
from pwmscope.findings.comparison import Comparison
from pwmscope.report.comparison_text import DIFFERS, HOW, comparison_sentences, say_compared
from pwmscope.report.sentences import RULEBOOK, say_line, say_plainly


def comparison_page(comparison: Comparison) -> str:
    """Write a comparison as HTML; names are words in it, whatever they hold.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    str
        One HTML 5 document that refers to nothing outside itself.
    """
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    template = importlib.resources.files("pwmscope.report").joinpath("comparison.html.j2")
    lines = [
        (
            say_line(line),
            [
                (
                    row.name,
                    [
                        (say_compared(found), bool(differs))
                        for found, differs in zip(row.findings, row.differs, strict=True)
                    ],
                )
                for row in comparison.rows
                if row.line == line
            ],
        )
        for line in comparison.lines
    ]
    text = environment.from_string(template.read_text("utf-8")).render(
        sources=[say_plainly(source) for source in comparison.sources],
        sentences=list(comparison_sentences(comparison)),
        how=HOW,
        mark=DIFFERS,
        lines=lines,
        rulebook=RULEBOOK.replace("one recording", f"{len(comparison.sources)} recordings"),
        version=__version__,
    )
    return text + "\n"

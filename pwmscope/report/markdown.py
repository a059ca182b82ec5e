"""A document as Markdown: CommonMark with tables, in which no name becomes markup."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from pwmscope.report.document import (
    Block,
    Device,
    Document,
    Figure,
    Front,
    Item,
    Items,
    Look,
    Paragraph,
    Run,
    Section,
    Strips,
    Table,
    Terms,
    Words,
)

_MARKUP: Final = re.compile(r"([\\`*_{}\[\]<>#|~&!$^@])")
_LINK: Final = re.compile(r"(:)(?=//)|(?<=www)(\.)", re.IGNORECASE)
_START: Final = re.compile(r"^(\s*\d*)([-+=.)])")
_LOOKS: Final = {
    Look.PLAIN: "",
    Look.STRONG: "**",
    Look.NAME: "",
    Look.MEETS: "**",
    Look.NOT_SHOWN: "*",
    Look.DOES_NOT_MEET: "**",
}


def document_markdown(document: Document) -> str:
    """Return a document as Markdown text.

    Pictures are named with what they show; the page and the PDF hold them.
    """
    parts = [f"# {_escaped(document.title)}", *(_line((Run(line),)) for line in document.about)]
    parts += _front(document.front)
    for section in document.sections:
        parts += _section(section)
    return "\n\n".join(parts) + "\n"


def _front(front: Front) -> Iterator[str]:
    """Tell the answer: headline, hazards, a line per device, what to do."""
    yield f"## {_escaped(front.headline)}"
    yield _line((Run(front.note),))
    if front.hazards:
        yield "\n".join(f"- **{_escaped(hazard)}**" for hazard in front.hazards)
    if front.devices:
        yield "\n".join(map(_device, front.devices))
    yield "## What to do next"
    if front.actions:
        numbered = enumerate(front.actions, start=1)
        yield "\n".join(f"{number}. {_line((Run(said),))}" for number, said in numbered)
    yield from (_line((Run(said),)) for said in front.left_out)
    yield _line((Run("Before you power anything: ", Look.STRONG), Run(" ".join(front.cautions))))


def _device(device: Device) -> str:
    named = device.name if device.name == device.line else f"{device.name}, {device.line}"
    decides = f"{device.number} {device.number_is}" if device.number else device.figure
    told = "; ".join(filter(None, (decides, device.trials, device.rest))) + "."
    drawn = f" {_escaped(device.alt)}" if device.alt else ""
    return f"- {_line((Run(named),))}: **{device.verdict}**, {_escaped(told)}{drawn}"


def _section(section: Section) -> Iterator[str]:
    yield f"## {_words(section.title)}"
    for block in section.blocks:
        yield from _block(block)


def _block(block: Block) -> Iterator[str]:
    match block:
        case Paragraph():
            yield _line(block.words)
        case Items():
            yield "\n".join(_item(item, wide=block.wide) for item in block.items)
        case Table():
            yield _table(block)
        case Figure():
            told = f"{block.picture.alt} {block.picture.caption}"
            yield f"{_escaped(block.label)}, in report.html and report.pdf: {_escaped(told)}"
        case Strips():
            drawn = (f"- {_words(each.title)}: {_escaped(each.alt)}" for each in block.drawings)
            yield "\n".join((*drawn, "", _line((Run(block.caption),))))
        case Terms():
            yield "\n".join(
                f"- **{_escaped(term)}**: {_escaped(said)}" for term, said in block.terms
            )


def _item(item: Item, *, wide: bool) -> str:
    if wide:
        return f"- {_line(item.lead)}: {_words(item.body)}"
    return f"- {_line((*item.lead, *item.body))}"


def _table(table: Table) -> str:
    """Write a table; a row that is too short is filled up with empty cells."""
    columns = len(table.heads)
    rows = [" | ".join(_escaped(head) for head in table.heads), " | ".join(["---"] * columns)]
    for row in table.rows:
        cells = [_words(cell) for cell in row] + [""] * (columns - len(row))
        rows.append(" | ".join(cells))
    return _escaped(table.caption) + "\n\n" + "\n".join(f"| {row} |" for row in rows)


def _line(words: Words) -> str:
    """Write words that begin a line; nothing in them begins a list or a heading."""
    return _START.sub(r"\1\\\2", _words(words)) if words else ""


def _words(words: Words) -> str:
    return "".join(_run(run) for run in words)


def _run(run: Run) -> str:
    mark, text = _LOOKS[run.look], _escaped(run.text)
    if not mark or not text.strip():
        return text
    bare = text.strip()
    before, after = text[: len(text) - len(text.lstrip())], text[len(text.rstrip()) :]
    return f"{before}{mark}{bare}{mark}{after}"


def _escaped(text: str) -> str:
    r"""Write text so that Markdown shows it as it is.

    Examples
    --------
    >>> print(_escaped("<b>[x](http://y)|*z*"))
    \<b\>\[x\](http\://y)\|\*z\*
    """
    return _LINK.sub(lambda found: "\\" + found[0], _MARKUP.sub(r"\\\1", text))

"""What a document is made of, and how it is set: templates and Markdown."""

from __future__ import annotations

import base64
import functools
import hashlib
import importlib.resources
import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path, PurePath
from typing import Final, TypeAlias

import jinja2
import markupsafe

from pwmscope.findings import Finding, Findings, Verdict
from pwmscope.model import format_line, format_plainly
from pwmscope.plot import Picture
from pwmscope.report.sentences import format_value

STANDARD: Final = "ua-1"
"""ISO 14289-1, PDF for people who cannot see: headings, tables and pictures are told apart."""


def shown(text: str, most: int) -> str:
    r"""Make a text that may hold a hostile name fit to be shown, and no longer than so many.

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
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True,
        keep_trailing_newline=True,
    )  # fmt: skip
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
        "\n".join(map(template_text, names)).encode(), format="pdf",
        font_paths=typst.Fonts(font_paths=[Path(mpl.get_data_path()) / "fonts" / "ttf"]),
        sys_inputs=inputs, pdf_standards=STANDARD, timestamp=0,
    )  # fmt: skip


class Look(StrEnum):
    """How a run of words stands out."""

    PLAIN = "plain"
    STRONG = "strong"
    NAME = "name"
    MEETS = "meets"
    NOT_SHOWN = "not-shown"
    DOES_NOT_MEET = "does-not-meet"


@dataclass(frozen=True, slots=True)
class Run:
    """Some words that look alike."""

    text: str  # The words, fit to be shown: no control characters
    look: Look = Look.PLAIN  # How they stand out
    target: str = ""  # Anchor of the section that they lead to; empty where they lead nowhere


Words: TypeAlias = tuple[Run, ...]


@dataclass(frozen=True, slots=True)
class Paragraph:
    """One paragraph; a quiet one stands back behind the others."""

    words: Words
    quiet: bool = False
    kind: str = "paragraph"


@dataclass(frozen=True, slots=True)
class Item:
    """One item of a list: what it is about, and what is said about it."""

    lead: Words
    body: Words


@dataclass(frozen=True, slots=True)
class Items:
    """A list; a wide one gives each item's body a line of its own."""

    items: tuple[Item, ...]
    wide: bool = False
    kind: str = "items"


@dataclass(frozen=True, slots=True)
class Table:
    """A table whose first column names its rows."""

    caption: str  # What stands in it
    heads: tuple[str, ...]  # One for each column
    # Each cell's words; the last cell of a row that is too short spans the rest
    rows: tuple[tuple[Words, ...], ...]
    shares: tuple[float, ...]  # The columns' widths, as shares of the whole
    # Whether it is a grid of short figures; otherwise a narrow screen shows a row as a list
    figures: bool = False
    kind: str = "table"


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture, and what to call it where it cannot be seen."""

    picture: Picture
    label: str
    kind: str = "figure"


@dataclass(frozen=True, slots=True)
class Terms:
    """Terms, each with what is said about it."""

    terms: tuple[tuple[str, str], ...]
    kind: str = "terms"


@dataclass(frozen=True, slots=True)
class Drawn:
    """A small drawing that a page holds as a part of itself."""

    title: Words  # What it is about
    svg: str  # One ``<svg>`` element, in the page's colours
    alt: str  # What it shows


@dataclass(frozen=True, slots=True)
class Strips:
    """Small drawings side by side."""

    drawings: tuple[Drawn, ...]
    caption: str  # How to read them, and what they leave out
    kind: str = "strips"
    are_small: bool = False  # Whether several have room side by side on a phone


Block: TypeAlias = Paragraph | Items | Table | Figure | Terms | Strips


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the document under a heading of its own."""

    anchor: str  # Its name for links, unlike any other's
    title: Words  # The heading
    blocks: tuple[Block, ...]  # What stands under it
    is_folded: bool = False  # Whether the page shows its heading only until it is opened
    is_on_paper: bool = True  # Whether it stands in the PDF; page, Markdown and JSON have all


@dataclass(frozen=True, slots=True)
class Device:
    """One device on a card; all texts are fit to be shown."""

    line: str
    name: str  # What is on the line, as a person says it; the line's name where nobody says
    verdict: str
    number: str  # The number that decides, with its unit; empty where words decide
    number_is: str  # What the number is
    figure: str  # What decides, in words
    trials: str  # How many losses, and what they showed
    action: str  # What to do; empty where there is nothing
    strip: str  # Its losses drawn, as SVG; empty where none was recorded
    alt: str  # What the drawing shows
    left_out: int  # Losses that the drawing leaves out
    ruler: str = ""  # Its travel drawn, as SVG; empty where that is not known
    rest: str = ""  # Neutral, ends and jitter
    target: str = ""  # Anchor of the section with everything about it


@dataclass(frozen=True, slots=True)
class Front:
    """The answer, which every form tells first; all texts are fit to be shown."""

    headline: str
    verdict: str
    note: str  # The slowest stop, how many losses, and the limit
    hazards: tuple[str, ...]
    devices: tuple[Device, ...]
    actions: tuple[str, ...]
    further: tuple[str, ...]  # What is to be done beyond those
    left_out: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Document:
    """A whole report."""

    title: str  # What it is about, with the recording's file name
    file: str  # The recording's file name, fit to be shown
    about: tuple[str, ...]  # Facts that stand below the title, a line each
    sha256: str  # Hash of the recording's file; empty where there is no file
    version: str  # Of pwmscope
    front: Front  # The answer
    sections: tuple[Section, ...]  # All other parts, in order


MAX_WORD_LETTERS: Final = 600
"""Letters of one sentence that are shown at most."""
MAX_LETTERS_OF_FILE: Final = 80
MANY_CHANNELS: Final = 3
"""From so many on, all channels are not named one by one."""
_LOOKS: Final = {
    Verdict.MEETS: Look.MEETS,
    Verdict.NOT_SHOWN: Look.NOT_SHOWN,
    Verdict.DOES_NOT_MEET: Look.DOES_NOT_MEET,
}


@dataclass(frozen=True, slots=True)
class Wording:
    """Turns findings into words, with every name of the recording made fit."""

    # What to write for each name that cannot be shown as it is, longest first
    names: Mapping[str, str]
    channels: tuple[str, ...]  # The channels, in order

    @classmethod
    def of(cls, findings: Findings, others: Iterable[str] = ()) -> Wording:
        """Learn the names of a recording's lines, and of others such as a bench sheet's."""
        names = {name: _isolated(format_line(name)) for name in (*findings.capture.lines, *others)}
        changed = [name for name, shown in names.items() if name != shown and name]
        by_length = sorted(changed, key=len, reverse=True)
        return cls({name: names[name] for name in by_length}, tuple(findings.channels))

    def text(self, sentence: str) -> str:
        """Write a sentence as text."""
        return plain(sentence, self.names)

    def cut(self, sentence: str, most: int) -> str:
        """Write a sentence as text of so many letters at most."""
        return plain(sentence, self.names, most)

    def say(self, sentence: str) -> Words:
        """Write a sentence as words."""
        return (Run(str(self.text(sentence))),) if sentence else ()

    def grouped(self, named: Mapping[str, list[str]]) -> Words:
        """Write findings' names with their lines, those of the same lines together."""
        together: dict[tuple[str, ...], list[str]] = {}
        for name, of in named.items():
            together.setdefault(tuple(dict.fromkeys(of)), []).append(name)
        words: list[Run] = []
        for lines, names in together.items():
            words += [Run("; ")] if words else []
            words += [Run(f"{', '.join(names)} ("), *self.lines(lines), Run(")")]
        return (*words, Run("."))

    def value(self, finding: Finding) -> Words:
        """Write a finding's value; a bare count says that it is one."""
        counted = isinstance(finding.value, int | float) and not finding.unit
        return self.say(format_value(finding) + (" counted" if counted else ""))

    def lines(self, names: Iterable[str]) -> Words:
        """Write lines' names with commas between them; all of many channels as such."""
        named = tuple(names)
        if len(named) >= MANY_CHANNELS and named == self.channels:
            return (Run(f"all {len(named)} channels", Look.STRONG),)
        words: list[Run] = []
        for name in named:
            words += ([Run(", ")] if words else []) + [line_run(name)]
        return tuple(words)


def line_run(name: str) -> Run:
    """Write one line's name."""
    return Run(_isolated(format_line(name)) or "(no name)", Look.NAME)


def verdict_run(verdict: Verdict | None) -> Run:
    """Write a verdict; a value without a limit is just measured.

    >>> verdict_run(Verdict.MEETS).look.value, verdict_run(None).text
    ('meets', 'measured')
    """
    return Run("measured") if verdict is None else Run(verdict.value, _LOOKS[verdict])


def file_name(source: str) -> str:
    """Write the name of a recording's file, without the folders before it.

    >>> file_name("/home/someone/bench.csv")
    'bench.csv'
    """
    return _isolated(plain(PurePath(source).name or source, {}, MAX_LETTERS_OF_FILE))


def _isolated(name: str) -> str:
    """Keep a name written from right to left from reordering the words around it."""
    if any(unicodedata.bidirectional(letter) in {"R", "AL", "AN"} for letter in name):
        return f"\u2068{name}\u2069"
    return name


@functools.lru_cache(maxsize=8)
def _any_of(names: tuple[str, ...]) -> re.Pattern[str]:
    return re.compile("|".join(map(re.escape, names)))


def plain(text: str, names: Mapping[str, str], most: int = MAX_WORD_LETTERS) -> str:
    r"""Make a sentence that may hold a hostile name fit to be shown.

    >>> plain("Line a\x00b: idle.", {"a\x00b": "a?b"}), plain("x" * 9, {}, 4)
    ('Line a?b: idle.', 'xxx…')
    """
    if names:
        text = _any_of(tuple(names)).sub(lambda found: names[found[0]], text)
    if not text.isprintable():
        marks = "\u2068\u2069" if names else ""
        text = "".join(c if c.isprintable() or c in marks else "?" for c in text)
    if len(text) <= most:
        return text
    kept = text[: most - 1]
    return kept + "\u2069" * (kept.count("\u2068") - kept.count("\u2069")) + "…"


_MARKUP: Final = re.compile(r"([\\`*_{}\[\]<>#|~&!$^@])")
_LINK: Final = re.compile(r"(:)(?=//)|(?<=www)(\.)", re.IGNORECASE)
_START: Final = re.compile(r"^(\s*\d*)([-+=.)])")
_MARKDOWN_LOOKS: Final = {
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
        numbered = enumerate((*front.actions, *front.further), start=1)
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
            between = (Run(": "),) if block.wide else ()
            items = ((*item.lead, *between, *item.body) for item in block.items)
            yield "\n".join(f"- {_line(words)}" for words in items)
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
    mark, text = _MARKDOWN_LOOKS[run.look], _escaped(run.text)
    if not mark or not text.strip():
        return text
    bare = text.strip()
    before, after = text[: len(text) - len(text.lstrip())], text[len(text.rstrip()) :]
    return f"{before}{mark}{bare}{mark}{after}"


def _escaped(text: str) -> str:
    r"""Write text so that Markdown shows it as it is.

    >>> print(_escaped("<b>[x](http://y)|*z*"))
    \<b\>\[x\](http\://y)\|\*z\*
    """
    return _LINK.sub(lambda found: "\\" + found[0], _MARKUP.sub(r"\\\1", text))

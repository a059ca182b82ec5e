"""A report as page, PDF, Markdown and JSON in a folder, and the list of several reports."""

from __future__ import annotations

import base64
import json
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path, PurePath
from typing import Final

from pwmscope import __version__
from pwmscope.output import make_folder, refuse_to_overwrite, write_files, write_text
from pwmscope.plot import Picture, on_paper
from pwmscope.report.answer import Answered
from pwmscope.report.composition import compose, compose_answer
from pwmscope.report.data import to_json
from pwmscope.report.document import (
    Block,
    Document,
    Paragraph,
    Run,
    Section,
    Strips,
    Table,
    document_markdown,
    file_name,
    fill,
    fill_page,
    plain,
    set_pdf,
    shown,
    template_text,
)
from pwmscope.report.failsafe import failsafe_json
from pwmscope.report.one_page import PAPERS, OnePage, make_one_page
from pwmscope.report.robots import RobotAnswer, Together, folded, robot_answer, together, unusable
from pwmscope.report.sentences import RULEBOOK
from pwmscope.report.timeline import Timeline, timeline_fragment, timeline_script


def document_page(document: Document, *, timeline: Timeline | None = None) -> str:
    """Return a document as HTML text."""
    timeline = timeline or Timeline("", "", "")
    look = [template_text("look.css"), template_text("page.css")]
    look += [timeline.style] * bool(timeline.style)
    return fill_page(
        "page.html.j2", {}, look=look, script=timeline.script, document=document, timeline=timeline,
        body=_body(document, timeline),
    )  # fmt: skip


def _body(document: Document, timeline: Timeline) -> str:
    filters = {"address": _address}
    return fill("page_body.html.j2", filters, document=document, timeline=timeline)


def answer_fragment(analysis: Answered, number: int = 0) -> str:
    """Return the answer about one recording as a part of a page: what needs no large picture.

    It holds headline, cards, actions, strips, timeline, reasons and figures; the page round it
    brings the style sheets of a report, and `answer_script`.
    """
    return _body(compose_answer(analysis, number), timeline_fragment(analysis.findings[number]))


def answer_script() -> str:
    """Return the script that draws the timeline of `answer_fragment`; one for all recordings."""
    return timeline_script()


def _address(picture: Picture) -> str:
    """Hold a picture in an address of its own, so that the page needs no other file."""
    return "data:image/svg+xml;base64," + base64.b64encode(picture.svg.encode()).decode("ascii")


MAX_PAPER_ROWS: Final = 60
"""Rows of one table that stand on paper; the page has all."""
MAX_PAPER_TABLES: Final = 2


def _document_pdf(document: Document, sheet: OnePage) -> bytes:
    """Set the one-page sheet, and after it what of a document is for paper, as PDF."""
    sections = [asdict(_for_paper(part)) for part in document.sections if part.is_on_paper]
    content = {
        "title": document.title,
        "file": document.file,
        "about": document.about,
        "sha256": document.sha256,
        "version": document.version,
        "sections": sections,
        "left_out": document.front.left_out,
        "actions": len(sheet.actions),
        "further": (*document.front.actions, *document.front.further)[len(sheet.actions) :],
    }
    return set_pdf(
        "one_page.typ", "document.typ",
        document=json.dumps(content), sheet=json.dumps(asdict(sheet)), paper=PAPERS["a4"],
    )  # fmt: skip


def _for_paper(section: Section) -> Section:
    """Cut long tables, say so, and give drawings the colours of paper."""
    blocks: list[Block] = []
    tables = [block for block in section.blocks if isinstance(block, Table)]
    for block in section.blocks:
        if isinstance(block, Strips):
            drawings = tuple(replace(drawn, svg=on_paper(drawn.svg)) for drawn in block.drawings)
            blocks.append(replace(block, drawings=drawings))
        elif not isinstance(block, Table):
            blocks.append(block)
        elif tables.index(block) < MAX_PAPER_TABLES:
            blocks.append(replace(block, rows=block.rows[:MAX_PAPER_ROWS]))
    rows = max((len(table.rows) for table in tables), default=0)
    if rows > MAX_PAPER_ROWS or len(tables) > MAX_PAPER_TABLES:
        many = f" and all {len(tables)} tables" if len(tables) > 1 else ""
        cut = f"The page has all {rows} rows{many}. Paper has the first {MAX_PAPER_ROWS} rows."
        blocks.append(Paragraph((Run(cut),), quiet=True))
    return replace(section, blocks=tuple(blocks))


PAGE_NAME: Final = "report.html"
PDF_NAME: Final = "report.pdf"
MARKDOWN_NAME: Final = "report.md"
DATA_NAME: Final = "findings.json"
CHECK_NAME: Final = "failsafe.json"
INDEX_NAME: Final = "index.html"
MAX_LETTERS: Final = 48
_RESERVED: Final = re.compile(r"(con|prn|aux|nul|com\d|lpt\d|index\.html?)(\.|$)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Written:
    """Where the files of one report are."""

    # The report's four forms
    page: Path
    pdf: Path
    markdown: Path
    data: Path
    check: Path | None  # The failsafe check as data, where there is a bench sheet


def refuse_report(folder: Path, *, replace: bool) -> None:
    """Refuse a folder in which a report is already, before anything is measured."""
    for name in (PAGE_NAME, PDF_NAME, MARKDOWN_NAME, DATA_NAME, CHECK_NAME):
        refuse_to_overwrite(folder / name, replace=replace)


def write_report(
    analysis: Answered,
    folder: Path,
    *,
    number: int = 0,
    advice: tuple[str, ...] = (),
    timeline: Timeline | None = None,
    replace: bool = False,
) -> Written:
    """Write a report as page, PDF, Markdown and JSON, all from the same findings.

    No file takes its place before all are whole, and the same findings give the
    same bytes.
    """
    folder = Path(folder)
    refuse_report(folder, replace=replace)
    document = compose(analysis, number, advice)
    check = None if analysis.sheet is None else analysis.failsafe
    written = Written(
        page=folder / PAGE_NAME, pdf=folder / PDF_NAME, markdown=folder / MARKDOWN_NAME,
        data=folder / DATA_NAME, check=None if check is None else folder / CHECK_NAME,
    )  # fmt: skip
    contents = {
        written.page: document_page(document, timeline=timeline).encode(),
        written.pdf: _document_pdf(document, make_one_page(analysis)),
        written.markdown: document_markdown(document).encode(),
        written.data: to_json(analysis.findings[number]).encode(errors="replace"),
    }
    if check is not None and written.check is not None:
        contents[written.check] = failsafe_json(check).encode(errors="replace")
    make_folder(folder)
    write_files(contents, replace=replace)
    return written


def folder_names(sources: Iterable[str]) -> list[str]:
    r"""Give each of several recordings a folder's name of its own.

    A name holds letters, digits, ``.``, ``-`` and ``_`` only, is short, begins with a
    letter or a digit, and differs from the others in more than capitals; so it
    stays a name within one folder whatever the file is called.

    >>> folder_names(["a/bench.csv.gz", "b/Bench.csv", "..", "x\\..\\..\\y.vcd", "nul.csv"])
    ['bench', 'Bench-2', 'recording', 'x_.._.._y', 'recording-nul']
    """
    given: list[str] = []
    taken: set[str] = set()
    for source in sources:
        name = first = _cleaned(PurePath(source).name)
        number = 1
        while name.casefold() in taken:
            number += 1
            name = f"{first}-{number}"
        taken.add(name.casefold())
        given.append(name)
    return given


def _cleaned(name: str) -> str:
    stem = re.sub(r"(\.[A-Za-z0-9]{1,8}){1,2}$", "", name)
    letters = unicodedata.normalize("NFKC", stem or name)
    letters = "".join(c if c.isascii() and (c.isalnum() or c in "._-") else "_" for c in letters)
    short = letters[:MAX_LETTERS].strip("._-")
    if not short:
        return "recording"
    return f"recording-{short}" if _RESERVED.match(short) else short


@dataclass(frozen=True, slots=True)
class Entry:
    """One recording of several."""

    source: str  # Its file, as the person named it
    trouble: str  # Why it could not be used, as a sentence; empty where it could
    answer: RobotAnswer
    files: tuple[Path, ...] = ()  # The report's page, PDF, Markdown and JSON
    robot: str = ""


@dataclass(frozen=True, slots=True)
class _Robot:
    """One robot of the index, or one recording whose robot nobody named."""

    name: str
    together: Together
    entries: tuple[Entry, ...]


def entry_of(source: str, analysis: Answered, written: Written) -> Entry:
    """Make the entry of a recording that has a report."""
    sheet = analysis.sheet
    return Entry(
        source,
        "",
        robot_answer(analysis.answer, analysis.failsafe),
        (written.page, written.pdf, written.markdown, written.data),
        "" if sheet is None else sheet.robot,
    )


def unused_entry(source: str, trouble: str, robot: str = "") -> Entry:
    """Make the entry of a recording that cannot be used."""
    return Entry(source, trouble, unusable(source), (), robot)


def write_index(entries: Sequence[Entry], folder: Path, *, replace: bool) -> Path:
    """Write a page that gives each robot its verdict, and leads to the reports beside it."""
    named: dict[str, list[Entry]] = {}
    for number, entry in enumerate(entries):
        named.setdefault(folded(entry.robot) or f"\0{number}", []).append(entry)
    robots = [
        _Robot(shown(own[0].robot, MAX_LETTERS), together([e.answer for e in own]), tuple(own))
        for own in named.values()
    ]
    text = fill_page(
        "index.html.j2",
        {
            "file": file_name,
            "trouble": lambda entry: plain(entry.trouble.replace(entry.source, "The file"), {}),
            "link": lambda path: path.relative_to(folder).as_posix(),
        },
        look=[template_text("look.css")],
        robots=robots,
        count=len(entries),
        rulebook=RULEBOOK.replace("one recording", f"{len(entries)} recordings"),
        version=__version__,
    )
    path = folder / INDEX_NAME
    make_folder(folder)
    write_text(path, text, replace=replace)
    return path

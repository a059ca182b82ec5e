"""A report's files in a folder, and the list of the reports of several recordings."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path, PurePath
from typing import Final

from pwmscope import __version__
from pwmscope.findings import Findings, Verdict
from pwmscope.findings.failsafe import Failsafe
from pwmscope.model import worst
from pwmscope.output import make_folder, refuse_to_overwrite, write_files, write_text
from pwmscope.report.composition import compose
from pwmscope.report.data import to_json
from pwmscope.report.document import Document, file_name, plain
from pwmscope.report.failsafe_data import failsafe_json
from pwmscope.report.markdown import document_markdown
from pwmscope.report.page import PAGE_NAME, document_page
from pwmscope.report.sentences import RULEBOOK, overall_sentence
from pwmscope.report.templates import fill, set_pdf
from pwmscope.report.timeline import Timeline


def _document_pdf(document: Document) -> bytes:
    """Set a document as PDF."""
    content = asdict(document) | {"sections": [asdict(s) for s in document.sections]}
    return set_pdf("document.typ", document=json.dumps(content))


PDF_NAME: Final = "report.pdf"
MARKDOWN_NAME: Final = "report.md"
DATA_NAME: Final = "findings.json"
CHECK_NAME: Final = "failsafe.json"
INDEX_NAME: Final = "index.html"
MAX_LETTERS: Final = 48
_RESERVED: Final = re.compile(r"(con|prn|aux|nul|com\d|lpt\d|index\.html?)(\.|$)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Written:
    """Where the files of one report are.

    Parameters
    ----------
    page, pdf, markdown, data : Path
        The report's four forms.
    check : Path or None
        The failsafe check as data, where there is a bench sheet.
    """

    page: Path
    pdf: Path
    markdown: Path
    data: Path
    check: Path | None


def refuse_report(folder: Path, *, replace: bool) -> None:
    """Refuse a folder in which a report is already, before anything is measured.

    Raises
    ------
    OutputError
        If there is one and it may not be replaced.
    """
    for name in (PAGE_NAME, PDF_NAME, MARKDOWN_NAME, DATA_NAME, CHECK_NAME):
        refuse_to_overwrite(folder / name, replace=replace)


def write_report(
    findings: Findings,
    folder: Path,
    *,
    check: Failsafe | None = None,
    sha256: str = "",
    advice: tuple[str, ...] = (),
    timeline: Timeline | None = None,
    replace: bool = False,
) -> Written:
    """Write a report as page, PDF, Markdown and JSON, all from the same findings.

    No file takes its place before all are whole, and the same findings give the
    same bytes.

    Parameters
    ----------
    findings : Findings
        Everything found in a recording.
    folder : Path
        Where the files go; made if it is not there.
    check, sha256, advice
        As `pwmscope.report.composition`.
    timeline : Timeline, optional
        As `pwmscope.report.page.document_page`.
    replace : bool, optional
        Whether files that are already there may be replaced.

    Returns
    -------
    Written

    Raises
    ------
    OutputError
        If a file is already there, or the folder or a file cannot be written.
    """
    folder = Path(folder)
    refuse_report(folder, replace=replace)
    document = compose(findings, check=check, sha256=sha256, advice=advice)
    written = Written(
        folder / PAGE_NAME,
        folder / PDF_NAME,
        folder / MARKDOWN_NAME,
        folder / DATA_NAME,
        None if check is None else folder / CHECK_NAME,
    )
    contents = {
        written.page: document_page(document, timeline=timeline).encode(),
        written.pdf: _document_pdf(document),
        written.markdown: document_markdown(document).encode(),
        written.data: to_json(findings).encode(errors="replace"),
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

    Parameters
    ----------
    sources : iterable of str
        The recordings' files.

    Returns
    -------
    list of str

    Examples
    --------
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
    answer: str  # What was found, as a sentence
    # The worst of its channels' verdicts, alone; none where it could not be used
    verdicts: tuple[Verdict, ...]
    files: tuple[Path, ...]  # The report's page, PDF, Markdown and JSON


def entry_of(source: str, findings: Findings, written: Written) -> Entry:
    """Make the entry of a recording that has a report."""
    every = tuple(f for channel in findings.channels.values() for f in channel.findings)
    files = (written.page, written.pdf, written.markdown, written.data)
    return Entry(source, "", overall_sentence(findings), (worst(every),), files)


def write_index(entries: Sequence[Entry], folder: Path, *, replace: bool) -> Path:
    """Write a page that leads to the reports in the folders beside it."""
    text = fill(
        "index.html.j2",
        {
            "file": file_name,
            "trouble": lambda entry: plain(entry.trouble.replace(entry.source, "The file"), {}),
            "link": lambda path: path.relative_to(folder).as_posix(),
        },
        entries=entries,
        rulebook=RULEBOOK.replace("one recording", f"{len(entries)} recordings"),
        version=__version__,
    )
    path = folder / INDEX_NAME
    make_folder(folder)
    write_text(path, text, replace=replace)
    return path

"""A report's files in a folder, and what the folder of a recording is called."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Final

from pwmscope.findings import Findings
from pwmscope.findings.failsafe import Failsafe
from pwmscope.output import make_folder, refuse_to_overwrite, write_files
from pwmscope.report.data import to_json
from pwmscope.report.document import compose
from pwmscope.report.failsafe_data import failsafe_json
from pwmscope.report.markdown import document_markdown
from pwmscope.report.page import PAGE_NAME, document_page
from pwmscope.report.timeline import Timeline
from pwmscope.report.typeset import document_pdf

PDF_NAME: Final = "report.pdf"
MARKDOWN_NAME: Final = "report.md"
DATA_NAME: Final = "findings.json"
CHECK_NAME: Final = "failsafe.json"
INDEX_NAME: Final = "index.html"
MOST_LETTERS: Final = 48
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
        As `pwmscope.report.document.compose`.
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
        written.pdf: document_pdf(document),
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
    short = letters[:MOST_LETTERS].strip("._-")
    if not short:
        return "recording"
    return f"recording-{short}" if _RESERVED.match(short) else short

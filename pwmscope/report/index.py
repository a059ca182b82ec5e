"""The page that lists the reports on several recordings, one line each."""

from __future__ import annotations

import importlib.resources
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import jinja2

from pwmscope import __version__
from pwmscope.findings import Findings, Verdict
from pwmscope.model.finding import worst
from pwmscope.output import make_folder, write_text
from pwmscope.report.document.words import file_name, plain
from pwmscope.report.folder import INDEX_NAME, Written
from pwmscope.report.sentences import RULEBOOK, overall_sentence


@dataclass(frozen=True, slots=True)
class Entry:
    """One recording of several.

    Parameters
    ----------
    source : str
        Its file, as the person named it.
    trouble : str
        Why it could not be used, as a sentence; empty where it could.
    answer : str
        What was found, as a sentence.
    verdicts : tuple of Verdict
        The worst of its channels' verdicts, alone; none where it could not be used.
    files : tuple of Path
        The report's page, PDF, Markdown and JSON.
    """

    source: str
    trouble: str
    answer: str
    verdicts: tuple[Verdict, ...]
    files: tuple[Path, ...]


def entry_of(source: str, findings: Findings, written: Written) -> Entry:
    """Make the entry of a recording that has a report.

    Parameters
    ----------
    source : str
        Its file, as the person named it.
    findings : Findings
        What was found in it.
    written : Written
        Where its report is.

    Returns
    -------
    Entry
    """
    every = tuple(f for channel in findings.channels.values() for f in channel.findings)
    files = (written.page, written.pdf, written.markdown, written.data)
    return Entry(source, "", overall_sentence(findings), (worst(every),), files)


def write_index(entries: Sequence[Entry], folder: Path, *, replace: bool) -> Path:
    """Write a page that leads to the reports in the folders beside it.

    Parameters
    ----------
    entries : sequence of Entry
        The recordings, in order.
    folder : Path
        The folder that holds the reports' folders.
    replace : bool
        Whether a page that is there may be replaced.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    OutputError
        If it is already there, or cannot be written.
    """
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= {
        "file": file_name,
        "trouble": lambda entry: plain(entry.trouble.replace(entry.source, "The file"), {}),
        "link": lambda path: path.relative_to(folder).as_posix(),
    }
    template = importlib.resources.files("pwmscope.report").joinpath("index.html.j2")
    text = environment.from_string(template.read_text("utf-8")).render(
        entries=entries,
        rulebook=RULEBOOK.replace("one recording", f"{len(entries)} recordings"),
        version=__version__,
    )
    path = folder / INDEX_NAME
    make_folder(folder)
    write_text(path, text + "\n", replace=replace)
    return path

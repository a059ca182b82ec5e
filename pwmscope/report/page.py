"""A document as one self-contained page for a screen, a phone or paper."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path
from typing import Final

import markupsafe

from pwmscope.findings import Findings
from pwmscope.findings.failsafe import Failsafe
from pwmscope.output import make_folder, refuse_to_overwrite, write_text
from pwmscope.plot import Picture
from pwmscope.report.composition import compose
from pwmscope.report.document import Document
from pwmscope.report.templates import fill
from pwmscope.report.timeline import Timeline

PAGE_NAME: Final = "report.html"


def write_page(findings: Findings, folder: Path, *, replace: bool = False) -> Path:
    """Write a page with every finding and picture to ``folder/report.html``.

    The page is whole or not there at all, and the same findings give the same
    bytes. `pwmscope.report.folder.write_report` writes the other forms too.
    """
    path = Path(folder) / PAGE_NAME
    refuse_to_overwrite(path, replace=replace)
    text = page_text(findings)
    make_folder(path.parent)
    write_text(path, text, replace=replace)
    return path


def page_text(
    findings: Findings,
    *,
    check: Failsafe | None = None,
    sha256: str = "",
    advice: tuple[str, ...] = (),
    timeline: Timeline | None = None,
) -> str:
    """Return the page as HTML text."""
    document = compose(findings, check=check, sha256=sha256, advice=advice)
    return document_page(document, timeline=timeline)


def document_page(document: Document, *, timeline: Timeline | None = None) -> str:
    """Return a document as HTML text."""
    return fill(
        "page.html.j2",
        {"address": _address},
        document=document,
        timeline=_inlined(timeline),
        policy=markupsafe.Markup(_policy(timeline)),
    )


def _inlined(timeline: Timeline | None) -> dict[str, markupsafe.Markup]:
    """Mark a timeline's parts as fit to stand in the page as they are; empty without one."""
    parts = ("style", "html", "script")
    return {
        part: markupsafe.Markup("" if timeline is None else getattr(timeline, part))
        for part in parts
    }


def _policy(timeline: Timeline | None) -> str:
    """Write the content security policy: no script but the timeline's, told by its hash."""
    rules = ["default-src 'none'", "img-src data:", "style-src 'unsafe-inline'"]
    if timeline is not None:
        rules.append(f"script-src {_script_hash(timeline.script)}")
    return "; ".join(rules)


def _script_hash(code: str) -> str:
    """Write the hash by which a content security policy knows an inline script.

    Source: W3C Content Security Policy Level 3, 2.3.1 and 6.7.3.3 (clauses from memory).

    Examples
    --------
    >>> _script_hash("alert('Hello, world.');")
    "'sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng='"
    """
    digest = hashlib.sha256(code.replace("\r\n", "\n").encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def _address(picture: Picture) -> str:
    """Hold a picture in an address of its own, so that the page needs no other file."""
    return "data:image/svg+xml;base64," + base64.b64encode(picture.svg.encode()).decode("ascii")

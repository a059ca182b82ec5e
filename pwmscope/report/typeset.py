"""A document as PDF, set by a typesetting engine that brings all it needs with it."""

from __future__ import annotations

import importlib.resources
import json
from dataclasses import asdict
from pathlib import Path
from typing import Final

import matplotlib as mpl
import typst

from pwmscope.report.document import Document

STANDARD: Final = "ua-1"
"""ISO 14289-1, PDF for people who cannot see: headings, tables and pictures are told apart."""


def document_pdf(document: Document) -> bytes:
    """Set a document as PDF.

    Words stay words that can be searched and copied, pictures stay vectors. No
    word of the document is read as an instruction to the engine.

    Parameters
    ----------
    document : Document
        The document.

    Returns
    -------
    bytes
        One PDF file on A4; the same document gives the same bytes.
    """
    template = importlib.resources.files("pwmscope.report").joinpath("document.typ")
    fonts = typst.Fonts(font_paths=[Path(mpl.get_data_path()) / "fonts" / "ttf"])
    content = asdict(document) | {"sections": [asdict(s) for s in document.sections]}
    return typst.compile(
        template.read_bytes(),
        format="pdf",
        font_paths=fonts,
        sys_inputs={"document": json.dumps(content)},
        pdf_standards=STANDARD,
        timestamp=0,
    )

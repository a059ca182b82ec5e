"""The report as one document, from which page, PDF and Markdown are made alike."""

from pwmscope.report.document.blocks import Document
from pwmscope.report.document.compose import compose

__all__ = ["Document", "compose"]

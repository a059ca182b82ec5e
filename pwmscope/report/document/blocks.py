"""What a document is made of: sections of blocks, blocks of words; no form of output is in it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias

from pwmscope.report.drawing import Picture


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
    """Some words that look alike.

    Parameters
    ----------
    text : str
        The words, fit to be shown: no control characters.
    look : Look, optional
        How they stand out.
    target : str, optional
        Anchor of the section that they lead to; empty where they lead nowhere.
    """

    text: str
    look: Look = Look.PLAIN
    target: str = ""


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
    """A table whose first column names its rows.

    Parameters
    ----------
    caption : str
        What stands in it.
    heads : tuple of str
        One for each column.
    rows : tuple of tuple of Words
        Each cell's words; the last cell of a row that is too short spans the rest.
    shares : tuple of float
        The columns' widths, as shares of the whole.
    figures : bool, optional
        Whether it is a grid of short figures; otherwise a narrow screen shows a
        row as a list.
    """

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Words, ...], ...]
    shares: tuple[float, ...]
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


Block: TypeAlias = Paragraph | Items | Table | Figure | Terms


class Place(StrEnum):
    """Where a section stands on paper."""

    FLOWS = "flows"
    NEW_PAGE = "new-page"
    BOXED = "boxed"


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the document under a heading of its own.

    Parameters
    ----------
    anchor : str
        Its name for links, unlike any other's.
    title : Words
        The heading.
    blocks : tuple of Block
        What stands under it.
    place : Place, optional
        Where it stands on paper.
    """

    anchor: str
    title: Words
    blocks: tuple[Block, ...]
    place: Place = Place.FLOWS


@dataclass(frozen=True, slots=True)
class Document:
    """A whole report.

    Parameters
    ----------
    title : str
        What it is about, with the recording's file name.
    file : str
        The recording's file name, fit to be shown.
    about : tuple of str
        Facts that stand below the title, a line each.
    sha256 : str
        Hash of the recording's file; empty where there is no file.
    version : str
        Of pwmscope.
    front, after : tuple of Section
        What comes before and after the place for a timeline.
    """

    title: str
    file: str
    about: tuple[str, ...]
    sha256: str
    version: str
    front: tuple[Section, ...]
    after: tuple[Section, ...]

    @property
    def sections(self) -> tuple[Section, ...]:
        """All sections, in order."""
        return (*self.front, *self.after)

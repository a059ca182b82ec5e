"""A small TOML file as text and as tables; what is wrong with it, in one sentence."""

from __future__ import annotations

import difflib
import json
import os
import re
import tomllib
from collections.abc import Hashable, Iterable, Mapping
from pathlib import Path
from typing import Any, Final, TypeVar

from pwmscope.bench.key_lines import DEEPEST, deep_key_line
from pwmscope.errors import PwmscopeError, require_type

MOST_SHOWN: Final = 40
_PLACE: Final = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_Part = TypeVar("_Part", bound=Hashable)


class TomlError(PwmscopeError):
    """A TOML file cannot be used as it stands.

    Parameters
    ----------
    source : str
        The file, as the person named it.
    line : int
        Line of the file, counted from 1.
    key : str
        The key; empty for the file as a whole.
    found : str
        What is wrong, as a clause.
    allowed : str
        What may stand there, as it reads after the word "expected".
    """

    def __init__(self, source: str, line: int, key: str, found: str, allowed: str) -> None:
        place = f"{source}, line {line}" + (f", {key}" if key else "")
        super().__init__(f"{place}: {found}, expected {allowed}.")
        self.source = source
        self.line = line
        self.key = key
        self.allowed = allowed


def read_toml_text(
    path: str | os.PathLike[str], what: str, *, most_bytes: int, otherwise: str
) -> str:
    """Read a small file in UTF-8.

    Parameters
    ----------
    path : str or path-like
        The file.
    what : str
        What it should be, such as ``bench sheet``.
    most_bytes : int
        A longer file is none.
    otherwise : str
        What to name instead of a file that is too long, as a clause.

    Returns
    -------
    str

    Raises
    ------
    PwmscopeError
        If it cannot be read, or is too long.
    """
    require_type("path", path, (str, os.PathLike), f"the path of a {what}")
    source = os.fspath(path)
    try:
        with Path(path).open("rb") as file:
            data = file.read(most_bytes + 1)
        text = data.decode("utf-8-sig") if len(data) <= most_bytes else None
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        raise PwmscopeError(
            f"{source}: the {what} cannot be read ({why}); name a TOML file in UTF-8."
        ) from None
    if text is None:
        raise PwmscopeError(
            f"{source}: a {what} has a few kilobytes of text, this file more than "
            f"{most_bytes // 1024}; {otherwise}."
        )
    return text


def parse_toml(
    text: str, source: str, error: type[TomlError], *, deep: str, lines: str
) -> dict[str, Any]:
    """Read a text's tables.

    Parameters
    ----------
    text : str
        The text.
    source : str
        The file's name, for messages.
    error : type of TomlError
        What is raised.
    deep : str
        What is expected instead of a key of very many parts.
    lines : str
        What is expected instead of lines that are no TOML.

    Returns
    -------
    dict

    Raises
    ------
    TomlError
        If it is not TOML, or goes too deep.
    """
    line = deep_key_line(text)
    if line is not None:
        found = f"a key has more than {DEEPEST} parts with dots between"
        raise error(source, line, "", found, deep)
    try:
        return tomllib.loads(text)
    except RecursionError:
        found = "tables or lists are nested too deeply"
        raise error(source, 1, "", found, "at most three levels") from None
    except ValueError as fault:
        # All but a number of thousands of digits is a TOMLDecodeError.
        said = str(fault) if isinstance(fault, tomllib.TOMLDecodeError) else "a number is too long"
        place = _PLACE.search(said)
        at = int(place[1]) if place and place[1] else text.count("\n") + 1
        column = f" at column {place[2]}" if place and place[2] else ""
        what = said[: place.start()] if place else said
        found = f"this is not TOML ({short(what, 120)}{column})"
        raise error(source, at, "", found, lines) from None


def line_of(lines: Mapping[tuple[_Part, ...], int], path: tuple[_Part, ...]) -> int:
    """Find the line of a key, or else of the nearest table round it that has one.

    Examples
    --------
    >>> line_of({("limits",): 3}, ("limits", "failsafe_s")), line_of({}, ("robot",))
    (3, 1)
    """
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)


def shown(value: object) -> str:
    """Write a value as TOML does, and not at length.

    Examples
    --------
    >>> shown("rest"), shown(True), shown("x" * 99)
    ('"rest"', 'true', '"xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx...')
    """
    # JSON writes all but times and non-finite numbers as TOML does.
    said = str(value) if isinstance(value, float) else json.dumps(value, default=str)
    return short(said, MOST_SHOWN)


def short(text: str, most: int) -> str:
    r"""Write a text on one line, and not at length.

    Examples
    --------
    >>> short("a\nb", 9), short("a long one", 9)
    ('a?b', 'a long...')
    """
    plain = "".join(c if c.isprintable() else "?" for c in text)
    return plain if len(plain) <= most else plain[: most - 3] + "..."


def nearest(word: str, words: Iterable[str]) -> str:
    """Say which of some words is nearest to another; empty where none is near.

    Examples
    --------
    >>> nearest("robto", ["robot", "club"]), nearest("x", ["robot"])
    (', of which robot is the nearest', '')
    """
    near = difflib.get_close_matches(word, list(words), 1)
    return f", of which {near[0]} is the nearest" if near else ""
